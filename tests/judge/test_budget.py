"""The uncertainty budget, worked by hand beside the engine's.

Combination: JCGM 100:2008 (GUM) 4.3.7, F.2.2.1 and 6.2: a half-width a of a rectangular distribution has
u = a/√3, a step q has u = q/√12, independent terms add in squares, U = 2 u. Tolerances: IEC 60584-1:2013,
IEC 60751 and ASTM E230 at 100 °C, as tabulated by makers of probes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from math import sqrt
from typing import Any

import pytest

from monitor.judge import Budget, budget_of, judge
from monitor.judge.budget import probe_budget
from monitor.judge.pressure import PressureTracker, from_altitude, from_barometer, from_typed
from monitor.judge.verdict import BudgetRow
from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C
from monitor.record.model import Calibration, Probe, Run, Site
from monitor.tables.probes import METHODS, OTHER, PRESSURE_SOURCES, converters, match, probe_kinds

FINE, COARSE = "linearised, 0.0078 K steps", "straight-line, 0.25 K steps"
RESISTANCE, ONE_WIRE = "resistance, 0.03 K steps", "one-wire, 0.0625 K steps"
#: dT/dp of the saturation line at 101.3 kPa: 0.0277 K/hPa (IAPWS R7-97, differentiated).
SLOPE_K_PER_HPA = 0.0277


@pytest.fixture
def header(cook: Callable[..., Any]) -> Run:
    """A checked fine probe and a checked barometer at sea level."""
    return cook().run([])


def probe_of(run: Run, kind: str | None, converter: str | None, calibration: Calibration | None) -> Run:
    return replace(run, probe=Probe(kind=kind, converter=converter, calibration=calibration))


def with_check(run: Run, **changes: Any) -> Run:
    calibration = replace(run.probe.calibration, **changes)
    return replace(run, probe=replace(run.probe, calibration=calibration))


def rss(*standard_K: float) -> float:
    return sqrt(sum(u * u for u in standard_K))


def rectangular(half: float) -> float:
    return half / sqrt(3.0)


def terms(budget: Budget) -> list[str]:
    return [row.term for row in budget.rows]


#: What every uncalibrated probe carries besides itself, at sea level with a barometer within ±1 hPa:
#: scatter 0.05, depth and superheat ±0.2, what is dissolved ±0.05 (our estimates), the pressure.
COMMON = (0.05, rectangular(0.2), rectangular(0.05), rectangular(1.0) * SLOPE_K_PER_HPA)


@pytest.mark.parametrize(
    ("kind", "converter", "own", "printed_K"),
    [
        ("type K class 2", COARSE, (2.5, 2.0, 2.0, 0.15), 4.4),
        ("type K class 2", FINE, (2.5, 0.13, 0.7), 3.0),
        ("type K class 1", COARSE, (1.5, 2.0, 2.0, 0.15), 3.7),
        ("type K class 1", FINE, (1.5, 0.13, 0.7), 1.9),
        ("type T class 1", COARSE, (0.5, 2.0, 2.0, 0.15), 3.3),
        ("type T class 1", FINE, (0.5, 0.13, 0.7), 1.04),
        ("Pt100 class A", RESISTANCE, (0.35, 0.5), 0.75),
        ("Pt100 class AA", RESISTANCE, (0.27, 0.5), 0.71),
        ("Pt100 class B", RESISTANCE, (0.80, 0.5), 1.12),
        ("one-wire digital", ONE_WIRE, (2.0,), 2.3),
    ],
)
def test_a_probe_without_a_check_carries_the_tolerance_of_its_class(
    header: Run, kind: str, converter: str, own: tuple[float, ...], printed_K: float
) -> None:
    """Hand sum of tolerance, converter, cold junction and form, against the table the project prints."""
    step = converters()[converter].step_K / sqrt(12.0)
    by_hand = 2.0 * rss(*map(rectangular, own), step, *COMMON)
    expanded = budget_of(probe_of(header, kind, converter, None)).expanded_K
    assert expanded == pytest.approx(by_hand, abs=0.002)
    assert round(expanded, 2 if printed_K < 1.5 else 1) == pytest.approx(printed_K, abs=0.011)


def test_a_checked_probe_with_a_barometer_at_1650_m(header: Run) -> None:
    """The contract's example: U = 0.43 K. By hand: check 0.30/2, drift ±0.2, cold junction ±0.1, step,
    scatter, same place ±0.1, water ±0.05, ±1 hPa at 0.0326 K/hPa (IAPWS R7-97 at 83 kPa)."""
    run = with_check(header, offset_K=-0.40, ice_offset_K=-0.35, boil_offset_K=-0.42)
    run = with_check(run, expanded_uncertainty_K=0.30)
    run = replace(run, site=replace(run.site, altitude_m=1650.0))
    by_hand = 2.0 * rss(
        0.15,
        rectangular(0.2),
        rectangular(0.1),
        0.0078125 / sqrt(12.0),
        0.05,
        rectangular(0.1),
        rectangular(0.05),
        rectangular(1.0) * 0.0326,
    )
    budget = budget_of(run)
    assert budget.expanded_K == pytest.approx(by_hand, abs=0.001)
    assert round(budget.expanded_K, 2) == 0.43
    assert budget.cannot_prove == ""


def test_the_table_adds_up_to_what_it_says(header: Run) -> None:
    """U is twice the root of the sum of squares of the rows a person can read, each with its source."""
    budget = budget_of(header)
    assert budget.expanded_K == pytest.approx(2.0 * rss(*(row.standard_K for row in budget.rows)))
    assert all(row.source and row.term and row.unit and row.standard_K >= 0.0 for row in budget.rows)
    assert {row.distribution for row in budget.rows} == {"normal, k = 2", "rectangular", "step"}


def test_the_coverage_factor_of_a_check_is_divided_out(header: Run) -> None:
    """0.30 K at k = 3 and 99.73 % is a standard uncertainty of 0.10 K (JCGM 100:2008, 6.2.1)."""
    said = with_check(
        header, expanded_uncertainty_K=0.30, coverage_factor=3.0, extra={"coverage_percent": 99.73}
    )
    assert budget_of(said).rows[0].standard_K == pytest.approx(0.10, abs=1e-4)


@pytest.mark.parametrize(
    ("factor", "percent", "divisor"),
    [
        (1.0, None, 1.0),
        (1.96, None, 1.96),
        (2.0, None, 2.0),
        (2.0, 95.0, 2.0),
        # Student's t for 95.45 %, 3 and 2 degrees of freedom (JCGM 100:2008, table G.2).
        (3.31, None, 2.0),
        (4.53, None, 2.0),
        (4.30, 95.0, 1.96),
        (3.0, None, 2.0),
        (3.0, 99.73, 3.0),
        (9.92 / 2.0, 99.0, 2.576),
        (3.0, "nearly all", 2.0),
        (3.0, True, 2.0),
        (3.0, 100.0, 2.0),
    ],
)
def test_a_coverage_factor_of_few_readings_narrows_nothing(
    header: Run, factor: float, percent: object, divisor: float
) -> None:
    """Divided by 4.5 and multiplied by 2 again, three readings would be worth more than a thousand."""
    said = with_check(
        header,
        expanded_uncertainty_K=0.60,
        coverage_factor=factor,
        extra={} if percent is None else {"coverage_percent": percent},
    )
    budget = budget_of(said)
    assert budget.rows[0].standard_K == pytest.approx(0.60 / divisor, abs=1e-3)
    told = any("few readings" in note for note in budget.notes)
    assert told is (divisor < factor - 0.01) and ("counted as" in budget.rows[0].distribution) is told


def test_few_readings_are_no_narrower_than_their_effective_degrees_of_freedom_allow(header: Run) -> None:
    """Welch and Satterthwaite (JCGM 100:2008, G.4): U 1.0 K from 3 readings, k 4.53, gives 0.8 K here."""
    said = with_check(header, expanded_uncertainty_K=1.0, coverage_factor=4.53)
    others = sum(row.standard_K**2 for row in budget_of(said).rows[1:])
    combined = sqrt((1.0 / 4.53) ** 2 + others)
    freedom = 2.0 * (combined * 4.53) ** 4
    # Table G.2, 95.45 %, of the next lower whole number.
    factor = {4: 2.87, 5: 2.65, 6: 2.52, 7: 2.43, 8: 2.37}[int(freedom)]
    assert budget_of(said).expanded_K >= factor * combined


@pytest.mark.parametrize(
    ("kind", "tolerance_K"),
    [
        ("type K class 1", 1.5),  # IEC 60584-1:2013, largest of 1.5 K and 0.004 t
        ("type K class 2", 2.5),
        ("type N class 1", 1.5),
        ("type N class 2", 2.5),
        ("type J class 1", 1.5),
        ("type J class 2", 2.5),
        ("type T class 1", 0.5),
        ("type T class 2", 1.0),
        ("type K standard", 2.2),  # ASTM E230
        ("type K special", 1.1),
        ("type T standard", 1.0),
        ("type T special", 0.5),
        ("Pt100 class AA", 0.10 + 0.0017 * 100.0),  # IEC 60751
        ("Pt100 class A", 0.15 + 0.002 * 100.0),
        ("Pt100 class B", 0.30 + 0.005 * 100.0),
        ("one-wire digital", 2.0),  # data sheet table above 85 °C
    ],
)
def test_tolerances_at_the_boil_are_those_of_the_standards(kind: str, tolerance_K: float) -> None:
    """IEC 60584-1, IEC 60751, ASTM E230 at 100 °C."""
    assert probe_kinds()[kind].tolerance_K == pytest.approx(tolerance_K)


def test_other_carries_the_widest_uncertainty_of_each_list() -> None:
    """What is not in a closed list is never better than what is."""
    assert all(k.tolerance_K <= probe_kinds()[OTHER].tolerance_K for k in probe_kinds().values())
    assert all(k.response_s <= probe_kinds()[OTHER].response_s for k in probe_kinds().values())
    for name in ("step_K", "tolerance_K", "cold_junction_K", "cold_junction_change_K", "form_K"):
        widest = getattr(converters()[OTHER], name)
        assert all(getattr(c, name) <= widest for c in converters().values()), name
    assert METHODS[-1] == PRESSURE_SOURCES[-1] == OTHER


def test_words_of_the_lists_are_known_however_they_are_spelt() -> None:
    """Case, commas and order do not matter; a word more or less does."""
    known = tuple(converters())
    assert match("Linearised 0.0078 k steps", known) == FINE
    assert match("class 1 type K", tuple(probe_kinds())) == "type K class 1"
    assert match("type K", tuple(probe_kinds())) is None


@pytest.mark.parametrize("kind", [None, "a probe from the shed"])
@pytest.mark.parametrize("converter", [None, "some chip"])
def test_what_a_record_leaves_out_is_taken_at_its_widest_and_said(
    header: Run, kind: str | None, converter: str | None
) -> None:
    """A probe nobody described proves nothing, and the notes name what is missing."""
    budget = budget_of(probe_of(header, kind, converter, None))
    widest = budget_of(probe_of(header, OTHER, OTHER, None))
    assert budget.expanded_K == widest.expanded_K > 4.4
    notes = " ".join(budget.notes)
    assert "probe" in notes and "converter" in notes and notes.count("widest") == 2


# --- checks of the probe ----------------------------------------------------------------------------------


def test_a_check_is_good_for_a_year_and_no_day_more(header: Run) -> None:
    """Yearly accuracy checks: 21 CFR 113.40 as common practice. 365 days narrow, 366 do not, and it is said."""
    fresh = with_check(header, at=header.started_at - timedelta(days=365))
    stale = with_check(header, at=header.started_at - timedelta(days=366))
    assert budget_of(fresh).expanded_K < 0.5
    old = budget_of(stale)
    assert old.expanded_K == pytest.approx(
        budget_of(probe_of(header, "type K class 1", FINE, None)).expanded_K
    )
    assert any("366 days old" in note for note in old.notes)
    assert "check the probe at the ice point and the boiling point" in old.cannot_prove


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"at": None}, "no date"),
        ({"method": None}, "how the calibration was made"),
        ({"method": "by feel"}, "how the calibration was made"),
        ({"at": "after"}, "after the run"),
    ],
)
def test_a_check_without_date_or_method_does_not_narrow(
    header: Run, changes: dict[str, Any], said: str
) -> None:
    """Missing is unknown, never fine."""
    if changes.get("at") == "after":
        changes = {"at": header.started_at + timedelta(hours=1)}
    budget = budget_of(with_check(header, **changes))
    assert budget.expanded_K > 1.8
    assert any(said in note for note in budget.notes)


@pytest.mark.parametrize(
    ("offset_K", "narrows"), [(0.50, True), (-0.50, True), (0.51, False), (-0.60, False)]
)
def test_the_boiling_point_alone_is_circular_beyond_half_a_kelvin(
    header: Run, offset_K: float, narrows: bool
) -> None:
    """A probe corrected by the boil cannot then prove the boil (our rule, an independent reference is asked)."""
    alone = {"method": "boiling point", "ice_offset_K": None, "boil_offset_K": offset_K}
    budget = budget_of(with_check(header, offset_K=offset_K, **alone))
    assert (budget.expanded_K < 0.5) is narrows
    assert narrows or any("proves itself" in note for note in budget.notes)


def test_ice_and_boiling_points_together_may_correct_more(header: Run) -> None:
    """Two fixed points that agree are no circle."""
    both = {"offset_K": -1.4, "ice_offset_K": -1.3, "boil_offset_K": -1.4}
    assert budget_of(with_check(header, **both)).expanded_K < 0.5


@pytest.mark.parametrize(("apart_K", "narrows"), [(0.50, True), (0.51, False)])
def test_corrections_that_differ_put_the_place_in_doubt(header: Run, apart_K: float, narrows: bool) -> None:
    """Ice against boil beyond 0.5 K: altitude, pressure or probe is wrong (our rule), and it is named."""
    run = with_check(header, offset_K=0.3, ice_offset_K=0.3 - apart_K, boil_offset_K=0.3)
    budget = budget_of(run)
    assert (budget.expanded_K < 0.5) is narrows
    assert narrows or any("altitude" in note for note in budget.notes)


def test_the_offset_is_used_even_where_the_check_no_longer_narrows(header: Run) -> None:
    """An old correction is still the best guess; only its uncertainty widens."""
    from monitor.judge.budget import probe_budget

    stale = with_check(header, offset_K=-0.4, at=header.started_at - timedelta(days=400))
    assert probe_budget(stale).offset_K == -0.4
    assert probe_budget(stale).calibrated is False


# --- pressure ---------------------------------------------------------------------------------------------


def altitude_only(header: Run, altitude_m: float) -> Run:
    site = Site(altitude_m=altitude_m, altitude_uncertainty_m=10.0, pressure_source="altitude")
    return replace(header, site=site)


def test_altitude_alone_is_raised_for_a_warm_season(header: Run) -> None:
    """+0.27 K at 1650 m and none at sea level; weather σ 0.21 K, season σ 0.22 K there (climate texts and the
    hypsometric equation between 15 and 35 °C, computed)."""
    basis = from_altitude(altitude_only(header, 1650.0))
    assert basis.boil_C == pytest.approx(boiling_point_C(standard_pressure_kPa(1650.0)) + 0.27)
    assert basis.standard_K == pytest.approx(rss(0.21, 0.22, rectangular(10.0) * 0.0033), abs=1e-6)
    assert from_altitude(altitude_only(header, 0.0)).raised_K == 0.0


def test_at_altitude_a_barometer_is_needed_and_the_words_say_so(header: Run) -> None:
    """Weather and season: with a fine probe the eye must help at 1650 m, with a coarse one nothing does."""
    budget = budget_of(altitude_only(header, 1650.0))
    assert 0.7 < budget.expanded_K < 0.9
    assert "only where a person looks" in budget.cannot_prove
    assert "barometer" in budget.cannot_prove.split("What helps:")[1]
    coarse = replace(header.probe, kind="type K class 2", converter=COARSE)
    words = budget_of(replace(altitude_only(header, 1650.0), probe=coarse)).cannot_prove
    assert "cannot prove a boil" in words and "0.27 K higher for warm weather" in words


def test_the_altitude_is_never_counted_twice(header: Run) -> None:
    """A check at the boil whose pressure came from the same altitude carries its error already."""
    run = altitude_only(header, 1650.0)
    assert "altitude itself" in terms(budget_of(run))
    shared = with_check(run, extra={"pressure_source": "altitude"})
    assert "altitude itself" not in terms(budget_of(shared))
    here = with_check(shared, extra={**shared.probe.calibration.extra, "station_pressure_kPa": 83.0})  # type: ignore[union-attr]
    assert "altitude itself" not in terms(budget_of(here))  # 830 hPa: U.S. Standard Atmosphere 1976 at 1650 m
    elsewhere = with_check(shared, extra={"pressure_source": "altitude", "station_pressure_kPa": 101.325})
    assert "altitude itself" in terms(budget_of(elsewhere))
    iced = with_check(shared, method="ice point", boil_offset_K=None)
    assert "altitude itself" in terms(budget_of(iced))


def test_an_altitude_of_unknown_quality_is_taken_wide(header: Run) -> None:
    """±100 m, and it is said."""
    run = replace(header, site=Site(altitude_m=1650.0))
    rows = {row.term: row.standard_K for row in budget_of(run).rows}
    assert rows["altitude itself"] == pytest.approx(rectangular(100.0) * 0.0033)
    assert any("±100 m" in note for note in budget_of(run).notes)


def test_a_barometer_never_compared_pays_for_reading_low(header: Run) -> None:
    """25 hPa below the standard: half of the 15 hPa beyond 10 is added to U, at 0.028 K/hPa (IAPWS R7-97)."""
    never = replace(header, site=replace(header.site, barometer_checked_at=None))
    low = from_barometer(never, 101.325 - 2.5, 0.0)
    assert low.added_K == pytest.approx(0.5 * 15.0 * 0.0282, abs=0.003)
    assert any("half of" in note for note in low.notes)
    assert from_barometer(never, 101.325 - 0.9, 0.0).added_K == 0.0
    assert from_barometer(never, 101.325 + 2.5, 0.0).added_K == 0.0
    assert from_barometer(header, 101.325 - 2.5, 0.0).added_K == 0.0
    assert low.standard_K == pytest.approx(rectangular(4.0) * 0.0282, abs=0.002)


def test_a_barometer_compared_more_than_a_year_ago_counts_as_never(header: Run) -> None:
    """Twelve months, as for the probe."""
    at = header.started_at - timedelta(days=366)
    old = replace(header, site=replace(header.site, barometer_checked_at=at))
    assert from_barometer(old, 101.325, 0.0).standard_K > from_barometer(header, 101.325, 0.0).standard_K


def test_a_silent_barometer_holds_its_value_with_growing_uncertainty(header: Run) -> None:
    """The last value stands; weather may move it 5 hPa an hour meanwhile, as the deepest lows do: limits that nothing
    passes (JCGM 100:2008, 4.3.7), up to two draws from the weather, √2 × 7.4 hPa (physics facts P11, P45)."""
    heard = [from_barometer(header, 101.325, 3600.0 * hours) for hours in (0, 1, 3, 6, 9)]
    assert heard[0].boil_C == heard[1].boil_C == heard[2].boil_C
    assert heard[0].standard_K < heard[1].standard_K < heard[2].standard_K
    assert heard[2].standard_K == pytest.approx(
        rss(rectangular(1.0), rectangular(15.0)) * SLOPE_K_PER_HPA, abs=0.001
    )
    longest = rss(rectangular(1.0), sqrt(2.0) * 7.4) * SLOPE_K_PER_HPA
    assert heard[3].standard_K == heard[4].standard_K == pytest.approx(longest, abs=0.001)


def test_the_median_of_the_barometer_is_used(header: Run) -> None:
    """One wild reading among thirty moves nothing."""
    tracker = PressureTracker(header)
    for n in range(30):
        tracker.hear(30.0 * n, 101.325 if n != 12 else 90.0)
    assert tracker.at(900.0).pressure_kPa == pytest.approx(101.325)


def test_a_typed_pressure_expires_after_six_hours(header: Run) -> None:
    """Then the altitude stands in; a record may say when the pressure was read."""
    site = Site(altitude_m=0.0, altitude_uncertainty_m=10.0, station_pressure_kPa=100.0)
    run = replace(header, site=site)
    assert PressureTracker(run).at(6 * 3600.0).source == "station pressure"
    assert PressureTracker(run).at(6 * 3600.0 + 1.0).source == "altitude"
    read_at = (header.started_at - timedelta(hours=5)).isoformat()
    early = replace(run, site=replace(site, extra={"station_pressure_at": read_at}))
    assert from_typed(early, 3599.0) is not None
    assert from_typed(early, 3601.0) is None


def test_a_typed_pressure_without_a_readable_time_is_not_trusted(header: Run) -> None:
    """A time that cannot be read is unknown; the pressure has expired a moment after the start at the latest."""
    site = Site(altitude_m=0.0, station_pressure_kPa=100.0, extra={"station_pressure_at": "this morning"})
    assert from_typed(replace(header, site=site), 1.0) is None


@pytest.mark.parametrize("read_at", ["this morning", "2026-08-14T15:00:00", "2026-08-14", "", 5, True])
def test_a_typed_pressure_whose_time_has_no_offset_has_expired_at_the_start(
    header: Run, read_at: object
) -> None:
    """Without its offset from UTC a time may lie up to 14 h elsewhere, and a typed pressure lasts for six."""
    site = Site(
        altitude_m=0.0,
        altitude_uncertainty_m=10.0,
        pressure_source="station pressure",
        station_pressure_kPa=100.0,
        extra={"station_pressure_at": read_at},
    )
    run = replace(header, site=site)
    assert all(from_typed(run, t_s) is None for t_s in (0.0, 1.0, 3600.0))
    budget = budget_of(run)
    assert any("when the station pressure was read" in note for note in budget.notes)
    assert any("altitude alone" in row.term for row in budget.rows)
    # What a record leaves out altogether means at the start, as before.
    assert from_typed(replace(run, site=replace(site, extra={"station_pressure_at": None})), 0.0) is not None


def test_what_a_year_is_does_not_hang_on_what_was_checked(header: Run) -> None:
    """To the second: a probe's check and a barometer's comparison of 365 days and some hours ago count no longer."""
    for days, counts in ((365.0, True), (365.5, False), (-0.1, False)):
        at = header.started_at - timedelta(days=days)
        assert probe_budget(with_check(header, at=at)).calibrated is counts
        compared = replace(header, site=replace(header.site, barometer_checked_at=at))
        assert (from_barometer(compared, 101.325, 0.0).notes == ()) is counts
    old = budget_of(with_check(header, at=header.started_at - timedelta(days=365.2)))
    assert any("some hours more than 365 days old" in note for note in old.notes)


def test_a_check_at_the_boil_is_known_however_it_is_written(header: Run) -> None:
    """The altitude's error cancels where the check was made at the boil there; a method of no list is no check."""
    run = replace(
        header, site=Site(altitude_m=1650.0, altitude_uncertainty_m=50.0, pressure_source="altitude")
    )
    for method, cancels in (
        ("Boiling Point", True),
        ("ICE and boiling points", True),
        ("by boiling eggs", False),
    ):
        checked = with_check(run, method=method, extra={"pressure_source": "altitude"})
        assert any("altitude itself" in row.term for row in budget_of(checked).rows) is not cancels


