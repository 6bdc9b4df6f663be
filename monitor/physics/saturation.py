"""The saturation line of water: at what temperature it boils under a pressure, and back.

IAPWS Industrial Formulation 1997, region 4 (IAPWS R7-97(2012), equations 30 and 31, table 34), written in
°C and kPa. Valid from 0 °C to 373.946 °C; we offer the part in which people live and canners stand.

References
----------
.. [1] IAPWS R7-97(2012), Revised Release on the IAPWS Industrial Formulation 1997 for the Thermodynamic
   Properties of Water and Steam, section 8.
"""

from __future__ import annotations

from math import sqrt

from monitor.errors import PhysicsRangeError

_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)

#: The formula's own range (R7-97, section 8): triple point to critical point.
LOWEST_KPA, HIGHEST_KPA = 0.611213, 22064.0
LOWEST_C, HIGHEST_C = 0.0, 373.946


def boiling_point_C(pressure_kPa: float) -> float:
    """Temperature at which water boils under ``pressure_kPa``.

    Parameters
    ----------
    pressure_kPa : float
        Absolute (station) pressure. [kPa]

    Returns
    -------
    float
        Saturation temperature; the formula itself is good to better than 0.001 K here. [°C]

    Raises
    ------
    PhysicsRangeError
        Outside 0.611213 to 22064 kPa, or not a number.

    References
    ----------
    IAPWS R7-97(2012), equation 31.
    """
    if not LOWEST_KPA <= pressure_kPa <= HIGHEST_KPA:
        raise PhysicsRangeError(
            f"pressure {pressure_kPa} kPa is outside {LOWEST_KPA} to {HIGHEST_KPA} kPa, the range of the "
            "saturation formula."
        )
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    b = (pressure_kPa / 1000.0) ** 0.25
    e = b * b + n3 * b + n6
    f = n1 * b * b + n4 * b + n7
    g = n2 * b * b + n5 * b + n8
    d = 2.0 * g / (-f - sqrt(f * f - 4.0 * e * g))
    return float((n10 + d - sqrt((n10 + d) ** 2 - 4.0 * (n9 + n10 * d))) / 2.0 - 273.15)


def saturation_pressure_kPa(temperature_C: float) -> float:
    """Pressure of water vapour over water at ``temperature_C``.

    Parameters
    ----------
    temperature_C : float
        Water temperature. [°C]

    Returns
    -------
    float
        Saturation pressure. [kPa]

    Raises
    ------
    PhysicsRangeError
        Outside 0 to 373.946 °C, or not a number.

    References
    ----------
    IAPWS R7-97(2012), equation 30.
    """
    if not LOWEST_C <= temperature_C <= HIGHEST_C:
        raise PhysicsRangeError(
            f"temperature {temperature_C} °C is outside {LOWEST_C} to {HIGHEST_C} °C, the range of the "
            "saturation formula."
        )
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    kelvin = temperature_C + 273.15
    t = kelvin + n9 / (kelvin - n10)
    a = t * t + n1 * t + n2
    b = n3 * t * t + n4 * t + n5
    c = n6 * t * t + n7 * t + n8
    return float((2.0 * c / (-b + sqrt(b * b - 4.0 * a * c))) ** 4 * 1000.0)


def boiling_slope_K_per_kPa(pressure_kPa: float) -> float:
    """How much the boiling point moves with pressure: about 0.28 K/kPa at sea level. [K/kPa]

    A centred difference of :func:`boiling_point_C` over 0.2 kPa.
    """
    return (boiling_point_C(pressure_kPa + 0.1) - boiling_point_C(pressure_kPa - 0.1)) / 0.2
