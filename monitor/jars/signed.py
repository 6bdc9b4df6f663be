"""What a person may sign for a hold that the record does not prove: an own timing, or an expert's opinion. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from monitor.jars.disposition import Basis
from monitor.jars.rows import Row, instant, local_time, zone_of
from monitor.jars.times import Times, times_of
from monitor.judge.caps import caps_of
from monitor.judge.verdict import NOT_BOILING
from monitor.judge.words import asked, exact
from monitor.record.model import Run

#: Times are typed in minutes, and a cook's clock is not the record's: so much off is no contradiction. Chosen.
SLACK = timedelta(minutes=1)
#: Marks that end the time at the boil, and how they are told.
_ENDS = {"heat_off": "the heat was off at", "jars_lifted": "the jars were lifted at"}


@dataclass(frozen=True, slots=True)
class Standing:
    """What stands behind the process, the words for every page and label, and who signed.

    ``timed_to``: the end of the hold by an own timing, aware.
    """

    basis: Basis
    words: str
    by: str | None = None
    timed_to: datetime | None = None


@dataclass(frozen=True, slots=True)
class Bounds:
    """What an own timing must agree with: the food, the time in the canner, and what was seen not to boil. Aware."""

    zone: str | None
    low_acid: str
    jars_in: datetime
    #: The end of the heat, the lifting or the end of the run, whichever came first, and what it was.
    out: datetime | None
    out_was: str
    not_boiling: tuple[tuple[datetime, datetime], ...]


def bounds_of(run: Run, verdict: Mapping[str, Any], times: Times) -> Bounds:
    """Read off the header, the marks, what was seen of the heat's end, and the verdict's stretches."""
    ends: list[tuple[datetime, str]] = []
    for mark in run.marks:
        at = run.started_at + timedelta(seconds=mark.t_s)
        if mark.kind in _ENDS and at >= times.jars_in:
            ends.append((at, _ENDS[mark.kind]))
    # Where nobody marked it, the late bound of what was seen: a record that is not sure forbids nothing.
    if times.heat_off is not None and times.heat_off.how:
        ends.append((times.heat_off.late, "the heat was off by"))
    if times.lifted is not None and times.lifted.how:
        ends.append((times.lifted.late, "the jars were out by"))
    if run.ended_at_s is not None:
        ends.append((run.started_at + timedelta(seconds=run.ended_at_s), "the run ended at"))
    out, was = min(ends, default=(None, ""))
    cold = [
        (
            run.started_at + timedelta(seconds=float(stretch["start_s"])),
            run.started_at + timedelta(seconds=float(stretch["end_s"])),
        )
        for stretch in verdict.get("stretches", ())
        if stretch["state"] == NOT_BOILING
    ]
    # The tables of foods are read only where a timing may count at all.
    hit = caps_of(run).low_acid if verdict.get("verdict") == "unproven" else None
    return Bounds(run.zone, hit.name if hit is not None else "", times.jars_in, out, was, tuple(cold))


def standing(
    verdict: Mapping[str, Any], rows: Sequence[Row], deadline: datetime | None, bounds: Bounds
) -> Standing:
    """The basis of a batch. A broken hold is never lifted by a timing; only an unproven one may be.

    ``deadline``: when the 2 h clock closes; a timing signed later is none: missing evidence earns no hours.
    """
    word = verdict.get("verdict")
    if word is None:
        return Standing(Basis.OPEN, "the run is not over")
    if word == "held":
        return Standing(Basis.PROVEN, "hold proven by the record")
    for row in reversed(rows):
        if row.kind == "evaluation" and not evaluation_trouble(row.body, row.by):
            who = str(row.body["person"])
            return Standing(
                Basis.EVALUATED,
                f"hold {word}; released on the written opinion of {who}, not by this record",
                who,
            )
        if row.kind == "own_timing" and not _refusal(row, verdict, deadline, bounds):
            return Standing(
                Basis.OWN_TIMING,
                f"on the cook's own timing ({row.by}); not proven by the record",
                row.by,
                instant(str(row.body["to_utc"])),
            )
    return Standing(Basis.FAILED, f"hold {word}")


def refused_timings(
    verdict: Mapping[str, Any], rows: Sequence[Row], deadline: datetime | None, bounds: Bounds
) -> list[str]:
    """The own timings that do not count, each with its reason."""
    if verdict.get("verdict") not in ("unproven", "broken"):
        return []
    timed = [row for row in rows if row.kind == "own_timing"]
    told = ((row, _refusal(row, verdict, deadline, bounds)) for row in timed)
    return [f"own timing of {row.by or 'nobody named'}: {why}" for row, why in told if why]


def _refusal(row: Row, verdict: Mapping[str, Any], deadline: datetime | None, bounds: Bounds) -> str:
    if deadline is not None and row.entered > deadline:
        return "it was signed after the 2 hours had passed"
    return _trouble(row.body, row.by, verdict, bounds, row.entered)


#: Why a hold of that verdict takes no timing.
_NO_TIMING = {
    "broken": "an own timing stands only for an unproven hold; a broken one was seen to break",
    "held": "an own timing stands only for an unproven hold; the record proves this hold without one",
}


def own_timing_trouble(
    run: Run, verdict: Mapping[str, Any], body: Mapping[str, Any], by: str | None, signed: datetime
) -> str:
    """Why an own timing of ``run`` cannot stand; empty when it can.

    The body: ``{"how": text, "from_utc": time, "to_utc": time}``, signed by ``by`` at ``signed``.
    """
    return _trouble(body, by, verdict, bounds_of(run, verdict, times_of(run, verdict)), signed)


def _trouble(
    body: Mapping[str, Any], by: str | None, verdict: Mapping[str, Any], bounds: Bounds, signed: datetime
) -> str:
    if (word := verdict.get("verdict")) != "unproven":
        return _NO_TIMING.get(
            str(word), "an own timing stands only for an unproven hold; this run is not over"
        )
    if bounds.low_acid:
        return (
            f"{bounds.low_acid} is low-acid food, which no time at a full boil makes keep: "
            "refrigerate or freeze the jars within the 2 hours, or discard them"
        )
    if not by or not body.get("how"):
        return "an own timing needs who timed it and how"
    try:
        since, until = instant(str(body["from_utc"])), instant(str(body["to_utc"]))
    except (KeyError, ValueError):
        return "an own timing needs from when to when, as times with their offset"
    timed_s = (until - since).total_seconds()
    if timed_s <= 0.0:
        return "the own timing ends before it begins: check both times"
    required_s = float(verdict.get("required_s") or 0.0)
    if timed_s < required_s:
        return f"{exact(timed_s)} were timed, {asked(required_s)} are required"
    if until > signed + SLACK:
        return "the own timing ends in the future: sign it when the time is over, or check both times"
    return next(_against(bounds, since, until), "")


def _against(bounds: Bounds, since: datetime, until: datetime) -> Iterator[str]:
    """What of the run speaks against a timing from ``since`` to ``until``; the first decides."""
    if since < bounds.jars_in - SLACK:
        yield (
            f"the own timing begins before the jars went in at {local_time(bounds.jars_in, bounds.zone)}: "
            "give only the boil with the jars in"
        )
    if bounds.out is not None and until > bounds.out + SLACK:
        yield (
            f"the own timing goes on after {bounds.out_was} {local_time(bounds.out, bounds.zone)}: "
            "give only the boil until then"
        )
    for begins, ends in bounds.not_boiling:
        if max(begins, since + SLACK) < min(ends, until - SLACK):
            yield (
                f"the record shows that it did not boil from {_second(begins, bounds.zone)} to "
                f"{_second(ends, bounds.zone)}: sign only a boil of the whole time outside that, else treat the "
                "jars as not processed"
            )


def _second(moment: datetime, zone: str | None) -> str:
    return moment.astimezone(zone_of(zone)).strftime("%H:%M:%S")


def evaluation_trouble(body: Mapping[str, Any], by: str | None) -> str:
    """Why an evaluation cannot stand: ``person``, ``competence``, ``opinion`` (the written text) and ``by``."""
    missing = [name for name in ("person", "competence", "opinion") if not str(body.get(name) or "").strip()]
    if missing:
        return f"an evaluation needs a named competent person and the written opinion; missing: {missing[0]}"
    return "" if by else "an evaluation needs to be signed"