def test_a_sea_level_pressure_is_named_as_such(header: Run) -> None:
    """Typed at 1650 m it would lift the boiling point by 5.5 K (computed with IAPWS R7-97)."""
    site = Site(altitude_m=1650.0, altitude_uncertainty_m=10.0, station_pressure_kPa=101.3)
    basis = from_typed(replace(header, site=site), 0.0)
    assert basis is not None and basis.boil_C is not None
    assert basis.boil_C - boiling_point_C(standard_pressure_kPa(1650.0)) == pytest.approx(5.5, abs=0.15)
    assert "sea-level-corrected" in basis.disagrees and "enter the station pressure" in basis.disagrees


@pytest.mark.parametrize(
    ("altitude_m", "sure_m", "off_hPa", "fits"),
    [
        *[(1650.0, 50.0, off_hPa, abs(off_hPa) < 35) for off_hPa in (34, -34, 36, -36)],
        *[(2150.0, 15.0, off_hPa, -35 < off_hPa < 41) for off_hPa in (33, -33, 38, -38, 42)],
        *[(3000.0, 10.0, off_hPa, -40 < off_hPa < 56) for off_hPa in (54, -38, 58, -42)],
        *[(0.0, 10.0, off_hPa, abs(off_hPa) < 26) for off_hPa in (25, -25, 28, -28)],
    ],
)
def test_weather_season_and_altitude_bound_what_a_pressure_may_be(
    header: Run, altitude_m: float, sure_m: float, off_hPa: float, fits: bool
) -> None:
    """±35 hPa at 1650 ± 50 m: ±25 weather and ±16 season there, which go by turns, in squares 29.7, and 0.1 hPa a
    metre of what the altitude may be off (physics facts, P15; US Standard Atmosphere 1976). Higher up every day on
    which people can is warmer than the standard column: the hypsometric equation of P12 for 35 °C gives 6 hPa more than
    at 1650 m at 2150 m and 16 hPa more at 3000 m, on the high side alone."""
    site = Site(altitude_m=altitude_m, altitude_uncertainty_m=sure_m, pressure_source="altitude")
    kPa = standard_pressure_kPa(altitude_m) + off_hPa / 10.0
    assert (from_barometer(replace(header, site=site), kPa, 0.0).disagrees == "") is fits


