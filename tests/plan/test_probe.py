"""Checks of a probe: still for a minute, corrections compared, what is refused and what blocks.

Uncertainties after JCGM 100:2008. The ice point is 0 °C, at 1650 m water boils near 94.5 °C (standard atmosphere with
IAPWS-IF97). The minute of stillness and the 0.5 K are this project's rules: no standard has them for a kitchen; yearly
checks are common practice (21 CFR 113.40).
"""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import sqrt

import pytest

from monitor.errors import UsageError
from monitor.judge.budget import budget_of
from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C
from monitor.plan.basis import BoilBasis, boil_basis
from monitor.plan.check import BOIL, DONE, ICE, CheckSession, PointReading, point_from_readings
from monitor.plan.history import blocked_offset_K, blocked_since, calibration_from_json, last_good_check
from monitor.plan.place import site_of
from monitor.plan.pressure import STATION, PressureGiven, StationPressure, station_pressure
from monitor.plan.probe import CheckResult, conclude
from monitor.plan.refusal import Refusal
from monitor.plan.registration import PLACES, ProbeRegistration, registration_gaps
from monitor.record.model import Calibration, Probe, Required, Run, Site

NOW = datetime(2026, 8, 1, 16, 0, tzinfo=UTC)
PROBE = ProbeRegistration("T1", "type K class 1", "linearised, 0.0078 K steps", PLACES[0], response_s=3.0)
BOILS_C = 94.6


def _basis(boil_C: float = BOILS_C) -> BoilBasis:
    return BoilBasis(boil_C, 0.02, "station pressure", 83.3, "station pressure 833.0 hPa, typed")


def _point(point: str, mean_C: float) -> PointReading:
    return PointReading(point, mean_C, 0.1, 60, 60.0, True)


def _conclude(ice_C: float | None, boil_C: float | None, previous: Calibration | None = None) -> CheckResult:
    points = {}
    if ice_C is not None:
        points[ICE] = _point(ICE, ice_C)
    if boil_C is not None:
        points[BOIL] = _point(BOIL, boil_C)
    return conclude(points, PROBE, _basis(), NOW, previous)


def _feed(
    session: CheckSession, start_s: float, seconds: int, mean_C: float, scatter_K: float = 0.03
) -> None:
    noise = random.Random(7)
    for second in range(seconds):
        session.feed(start_s + second, mean_C + noise.gauss(0.0, scatter_K))


def test_a_whole_check_step_by_step() -> None:
    """Ice, stirred, still for 60 s; boil, still for 60 s; done with both points."""
    session = CheckSession(BOILS_C, 0.0078)
    assert "crushed ice" in session.progress().prompt
    session.ready(stirred=True)
    _feed(session, 0.0, 59, 0.35)
    assert ICE not in session.points
    _feed(session, 59.0, 3, 0.35)
    assert session.points[ICE].mean_C == pytest.approx(0.35, abs=0.02)
    assert "scald" in session.progress().caution
    session.ready(stirred=True)
    _feed(session, 100.0, 70, 95.0, 0.1)
    assert session.state == DONE
    assert session.points[BOIL].mean_C == pytest.approx(95.0, abs=0.05)


def test_an_unstirred_ice_bath_is_not_accepted() -> None:
    """It is warmer below than above."""
    with pytest.raises(UsageError, match="Stir it first"):
        CheckSession(BOILS_C).ready(stirred=False)


def test_a_rising_reading_is_not_still() -> None:
    """0.3 K a minute never counts, and the page says why."""
    session = CheckSession(BOILS_C)
    session.ready(stirred=True)
    for second in range(300):
        session.feed(float(second), 0.5 + second * 0.3 / 60.0)
    assert session.points == {}
    assert "rising" in session.progress().text


@pytest.mark.parametrize("spoil", ["gap", "fault", "wrong place"])
def test_a_minute_is_whole_or_begins_anew(spoil: str) -> None:
    """A silence, a fault or a probe out of the bath starts the minute again."""
    session = CheckSession(BOILS_C)
    session.ready(stirred=True)
    _feed(session, 0.0, 50, 0.3)
    resume_s = 50.0
    if spoil == "gap":
        resume_s = 66.0
    elif spoil == "fault":
        session.feed(50.0, None)
        resume_s = 51.0
    else:
        session.feed(50.0, 22.0)
        resume_s = 51.0
    _feed(session, resume_s, 55, 0.3)
    assert session.points == {}
    _feed(session, resume_s + 55, 60, 0.3)
    assert ICE in session.points


