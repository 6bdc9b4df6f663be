"""What a set-up can prove, and what would help: each way is tried on the judge's own budget.

The budget's terms have their sources in `tests/judge/test_budget.py`; here only the promises are held to it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from monitor.judge.budget import budget_of
from monitor.physics.pressure import standard_pressure_kPa
from monitor.plan.basis import BoilBasis, boil_basis
from monitor.plan.check import BOIL, ICE, PointReading
from monitor.plan.place import site_of
from monitor.plan.pressure import STATION, StationPressure
from monitor.plan.probe import conclude
from monitor.plan.registration import PLACES, ProbeRegistration
from monitor.plan.setup import CANNOT, PROVES, PROVES_IF_SEEN, longest_gap_s, what_it_proves
from monitor.record.model import Calibration, Probe, Required, Run

NOW = datetime(2026, 8, 14, 15, 0, tzinfo=UTC)


def _header(altitude_m: float = 1650.0, calibration: Calibration | None = None) -> Run:
    probe = Probe(kind="type K class 1", converter="linearised, 0.0078 K steps", calibration=calibration)
    return Run("r", NOW, Required(30.0), site=site_of("hill kitchen", altitude_m, 10.0), probe=probe)


def test_a_thermocouple_at_1650_m_without_a_barometer() -> None:
    """Weather 2 × 0.21 K and season 2 × 0.22 K at 1650 m, taken 0.27 K higher for warm days: told with their figures,
    and that a setting alone does not do, a check with a setting does if the boil is seen, and both do."""
    found = what_it_proves(_header())
    assert found.answer == CANNOT
    assert "±0.4 K" in found.why_altitude and "0.27 K higher" in found.why_altitude
    answers = {way.what.split(",")[0]: way.answer for way in found.ways}
    assert answers["Type today's altimeter setting (QNH) of an airport near by"] == CANNOT
    assert answers["A barometer on the node"] == CANNOT
    assert answers["Check this probe at the ice point and at the boil"] == PROVES_IF_SEEN
    assert answers["That check"] == PROVES
    assert answers["The same check with the altitude alone"] == CANNOT


@pytest.mark.parametrize("altitude_m", [0.0, 1650.0, 2800.0])
@pytest.mark.parametrize("with_setting", [True, False])
def test_a_check_of_the_same_week_is_worth_what_an_older_one_is(
    altitude_m: float, with_setting: bool
) -> None:
    """What the page promises of a check is what the judge gives for it, made today, this week or 11 months ago: it
    forgives no part of the weather's share to a check that is fresh."""
    promised = {way.what: way.answer for way in what_it_proves(_header(altitude_m)).ways}
    begins = "Check this probe" if with_setting else "The same check with the altitude alone"
    (promise,) = [answer for what, answer in promised.items() if what.startswith(begins)]
    site = _header(altitude_m).site
    if with_setting:
        kPa = standard_pressure_kPa(altitude_m)
        typed = StationPressure(kPa, 0.02, STATION, NOW, NOW + timedelta(hours=6), "a setting, brought up")
        site = site_of("hill kitchen", altitude_m, 10.0, pressure=typed)
    known = ProbeRegistration("k", "type K class 1", "linearised, 0.0078 K steps", PLACES[0])
    basis = boil_basis(site, NOW)
    assert isinstance(basis, BoilBasis)
    points = {
        ICE: PointReading(ICE, 0.0, 0.05, 60, 60.0, True),
        BOIL: PointReading(BOIL, basis.boil_C, 0.1, 60, 60.0, True),
    }
    for days in (0, 3, 330):
        made = conclude(points, known, basis, NOW - timedelta(days=days)).calibration
        assert what_it_proves(_header(altitude_m, made)).answer == promise


def test_a_way_that_was_gone_leads_where_it_said() -> None:
    """A real check with an uncertainty of 0.3 K, and then a typed pressure, give the answers that were promised."""
    check = Calibration(-0.4, 0.3, 2.0, -0.35, -0.42, NOW, "ice and boiling points")
    checked = what_it_proves(_header(calibration=check))
    assert checked.answer == PROVES_IF_SEEN
    assert [way.answer for way in checked.ways] == [PROVES, PROVES]
    assert "somebody must see" in checked.why_altitude
    at = {"station_pressure_at": _header().started_at.isoformat()}
    site = replace(_header().site, station_pressure_kPa=83.0, pressure_source="station pressure", extra=at)
    typed = what_it_proves(replace(_header(calibration=check), site=site))
    assert (typed.answer, typed.ways, typed.why_altitude) == (PROVES, (), "")


@pytest.mark.parametrize("altitude_m", [0.0, 300.0, 1650.0, 2800.0])
def test_every_way_is_better_or_said_not_to_be_enough(altitude_m: float) -> None:
    """No promise that the budget does not keep."""
    found = what_it_proves(_header(altitude_m))
    assert found.budget == budget_of(_header(altitude_m))
    assert any(way.answer == PROVES for way in found.ways)
    assert all("not enough" in way.text for way in found.ways if way.answer == CANNOT)


def test_without_an_altitude_nothing_is_promised() -> None:
    """Nothing says where water boils: no way is shown but to give the altitude."""
    bare = replace(_header(), site=replace(_header().site, altitude_m=None))
    found = what_it_proves(bare)
    assert found.answer == CANNOT
    assert found.why_altitude == ""


@pytest.mark.parametrize("altitude_m", [0.0, 1650.0, 2800.0])
def test_the_gap_promised_hides_no_dip_deeper_than_the_room(altitude_m: float) -> None:
    """At 5 K/min down and 6 up (energy balance) a gap of g s hides 0.0455 g K. A true boil by altitude alone reads at
    the surface's boiling point plus 0.15 K, the floor lies the allowance below that taken 0.27 K higher at 1650 m: the
    room between is what the allowance leaves of U and of that.
    """
    check = Calibration(0.0, 0.3, 2.0, 0.0, 0.0, NOW - timedelta(days=7), "ice and boiling points", {})
    found = what_it_proves(_header(altitude_m, check))
    allowance_K = 1.0 if found.answer == PROVES_IF_SEEN else 0.6
    room_K = allowance_K - found.budget.expanded_K + 0.15 - 0.27 * altitude_m / 1650.0
    gap_s = longest_gap_s(_header(altitude_m, check))
    assert gap_s * 5.0 * 6.0 / (5.0 + 6.0) / 60.0 <= max(room_K, 0.0) + 1e-6
    assert ("silence of the node of up to" in " ".join(found.text)) is (gap_s >= 1.0)
