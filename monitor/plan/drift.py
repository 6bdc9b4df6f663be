"""A probe over the seasons: each hold's plateau against its boiling point, with control limits.

Limits for individual values: centre ± 2.66 mean moving range (NIST/SEMATECH e-Handbook of Statistical
Methods, 6.3.2.2); a run of eight on one side of the centre is a shift (6.3.2, Western Electric rules).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import fmean
from typing import Any

from monitor.judge.verdict import BOILING
from monitor.judge.yearly import CHECK_LASTS
from monitor.plan.probe import MOVED_BEYOND_K
from monitor.record.model import Calibration, Run

#: Fewest holds that can set limits, and the most that do: later ones are judged by them.
FEWEST = 5
BASELINE = 20
#: Limits are never narrower than this: the weather's share that the boiling point does not see. [K] Our choice.
NARROWEST_K = 0.1
RUN_OF = 8

#: A plateau shorter than this says little of a probe. [s] Our choice.
SHORTEST_S = 300.0
#: A pause in canning of this length ends a season. [d] Our choice.
SEASON_GAP_D = 120.0


@dataclass(frozen=True, slots=True)
class DriftPoint:
    """One hold: how far its plateau stood above (+) or below the boiling point. [K]

    ``measured``: the boiling point came from a pressure, not from the altitude alone.
    """

    run_id: str
    at: datetime
    plateau_minus_boiling_K: float
    measured: bool = True


@dataclass(frozen=True, slots=True)
class DriftChart:
    """The chart's numbers. ``centre_K`` and limits are None before there are five holds. [K]

    ``points`` are all holds in time order; the limits and ``beyond`` belong to those since the last check.
    """

    points: tuple[DriftPoint, ...]
    centre_K: float | None
    lower_K: float | None
    upper_K: float | None
    beyond: tuple[str, ...]
    check_again: bool
    text: str

    def as_json(self) -> dict[str, Any]:
        points = [
            {
                "run_id": point.run_id,
                "at": point.at.isoformat(),
                "plateau_minus_boiling_K": round(point.plateau_minus_boiling_K, 3),
                "measured": point.measured,
            }
            for point in self.points
        ]
        return {
            "points": points,
            "centre_K": self.centre_K,
            "lower_K": self.lower_K,
            "upper_K": self.upper_K,
            "beyond": list(self.beyond),
            "check_again": self.check_again,
            "text": self.text,
        }


def plateau_point(run: Run, verdict: Mapping[str, Any]) -> DriftPoint | None:
    """The point of one finished run; None where nothing boiled for five minutes, or nothing is known.

    Parameters
    ----------
    run : Run
        With its samples: the mean of the corrected water readings over the longest boiling stretch is taken.
    verdict : mapping
        The run's stored verdict in its JSON form.
    """
    boil_C = verdict.get("boiling_point_C")
    held = [item for item in verdict.get("stretches") or () if item.get("state") == BOILING]
    if boil_C is None or not held:
        return None
    longest = max(held, key=lambda item: float(item["end_s"]) - float(item["start_s"]))
    start_s, end_s = float(longest["start_s"]), float(longest["end_s"])
    values = [
        sample.water_C
        for sample in run.samples
        if sample.water_C is not None and not sample.water_fault and start_s <= sample.t_s <= end_s
    ]
    if end_s - start_s < SHORTEST_S or not values:
        return None
    offset_K = run.probe.calibration.offset_K if run.probe.calibration else 0.0
    measured = run.site.station_pressure_kPa is not None or any(s.pressure_kPa for s in run.samples)
    return DriftPoint(run.run_id, run.started_at, fmean(values) + offset_K - float(boil_C), measured)


def drift_chart(points: Sequence[DriftPoint], since: datetime | None = None) -> DriftChart:
    """Control chart of a probe's holds, in time order; its limits come from those ``since`` its last check."""
    everything = tuple(sorted(points, key=lambda point: point.at))
    ordered = [point for point in everything if since is None or point.at >= since]
    values = [point.plateau_minus_boiling_K for point in ordered]
    far = tuple(p.run_id for p in ordered if abs(p.plateau_minus_boiling_K) > MOVED_BEYOND_K)
    if len(ordered) < FEWEST:
        text = f"{len(ordered)} of the {FEWEST} holds since its last check that set the limits."
        return DriftChart(everything, None, None, None, far, bool(far), _advice(far, "") or text)
    baseline = values[:BASELINE]
    centre_K = fmean(baseline)
    half_K = max(2.66 * fmean(abs(b - a) for a, b in pairwise(baseline)), NARROWEST_K)
    lower_K, upper_K = centre_K - half_K, centre_K + half_K
    out = [p.run_id for p in ordered if not lower_K <= p.plateau_minus_boiling_K <= upper_K]
    beyond = tuple(dict.fromkeys([*far, *out]))
    shift = _shift(values, centre_K)
    advice = _advice(beyond, shift)
    text = advice or f"{len(ordered)} holds, all within {lower_K:+.2f} to {upper_K:+.2f} K: no drift seen."
    return DriftChart(everything, centre_K, lower_K, upper_K, beyond, bool(advice), text)


