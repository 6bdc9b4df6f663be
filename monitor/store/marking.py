"""Marks, said and taken back: what one would cost is asked about first, and a slip is taken back by a new entry."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import UsageError
from monitor.judge.words import asked
from monitor.record.model import ENDS, jars_held
from monitor.store.clock import happened_s, read_clocks
from monitor.store.database import open_writer, transaction
from monitor.store.entries import Entry, append_entry, read_entries
from monitor.store.runs import RunFacts, read_house
from monitor.store.stamp import SYSTEM_TIME, epoch_s, epoch_text, machine_boot, utc_text
from monitor.store.words import in_zone
from monitor.timesource import TimeSource

#: Two of one kind that lie so near are two people, or one finger, and one thing that happened. [s] Chosen.
TWICE_S = 20.0
#: What a doubt may be about: the run is over; jars are in with the heat on, or were in before; an end before the jars
#: went in; time still owed; the same a moment ago.
ABOUT = frozenset({"over", "held", "again", "before", "owed", "twice"})
#: Marks that end, or take back, what a hold has proven so far.
ENDS_A_HOLD = (*ENDS, "boil_not_seen")


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a mark was not written down yet: it can hardly be meant, or it costs what the run has proven.

    ``about``: one of :data:`ABOUT`. ``at_s``: when that was which stands against it (house time), ``by`` whom.
    """

    about: str
    why: str
    at_s: float | None = None
    by: str | None = None


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A mark that counts no more: the entry that says so, and which mark it was."""

    entry: int
    mark: Entry


def say_mark(
    data_dir: Path,
    run_id: str,
    kind: str,
    *,
    text: str | None = None,
    by: str | None = None,
    happened_utc: str | None = None,
    reason: str | None = None,
    owed_s: float | None = None,
    even_so: Collection[str] = (),
    time: TimeSource = SYSTEM_TIME,
) -> int | Doubt:
    """Append a mark, or say why it is asked about first; ``even_so``: what is not asked about (:data:`ABOUT`).

    Parameters
    ----------
    happened_utc : str, optional
        RFC 3339 time of it; now when left out.
    owed_s : float, optional
        What the view says is still to be held; None where nothing is, or nobody asks. [s]

    Raises
    ------
    UsageError
        There is no such run, or it lies days away.
    """
    body: dict[str, Any] = {"kind": kind} | ({"text": text} if text else {})
    with closing(open_writer(data_dir)) as conn, transaction(conn):
        facts = read_house(conn).run(run_id)
        at_s = _house_s(conn, happened_utc, time)
        wall_s = epoch_s(happened_utc or utc_text(time.utc_now()))
        for doubt in _doubts(conn, facts, kind, at_s, wall_s, owed_s):
            if doubt.about not in even_so:
                return doubt
        return append_entry(
            conn, "mark", body, run_id=run_id, by=by, happened_utc=happened_utc, reason=reason, time=time
        )


def _house_s(conn: sqlite3.Connection, happened_utc: str | None, time: TimeSource) -> float:
    """House time of what is said now. [s]"""
    now_utc = utc_text(time.utc_now())
    said = Entry(
        id=0,
        run_id=None,
        kind="mark",
        body={},
        at_utc=now_utc,
        happened_utc=happened_utc or now_utc,
        by=None,
        corrects=None,
        reason=None,
        mono_s=time.monotonic_s(),
        machine_boot=machine_boot(),
    )
    return happened_s(read_clocks(conn), said)


def _doubts(
    conn: sqlite3.Connection, facts: RunFacts, kind: str, at_s: float, wall_s: float, owed_s: float | None
) -> Iterator[Doubt]:
    """Why a mark for ``at_s`` (house time) is asked about first, the weightiest first; a note never is.

    Two people are seconds apart on the wall's clock, however fast a demonstration goes.
    """
    if kind == "note":
        return
    found = (
        _over(facts),
        _again(facts, kind),
        _twice(conn, facts, kind, wall_s),
        _before(facts, kind, at_s),
        _owed(facts, kind, owed_s),
    )
    yield from (doubt for doubt in found if doubt is not None)


def _over(facts: RunFacts) -> Doubt | None:
    if not facts.imported and facts.ended_s is None:
        return None
    over = "came from elsewhere"
    if facts.ended_s is not None:
        over = f"is over since {_clock(facts, facts.ended_s)}"
    return Doubt("over", f"run {facts.run_id} {over}: a mark now changes what it proves.")


def _again(facts: RunFacts, kind: str) -> Doubt | None:
    loaded = [mark.t_s for mark in facts.marks if mark.kind == "jars_in"]
    if kind != "jars_in" or not loaded:
        return None
    since = _clock(facts, facts.started_s + loaded[-1])
    return Doubt(
        "held" if jars_held(facts.marks) is not None else "again",
        f"the jars of run {facts.run_id} went in at {since}: with another jars_in the whole time begins again "
        "from zero.",
        facts.started_s + loaded[-1],
    )


def _before(facts: RunFacts, kind: str, at_s: float) -> Doubt | None:
    """An end that lies before what it should end: it is another batch's, or a mistyped time."""
    loaded = [mark.t_s for mark in facts.marks if mark.kind == "jars_in"]
    since_s = facts.started_s + max(loaded, default=0.0)
    if kind not in ENDS or at_s >= since_s:
        return None
    what = f"the jars of run {facts.run_id} went in" if loaded else f"run {facts.run_id} began"
    return Doubt(
        "before",
        f"that was at {_clock(facts, at_s)}, before {what} at {_clock(facts, since_s)}: it ends nothing of it.",
        since_s,
    )


