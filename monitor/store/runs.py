"""What the entries add up to: the runs, their marks and ends, and which node served which canner when.

Nothing here is stored; it is derived anew from the append-only entries each time, so that no correction can
leave a stale copy behind.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from monitor.errors import MonitorError, RecordError, UsageError
from monitor.record import Mark, Run, header_from_json
from monitor.record.changes import laid_over
from monitor.record.model import EARLIEST_MARK_S, LATEST_MARK_S
from monitor.record.taken_in import TakenIn
from monitor.store.beside import kept_header, taken_in_all
from monitor.store.clock import ClockRow, happened_s, read_clocks
from monitor.store.entries import Entry, read_entries
from monitor.store.stamp import epoch_s

#: Entries that shape a run's record. All others hang beside it.
SHAPING = ("run_started", "header_changed", "mark", "run_ended", "node_assigned", "correction")

FOREVER_S = float("inf")


@dataclass(frozen=True, slots=True)
class Assignment:
    """``node`` serves ``canner`` (None: nothing any more) from ``from_s`` on (house time)."""

    node: str
    canner: str | None
    from_s: float


@dataclass(frozen=True, slots=True)
class RunFacts:
    """A run as the entries tell it. Times ending in ``_s`` are house time unless a mark's."""

    run_id: str
    header: dict[str, Any]
    started_s: float
    ended_s: float | None
    marks: tuple[Mark, ...] = ()
    imported: bool = False
    entry_ids: tuple[int, ...] = field(default=())
    #: Of a record from elsewhere: how it came.
    taken_in: TakenIn | None = None

    @property
    def canner(self) -> str | None:
        canner = self.header.get("canner")
        return canner if isinstance(canner, str) else None

    @property
    def simulated(self) -> bool:
        """Whether the data are invented; shown wherever the run is."""
        return bool(self.header.get("simulated"))

    def as_run(self) -> Run:
        """The run without samples. Raises RecordError when the header is not in the contract's form."""
        try:
            run = header_from_json(self.header, f"run {self.run_id}")
        except RecordError as trouble:
            way_out = (
                f"Say what is right of it with 'boilwitness runs correct {self.run_id}', or end it with 'boilwitness "
                f"runs end {self.run_id}'."
            )
            raise RecordError(str(trouble), way_out) from trouble
        marks = tuple(sorted((*run.marks, *self.marks), key=lambda mark: (mark.t_s, mark.kind)))
        ended_at_s = run.ended_at_s
        if self.ended_s is not None:
            ended_at_s = round(self.ended_s - self.started_s, 3)
        return replace(run, marks=marks, ended_at_s=ended_at_s, taken_in=self.taken_in)


@dataclass(frozen=True, slots=True)
class House:
    """All runs and assignments, derived at one moment."""

    runs: dict[str, RunFacts]
    assignments: tuple[Assignment, ...]

    def run(self, run_id: str) -> RunFacts:
        """The run of that id. Raises UsageError where the store does not hold it."""
        facts = self.runs.get(run_id)
        if facts is None:
            raise UsageError(f"there is no run {run_id!r} in this store.", "'boilwitness runs' lists them.")
        return facts

    def serving(self, canner: str | None, start_s: float, end_s: float) -> list[tuple[str, float, float]]:
        """(node, from, to) for every node that served ``canner`` within [start_s, end_s], house time."""
        if canner is None:
            return []
        spans: list[tuple[str, float, float]] = []
        for node in dict.fromkeys(item.node for item in self.assignments):
            own = [item for item in self.assignments if item.node == node]
            for index, item in enumerate(own):
                until_s = own[index + 1].from_s if index + 1 < len(own) else FOREVER_S
                low_s, high_s = max(item.from_s, start_s), min(until_s, end_s)
                if item.canner == canner and low_s <= high_s:
                    spans.append((node, low_s, high_s))
        return spans

    def canner_of(self, node: str) -> str | None:
        """What ``node`` serves now."""
        own = [item.canner for item in self.assignments if item.node == node]
        return own[-1] if own else None

    def names(self, node: str) -> bool:
        """Whether a person ever said what ``node`` serves, or that it serves nothing any more."""
        return any(item.node == node for item in self.assignments)

    def nodes_at(self, canner: str | None) -> list[str]:
        """The nodes that serve ``canner`` now, in the order in which they were first assigned."""
        nodes = dict.fromkeys(item.node for item in self.assignments)
        return [node for node in nodes if canner is not None and self.canner_of(node) == canner]

    def open_runs(self) -> list[RunFacts]:
        """Runs without an end, oldest first."""
        return [facts for facts in self.runs.values() if facts.ended_s is None and not facts.imported]


