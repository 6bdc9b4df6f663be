"""Marks that were taken back, or moved, after jars were in: what stood there before, by whom and why. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.jars.rows import Row, all_rows, as_they_stand
from monitor.record.model import Mark

#: Marks on which a verdict hangs.
DECIDES = frozenset({"jars_in", "rolling_boil_seen", "boil_not_seen", "heat_off", "jars_lifted"})


@dataclass(frozen=True, slots=True)
class MarkChange:
    """One entry that took a mark back, or moved it. ``at``: when it was entered, aware; ``new`` None: taken back."""

    entry_id: int
    at: datetime
    by: str | None
    reason: str | None
    old: Row
    new: Row | None

    @property
    def what(self) -> str:
        """``the mark heat off of entry 7 taken back``"""
        name = str(self.old.body.get("kind")).replace("_", " ")
        if self.new is None:
            return f"the mark {name} of entry {self.old.id} taken back"
        return f"the mark {name} of entry {self.old.id} changed"

    def undone(self, marks: Sequence[Mark], started_at: datetime) -> tuple[Mark, ...]:
        """A run's marks as they were before this."""
        left = list(marks)
        if self.new is not None:
            kind, t_s = _mark(self.new, started_at).kind, _mark(self.new, started_at).t_s
            same = [mark for mark in left if mark.kind == kind]
            if same:
                left.remove(min(same, key=lambda mark: abs(mark.t_s - t_s)))
        left.append(_mark(self.old, started_at))
        return tuple(sorted(left, key=lambda mark: (mark.t_s, mark.kind)))


def marks_changed(entries: Iterable[Any], run_id: str, jars_in: datetime | None) -> list[MarkChange]:
    """Changes of a run's marks on which a verdict hangs, entered after ``jars_in``, in order.

    Where no jars are in, every one: it may have been that mark which was taken back.
    """
    rows = [row for row in all_rows(entries) if row.kind in ("mark", "correction")]
    rows = [row for row in rows if row.run_id in (None, run_id)]
    found: list[MarkChange] = []
    for number, row in enumerate(rows):
        if row.kind != "correction" or (jars_in is not None and row.entered <= jars_in):
            continue
        standing = {one.id: one for one in as_they_stand(rows[:number])}
        old = standing.get(row.corrects) if row.corrects is not None else None
        if old is None or old.kind != "mark" or old.body.get("kind") not in DECIDES:
            continue
        new = next((one for one in as_they_stand(rows[: number + 1]) if one.id == row.id), None)
        found.append(MarkChange(row.id, row.entered, row.by, row.reason, old, new))
    return found


def _mark(row: Row, started_at: datetime) -> Mark:
    return Mark((row.at - started_at).total_seconds(), str(row.body.get("kind")), by=row.by)