def test_a_coarse_probe_that_stands_still_counts() -> None:
    """0.25 K steps: between two of them it may toggle."""
    session = CheckSession(BOILS_C, 0.25)
    session.skip()
    session.ready(stirred=True)
    for second in range(70):
        session.feed(float(second), 95.0 + 0.25 * (second % 2))
    assert session.state == DONE


def test_moves_that_do_not_fit_are_refused() -> None:
    """The machine knows only its own moves."""
    session = CheckSession(BOILS_C)
    with pytest.raises(UsageError, match="does not fit"):
        session.again()


def test_readings_from_a_file_give_the_same_point() -> None:
    """The same machine, fed at once; readings that never stand still say so."""
    readings = [(float(second), 0.4) for second in range(70)]
    assert point_from_readings(ICE, readings, BOILS_C).mean_C == pytest.approx(0.4)
    with pytest.raises(UsageError, match="never stood still"):
        point_from_readings(BOIL, readings, BOILS_C)


def test_both_points_give_a_correction_and_its_uncertainty() -> None:
    """U by hand (JCGM 100, squares added): scatter 0.1/√6, step 0.0078/√12, depth 0.2/√3, water 0.05/√3, pressure
    0.02."""
    result = _conclude(0.35, 95.0)
    found = result.calibration
    assert found is not None
    assert (found.offset_K, found.ice_offset_K, found.boil_offset_K) == (-0.40, -0.35, -0.40)
    terms = (0.1 / sqrt(6), 0.0078125 / sqrt(12), 0.2 / sqrt(3), 0.05 / sqrt(3), 0.02)
    by_hand_K = 2 * sqrt(sum(term**2 for term in terms))
    assert 0.0 <= found.expanded_uncertainty_K - by_hand_K <= 0.01
    assert found.method == "ice and boiling points"
    assert result.good_until == NOW + timedelta(days=365)
    assert any("12 months" in line for line in result.text)


@pytest.mark.parametrize(
    ("boil_C", "accepted"), [(95.09, True), (95.11, False), (94.11, True), (94.09, False)]
)
def test_a_boiling_point_alone_may_not_correct_beyond_half_a_kelvin(boil_C: float, accepted: bool) -> None:
    """It would prove itself with itself."""
    result = _conclude(None, boil_C)
    assert (result.calibration is not None) is accepted
    if not accepted:
        assert "prove itself with itself" in result.refused
        assert "altitude" in result.refused


def test_an_altitude_wrong_by_500_m_is_caught_by_the_ice_point() -> None:
    """The water boils at 1650 m; the record says 1150 m: 1.7 K too hot expected, altitude named as suspect."""
    wrong = boil_basis(Site(altitude_m=1150.0, altitude_uncertainty_m=10.0), NOW)
    assert isinstance(wrong, BoilBasis)
    true_boil_C = boiling_point_C(standard_pressure_kPa(1650.0))
    result = conclude({ICE: _point(ICE, 0.0), BOIL: _point(BOIL, true_boil_C)}, PROBE, wrong, NOW)
    assert result.calibration is None
    assert "altitude" in result.refused
    alone = conclude({BOIL: _point(BOIL, true_boil_C)}, PROBE, wrong, NOW)
    assert alone.calibration is None


def test_corrections_that_differ_stop_with_a_query() -> None:
    """0.6 K apart is no correction."""
    assert "differ by 0.60 K" in _conclude(0.0, 95.2).refused


def test_a_large_correction_stands_when_ice_and_boil_agree() -> None:
    """Within its class, that is what a check is for; beyond it the probe is damaged."""
    assert _conclude(1.2, 95.8).calibration is not None
    assert "damaged" in _conclude(4.0, 98.6).refused


def test_an_ice_point_alone_proves_nothing_at_the_boil() -> None:
    """It is told, and no calibration comes of it."""
    result = _conclude(0.2, None)
    assert result.calibration is None
    assert "+0.20 K" in result.refused


def test_a_probe_that_moved_is_blocked_until_a_second_check_agrees() -> None:
    """0.6 K since the last check: blocked, batches named; the same found again: believed."""
    before = _conclude(0.35, 95.0).calibration
    moved = _conclude(0.95, 95.6, before)
    assert moved.blocked
    assert "+0.60" in moved.refused or "-0.60" in moved.refused
    bodies = [_conclude(0.35, 95.0).as_json(PROBE), moved.as_json(PROBE)]
    assert "blocked" in blocked_since(bodies, "T1")
    assert blocked_offset_K(bodies, "T1") == pytest.approx(-1.0)
    assert last_good_check(bodies, "T1") == before
    points = {ICE: _point(ICE, 0.9), BOIL: _point(BOIL, 95.55)}
    again = conclude(points, PROBE, _basis(), NOW, before, blocked_offset_K=-1.0)
    assert again.calibration is not None
    assert blocked_since([*bodies, again.as_json(PROBE)], "T1") == ""


