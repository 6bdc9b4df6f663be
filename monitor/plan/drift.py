"""A probe over the seasons: each hold's plateau against its boiling point, with control limits.

Limits for individual values: centre ± 2.66 mean moving range (NIST/SEMATECH e-Handbook of Statistical
Methods, 6.3.2.2); a run of eight on one side of the centre is a shift (6.3.2, Western Electric rules).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from statistics import fmean

from monitor.plan.probe import MOVED_BEYOND_K

#: Fewest holds that can set limits, and the most that do: later ones are judged by them.
FEWEST = 5
BASELINE = 20
#: Limits are never narrower than this: the weather's share that the boiling point does not see. [K]
NARROWEST_K = 0.1
RUN_OF = 8


@dataclass(frozen=True, slots=True)
class DriftPoint:
    """One hold: how far its plateau stood above (+) or below the boiling point. [K]"""

    run_id: str
    at: datetime
    plateau_minus_boiling_K: float


@dataclass(frozen=True, slots=True)
class DriftChart:
    """The chart's numbers. ``centre_K`` and limits are None before there are five holds. [K]"""

    points: tuple[DriftPoint, ...]
    centre_K: float | None
    lower_K: float | None
    upper_K: float | None
    beyond: tuple[str, ...]
    check_again: bool
    text: str


def drift_chart(points: Sequence[DriftPoint]) -> DriftChart:
    """Control chart of a probe's holds since its last check, in time order."""
    ordered = tuple(sorted(points, key=lambda point: point.at))
    values = [point.plateau_minus_boiling_K for point in ordered]
    far = tuple(p.run_id for p in ordered if abs(p.plateau_minus_boiling_K) > MOVED_BEYOND_K)
    if len(ordered) < FEWEST:
        text = f"{len(ordered)} of the {FEWEST} holds that set the limits."
        return DriftChart(ordered, None, None, None, far, bool(far), _advice(far, "") or text)
    baseline = values[:BASELINE]
    centre_K = fmean(baseline)
    half_K = max(2.66 * fmean(abs(b - a) for a, b in pairwise(baseline)), NARROWEST_K)
    lower_K, upper_K = centre_K - half_K, centre_K + half_K
    out = [p.run_id for p in ordered if not lower_K <= p.plateau_minus_boiling_K <= upper_K]
    beyond = tuple(dict.fromkeys([*far, *out]))
    shift = _shift(values, centre_K)
    advice = _advice(beyond, shift)
    text = advice or f"{len(ordered)} holds, all within {lower_K:+.2f} to {upper_K:+.2f} K: no drift seen."
    return DriftChart(ordered, centre_K, lower_K, upper_K, beyond, bool(advice), text)


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
