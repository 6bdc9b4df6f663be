"""When things happened to a batch, and until when it can be saved. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from monitor.jars.rows import Row, as_they_stand, instant
from monitor.judge.cooling_seen import NOTHING_SEEN, AfterHold, Seen, seen_after_hold
from monitor.judge.salvage import UNSEALED_WINDOW_S, failed_process_clock, hold_end_s
from monitor.judge.verdict import Stretch
from monitor.record.model import ENDS, Mark, Run


@dataclass(frozen=True, slots=True)
class Moment:
    """When something happened. ``how`` is empty for a person's mark, else what the record shows of it.

    ``at`` is the likely moment, ``late`` the bound that waits longest; ``by`` is who marked it.
    """

    at: datetime
    late: datetime
    by: str | None = None
    how: str = ""

    @property
    def words(self) -> str:
        """Which of the two it was."""
        if self.how:
            return f"seen in the record, marked by nobody: {self.how}"
        return f"marked by {self.by}" if self.by else "marked"


@dataclass(frozen=True, slots=True)
class Times:
    """Moments of one batch; ``two_hours`` and ``day`` are the ends of the two salvage clocks."""

    jars_in: datetime
    heat_off: Moment | None
    lifted: Moment | None
    window_s: tuple[float, float]
    two_hours: datetime | None
    day: datetime | None

    @property
    def processed(self) -> datetime:
        """The moment whose calendar day is the day of processing."""
        ended = self.heat_off or self.lifted
        return ended.at if ended is not None else self.jars_in


def is_child(row: Row, run_id: str) -> bool:
    """True for the start of a run that reprocesses this one."""
    return row.kind == "run_started" and row.body.get("reprocess_of") == run_id


@dataclass(frozen=True, slots=True)
class Child:
    """A run that reprocesses a jar: when it began and by which entry, and the jar's number there.

    ``went_in``: when its jars went in, the last time where that was marked twice, and when that was written down;
    None while nobody did. ``over``: somebody ended it.
    """

    run_id: str
    began: datetime
    jar: int
    entry: int = 0
    went_in: datetime | None = None
    told_in: datetime | None = None
    over: bool = False


def children(rows: Sequence[Row], run_id: str) -> dict[int, tuple[Child, ...]]:
    """Jar number to the runs that reprocess it, in the order in which they were begun.

    Which jars those are is what stands in their header now: it may have been corrected.
    """
    found: dict[int, list[Child]] = {}
    standing = as_they_stand(rows)
    for start in (row for row in standing if is_child(row, run_id)):
        child_id = str(start.body.get("run_id"))
        own = [row for row in standing if row.run_id == child_id]
        went_in = [row for row in own if row.kind == "mark" and row.body.get("kind") == "jars_in"]
        last = max(went_in, key=lambda row: row.at, default=None)
        over = any(row.kind == "run_ended" for row in own)
        for number, jar in enumerate(_jars_of(start, own), 1):
            child = Child(child_id, start.at, number, start.id, over=over)
            if last is not None:
                child = replace(child, went_in=last.at, told_in=last.entered)
            if not any(one.run_id == child_id for one in found.get(jar, ())):
                found.setdefault(jar, []).append(child)
    return {jar: tuple(runs) for jar, runs in found.items()}


def _jars_of(start: Row, own: Sequence[Row]) -> list[int]:
    """The jars that a run reprocesses, by their numbers in the run that they come from."""
    said = [row.body for row in own if row.kind == "header_changed" and "reprocess_jars" in row.body]
    jars = (said[-1] if said else start.body).get("reprocess_jars")
    return [jar for jar in jars if isinstance(jar, int)] if isinstance(jars, list | tuple) else []


def loaded(run: Run, rows: Sequence[Row]) -> int | None:
    """How many jars went in; None where nobody said."""
    counted = [row.body.get("jars") for row in rows if row.kind == "loading"]
    counts = [count for count in [run.batch.jars, *counted] if isinstance(count, int) and count > 0]
    return counts[-1] if counts else None


def times_of(run: Run, verdict: Mapping[str, Any]) -> Times:
    """Read off the marks, the verdict's stretches and, where a mark is missing, the samples."""
    marks = sorted(run.marks, key=lambda mark: mark.t_s)
    jars_in_s = max((m.t_s for m in marks if m.kind == "jars_in"), default=0.0)
    after = [m for m in marks if m.t_s >= jars_in_s]
    heat_off = max((m for m in after if m.kind == "heat_off"), key=lambda m: m.t_s, default=None)
    lifted = next((m for m in after if m.kind == "jars_lifted"), None)
    marked = heat_off is not None and lifted is not None
    seen = NOTHING_SEEN if marked else _seen(run, verdict, jars_in_s, heat_off)
    ends = [mark.t_s for mark in (heat_off, lifted) if mark is not None]
    if seen.heat_off is not None and (lifted is None or seen.heat_off.early_s < lifted.t_s):
        ends.append(seen.heat_off.early_s)
    ends += [run.ended_at_s] if run.ended_at_s is not None else []
    stretches = [
        Stretch(float(s["start_s"]), float(s["end_s"]), str(s["state"]), str(s["why"]))
        for s in verdict.get("stretches", ())
    ]
    cuts = [*ends, *(m.t_s for m in after if m.kind in ENDS)]
    end_s = hold_end_s(stretches, float(verdict.get("required_s") or 0.0), *cuts)
    if end_s is None:
        end_s = min(cuts, default=None)
    return Times(
        jars_in=_at(run, jars_in_s),
        heat_off=_moment(run, heat_off, seen.heat_off),
        lifted=_moment(run, lifted, seen.lifted),
        window_s=(jars_in_s, min(ends, default=float("inf"))),
        two_hours=_two_hours(run, verdict, stretches, jars_in_s),
        day=_at(run, end_s + UNSEALED_WINDOW_S) if end_s is not None else None,
    )


def _seen(run: Run, verdict: Mapping[str, Any], jars_in_s: float, heat_off: Mark | None) -> AfterHold:
    complete_s = (verdict.get("clock") or {}).get("completed_s")
    samples = sorted(run.samples, key=lambda sample: sample.t_s)
    marked_s = heat_off.t_s if heat_off is not None else None
    return seen_after_hold(samples, jars_in_s, complete_s, marked_s)


def _at(run: Run, t_s: float) -> datetime:
    return run.started_at + timedelta(seconds=t_s)


def _moment(run: Run, mark: Mark | None, seen: Seen | None) -> Moment | None:
    """A person's mark stands before anything seen."""
    if mark is not None:
        return Moment(_at(run, mark.t_s), _at(run, mark.t_s), by=mark.by)
    return Moment(_at(run, seen.t_s), _at(run, seen.late_s), how=seen.how) if seen is not None else None


def _two_hours(
    run: Run, verdict: Mapping[str, Any], stretches: Sequence[Stretch], jars_in_s: float
) -> datetime | None:
    """The 2 h clock. The verdict's own deadline is what every other page shows: one batch, one clock."""
    if verdict.get("verdict") not in ("broken", "unproven"):
        return None
    said = (verdict.get("advice") or {}).get("until")
    counted = _at(run, failed_process_clock(stretches, jars_in_s).deadline_s)
    if not said:
        return counted
    until = instant(str(said))
    # The same moment before it was rounded to the second: rounded up it can be another minute.
    return min(until, counted) if abs(until - counted) < timedelta(seconds=1) else until
