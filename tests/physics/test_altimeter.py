"""Altimeter setting to station pressure against the ICAO definition, and the standard atmosphere inverted."""

from __future__ import annotations

import pytest

from monitor.errors import PhysicsRangeError
from monitor.physics.altimeter import pressure_altitude_m, station_pressure_kPa
from monitor.physics.pressure import standard_pressure_kPa


@pytest.mark.parametrize(
    ("setting_hPa", "altitude_m", "expected_hPa"),
    [
        # Worked by hand from ICAO's definition of QNH: p**n = QNH**n - 1013.25**n * 0.0065 z/288.15 with
        # n = 0.190263 (the exponent as published).
        (1013.25, 1650.0, 830.11),
        (1035.0, 1650.0, 848.63),
        (990.0, 2000.0, 775.86),
        (1013.25, 0.0, 1013.25),
    ],
)
def test_station_pressure_from_an_altimeter_setting(
    setting_hPa: float, altitude_m: float, expected_hPa: float
) -> None:
    """The ICAO definition, to the hundredth of a hectopascal."""
    assert station_pressure_kPa(setting_hPa / 10, altitude_m) * 10 == pytest.approx(expected_hPa, abs=0.005)


@pytest.mark.parametrize("altitude_m", [-200.0, 0.0, 304.8, 1650.0, 3000.0])
@pytest.mark.parametrize("setting_kPa", [95.0, 101.325, 104.5])
def test_there_and_back(setting_kPa: float, altitude_m: float) -> None:
    """ICAO's definition of QNH, the other way round, gives the setting again."""
    station = station_pressure_kPa(setting_kPa, altitude_m)
    power = (10.0 * station) ** 0.190263 + 1013.25**0.190263 * 0.0065 * altitude_m / 288.15
    assert power ** (1.0 / 0.190263) / 10.0 == pytest.approx(setting_kPa, abs=1e-9)


@pytest.mark.parametrize(
    ("pressure_Pa", "altitude_m"),
    # U.S. Standard Atmosphere 1976, table of pressure by geometric altitude.
    [
        (101325.0, 0.0),
        (95461.0, 500.0),
        (89876.0, 1000.0),
        (84560.0, 1500.0),
        (79501.0, 2000.0),
        (70121.0, 3000.0),
    ],
)
def test_pressure_altitude_against_the_published_table(pressure_Pa: float, altitude_m: float) -> None:
    """Within 0.1 m: the table prints five figures."""
    assert pressure_altitude_m(pressure_Pa / 1000) == pytest.approx(altitude_m, abs=0.1)


def test_pressure_altitude_undoes_the_standard_atmosphere() -> None:
    """The two functions are inverses of each other."""
    for altitude_m in range(-400, 5000, 100):
        assert pressure_altitude_m(standard_pressure_kPa(altitude_m)) == pytest.approx(altitude_m, abs=1e-6)


@pytest.mark.parametrize("setting_kPa", [60.0, 83.0, 112.0, float("nan")])
def test_what_cannot_be_an_altimeter_setting_is_refused(setting_kPa: float) -> None:
    """A station pressure given as a setting is out of range, and the message says what one looks like."""
    with pytest.raises(PhysicsRangeError, match=r"29\.92 inHg"):
        station_pressure_kPa(setting_kPa, 1650.0)


def test_altitudes_and_pressures_where_nobody_cans_are_refused() -> None:
    """Beyond the formula's use, an error rather than a number."""
    with pytest.raises(PhysicsRangeError, match="altitude 9000"):
        station_pressure_kPa(101.325, 9000.0)
    with pytest.raises(PhysicsRangeError, match="40 to 120 kPa"):
        pressure_altitude_m(10.0)