def test_a_check_survives_being_stored() -> None:
    """What is written into an entry comes back the same."""
    found = _conclude(0.35, 95.0).calibration
    assert found is not None
    body = _conclude(0.35, 95.0).as_json(PROBE)
    assert calibration_from_json(body["calibration"]) == found


@pytest.mark.parametrize(
    ("probe", "says"),
    [
        (ProbeRegistration("T1", "type K class 1", "other", "somewhere"), "where the probe sits"),
        (ProbeRegistration("T1", "type K class 1", "other", "other"), "belongs at mid-depth"),
        (ProbeRegistration("T1", "type Q", "other", PLACES[0]), "taken at its widest"),
        (ProbeRegistration("", "other", "other", PLACES[0]), "no name"),
        (ProbeRegistration("T1", "other", "other", PLACES[0], response_s=12.0), "slower than 10 s"),
    ],
)
def test_what_a_registration_lacks(probe: ProbeRegistration, says: str) -> None:
    """Each gap in one sentence; a complete one has none."""
    assert any(says in gap for gap in registration_gaps(probe))
    assert registration_gaps(PROBE) == ()


def test_the_check_lets_the_judge_prove_a_boil() -> None:
    """The chain: typed pressure, check, header; the budget then allows a proof, and before it does not."""
    typed = station_pressure(PressureGiven(STATION, 833.3, "hPa", NOW), 1650.0, 10.0, NOW)
    assert isinstance(typed, StationPressure)
    site = site_of("hill kitchen", 1650.0, 10.0, pressure=typed)
    basis = boil_basis(site, NOW)
    assert isinstance(basis, BoilBasis)
    points = {ICE: _point(ICE, 0.35), BOIL: _point(BOIL, basis.boil_C + 0.4)}
    result = conclude(points, PROBE, basis, NOW)
    bare = Run("r", NOW, Required(30.0), site=site, probe=Probe(kind=PROBE.kind, converter=PROBE.converter))
    checked = Run(
        "r",
        NOW,
        Required(30.0),
        site=site,
        probe=Probe(kind=PROBE.kind, converter=PROBE.converter, calibration=result.calibration),
    )
    assert budget_of(bare).expanded_K > 1.0
    assert budget_of(checked).expanded_K < 0.6


def test_a_check_by_altitude_alone_carries_the_weather() -> None:
    """At 1650 m the altitude's boiling point is uncertain by σ 0.3 K: U of the check is above 0.6 K."""
    basis = boil_basis(Site(altitude_m=1650.0, altitude_uncertainty_m=10.0), NOW)
    assert isinstance(basis, BoilBasis)
    assert basis.pressure_source == "altitude"
    result = conclude({ICE: _point(ICE, 0.0), BOIL: _point(BOIL, basis.boil_C)}, PROBE, basis, NOW)
    assert result.calibration is not None
    assert result.calibration.expanded_uncertainty_K > 0.6
    assert any("barometer" in line for line in result.text)


def test_without_altitude_and_pressure_there_is_no_boiling_point() -> None:
    """Unknown, with what to give."""
    found = boil_basis(Site(), NOW)
    assert isinstance(found, Refusal)
    assert "altitude" in found.instead


def test_a_straight_line_converter_is_compared_without_its_line() -> None:
    """It takes 41.276 µV/K everywhere. With its chip at 25 °C (E = 1.00024 mV, NIST Monograph 175) ice water at
    0 °C reads 25 - 1.00024/0.041276 = 0.767 °C, and water at 94.6 °C, 3.8723 mV, reads 94.58 °C: two corrections
    0.79 K apart that speak against neither altitude nor probe."""
    coarse = replace(PROBE, converter="straight-line, 0.25 K steps")
    line = 0.041276
    ice_C, boil_C = 25.0 - 1.00024 / line, 25.0 + (3.87265 - 1.00024) / line
    points = {
        ICE: replace(_point(ICE, ice_C), chip_C=25.0),
        BOIL: replace(_point(BOIL, boil_C), chip_C=25.0),
    }
    result = conclude(points, coarse, _basis(), NOW)
    assert result.calibration is not None
    assert result.calibration.ice_offset_K is not None
    assert abs(result.calibration.ice_offset_K - result.calibration.offset_K) < 0.05
    assert abs(result.calibration.offset_K) < 0.1
    assert "altitude" in conclude(points, PROBE, _basis(), NOW).refused
