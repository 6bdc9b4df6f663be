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
from monitor.plan.history import (
    blocked_offset_K,
    blocked_since,
    calibration_from_json,
    last_good_check,
    standing_of,
)
from monitor.plan.outcome import Outcome, ProbePast, knocked, outcome_of
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


# --- checks one after the other ---------------------------------------------------------------------------


def _outcome(
    past: ProbePast, ice_C: float | None, boil_C: float | None, probe: ProbeRegistration = PROBE
) -> Outcome:
    points = {
        point: _point(point, mean_C) for point, mean_C in ((ICE, ice_C), (BOIL, boil_C)) if mean_C is not None
    }
    return outcome_of(points, probe, _basis(), NOW, past)


def _then(past: ProbePast, outcome: Outcome) -> ProbePast:
    """The past with what this check keeps."""
    registered = past.registered
    for kind, body, _ in outcome.entries:
        if kind == "probe_registered":
            registered = (ProbeRegistration.from_json(body),)
    return replace(past, checks=(*past.checks, outcome.as_json()), registered=registered)


@pytest.fixture
def checked() -> ProbePast:
    """A probe with a good check: ice -0.35 K, boil -0.40 K; a batch that it judged since, and one before."""
    runs = (("before", NOW - timedelta(days=9), "T1"), ("since", NOW, "T1"))
    return _then(ProbePast(runs=runs), _outcome(ProbePast(), 0.35, 95.0))


@pytest.mark.parametrize(
    ("ice_C", "boil_C", "says"),
    [
        (0.35, 95.8, "Suspect first the altitude or the pressure"),
        (None, 95.8, "prove itself with itself"),
        (1.2, None, "Without a boiling point nothing is proven"),
        (3.4, 97.9, "damaged"),
    ],
)
def test_a_check_in_doubt_that_finds_the_probe_elsewhere_blocks_it(
    checked: ProbePast, ice_C: float | None, boil_C: float | None, says: str
) -> None:
    """More than 0.5 K from its last check, whatever else is in doubt; it says both, and the batch since is doubted."""
    found = _outcome(checked, ice_C, boil_C)
    assert found.result.blocked and found.touched == ("since",)
    assert "moved by" in found.result.refused and says in found.result.refused
    standing = standing_of(_then(checked, found).checks, "T1")
    assert standing.blocked == found.result.refused
    assert any("checked again at both points" in line for line in standing.said)


def test_what_is_in_doubt_confirms_nothing(checked: ProbePast) -> None:
    """The next check at both points is the first without a doubt; one that finds the last good one again clears it."""
    doubted = _then(checked, _outcome(checked, 0.35, 95.8))
    moved = _outcome(doubted, 1.0, 95.75)
    assert moved.result.blocked
    assert _outcome(_then(doubted, moved), 1.0, 95.8).result.calibration is not None
    cleared = _outcome(doubted, 0.3, 95.05)
    assert cleared.result.calibration is not None
    assert standing_of(_then(doubted, cleared).checks, "T1").said == ()


def test_a_refused_check_that_finds_the_same_stands_beside_the_last_good_one(checked: ProbePast) -> None:
    """An ice point alone, 0.1 K from the last: not blocked, and told with its figures until one is accepted."""
    after = _then(checked, _outcome(checked, 0.45, None))
    standing = standing_of(after.checks, "T1")
    assert standing.calibration is not None and standing.blocked == ""
    (said,) = standing.said
    assert "The last check of 2026-08-01 was not accepted" in said and "ice point -0.45 K" in said
    assert standing_of(_then(after, _outcome(after, 0.35, 95.0)).checks, "T1").said == ()


