"""Boiling points by altitude against published tables, and the three pressures told apart."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.judge.pressure import SEASON_SPREAD_KPA
from monitor.plan.place import boiling_today, site_changed, site_of
from monitor.plan.pressure import (
    ALTIMETER,
    COLD_SPREAD_KPA,
    SEA_LEVEL,
    STATION,
    BarometerCheck,
    PressureGiven,
    StationPressure,
    compare_barometer,
    heard_pressure,
    station_pressure,
)
from monitor.plan.refusal import Refusal

NOW = datetime(2026, 8, 14, 15, 0, tzinfo=UTC)
TABLE = Path(__file__).parent / "boiling_point_by_altitude.csv"


def _rows() -> list[dict[str, str]]:
    lines = [line for line in TABLE.read_text("utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.mark.parametrize("row", _rows(), ids=lambda row: f"{row['altitude_ft']}ft-{row['table']}")
def test_boiling_point_by_altitude_against_published_tables(row: dict[str, str]) -> None:
    """Within each table's own rounding and simplification, stated in its line."""
    boil_C = boiling_today(float(row["altitude_ft"]) * 0.3048, None).boil_C
    printed_C = (float(row["boiling_point_F"]) - 32.0) * 5.0 / 9.0
    assert boil_C == pytest.approx(printed_C, abs=float(row["tolerance_K"]))


def _converted(kind: str, value: float, unit: str = "hPa", m: float = 1650.0) -> StationPressure | Refusal:
    return station_pressure(PressureGiven(kind, value, unit, NOW), m, 10.0, NOW)


@pytest.mark.parametrize(
    ("setting", "unit", "m", "expected_hPa"),
    # ICAO's definition of QNH, worked by hand; 29.92 inHg is 1013.21 hPa (NIST SP 811: 3386.389 Pa an inch).
    [
        (1013.25, "hPa", 1650.0, 830.11),
        (1035.0, "hPa", 1650.0, 848.63),
        (990.0, "hPa", 2000.0, 775.86),
        (101.325, "kPa", 1650.0, 830.11),
        (29.921, "inHg", 1650.0, 830.11),
    ],
)
def test_an_altimeter_setting_is_brought_up(setting: float, unit: str, m: float, expected_hPa: float) -> None:
    """In every unit people have."""
    found = _converted(ALTIMETER, setting, unit, m)
    assert isinstance(found, StationPressure)
    assert found.pressure_kPa * 10 == pytest.approx(expected_hPa, abs=0.03)


def test_a_station_pressure_is_taken_as_it_is() -> None:
    """And is good for six hours."""
    found = _converted(STATION, 833.3)
    assert isinstance(found, StationPressure)
    assert found.pressure_kPa == pytest.approx(83.33)
    assert found.good_until - NOW == timedelta(hours=6)


@pytest.mark.parametrize(
    ("kind", "value", "m", "says"),
    [
        (STATION, 1013.0, 1650.0, "sea-level-corrected"),
        (STATION, 700.0, 1650.0, "cannot be that of a kitchen at 1650 m"),
        (SEA_LEVEL, 1015.0, 1650.0, "-9 to +16 hPa"),
        (ALTIMETER, 830.0, 1650.0, "near 1013 hPa or 29.92 inHg"),
        ("barometric", 1013.0, 0.0, "not usable"),
        (STATION, float("nan"), 0.0, "not usable"),
    ],
)
def test_pressures_that_are_not_what_they_are_said_to_be(
    kind: str, value: float, m: float, says: str
) -> None:
    """Refused with the reason and what to use instead."""
    found = _converted(kind, value, m=m)
    assert isinstance(found, Refusal)
    assert says in f"{found.reason} {found.instead}"
    assert found.instead


def test_what_a_forecast_hides_is_the_season_of_the_air_column() -> None:
    """Air of -10 °C and of 35 °C in a kitchen at 1650 m, 6.5 K/km warmer below: the hypsometric equation
    p = p0 (T/T0)**5.2559 with 1013.25 hPa at sea level, less 830.1 hPa of the standard column.
    """
    for at_C, spread_kPa in ((-10.0, -COLD_SPREAD_KPA), (35.0, SEASON_SPREAD_KPA)):
        at_K = at_C + 273.15
        true_kPa = 101.325 * (at_K / (at_K + 0.0065 * 1650.0)) ** 5.2559
        assert true_kPa - 83.01 == pytest.approx(spread_kPa, abs=0.05)


