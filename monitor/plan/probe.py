"""What a check of a probe proves: a correction with its uncertainty, or a refusal.

Rules: a boiling point alone may not set a correction beyond 0.5 K (it would prove itself with itself); ice
and boiling corrections further apart than 0.5 K put altitude, pressure or probe in doubt; a probe that moved
by more than 0.5 K since its last check, or since any of the last 12 months, is blocked, whatever else is in doubt, and
the batches since then are looked at again. A blocked probe counts again after a check at both points.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from math import ceil, sqrt
from typing import Any

from monitor.judge.calibration import CIRCULAR_BEYOND_K, CORRECTIONS_DIFFER_K
from monitor.judge.yearly import CHECK_LASTS
from monitor.physics.thermocouple import correct_straight_line_C
from monitor.plan.basis import BoilBasis
from monitor.plan.check import BOIL, ICE, PointReading
from monitor.plan.history import AGAIN, CONFIRMED_WITHIN_K, Standing, calibration_json
from monitor.plan.registration import ProbeRegistration
from monitor.record.model import Calibration
from monitor.tables.probes import (
    BOIL_POINT,
    BOTH_POINTS,
    STRAIGHT_LINE,
    chain_of,
)

#: A probe that moved by more than this since its last check is blocked. [K] Our rule; dairies hold their
#: recording thermometers to as much (Pasteurized Milk Ordinance, through state rules).
MOVED_BEYOND_K = 0.5

#: At the check: depth of the probe and superheat, what is in the water. Half-widths. [K] Our estimates, as in the
#: judge's budget. The correction comes from the boil alone, so the ice bath has no part in its uncertainty.
DEPTH_K = 0.2
WATER_K = 0.05

#: A straight-line converter's chip, where the node does not say how warm it is. [°C] Our estimate of a room.
CHIP_USUAL_C = 25.0


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check gives. ``calibration`` is None where it was refused; ``text`` says what it proves.

    ``blocked``: the probe may prove nothing until it has been replaced or checked anew. ``moved_since``: the
    good check that it is too far from by now; the batches since then are to be looked at again.
    """

    calibration: Calibration | None
    refused: str
    blocked: bool
    text: tuple[str, ...]
    good_until: datetime | None
    boil_offset_found_K: float | None = None
    ice_offset_found_K: float | None = None
    moved_since: Calibration | None = None
    at: datetime | None = None

    def as_json(self, probe: ProbeRegistration) -> dict[str, Any]:
        """The body of a ``probe_checked`` entry."""
        found = self.calibration
        return {
            "probe_id": probe.probe_id,
            "calibration": None if found is None else calibration_json(found),
            "refused": self.refused,
            "blocked": self.blocked,
            "boil_offset_found_K": self.boil_offset_found_K,
            "ice_offset_found_K": self.ice_offset_found_K,
            "at": None if self.at is None else self.at.isoformat(),
            "text": list(self.text),
            "good_until": None if self.good_until is None else self.good_until.isoformat(),
        }


def conclude(
    points: Mapping[str, PointReading],
    probe: ProbeRegistration,
    basis: BoilBasis,
    at: datetime,
    previous: Calibration | None = None,
    *,
    blocked_offset_K: float | None = None,
    standing: Standing | None = None,
) -> CheckResult:
    """What the points of a check prove.

    Parameters
    ----------
    points : mapping
        ``ice`` and ``boil``, as far as they were taken; readings uncorrected.
    basis : BoilBasis
        The boiling point during the check.
    at : datetime
        When, aware.
    previous : Calibration, optional
        The probe's last good check: a move beyond 0.5 K from it blocks the probe.
    blocked_offset_K : float, optional
        The boiling-point correction found by the check that blocked the probe. A second check at both points
        that finds the same within 0.2 K is believed, and the probe goes on with its new correction. [K]
    standing : Standing, optional
        What all its checks come to, in place of the two before.
    """
    known = standing or Standing(previous, found_K=blocked_offset_K)
    ice, boil = points.get(ICE), points.get(BOIL)
    ice_offset_K = None if ice is None else _ice_offset(ice, boil, probe)
    boil_offset_K = None if boil is None else basis.boil_C - boil.mean_C
    doubt = _doubt(ice_offset_K, boil_offset_K, probe, basis)
    damage = _damage(ice_offset_K, boil_offset_K, probe)
    moved = (
        None
        if _is_confirmed(ice_offset_K, boil_offset_K, known)
        else _move(ice_offset_K, boil_offset_K, known, at)
    )
    if moved is not None:
        # Where something else is in doubt too, another check that finds the same does not confirm it.
        result = _moved(*moved, None if doubt or damage else boil_offset_K, doubt or damage)
    elif doubt:
        result = _refused(doubt)
    elif damage:
        result = replace(_refused(f"{damage} It is blocked."), blocked=True, text=(AGAIN,))
    elif known.blocked and ice is None:
        result = _refused(
            f"A boiling point alone does not clear a probe that is blocked ({known.blocked}) {AGAIN}"
        )
    elif boil is not None and boil_offset_K is not None:
        result = _accepted(ice, boil, ice_offset_K, boil_offset_K, probe, basis, at)
    else:
        result = _refused("There are no readings.")
    return _with_figures(result, ice_offset_K, boil_offset_K, at)


