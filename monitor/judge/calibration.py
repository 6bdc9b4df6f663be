"""What a calibration is worth at the boil: whether it stands in for the tolerance of the probe's class, and how well.

Beyond its class a probe is damaged, whatever was found; the check before the heat (:mod:`monitor.plan.probe`) holds
to the same limits. Facts are numbered as in the project's reference of physics.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from math import isfinite, sqrt
from statistics import NormalDist

from monitor.judge.yearly import CHECK_LASTS, is_within_a_year
from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C
from monitor.record.model import Calibration, Run
from monitor.tables.probes import (
    BOIL_POINT,
    BOTH_POINTS,
    COMPARISON,
    ICE_POINT,
    METHODS,
    OTHER,
    Chain,
    converters,
    match,
    probe_kinds,
    same_words,
)

#: What the channel is called whose readings are judged, in small letters.
WATER_CHANNELS = ("water", "water_c", "water-1", "water_1")

#: A correction from the boiling point alone beyond this proves itself with itself. [K] Our rule.
CIRCULAR_BEYOND_K = 0.5
#: Ice and boiling point corrections further apart than this put altitude or pressure in doubt. [K] Our rule.
CORRECTIONS_DIFFER_K = 0.5

#: A correction that is not the one found at the boil leaves a known error: up to so much is a person's rounding. [K]
#: Chosen: as well as ice water is known in a kitchen (P42).
ROUNDED_K = 0.05

#: What one point leaves open for each kelvin from it: ±0.07 K at 7 K (P42, computed). [K/K]
AWAY_K_PER_K = 0.01
#: So far away is a boil whose place the calibration does not tell. [K] P42's own example of another kitchen.
AWAY_UNSAID_K = 7.0
#: A comparison further from this boil counts as an ice point does: for nothing. [K] Chosen: a fifth of the ice's way.
COMPARED_WITHIN_K = 20.0

#: The level of confidence of an uncertainty that does not say it: that of U at k = 2. [%] JCGM 100:2008, 6.2 and G.
LEVEL_UNSAID_PERCENT = 95.45
#: So much a coverage factor is rounded for a level, as k = 2 for "about 95 %". Chosen.
FACTOR_ROUNDED = 0.05

#: Figures are rounded to hundredths where they are kept. [K]
HUNDREDTH_K = 0.005


#: What helps where the probe is off by more than its class allows.
DAMAGE_HELPS = (
    "What helps: use another probe; or check this one anew at the ice point and the boiling point, and see that its "
    "kind and converter are what the record says."
)


@dataclass(frozen=True, slots=True)
class Worth:
    """What follows from a calibration.

    ``refused``: why the tolerance of the probe's class is taken instead, or "". ``added_K``: a known error that is not
    corrected, added to U (JCGM 100:2008, F.2.4.5). ``away_K``: half-width of what one point leaves open at this boil.
    """

    refused: str = ""
    added_K: float = 0.0
    away_K: float = 0.0
    notes: tuple[str, ...] = ()


def points_of(calibration: Calibration) -> str | None:
    """How it was made, as far as its figures bear out what it says; None where nobody knows."""
    method = match(calibration.method, METHODS)
    if method != BOTH_POINTS:
        return None if method == OTHER else method
    if calibration.boil_offset_K is None:
        return None if calibration.ice_offset_K is None else ICE_POINT
    return BOTH_POINTS if calibration.ice_offset_K is not None else BOIL_POINT


def divisor_of(calibration: Calibration) -> float:
    """By what its uncertainty is divided for a standard uncertainty.

    A coverage factor above the normal distribution's for the same level comes of few degrees of freedom: divided by it,
    and multiplied by 2 at the end, few readings would count as many (JCGM 100:2008, G.4). Without its factor an
    uncertainty is a bare limit (4.3.7).
    """
    factor = calibration.coverage_factor
    if factor is None:
        return sqrt(3.0)
    percent = calibration.extra.get("coverage_percent")
    if isinstance(percent, bool) or not isinstance(percent, int | float) or not 50.0 <= percent < 100.0:
        percent = LEVEL_UNSAID_PERCENT
    of_many = 2.0 if percent == LEVEL_UNSAID_PERCENT else NormalDist().inv_cdf(0.5 + percent / 200.0)
    return factor if factor <= of_many + FACTOR_ROUNDED else of_many


def was_checked_at_boil(calibration: Calibration) -> bool:
    """Whether it was made at the boiling point, among others or alone."""
    return points_of(calibration) in (BOTH_POINTS, BOIL_POINT)


def damage_of(run: Run, chain: Chain) -> str:
    """Why the probe is not what the record says it is, by its own check, or "". P42: off by more than its class."""
    calibration = run.probe.calibration
    if calibration is None or not _is_of_water(run):
        return ""
    figures = (calibration.offset_K, calibration.ice_offset_K, calibration.boil_offset_K)
    off_K = max(abs(each) for each in figures if each is not None)
    if off_K <= chain.class_limit_K + HUNDREDTH_K:
        return ""
    if not chain.is_known:
        return (
            f"the calibration says that the probe is off by {off_K:.2f} K, and the record does not tell its kind and "
            f"converter: one of those that it may be allows only {chain.class_limit_K:.2f} K, so it may be damaged"
        )
    return (
        f"the calibration says that the probe is off by {off_K:.2f} K, more than its kind and converter allow "
        f"({chain.class_limit_K:.2f} K): it is damaged, or not what the record says it is"
    )


def worth_of(run: Run, calibration: Calibration, chain: Chain) -> Worth:
    """What the calibration of this run's probe is worth at its boil."""
    refused = (
        _dated(run, calibration)
        or _of_another(run, calibration)
        or _made(calibration)
        or _compared_far(run, calibration)
        or _found(calibration)
    )
    if not refused and damage_of(run, chain):
        refused = "by its own calibration the probe is damaged"
    if refused:
        return Worth(f"{refused}: the tolerance of the probe's class is taken instead")
    left_K = _left_K(calibration)
    notes = []
    if points_of(calibration) != match(calibration.method, METHODS):
        notes.append(
            "the record does not say what was found at the ice point: the calibration counts as one at the boiling "
            "point alone"
        )
    if left_K:
        notes.append(
            f"the check found {calibration.boil_offset_K:+.2f} K at the boiling point, and the correction used is "
            f"{calibration.offset_K:+.2f} K: the {left_K:.2f} K between them are added to the uncertainty"
        )
    if calibration.coverage_factor is None:
        # Limits of which no more is known: JCGM 100:2008, 4.3.7.
        notes.append(
            "the calibration does not say its coverage factor: its uncertainty is taken as bare limits"
        )
    elif (divisor := divisor_of(calibration)) < calibration.coverage_factor:
        notes.append(
            f"the calibration's coverage factor of {calibration.coverage_factor:g} comes of few readings, or of a "
            f"level that it does not say: its uncertainty is divided by {divisor:.3g} (JCGM 100:2008, G.4)"
        )
    return Worth("", left_K, _away_K(run, calibration), tuple(notes))