@pytest.mark.parametrize(
    ("kind", "half_hPa"), [("station", 4.0), ("altimeter_setting", 1.0), ("sea_level", 1.0)]
)
def test_a_barometer_that_a_person_read_was_compared_with_nothing(
    header: Run, kind: str, half_hPa: float
) -> None:
    """Users' reports of 4 hPa, as for the node's own before it was compared; what a station reports is compared."""
    at = header.started_at.isoformat()
    site = Site(
        altitude_m=0.0,
        altitude_uncertainty_m=10.0,
        pressure_source="station pressure",
        station_pressure_kPa=99.6,
        extra={"station_pressure_at": at, "station_pressure_kind": kind},
    )
    basis = from_typed(replace(header, site=site), 0.0)
    assert basis is not None
    assert basis.standard_K == pytest.approx(rectangular(half_hPa) * SLOPE_K_PER_HPA, abs=0.002)
    # 17.25 hPa below the standard: half of what is beyond 10 hPa, as for a barometer that was never compared.
    assert basis.added_K == pytest.approx(0.5 * 7.25 * 0.0281 if kind == "station" else 0.0, abs=0.003)
    assert any("nothing compares" in note for note in basis.notes) is (kind == "station")


def test_what_helps_a_barometer_is_to_compare_it(header: Run) -> None:
    """Never compared, and 30 hPa under the standard of its place: comparing it takes away what was added."""
    site = Site(altitude_m=2150.0, altitude_uncertainty_m=15.0, pressure_source="barometer")
    heard_kPa = standard_pressure_kPa(2150.0) - 3.0
    budget = budget_of(replace(header, site=site), 0.0, heard_kPa)
    assert any("added whole" in row.distribution for row in budget.rows)
    assert "compare the barometer with a station's altimeter setting" in budget.cannot_prove
    assert "look, and mark it" in budget.cannot_prove
    assert "finer probe" not in budget.cannot_prove
    compared = replace(site, barometer_checked_at=header.started_at)
    assert budget_of(replace(header, site=compared), 0.0, heard_kPa).cannot_prove == ""