def read_house(conn: sqlite3.Connection) -> House:
    """Fold the entries. A run whose header became unreadable is kept, as it is."""
    clocks = read_clocks(conn)
    entries = _corrected(read_entries(conn, kinds=SHAPING))
    runs = _imported(conn)
    for entry in entries:
        if entry.kind == "run_started" and entry.run_id and entry.run_id not in runs:
            runs[entry.run_id] = _started(clocks, entry)
    assignments = sorted(
        (_assignment(clocks, entry) for entry in entries if entry.kind == "node_assigned"),
        key=lambda item: item.from_s,
    )
    for entry in entries:
        if entry.run_id in runs:
            runs[entry.run_id] = _folded(clocks, runs[entry.run_id], entry)
    ordered = sorted(runs.values(), key=lambda facts: (facts.started_s, facts.run_id))
    return House({facts.run_id: facts for facts in _ended_by_the_next(ordered)}, tuple(assignments))


def _corrected(entries: Iterable[Entry]) -> list[Entry]:
    """Entries that still stand: one that corrects another takes its place, or withdraws it."""
    standing: dict[int, Entry] = {}
    for entry in entries:
        if entry.corrects is None:
            standing[entry.id] = entry
            continue
        old = standing.pop(entry.corrects, None)
        if entry.kind != "correction":
            standing[entry.id] = entry
        elif old is not None and not entry.body.get("withdrawn"):
            body = {**old.body, **{key: value for key, value in entry.body.items() if key != "happened_utc"}}
            moved = entry.body.get("happened_utc") or old.happened_utc
            standing[entry.id] = replace(old, id=entry.id, body=body, happened_utc=moved)
    return [standing[number] for number in sorted(standing)]


def _imported(conn: sqlite3.Connection) -> dict[str, RunFacts]:
    runs = {}
    came = taken_in_all(conn)
    rows = conn.execute("SELECT run_id, run_json, at_utc FROM imported_runs ORDER BY run_id")
    for run_id, data, at_utc in rows:
        header = kept_header(data)
        started_s = _moment_s(header.get("started_at"))
        # One that says no time stands where it was taken in.
        started_s = epoch_s(at_utc) if started_s is None else started_s
        ended_s = _moment_s(header.get("ended_at"))
        runs[run_id] = RunFacts(run_id, header, started_s, ended_s, imported=True, taken_in=came.get(run_id))
    return runs


def _moment_s(text: Any) -> float | None:
    """House time of what a header gives as a time; None where that is none."""
    try:
        return epoch_s(text) if isinstance(text, str) and text else None
    except ValueError:
        return None


def _started(clocks: list[ClockRow], entry: Entry) -> RunFacts:
    started_at = entry.body.get("started_at")
    try:
        started_s = happened_s(clocks, entry, started_at if isinstance(started_at, str) else None)
    except ValueError:
        started_s = happened_s(clocks, entry)
    header = dict(entry.body)
    return RunFacts(str(entry.run_id), header, started_s, None)


def _assignment(clocks: list[ClockRow], entry: Entry) -> Assignment:
    canner = entry.body.get("canner")
    return Assignment(str(entry.body.get("node")), str(canner) if canner else None, happened_s(clocks, entry))


def _folded(clocks: list[ClockRow], facts: RunFacts, entry: Entry) -> RunFacts:
    facts = replace(facts, entry_ids=(*facts.entry_ids, entry.id))
    if entry.kind == "mark":
        t_s = round(happened_s(clocks, entry) - facts.started_s, 3)
        if not EARLIEST_MARK_S <= t_s <= LATEST_MARK_S:
            # The entry stays; in the record nobody could read it, nor anything else.
            return facts
        text = entry.body.get("text")
        mark = Mark(t_s, str(entry.body.get("kind")), by=entry.by, text=str(text) if text else None)
        return replace(facts, marks=(*facts.marks, mark))
    if entry.kind == "run_ended":
        ended_s = happened_s(clocks, entry)
        return replace(facts, ended_s=ended_s if facts.ended_s is None else min(facts.ended_s, ended_s))
    if entry.kind == "header_changed":
        return replace(facts, header=laid_over(facts.header, entry.body))
    return facts


def _ended_by_the_next(ordered: list[RunFacts]) -> list[RunFacts]:
    """A canner holds one load: a run that nobody ended is over when the next one starts there."""
    done: list[RunFacts] = []
    next_start: dict[str, float] = {}
    for facts in reversed(ordered):
        canner = facts.canner
        if canner and not facts.imported:
            if facts.ended_s is None and canner in next_start:
                facts = replace(facts, ended_s=next_start[canner])
            next_start[canner] = facts.started_s
        done.append(facts)
    return done[::-1]


def header_trouble(facts: RunFacts) -> str | None:
    """What is wrong with a run's header, or None."""
    try:
        facts.as_run()
    except MonitorError as trouble:
        return str(trouble)
    return None
