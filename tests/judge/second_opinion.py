"""A second opinion on a run: slow, simple, and on purpose unlike the engine.

It shares nothing with the engine but the physics (saturation line, standard atmosphere). It looks at the whole
record at once, both ways in time, through medians of half a minute; it knows no sequential test, no learned
scatter and no dating. So it cannot say when a boil began to the second. It says two numbers between which the
proven time must lie, and nothing about what lies between:

``at_most_s``
    the longest time in which the half-minute median kept the guarded floor and stayed near the plateau;
``at_least_s``
    the same, asked more strictly and cut at both ends by what any detector may need.

Its uncertainty sum is its own (JCGM 100:2008: a/√3, q/√12, squares add, k = 2).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from math import exp, hypot, inf, sqrt
from statistics import median

from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C
from monitor.record.model import Run, Sample

#: What may be the matter with a sound probe of a kind, and what its converter adds, in K at 100 °C (IEC 60584-1:2013
#: and IEC 60751; data sheets), with 0.1 K for the check itself. Beyond it a probe is damaged.
SOUND_K = {"type K class 1": 1.5, "type K class 2": 2.5, "Pt100 class A": 0.35}
ADDED_K = {
    "linearised, 0.0078 K steps": 0.13 + 0.7,
    "straight-line, 0.25 K steps": 2.0 + 2.0 + 0.15,
    "resistance, 0.03 K steps": 0.5,
}
#: step, change of the cold junction and of the form since a check, in K: data sheets of one-chip converters.
CONVERTERS = {
    "linearised, 0.0078 K steps": (0.0078125, 0.1, 0.0),
    "straight-line, 0.25 K steps": (0.25, 0.3, 0.1),
    "resistance, 0.03 K steps": (0.03125, 0.05, 0.0),
}
HALF_S = 15
#: What a detector may need at both ends together: published to users as 90 s, 180 s with steps of 0.25 K.
CUT_S, CUT_COARSE_S = 90.0, 180.0


@dataclass(frozen=True)
class Opinion:
    """Times in s, temperatures in °C and K."""

    at_most_s: float
    at_least_s: float
    #: The stretch behind ``at_least_s``, cut ends included.
    strict: tuple[float, float]
    boiling_point_C: float | None
    expanded_K: float


def hot_day(altitude_m: float) -> float:
    """What a day of 35 °C lifts the pressure there above the standard's, by thin layers of warm air. [kPa]"""
    kPa = standard_pressure_kPa(0.0)
    for layer in range(200):
        below_m = altitude_m * (layer + 0.5) / 200.0
        kPa *= exp(-9.80665 * altitude_m / 200.0 / (287.05287 * (308.15 + 0.0065 * (altitude_m - below_m))))
    return kPa - standard_pressure_kPa(altitude_m)


def boiling_point(run: Run, until_s: float) -> tuple[float | None, float]:
    """(boiling point, half-width of its error in K as a standard uncertainty) over the whole hold, to ``until_s``."""
    readings = [s.pressure_kPa for s in run.samples if s.pressure_kPa is not None]
    altitude_m = run.site.altitude_m
    if readings or run.site.station_pressure_kPa is not None:
        kPa = median(readings) if readings else run.site.station_pressure_kPa
        assert kPa is not None
        if not 50.0 <= kPa <= 110.0:
            return None, 0.0
        if altitude_m is not None:
            spread = hypot(2.5, 1.6 * altitude_m / 1650.0) + 0.011 * (run.site.altitude_uncertainty_m or 50.0)
            off = kPa - standard_pressure_kPa(altitude_m)
            if off < -spread or off > spread + max(hot_day(altitude_m) - hot_day(1650.0), 0.0):
                return None, 0.0
        half_K = boiling_point_C(kPa + 0.1) - boiling_point_C(kPa)
        if readings and run.site.barometer_checked_at is None:
            half_K *= 4.0
        standard_K = half_K / sqrt(3.0)
        if not readings:
            # As fast as the deepest lows, 5 hPa an hour, and no more than two draws from the weather, √2 × 7.4 hPa.
            read_at = datetime.fromisoformat(run.site.extra["station_pressure_at"])
            age_h = (until_s - (read_at - run.started_at).total_seconds()) / 3600.0
            moved_hPa = min(5.0 * age_h / sqrt(3.0), sqrt(2.0) * 7.4) if age_h > 1.0 / 6.0 else 0.0
            standard_K = sqrt(standard_K**2 + (moved_hPa * half_K) ** 2)
        return boiling_point_C(kPa), standard_K
    if altitude_m is None:
        return None, 0.0
    raised_K = 0.27 * max(altitude_m, 0.0) / 1650.0
    season_K = 0.22 * max(altitude_m, 0.0) / 1650.0
    own_K = 0.0033 * (run.site.altitude_uncertainty_m or 100.0) / sqrt(3.0)
    return boiling_point_C(standard_pressure_kPa(altitude_m)) + raised_K, sqrt(
        0.21**2 + season_K**2 + own_K**2
    )