def _owed(facts: RunFacts, kind: str, owed_s: float | None) -> Doubt | None:
    if not owed_s or kind not in ENDS_A_HOLD or jars_held(facts.marks) is None:
        return None
    lost = "the hold ends here"
    if kind == "boil_not_seen":
        lost = "what was held so far counts no more, and the whole time begins again"
    return Doubt("owed", f"{asked(owed_s)} still owed: {lost}.")


def _twice(conn: sqlite3.Connection, facts: RunFacts, kind: str, wall_s: float) -> Doubt | None:
    """Somebody, or the same finger, said it of the same moment."""
    if kind == "jars_in":
        # Asked about whenever it comes again.
        return None
    for entry in standing_marks(conn, facts.run_id)[::-1]:
        if entry.body.get("kind") == kind and abs(wall_s - epoch_s(entry.happened_utc)) <= TWICE_S:
            said_s = happened_s(read_clocks(conn), entry)
            who = f"by {entry.by}" if entry.by else "without a name"
            why = f"that is marked already, {who}, at {_clock(facts, said_s)} (entry {entry.id})."
            return Doubt("twice", why, said_s, entry.by)
    return None


def standing_marks(conn: sqlite3.Connection, run_id: str) -> list[Entry]:
    """The marks of a run that nobody took back or moved, in the order they were made."""
    entries = read_entries(conn, run_id, ("mark", "correction"))
    gone = {entry.corrects for entry in entries if entry.corrects is not None}
    return [entry for entry in entries if entry.kind == "mark" and entry.id not in gone]


def take_back(
    data_dir: Path, run_id: str, mark: int, *, by: str, reason: str, time: TimeSource = SYSTEM_TIME
) -> TakenBack:
    """Say that a mark was a slip: a new entry, who and why; the mark stays where it is and counts no more.

    Raises
    ------
    UsageError
        Nobody is named, no reason is given, there is no such run, or no such mark of it stands.
    """
    by, reason = by.strip(), reason.strip()
    if not by:
        raise UsageError("a mark is taken back by somebody: give a name.", "Nothing was written down.")
    if not reason:
        raise UsageError("say why the mark is taken back.", "Nothing was written down.")
    with closing(open_writer(data_dir)) as conn, transaction(conn):
        read_house(conn).run(run_id)
        found = next((entry for entry in standing_marks(conn, run_id) if entry.id == mark), None)
        if found is None:
            raise UsageError(
                f"run {run_id} has no standing mark of entry {mark}.", "Nothing was written down."
            )
        entry = append_entry(
            conn,
            "correction",
            {"withdrawn": True},
            run_id=run_id,
            by=by,
            reason=reason,
            corrects=mark,
            time=time,
        )
    return TakenBack(entry, found)


def _clock(facts: RunFacts, at_s: float) -> str:
    zone = facts.header.get("zone")
    return in_zone(epoch_text(at_s), zone if isinstance(zone, str) else None)