def _is_of_water(run: Run) -> bool:
    return run.probe.channel.strip().lower() in WATER_CHANNELS


def _dated(run: Run, calibration: Calibration) -> str:
    """Why it is none of this probe's, or none that still counts, or ""."""
    if not _is_of_water(run):
        return f"the correction is for the channel “{run.probe.channel}”, not for the water"
    if calibration.at is None:
        return "the calibration has no date, so its age is unknown"
    if calibration.at > run.started_at:
        return "the calibration is dated after the run"
    if is_within_a_year(calibration.at, run.started_at):
        return ""
    age_d, lasts_d = (run.started_at - calibration.at) // timedelta(days=1), CHECK_LASTS.days
    if age_d == lasts_d:
        return f"the calibration is some hours more than {lasts_d} days old, and it lasts {lasts_d}"
    return f"the calibration is {age_d} days old, and it lasts {lasts_d}"


def _of_another(run: Run, calibration: Calibration) -> str:
    """Why it was made with another probe or converter than the record's, as far as it says with which, or ""."""
    for what, named, known in (
        ("kind", run.probe.kind, tuple(probe_kinds())),
        ("converter", run.probe.converter, tuple(converters())),
    ):
        made_with = calibration.extra.get(what)
        if isinstance(made_with, str) and not same_words(made_with, named, known):
            return (
                f"the calibration was made with the {what} “{made_with[:60]}”, and the record names "
                f"“{(named or OTHER)[:60]}”"
            )
    return ""