def uncertainty_K(run: Run, pressure_K: float) -> float:
    """U (k = 2) of a probe checked in ice and at the boil within the year; infinite for any other.

    Both figures must be there, agree within 0.5 K, and be a sound probe's; what the correction leaves of the one at
    the boil is added whole (JCGM 100:2008, F.2.4.5).
    """
    calibration = run.probe.calibration
    if calibration is None or calibration.method != "ice and boiling points" or calibration.at is None:
        return inf
    if not 0.0 <= (run.started_at - calibration.at).total_seconds() <= 365 * 86400.0:
        return inf
    ice_K, boil_K, kind = calibration.ice_offset_K, calibration.boil_offset_K, run.probe.kind or ""
    if ice_K is None or boil_K is None or abs(ice_K - boil_K) > 0.5:
        return inf
    left_K = abs(calibration.offset_K - boil_K)
    sound_K = SOUND_K[kind] + ADDED_K[run.probe.converter or ""] + 0.1
    if left_K > 0.5 or max(abs(ice_K), abs(boil_K), abs(calibration.offset_K)) > sound_K:
        return inf
    _, junction, form = CONVERTERS[run.probe.converter or ""]
    step = step_of(run)
    halves = (0.2, junction, form if "type" in kind else 0.0, 0.1, 0.05)
    squares = sum(half * half / 3.0 for half in halves) + step * step / 12.0 + 0.05**2 + pressure_K**2
    squares += (calibration.expanded_uncertainty_K / calibration.coverage_factor) ** 2
    return 2.0 * sqrt(squares) + (left_K if left_K > 0.05 else 0.0)


def step_of(run: Run) -> float:
    """The converter's step, or the smallest that the readings near the boil ever make where that is far wider. [K]"""
    values = sorted({s.water_C for s in run.samples if s.water_C is not None and s.water_C > 80.0})
    smallest_K = min((b - a for a, b in pairwise(values)), default=0.0)
    stated_K = CONVERTERS[run.probe.converter or ""][0]
    return smallest_K if smallest_K > 1.5 * stated_K else stated_K