def test_after_a_knock_a_boiling_point_alone_clears_nothing(checked: ProbePast) -> None:
    """At both points, as the entry of the knock says; the same after a move."""
    past = replace(checked, checks=(*checked.checks, knocked("T1", NOW, "a fall")[1]))
    alone = _outcome(past, None, 94.9)
    assert alone.result.calibration is None and "both points" in alone.result.refused
    after = _then(past, alone)
    assert "a fall" in blocked_since(after.checks, "T1")
    assert _outcome(after, 0.3, 94.9).result.calibration is not None


def test_small_moves_add_up(checked: ProbePast) -> None:
    """-0.40, -0.70, then -1.00 K: 0.6 K from a check of the same year. A move that was confirmed is a new beginning."""
    second = _then(checked, _outcome(checked, 0.65, 95.3))
    third = _outcome(second, 0.95, 95.6)
    assert third.result.blocked and "-0.60 K" in third.result.refused and third.touched == ("since",)
    confirmed = _then(second, third)
    confirmed = _then(confirmed, _outcome(confirmed, 0.95, 95.6))
    assert standing_of(confirmed.checks, "T1").blocked == ""
    assert _outcome(confirmed, 1.0, 95.65).result.calibration is not None


def test_a_move_over_the_years_is_no_sudden_one(checked: ProbePast) -> None:
    """Each yearly check is held against the last, not against all."""
    later = NOW + timedelta(days=400)
    second = outcome_of({ICE: _point(ICE, 0.65), BOIL: _point(BOIL, 95.3)}, PROBE, _basis(), later, checked)
    past = _then(checked, second)
    third = outcome_of({ICE: _point(ICE, 0.95), BOIL: _point(BOIL, 95.6)}, PROBE, _basis(), later, past)
    assert third.result.calibration is not None


@pytest.mark.parametrize(
    ("kind", "converter", "ice_C", "boil_C"),
    [
        ("type K class 1", "resistance, 0.03 K steps", 5.0, 99.6),
        ("other", "other", 7.8, 102.4),
        ("other", "linearised, 0.0078 K steps", 1.6, 96.2),
    ],
)
def test_a_probe_of_which_nobody_knows_the_kind_is_not_believed_further(
    kind: str, converter: str, ice_C: float, boil_C: float
) -> None:
    """What it may be allows less: damaged, as a known one would be; and how to find out."""
    probe = replace(PROBE, kind=kind, converter=converter)
    result = _outcome(ProbePast(), ice_C, boil_C, probe).result
    assert result.calibration is None and result.blocked
    assert "may be damaged" in result.refused and "Register it with the kind" in result.refused


@pytest.mark.parametrize(
    "changes",
    [
        {"kind": "type T class 1"},
        {"converter": "straight-line corrected, 0.25 K steps"},
        {"place": "other"},
        {"channel": "water_2"},
    ],
)
def test_a_check_is_of_one_kind_converter_place_and_channel(
    checked: ProbePast, changes: dict[str, str]
) -> None:
    """As the check's own words say. Refused with another it registers nothing, and what it is now is not known;
    accepted, it is a new beginning, held against nothing of the other's."""
    other = replace(PROBE, **changes)  # type: ignore[arg-type]
    refused = _outcome(checked, 0.3, None, other)
    assert [kind for kind, *_ in refused.entries] == ["probe_checked"]
    assert refused.result.blocked and "is not what it is registered as" in refused.result.refused
    accepted = _outcome(checked, 1.2, 95.85, other)
    assert accepted.result.calibration is not None and accepted.touched == ()
    assert [kind for kind, *_ in accepted.entries] == ["probe_registered", "probe_checked"]


def test_a_refused_check_leaves_the_registration_and_a_calibration_says_what_it_is_of(
    checked: ProbePast,
) -> None:
    """The first one of a probe registers it, accepted or not: so it can be named."""
    assert not _outcome(checked, 0.3, None).registers
    assert _outcome(ProbePast(), 0.3, None).registers
    found = last_good_check(checked.checks, "T1")
    assert found is not None
    assert (found.extra["kind"], found.extra["converter"]) == (PROBE.kind, PROBE.converter)