def _made(calibration: Calibration) -> str:
    """Why the way it was made says too little of the boil, or ""."""
    points = points_of(calibration)
    if calibration.expanded_uncertainty_K <= 0.0:
        return "a calibration is never certain to ±0 K, so how good this one is is not known"
    if points == ICE_POINT:
        found = "" if match(calibration.method, METHODS) == ICE_POINT else ", as far as its figures go,"
        return (
            f"the calibration was made at the ice point alone{found} and carried to the boil it may be "
            f"{100.0 * AWAY_K_PER_K:.0f} K off"
        )
    if points == COMPARISON and compared_C(calibration) is None:
        return (
            "the record does not say at what temperature the probe was compared with the reference thermometer, and "
            f"carried from ice water to the boil it may be {100.0 * AWAY_K_PER_K:.0f} K off"
        )
    if points is not None:
        return ""
    if calibration.method is None:
        return "the record does not say how the calibration was made"
    if match(calibration.method, METHODS) == BOTH_POINTS:
        return (
            "the record says that the calibration was made at the ice and boiling points, and not what was "
            "found at either"
        )
    return (
        f"how the calibration was made, “{calibration.method[:60]}”, is none of the ways that are known here"
    )


def _found(calibration: Calibration) -> str:
    """Why its figures cannot be right, or ""."""
    used_K, ice_K, boil_K = calibration.offset_K, calibration.ice_offset_K, calibration.boil_offset_K
    if points_of(calibration) == BOIL_POINT:
        alone_K = max(used_K, used_K if boil_K is None else boil_K, key=abs)
        if abs(alone_K) > CIRCULAR_BEYOND_K:
            return (
                f"a correction of {alone_K:+.2f} K (more than {CIRCULAR_BEYOND_K} K) from the boiling point alone "
                "proves itself with itself; check at the ice point too"
            )
    if ice_K is not None and boil_K is not None and abs(ice_K - boil_K) > CORRECTIONS_DIFFER_K:
        return (
            f"the ice and boiling point corrections differ by {abs(ice_K - boil_K):.2f} K: altitude, pressure or "
            "probe is in doubt"
        )
    if boil_K is not None and abs(used_K - boil_K) > CORRECTIONS_DIFFER_K:
        return (
            f"the correction of {used_K:+.2f} K is not the one found at the boiling point ({boil_K:+.2f} K)"
        )
    return ""


def _left_K(calibration: Calibration) -> float:
    """The error that the boil showed and the correction leaves. [K]"""
    if calibration.boil_offset_K is None:
        return 0.0
    left_K = abs(calibration.offset_K - calibration.boil_offset_K)
    return left_K if left_K > ROUNDED_K + 1e-9 else 0.0


def compared_C(calibration: Calibration) -> float | None:
    """At what temperature it was compared with a reference thermometer; None where it does not say. [°C]"""
    compared = calibration.extra.get("compared_at_C")
    if isinstance(compared, bool) or not isinstance(compared, int | float) or not isfinite(compared):
        return None
    return float(compared)


def _compared_far(run: Run, calibration: Calibration) -> str:
    """Why a comparison says as little of this boil as an ice point does, or ""."""
    away_K = _away_K(run, calibration)
    if points_of(calibration) != COMPARISON or away_K <= AWAY_K_PER_K * COMPARED_WITHIN_K:
        return ""
    return (
        f"the probe was compared with the reference thermometer at {compared_C(calibration):g} °C, and carried to the "
        f"boil it may be {away_K:.2f} K off"
    )


def _away_K(run: Run, calibration: Calibration) -> float:
    """What one point leaves open at this kitchen's boil, by how far it is from the point's own temperature. [K]"""
    points, altitude_m = points_of(calibration), run.site.altitude_m
    if points == BOIL_POINT:
        told = calibration.extra.get("boiling_point_C")
        at_C = float(told) if isinstance(told, int | float) else None
    elif points == COMPARISON:
        at_C = compared_C(calibration)
    else:
        return 0.0
    if altitude_m is None and points == COMPARISON and at_C is not None:
        # The boil is somewhere below 100 °C.
        return AWAY_K_PER_K * (abs(at_C - 100.0) + AWAY_UNSAID_K)
    if altitude_m is None or at_C is None:
        return AWAY_K_PER_K * AWAY_UNSAID_K
    here_C: float = boiling_point_C(standard_pressure_kPa(altitude_m))
    return AWAY_K_PER_K * abs(at_C - here_C)