def test_a_pressure_that_is_no_air_gives_no_boiling_point(header: Run) -> None:
    """Physics first: 30 kPa is no kitchen."""
    basis = from_barometer(header, 30.0, 0.0)
    assert basis.boil_C is None and "air of no kitchen" in basis.disagrees


def test_without_altitude_and_pressure_nothing_is_known(header: Run) -> None:
    """And the words say what to give."""
    budget = budget_of(replace(header, site=Site()))
    assert "altitude" in budget.cannot_prove and "barometer" in budget.cannot_prove


# --- what it means ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [k for k in probe_kinds() if k.startswith("type")])
def test_no_couple_can_prove_a_boil_without_a_check(header: Run, kind: str) -> None:
    """Against an allowance of 1.0 K only the better resistance thermometers can."""
    words = budget_of(probe_of(header, kind, FINE, None)).cannot_prove
    assert words and "What helps: check the probe at the ice point and the boiling point" in words


@pytest.mark.parametrize("kind", ["Pt100 class A", "Pt100 class AA"])
def test_a_class_A_resistance_thermometer_can_with_a_look(header: Run, kind: str) -> None:
    """U 0.75 leaves room under 1.0 K where a person marks the boil, not under 0.6 K where nobody does."""
    words = budget_of(probe_of(header, kind, RESISTANCE, None)).cannot_prove
    assert "only where a person looks" in words


