"""When things happened to a batch, and until when it can be saved. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from monitor.jars.rows import Row, instant
from monitor.judge.salvage import UNSEALED_WINDOW_S, failed_process_clock, hold_end_s
from monitor.judge.verdict import Stretch
from monitor.record.model import Run


@dataclass(frozen=True, slots=True)
class Times:
    """Moments of one batch; ``two_hours`` and ``day`` are the ends of the two salvage clocks."""

    jars_in: datetime
    heat_off: datetime | None
    lifted: datetime | None
    window_s: tuple[float, float]
    two_hours: datetime | None
    day: datetime | None


def is_child(row: Row, run_id: str) -> bool:
    """True for the start of a run that reprocesses this one."""
    return row.kind == "run_started" and row.body.get("reprocess_of") == run_id


def children(rows: Sequence[Row], run_id: str) -> dict[int, tuple[str, datetime]]:
    """Jar number to the run that reprocesses it, and when that began."""
    found: dict[int, tuple[str, datetime]] = {}
    for row in rows:
        if is_child(row, run_id):
            for jar in row.body.get("reprocess_jars") or ():
                found.setdefault(int(jar), (str(row.body.get("run_id")), row.at))
    return found


def loaded(run: Run, rows: Sequence[Row]) -> int | None:
    """How many jars went in; None where nobody said."""
    counted = [row.body.get("jars") for row in rows if row.kind == "loading"]
    counts = [count for count in [run.batch.jars, *counted] if isinstance(count, int) and count > 0]
    return counts[-1] if counts else None


def times_of(run: Run, verdict: Mapping[str, Any]) -> Times:
    """Read off the marks and the verdict's stretches."""

    def moment(t_s: float | None) -> datetime | None:
        return None if t_s is None else run.started_at + timedelta(seconds=t_s)

    marks = sorted(run.marks, key=lambda mark: mark.t_s)
    jars_in_s = max((m.t_s for m in marks if m.kind == "jars_in"), default=0.0)
    after = [m for m in marks if m.t_s >= jars_in_s]
    heat_off_s = max((m.t_s for m in after if m.kind == "heat_off"), default=None)
    lifted_s = next((m.t_s for m in after if m.kind == "jars_lifted"), None)
    ends = [t for t in (heat_off_s, lifted_s, run.ended_at_s) if t is not None]
    stretches = [
        Stretch(float(s["start_s"]), float(s["end_s"]), str(s["state"]), str(s["why"]))
        for s in verdict.get("stretches", ())
    ]
    end_s = hold_end_s(stretches, float(verdict.get("required_s") or 0.0))
    if end_s is None and ends:
        end_s = min(ends)
    day_s = end_s + UNSEALED_WINDOW_S if end_s is not None else None
    failed = verdict.get("verdict") in ("broken", "unproven")
    two = moment(failed_process_clock(stretches, jars_in_s).deadline_s) if failed else None
    # The verdict's own deadline is what every other page shows: one batch, one clock.
    said = (verdict.get("advice") or {}).get("until")
    if failed and said:
        two = instant(str(said))
    started = moment(jars_in_s)
    assert started is not None
    last_s = min(ends) if ends else float("inf")
    return Times(started, moment(heat_off_s), moment(lifted_s), (jars_in_s, last_s), two, moment(day_s))