@dataclass(frozen=True, slots=True)
class NextCheck:
    """When to check a probe again. ``due_at`` None: now."""

    due_at: datetime | None
    text: str

    def as_json(self) -> dict[str, Any]:
        return {
            "check_due_at": None if self.due_at is None else self.due_at.isoformat(),
            "check_text": self.text,
        }


def next_check(
    calibration: Calibration | None, chart: DriftChart, now: datetime, blocked: str = ""
) -> NextCheck:
    """When the probe is to be checked again, and why: it is blocked, its drift, its age, or a new season."""
    if blocked:
        return NextCheck(None, "It is blocked: check it again now, at the ice point and the boiling point.")
    if calibration is None or calibration.at is None:
        return NextCheck(None, "It has no check that counts: check it before the next batch.")
    if chart.check_again:
        return NextCheck(None, chart.text)
    due_at = calibration.at + CHECK_LASTS
    if due_at < now:
        return NextCheck(None, f"Its check of {calibration.at:%Y-%m-%d} is over 12 months old: check it now.")
    last_at = max([calibration.at, *(point.at for point in chart.points)])
    if now - last_at > timedelta(days=SEASON_GAP_D):
        return NextCheck(
            None, f"Nothing was canned with it since {last_at:%Y-%m-%d}: check it before the season begins."
        )
    return NextCheck(
        due_at, f"Check it again by {due_at:%Y-%m-%d}, before each season, and after any knock or repair."
    )


def _shift(values: Sequence[float], centre_K: float) -> str:
    """Whether the last eight holds all stand on one side of the centre."""
    last = values[-RUN_OF:]
    if len(last) < RUN_OF:
        return ""
    if all(value > centre_K for value in last):
        return "above"
    return "below" if all(value < centre_K for value in last) else ""


def _advice(beyond: Sequence[str], shift: str) -> str:
    if beyond:
        return (
            f"Beyond the limits: {', '.join(beyond)}. Check the probe at both points before the next batch."
        )
    if shift:
        return f"The last {RUN_OF} holds all stand {shift} the centre: the probe may drift. Check it again."
    return ""


def batches_touched(
    runs: Iterable[tuple[str, datetime, str | None]],
    probe_id: str,
    last_good_at: datetime | None,
    found_at: datetime,
) -> tuple[str, ...]:
    """Run ids that share a probe's fault: those since its last good check; all of them when there is none.

    ``runs`` holds (run_id, started_at, probe_id); a run that names no probe may have used this one, and is
    among them.
    """
    return tuple(
        run_id
        for run_id, started_at, used in runs
        if used in (probe_id, None)
        and started_at <= found_at
        and (last_good_at is None or started_at >= last_good_at)
    )