def test_the_guard_band_leaves_room_for_scatter(header: Run) -> None:
    """Provable unseen while U + 2 × 0.05 K of scatter ≤ 0.6 + 0.15 K (JCGM 106 with our allowance)."""
    limit_K = 0.6 + 0.15 - 0.10
    for check_U in (0.3, 0.5, 0.55, 0.6, 0.9):
        budget = budget_of(with_check(header, expanded_uncertainty_K=check_U))
        assert (budget.cannot_prove == "") is (budget.expanded_K <= limit_K), budget.expanded_K


def test_the_document_has_the_whole_table(header: Run) -> None:
    """Rows, units and sources travel with the verdict."""
    form = budget_of(header).as_json()
    assert form["coverage_factor"] == 2
    assert set(form["rows"][0]) == {"term", "value", "unit", "distribution", "standard_K", "source"}
    assert len(form["rows"]) == len(budget_of(header).rows)


@pytest.mark.parametrize(("offset_K", "believed"), [(-0.2, True), (0.25, True), (1.05, False), (-1.2, False)])
def test_a_correction_that_is_not_the_one_found_is_not_believed(
    held_run: Callable[..., Run], offset_K: float, believed: bool
) -> None:
    """A sign or a digit typed wrong: the boil was found 0.2 K low, the record corrects by something else."""
    run = held_run()
    assert run.probe.calibration is not None
    typed = replace(run.probe.calibration, offset_K=offset_K, ice_offset_K=-0.16, boil_offset_K=-0.2)
    budget = probe_budget(replace(run, probe=replace(run.probe, calibration=typed)))
    assert budget.calibrated is believed
    assert any("not the one found at the boiling point" in note for note in budget.notes) is not believed