def believable(run: Run) -> list[Sample]:
    """Rows in time order, each once, without faults, conflicts and single wild values."""
    by_key: dict[object, list[Sample]] = {}
    for place, sample in enumerate(run.samples):
        by_key.setdefault((sample.boot, sample.seq) if sample.seq is not None else place, []).append(sample)
    rows = [
        same[0]
        for same in by_key.values()
        if len({(s.water_C, s.water_fault) for s in same}) == 1 and same[0].water_C is not None
    ]
    rows = sorted((s for s in rows if not s.water_fault), key=lambda s: (s.t_s, s.boot or 0, s.seq or 0))
    kept = []
    for i, sample in enumerate(rows):
        around = sorted(s.water_C for s in rows[max(i - 3, 0) : i + 4] if s.water_C is not None)
        if abs((sample.water_C or 0.0) - around[len(around) // 2]) < 1.5:
            kept.append(sample)
    return kept


def broken_joints(rows: list[Sample], room_K: float, step_K: float) -> list[tuple[float, float]]:
    """Times across which nothing may be joined: gaps, restarts, steps of the clock, frozen readings."""
    joints = []
    still_since = 0
    for i in range(1, len(rows)):
        before, after = rows[i - 1], rows[i]
        gap_s = after.t_s - before.t_s
        # Fastest fall 5, fastest rise 6 K/min (energy balance of small canners).
        hidden_K = 5.0 * 6.0 / 11.0 * gap_s / 60.0
        if gap_s > 30.0 or (gap_s > 3.5 and hidden_K > room_K):
            joints.append((before.t_s, after.t_s))
        if before.uptime_s is not None and after.uptime_s is not None and before.boot == after.boot:
            if abs(after.uptime_s - before.uptime_s - gap_s) > 2.0:
                joints.append((before.t_s, after.t_s))
        elif (
            before.seq is not None
            and after.seq is not None
            and after.seq <= before.seq
            and before.boot == after.boot
        ):
            joints.append((before.t_s, after.t_s))
        if after.water_C != before.water_C:
            still_since = i
        lately = rows[max(still_since, i - 280) : i + 1]
        chip_moved = step_K > 0.1 and len({s.chip_C for s in lately}) > 1
        patience_s = inf if chip_moved else (300.0 if step_K > 0.1 else 60.0)
        if after.t_s - rows[still_since].t_s > patience_s:
            joints.append((rows[still_since].t_s, after.t_s))
    return joints


def second_opinion(run: Run) -> Opinion:
    """What a patient reader with a ruler would say of the record."""
    jars_in = [m.t_s for m in run.marks if m.kind == "jars_in"]
    rows = believable(run)
    ends = [
        m.t_s
        for m in run.marks
        if m.kind in ("heat_off", "jars_lifted") and m.t_s >= max([0.0, *jars_in[-1:]])
    ]
    end_s = min(ends, default=rows[-1].t_s if rows else 0.0)
    boil_C, pressure_K = boiling_point(run, end_s)
    expanded_K = uncertainty_K(run, pressure_K)
    nothing = Opinion(0.0, 0.0, (0.0, 0.0), boil_C, expanded_K)
    if boil_C is None or not jars_in or not rows or expanded_K == inf:
        return nothing
    window = (jars_in[-1], end_s)
    seen = sorted(m.t_s for m in run.marks if m.kind == "rolling_boil_seen")
    unseen = [m.t_s for m in run.marks if m.kind == "boil_not_seen"]
    offset_K = run.probe.calibration.offset_K if run.probe.calibration else 0.0
    step_K = step_of(run)

    times = [s.t_s for s in rows]
    values = [(s.water_C or 0.0) + offset_K for s in rows]
    smooth = _medians(times, values)
    allowance_K = 1.0 if seen else 0.6
    floor_C = boil_C - allowance_K
    if min(smooth) > floor_C - 5.0:
        return nothing
    above = sorted(
        y for t, y in zip(times, smooth, strict=True) if y >= floor_C and window[0] <= t <= window[1]
    )
    if not above:
        return nothing
    joints = broken_joints(rows, above[len(above) // 2] - expanded_K - floor_C, step_K)

    scatter_K = median(abs(y - s) for y, s in zip(values, smooth, strict=True)) * 1.48
    near_K = 0.30 + 2.0 * step_K + 1.5 * scatter_K
    generous = _longest(
        times, smooth, window, joints + [(t, t) for t in unseen], floor_C + expanded_K - 0.12, near_K
    )
    close_K = max(0.10, 0.55 * step_K)
    strict = _longest(
        times, smooth, window, joints + [(t, t) for t in unseen], floor_C + expanded_K + 0.10, close_K
    )
    if max(smooth) > boil_C + expanded_K + 1.4:
        strict = (0.0, 0.0)
    first = min((t for t in seen if t >= strict[0] - 60.0), default=inf)
    start = max(strict[0], first) if seen else strict[0]
    cut_s = CUT_COARSE_S if step_K > 0.1 else CUT_S
    at_least_s = max(strict[1] - start - cut_s, 0.0) if start < strict[1] else 0.0
    return Opinion(generous[1] - generous[0], at_least_s, (start, strict[1]), boil_C, expanded_K)


def _medians(times: list[float], values: list[float]) -> list[float]:
    """The median of half a minute around each reading."""
    smooth, low, high = [], 0, 0
    for t in times:
        while times[low] < t - HALF_S:
            low += 1
        while high < len(times) and times[high] <= t + HALF_S:
            high += 1
        smooth.append(median(values[low:high]))
    return smooth


def _longest(
    times: list[float],
    smooth: list[float],
    window: tuple[float, float],
    joints: list[tuple[float, float]],
    least_C: float,
    near_K: float,
) -> tuple[float, float]:
    """The longest time in the window above ``least_C`` and within ``near_K`` of the minutes around it."""
    best = run = (0.0, 0.0)
    going = False
    for i, (t, y) in enumerate(zip(times, smooth, strict=True)):
        if not window[0] <= t <= window[1]:
            continue
        j, k = i, i
        while j > 0 and times[j] > t - 120.0:
            j -= 3
        while k < len(times) - 1 and times[k] < min(t + 120.0, window[1]):
            k += 3
        level = max(smooth[max(j, 0) : k + 1])
        if going and any(a < t and (b > run[1] or a == b == run[1]) for a, b in joints):
            going = False
        if y < least_C or y < level - near_K:
            going = False
            continue
        run = (run[0], t) if going else (t, t)
        going = True
        if run[1] - run[0] > best[1] - best[0]:
            best = run
    return best