def test_near_the_sea_a_sea_level_pressure_will_do() -> None:
    """At 30 m the season can move the result by a third of a hectopascal, which is in the half-width."""
    found = _converted(SEA_LEVEL, 1015.0, m=30.0)
    assert isinstance(found, StationPressure)
    assert found.pressure_kPa == pytest.approx(101.14, abs=0.02)
    assert found.half_width_kPa > 0.1


@pytest.mark.parametrize(("hours", "says"), [(6.1, "6.1 h ago"), (-1.0, "future")])
def test_a_typed_pressure_goes_stale(hours: float, says: str) -> None:
    """Six hours, and never from the future."""
    given = PressureGiven(STATION, 833.3, "hPa", NOW - timedelta(hours=hours))
    found = station_pressure(given, 1650.0, 10.0, NOW)
    assert isinstance(found, Refusal)
    assert says in found.reason


def test_today_is_told_against_the_average() -> None:
    """A low day boils lower, and as at a greater height."""
    found = _converted(STATION, 815.0)
    assert isinstance(found, StationPressure)
    today = boiling_today(1650.0, found)
    assert today.shift_K == pytest.approx(-0.50, abs=0.03)
    assert "below the average" in today.text
    assert today.as_at_m is not None and today.as_at_m > 1750.0


def test_a_record_site_keeps_kind_and_time() -> None:
    """The judge needs to know when a typed pressure was read."""
    found = _converted(ALTIMETER, 1020.0)
    assert isinstance(found, StationPressure)
    site = site_of("hill kitchen", 1650.0, 10.0, found_by="phone", pressure=found)
    assert site.pressure_source == "station pressure"
    assert site.extra["station_pressure_at"] == NOW.isoformat()
    assert site.extra["station_pressure_kind"] == ALTIMETER


def test_another_place_is_confirmed_again() -> None:
    """A new name or a new height asks; the same place does not."""
    here, there = site_of("hill kitchen", 1650.0, 10.0), site_of("sea kitchen", 5.0, 5.0)
    assert site_changed(here, here) == ""
    assert "confirm" in site_changed(None, here)
    assert "hill kitchen" in site_changed(here, there)
    assert "1700 m" in site_changed(here, site_of("hill kitchen", 1700.0, 10.0))


def test_a_barometer_is_compared_with_an_altimeter_setting() -> None:
    """1018 hPa at 1650 m is 834.2 hPa in the kitchen (P = 1013.25 × (1 - 0.0065 z/288.15)^5.2559 with the ICAO setting
    formula); within 1 hPa it counts as compared, beyond it does not, and nothing else serves as a reference."""
    setting = PressureGiven(ALTIMETER, 1018.0, "hPa", NOW)
    near = compare_barometer(83.43, setting, 1650.0, 10.0, NOW)
    assert isinstance(near, BarometerCheck)
    assert near.accepted and near.difference_kPa == pytest.approx(0.02, abs=0.05)
    far = compare_barometer(83.1, setting, 1650.0, 10.0, NOW)
    assert isinstance(far, BarometerCheck)
    assert not far.accepted and "never compared" in far.text
    assert isinstance(
        compare_barometer(83.4, PressureGiven(STATION, 834.0, "hPa", NOW), 1650.0, 10.0, NOW), Refusal
    )


def test_what_the_node_s_barometer_says() -> None:
    """Narrow when it was compared within a year, wide when not, refused where no kitchen of that altitude has it."""
    fresh = heard_pressure(83.4, 1650.0, 10.0, NOW, NOW - timedelta(days=30))
    stale = heard_pressure(83.4, 1650.0, 10.0, NOW, NOW - timedelta(days=400))
    assert isinstance(fresh, StationPressure) and isinstance(stale, StationPressure)
    assert (fresh.half_width_kPa, stale.half_width_kPa) == (0.1, 0.4)
    site = site_of("hill kitchen", 1650.0, 10.0, pressure=fresh)
    assert (site.pressure_source, site.station_pressure_kPa) == ("barometer", None)
    assert "sea-level" in _reason(heard_pressure(101.3, 1650.0, 10.0, NOW))


def _reason(found: StationPressure | Refusal) -> str:
    assert isinstance(found, Refusal)
    return found.reason