def _with_figures(
    result: CheckResult, ice_offset_K: float | None, boil_offset_K: float | None, at: datetime
) -> CheckResult:
    """A refused check with what it found, which is shown beside the last good one."""
    if result.calibration is not None:
        return result
    ice_K = None if ice_offset_K is None else round(ice_offset_K, 2)
    if result.blocked:
        return replace(result, ice_offset_found_K=ice_K, at=at)
    boil_K = None if boil_offset_K is None else round(boil_offset_K, 2)
    return replace(result, ice_offset_found_K=ice_K, boil_offset_found_K=boil_K, at=at)


def _is_confirmed(ice_offset_K: float | None, boil_offset_K: float | None, known: Standing) -> bool:
    """Whether a check at both points finds again what the one found that blocked the probe."""
    return (
        ice_offset_K is not None
        and boil_offset_K is not None
        and known.found_K is not None
        and abs(boil_offset_K - known.found_K) <= CONFIRMED_WITHIN_K
    )


def _move(
    ice_offset_K: float | None, boil_offset_K: float | None, known: Standing, at: datetime
) -> tuple[float, Calibration] | None:
    """How far the probe moved, and since which of its checks, where that is too far: the latest such. [K]

    Small moves on the way add up: those of the last 12 months count together.
    """
    if known.calibration is None:
        return None
    lately = [each for each in known.earlier if each.at is not None and at - each.at <= CHECK_LASTS]
    for each in (known.calibration, *reversed(lately)):
        moved_K = max(_moves_since(each, ice_offset_K, boil_offset_K), key=abs, default=0.0)
        if abs(moved_K) > MOVED_BEYOND_K:
            return moved_K, each
    return None


def _moves_since(
    check: Calibration, ice_offset_K: float | None, boil_offset_K: float | None
) -> tuple[float, ...]:
    """At the boil and in ice, as far as both are known. An ice point where the check has none: from its correction."""
    found = []
    if boil_offset_K is not None:
        found.append(boil_offset_K - check.offset_K)
    if ice_offset_K is not None and check.ice_offset_K is not None:
        found.append(ice_offset_K - check.ice_offset_K)
    elif ice_offset_K is not None and boil_offset_K is None:
        found.append(ice_offset_K - check.offset_K)
    return tuple(found)


def careful_check(probe: ProbeRegistration, basis: BoilBasis, at: datetime) -> Calibration | None:
    """What a careful check at both points would give for a probe that is as its class says."""
    points = {
        ICE: PointReading(ICE, 0.0, 0.05, 60, 60.0, True, None),
        BOIL: PointReading(BOIL, basis.boil_C, 0.1, 60, 60.0, True, None),
    }
    return _accepted(points[ICE], points[BOIL], 0.0, 0.0, probe, basis, at).calibration


def _ice_offset(ice: PointReading, boil: PointReading | None, probe: ProbeRegistration) -> float:
    """The correction at the ice point; a straight-line converter's, brought to the boil. [K]

    Such a converter reads about 0.8 K high in ice water and about right at the boil, whatever the probe: the
    two corrections can be compared only without the line's own error.
    """
    if chain_of(probe.kind, probe.converter).converter.converter != STRAIGHT_LINE:
        return -ice.mean_C
    line_K = 0.0 if boil is None else boil.mean_C - _without_line_C(boil, probe)
    return -_without_line_C(ice, probe) - line_K


def _without_line_C(point: PointReading, probe: ProbeRegistration) -> float:
    """What the reference function of the couple makes of a straight-line converter's reading. [°C]"""
    kind = chain_of(probe.kind, probe.converter).kind.kind
    letter = kind.split()[1] if kind.startswith("type ") else "K"
    chip_C = CHIP_USUAL_C if point.chip_C is None else point.chip_C
    return correct_straight_line_C(point.mean_C, chip_C, letter)


def _doubt(
    ice_offset_K: float | None, boil_offset_K: float | None, probe: ProbeRegistration, basis: BoilBasis
) -> str:
    """Why no correction follows from these points, or ""."""
    if boil_offset_K is None:
        off = "" if ice_offset_K is None else f" At the ice point the probe is off by {-ice_offset_K:+.2f} K."
        return f"Without a boiling point nothing is proven at the boil.{off}"
    if ice_offset_K is None:
        if abs(boil_offset_K) <= CIRCULAR_BEYOND_K:
            return ""
        return (
            f"A boiling point alone may not set a correction of {boil_offset_K:+.2f} K (limit "
            f"{CIRCULAR_BEYOND_K} K): it would prove itself with itself. Check the altitude and the pressure "
            f"({basis.text}), then take the ice point too."
        )
    apart_K = abs(ice_offset_K - boil_offset_K)
    if apart_K > CORRECTIONS_DIFFER_K:
        return (
            f"The corrections differ by {apart_K:.2f} K (ice {ice_offset_K:+.2f}, boil {boil_offset_K:+.2f}; "
            f"limit {CORRECTIONS_DIFFER_K} K). Suspect first the altitude or the pressure ({basis.text}), then "
            "the ice bath, then the probe."
        )
    return ""


