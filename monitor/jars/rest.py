"""The jars at rest: each probe's course and forecast, the vacuum to expect, and the lids that were heard. Pure.

Everything about vacuum and lids is an expectation with its assumptions; the seal is judged by a person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

from monitor.jars.times import Times
from monitor.judge.cooling_forecast import JarCooling, cooling_of
from monitor.judge.cooling_track import still_air_tau_min
from monitor.judge.headspace import Jar, VacuumBand, expected_vacuum, jars_of, snap_range_C
from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C
from monitor.physics.units import in_to_mm
from monitor.record.model import Run

#: Headspace taken where the record names none: fruit and pickles, 1/2 in (guidance G40).
HEADSPACE_MM = in_to_mm(0.5)
#: A jar's air where no room probe says: [°C] Assumed.
ROOM_C = 22.0
#: Between still air's own constant and 1.6 times it: crowded jars and solid packs are slower. Estimate.
SLOWER = 1.6


@dataclass(frozen=True, slots=True)
class LidPull:
    """When a lid is expected to pull down, s of the run, and between which temperatures of the contents. [°C]"""

    early_s: float
    late_s: float
    hot_C: float
    cold_C: float
    basis: str


@dataclass(frozen=True, slots=True)
class JarAtRest:
    """One jar probe, and what stands beside it. ``heard_s``: when its lid was heard, if it was."""

    cooling: JarCooling
    vacuum: VacuumBand | None
    pull: LidPull | None
    heard_s: float | None


@dataclass(frozen=True, slots=True)
class Rest:
    """All of it. ``sentence`` says what the cooling is followed by; ``pull`` and ``heard`` without a jar probe."""

    sentence: str
    jars: tuple[JarAtRest, ...]
    pull: LidPull | None
    heard: tuple[tuple[int, float], ...]


def rest_of(run: Run, times: Times) -> Rest:
    """What the record shows of the jars since they were lifted; times in s since the run's start."""
    lifted_s = None if times.lifted is None else (times.lifted.at - run.started_at).total_seconds()
    off_s = None if times.heat_off is None else (times.heat_off.at - run.started_at).total_seconds()
    found, sentence = cooling_of(run, heat_off_s=off_s, lifted_s=lifted_s)
    nominal = jars_of(run.batch.jar or "", _headspace_mm(run))
    station_kPa = station_of(run)
    heard = heard_lids(run)
    known = nominal and station_kPa is not None
    snap = snap_range_C(nominal, station_kPa) if known and station_kPa is not None else None
    jars = tuple(
        JarAtRest(
            cooling=jar,
            vacuum=_vacuum(nominal, jar.last_C, station_kPa),
            pull=_pull(jar, snap),
            heard_s=heard.get(jar.jar),
        )
        for jar in found
    )
    return Rest(
        sentence, jars, _pull_by_clock(run, snap, station_kPa, lifted_s), tuple(sorted(heard.items()))
    )


def _headspace_mm(run: Run) -> float:
    given = run.batch.extra.get("headspace_mm")
    return float(given) if isinstance(given, int | float) and given > 0 else HEADSPACE_MM


def station_of(run: Run) -> float | None:
    """The pressure about the jars: the barometer's newest, the stated one, or the altitude's. [kPa]"""
    newest = next((s.pressure_kPa for s in reversed(run.samples) if s.pressure_kPa is not None), None)
    if newest is not None:
        return newest
    if run.site.station_pressure_kPa is not None:
        return run.site.station_pressure_kPa
    return standard_pressure_kPa(run.site.altitude_m) if run.site.altitude_m is not None else None


def heard_lids(run: Run) -> dict[int, float]:
    """When each lid was first heard to pull down, s of the run."""
    heard: dict[int, float] = {}
    for sample in run.samples:
        for number, pulled in sample.lids.items():
            if pulled:
                heard.setdefault(number, sample.t_s)
    return heard


def _vacuum(nominal: Sequence[Jar], jar_C: float | None, station_kPa: float | None) -> VacuumBand | None:
    if not nominal or jar_C is None or station_kPa is None or not 0.0 <= jar_C <= 99.0:
        return None
    return expected_vacuum(nominal, jar_C, station_kPa)


def _pull(jar: JarCooling, snap: tuple[float, float] | None) -> LidPull | None:
    if snap is None:
        return None
    cold_C, hot_C = snap
    early_s, late_s = jar.passes_s(hot_C), jar.passes_s(cold_C)
    if early_s is None or late_s is None:
        return None
    return LidPull(early_s, late_s, hot_C, cold_C, "by this jar's own course")


def _pull_by_clock(
    run: Run, snap: tuple[float, float] | None, station_kPa: float | None, lifted_s: float | None
) -> LidPull | None:
    """By the clock: a jar at the boil when lifted, cooling as jars of its size do in still air."""
    tau_min = still_air_tau_min(run.batch.jar)
    if snap is None or station_kPa is None or lifted_s is None or tau_min is None:
        return None
    cold_C, hot_C = snap
    start_K = boiling_point_C(station_kPa) - ROOM_C
    early_s = tau_min * 60.0 * log(start_K / (hot_C - ROOM_C)) if hot_C - ROOM_C < start_K else 0.0
    late_s = SLOWER * tau_min * 60.0 * log(start_K / (cold_C - ROOM_C))
    return LidPull(
        lifted_s + max(0.0, early_s), lifted_s + late_s, hot_C, cold_C, "by the clock, in still air"
    )