def test_a_correction_that_nothing_vouches_for_widens_by_itself_where_it_raises(
    held_run: Callable[..., Run],
) -> None:
    """Two years old, +0.4 K: no tolerance of the class holds it, and it favours the canner."""
    run = held_run()
    assert run.probe.calibration is not None
    wide = {}
    for offset_K in (0.0, -0.4, 0.4):
        two_years_ago = run.started_at - timedelta(days=700)
        old = replace(run.probe.calibration, offset_K=offset_K, boil_offset_K=offset_K, at=two_years_ago)
        wide[offset_K] = probe_budget(replace(run, probe=replace(run.probe, calibration=old))).standard_K
    assert wide[-0.4] == wide[0.0]
    assert wide[0.4] ** 2 - wide[0.0] ** 2 == pytest.approx(0.4**2 / 3.0)  # JCGM 100:2008, 4.3.7


@pytest.mark.parametrize(
    ("altitude_m", "checked", "verdict"),
    [(0.0, False, "held"), (None, True, "held"), (None, False, "unproven")],
)
def test_a_barometer_that_nothing_checks_proves_nothing(
    held_run: Callable[..., Run], altitude_m: float | None, checked: bool, verdict: str
) -> None:
    """What a record leaves out is unknown, never fine: neither altitude nor a comparison within 12 months."""
    run = held_run()
    at = run.site.barometer_checked_at if checked else None
    found = judge(replace(run, site=replace(run.site, altitude_m=altitude_m, barometer_checked_at=at)))
    assert found.verdict == verdict
    assert any("Nothing checks the barometer" in reason for reason in found.reasons) is (
        verdict == "unproven"
    )


def test_a_check_at_no_known_place_is_not_taken_for_one_at_this_place(header: Run) -> None:
    """Half of ±0.2 K is known only where the check was made at the probe's own place."""

    def depth_row(**extra: str) -> BudgetRow:
        run = replace(header, probe=replace(header.probe, extra=extra))
        (row,) = [row for row in probe_budget(run).rows if row.term.startswith("depth")]
        return row

    for unknown in (OTHER, "Other"):
        row = depth_row(place=unknown)
        assert row.standard_K == pytest.approx(0.2 / sqrt(3.0)) and "same place" not in row.source
    row = depth_row(place="mid-depth, at jar-shoulder height, touching neither base nor glass")
    assert row.standard_K == pytest.approx(0.1 / sqrt(3.0)) and row.source.endswith(
        "same place as at the check"
    )