def _damage(ice_offset_K: float | None, boil_offset_K: float | None, probe: ProbeRegistration) -> str:
    """Why the probe is no sound one of its kind, or ""."""
    off_K = max((each for each in (ice_offset_K, boil_offset_K) if each is not None), key=abs, default=0.0)
    chain = chain_of(probe.kind, probe.converter)
    limit_K = chain.class_limit_K
    if abs(off_K) <= limit_K:
        return ""
    if not chain.is_known:
        return (
            f"The probe is off by {-off_K:+.2f} K, and nobody says of which kind and converter it is: one of those "
            f"that it may be allows only {limit_K:.2f} K, so it may be damaged. Register it with the kind and the "
            "converter that the order or the parts' data sheets tell, and check it again."
        )
    return (
        f"The probe is off by more than its kind and converter allow ({limit_K:.2f} K): it is damaged, or "
        "not what it is registered as."
    )


def _moved(moved_K: float, previous: Calibration, found_K: float | None, doubt: str) -> CheckResult:
    since = "" if previous.at is None else f" of {previous.at:%Y-%m-%d}"
    return CheckResult(
        None,
        f"The probe moved by {moved_K:+.2f} K since its check{since} (limit "
        f"{MOVED_BEYOND_K} K): it is blocked." + (f" {doubt}" if doubt else ""),
        True,
        (
            "Do not use it until it has been replaced, or checked again at both points with care.",
            f"Every batch it judged since its last good check{since} is to be looked at again.",
        ),
        None,
        None if found_K is None else round(found_K, 2),
        moved_since=previous,
    )


def suspended(result: CheckResult, changed: str) -> CheckResult:
    """A check that was refused, of a probe that is another than the one registered: which one it is is not known."""
    return replace(
        result,
        refused=f"{result.refused} And the probe is not what it is registered as: {changed}. So it is blocked.",
        blocked=True,
        text=(AGAIN,),
        boil_offset_found_K=None,
    )


def _accepted(
    ice: PointReading | None,
    boil: PointReading,
    ice_offset_K: float | None,
    boil_offset_K: float,
    probe: ProbeRegistration,
    basis: BoilBasis,
    at: datetime,
) -> CheckResult:
    expanded_K = ceil(200.0 * _standard_K(boil, probe, basis)) / 100.0
    both = ice_offset_K is not None
    extra: dict[str, Any] = {
        "probe_id": probe.probe_id,
        "kind": probe.kind,
        "converter": probe.converter,
        "pressure_source": basis.pressure_source,
        "station_pressure_kPa": basis.pressure_kPa,
        "boiling_point_C": round(basis.boil_C, 3),
        "boil_reading_C": round(boil.mean_C, 3),
        "ice_reading_C": None if ice is None else round(ice.mean_C, 3),
    }
    calibration = Calibration(
        offset_K=round(boil_offset_K, 2),
        expanded_uncertainty_K=expanded_K,
        coverage_factor=2.0,
        ice_offset_K=None if ice_offset_K is None else round(ice_offset_K, 2),
        boil_offset_K=round(boil_offset_K, 2),
        at=at,
        method=BOTH_POINTS if both else BOIL_POINT,
        extra=extra,
    )
    good_until = at + CHECK_LASTS
    return CheckResult(calibration, "", False, _proves(calibration, good_until, both), good_until)


def _standard_K(boil: PointReading, probe: ProbeRegistration, basis: BoilBasis) -> float:
    """Standard uncertainty of the boiling-point correction (JCGM 100: squares added). [K]"""
    converter = chain_of(probe.kind, probe.converter).converter
    terms = (
        boil.standard_K,
        converter.step_K / sqrt(12.0),
        DEPTH_K / sqrt(3.0),
        WATER_K / sqrt(3.0),
        basis.standard_K,
    )
    return sqrt(sum(term * term for term in terms))


def _proves(calibration: Calibration, good_until: datetime, both: bool) -> tuple[str, ...]:
    text = [
        f"Add {calibration.offset_K:+.2f} K to the reading at the boil; the check is good to "
        f"±{calibration.expanded_uncertainty_K:.2f} K (k = 2).",
        "It proves this probe with this converter, in this place in this kettle. It proves no other, and not "
        "that any water boiled afterwards.",
        f"It lasts to {good_until:%Y-%m-%d}: 12 months. Check again before each season and after any knock, "
        "repair, or use on a grill or in an oven.",
    ]
    if both:
        text.insert(
            1, f"The ice point agrees within {CORRECTIONS_DIFFER_K} K, which speaks for the altitude too."
        )
    else:
        text.insert(1, "No ice point was taken: an altitude or pressure that is wrong would not have shown.")
    if calibration.extra.get("pressure_source") == "altitude":
        text.append(
            "The boiling point came from the altitude alone; the weather of that day is in the uncertainty. A "
            "barometer or an altimeter setting makes the check much better."
        )
    return tuple(text)


def _refused(reason: str) -> CheckResult:
    return CheckResult(None, reason.strip(), False, (), None)
