"""The standard atmosphere against an independent library and a handbook's boiling points."""

from __future__ import annotations

import math

import pytest

from monitor.errors import PhysicsRangeError
from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C

#: Geometric altitude m, pressure Pa: U.S. Standard Atmosphere 1976 as the libraries `fluids` 1.3.1 and
#: `ambiance` 1.3.1 give it (equal within 0.03 Pa).
STANDARD_1976 = [
    (0.0, 101325.00), (500.0, 95461.29), (1000.0, 89876.29), (1500.0, 84559.68), (2000.0, 79501.42),
    (3000.0, 70121.16),
]  # fmt: skip


@pytest.mark.parametrize(("altitude_m", "pa"), STANDARD_1976)
def test_standard_atmosphere(altitude_m: float, pa: float) -> None:
    """To 1 Pa, which is 0.0003 K of boiling point."""
    assert standard_pressure_kPa(altitude_m) * 1000.0 == pytest.approx(pa, abs=1.0)


#: Feet, °F: boiling points by altitude, from the table of jellying points of USDA Complete Guide to Home
#: Canning, Guide 7 (Michigan State Extension 1997), less the 8 °F by which it puts the jellying point above
#: boiling water. Printed in whole °F, so ±0.5 °F and the rounding of the 8.
HANDBOOK = [
    (0, 212), (1000, 210), (2000, 208), (3000, 206), (4000, 204), (5000, 203), (6000, 201), (7000, 199),
    (8000, 197),
]  # fmt: skip


@pytest.mark.parametrize(("feet", "fahrenheit"), HANDBOOK)
def test_boiling_points_of_the_handbook(feet: int, fahrenheit: int) -> None:
    """Within 0.4 K (0.7 °F) of the printed whole degrees."""
    ours = boiling_point_C(standard_pressure_kPa(feet * 0.3048))
    assert ours == pytest.approx((fahrenheit - 32) * 5 / 9, abs=0.4)


@pytest.mark.parametrize("altitude_m", [-501.0, 6001.0, math.nan, math.inf])
def test_altitude_out_of_range_is_refused(altitude_m: float) -> None:
    """Outside kitchens there is an error, never a number."""
    with pytest.raises(PhysicsRangeError, match="above sea level"):
        standard_pressure_kPa(altitude_m)
