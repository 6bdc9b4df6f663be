"""Between an altimeter setting (QNH) and the pressure of the air in the room.

An airport's altimeter setting is defined so that an altimeter set to it shows the field's elevation: it is
the station pressure brought down to sea level through the *standard* atmosphere, and so it can be brought
back up to any kitchen near by exactly. The sea-level pressure of a forecast uses the day's real temperature
instead and cannot be undone without it; it is not converted here.

References
----------
.. [1] ICAO Doc 7488/3, Manual of the ICAO Standard Atmosphere, lowest layer: 288.15 K, 0.0065 K/m,
   1013.25 hPa; and the definition of QNH in ICAO Doc 8896, Manual of Aeronautical Meteorological Practice.
.. [2] Federal Meteorological Handbook No. 1 (FMH-1), chapter 11: altimeter setting and sea-level pressure
   are different quantities. The Smithsonian form used there differs by 0.3 hPa, 0.01 K of boiling point.
"""

from __future__ import annotations

from monitor.errors import PhysicsRangeError
from monitor.physics.pressure import (
    EARTH_RADIUS_M,
    EXPONENT,
    HIGHEST_M,
    LAPSE_K_PER_M,
    LOWEST_M,
    SEA_LEVEL_K,
    SEA_LEVEL_KPA,
)

#: R·lapse/g0 in the rounding in which the altimeter-setting formula is published.
ALTIMETER_EXPONENT = 0.190263

#: Beyond the lowest and highest sea-level pressures ever recorded (870 and 1084 hPa). [kPa]
LOWEST_SETTING_KPA, HIGHEST_SETTING_KPA = 87.0, 109.0


def station_pressure_kPa(setting_kPa: float, altitude_m: float) -> float:
    """Pressure in a room at ``altitude_m`` when the altimeter setting near by is ``setting_kPa``.

    Parameters
    ----------
    setting_kPa : float
        Altimeter setting (QNH); 1013.25 hPa is 101.325 kPa, 29.92 inHg is 101.32 kPa. [kPa]
    altitude_m : float
        Altitude of the room above sea level. [m]

    Returns
    -------
    float
        Station pressure. [kPa]

    Raises
    ------
    PhysicsRangeError
        A setting outside 87 to 109 kPa, or an altitude outside -500 to 6000 m.

    Examples
    --------
    >>> round(station_pressure_kPa(101.325, 1650.0), 3)
    83.011

    References
    ----------
    ICAO Doc 7488/3 and Doc 8896: ``p**n = QNH**n - 1013.25**n * 0.0065 z / 288.15``, n = 0.190263, hPa.
    """
    if not LOWEST_SETTING_KPA <= setting_kPa <= HIGHEST_SETTING_KPA:
        raise PhysicsRangeError(
            f"an altimeter setting of {setting_kPa * 10:.1f} hPa is outside "
            f"{LOWEST_SETTING_KPA * 10:.0f} to {HIGHEST_SETTING_KPA * 10:.0f} hPa.",
            "Read it again: it is near 1013 hPa or 29.92 inHg at every altitude.",
        )
    return _hPa_to_kPa(_power(setting_kPa) - _fall(altitude_m))


def pressure_altitude_m(pressure_kPa: float) -> float:
    """Altitude at which the standard atmosphere has this pressure; water boils as it does there.

    Parameters
    ----------
    pressure_kPa : float
        Station pressure. [kPa]

    Returns
    -------
    float
        Geometric altitude, the inverse of :func:`monitor.physics.pressure.standard_pressure_kPa`. [m]

    Raises
    ------
    PhysicsRangeError
        Outside 40 to 120 kPa.

    References
    ----------
    U.S. Standard Atmosphere 1976, lowest layer.
    """
    if not 40.0 <= pressure_kPa <= 120.0:
        raise PhysicsRangeError(f"pressure {pressure_kPa} kPa is outside 40 to 120 kPa, the air of kitchens.")
    ratio = (pressure_kPa / SEA_LEVEL_KPA) ** (1.0 / EXPONENT)
    geopotential_m = SEA_LEVEL_K / LAPSE_K_PER_M * (1.0 - ratio)
    return float(EARTH_RADIUS_M * geopotential_m / (EARTH_RADIUS_M - geopotential_m))


def _power(pressure_kPa: float) -> float:
    return float((pressure_kPa * 10.0) ** ALTIMETER_EXPONENT)


def _fall(altitude_m: float) -> float:
    if not LOWEST_M <= altitude_m <= HIGHEST_M:
        raise PhysicsRangeError(f"altitude {altitude_m} m is outside {LOWEST_M:.0f} to {HIGHEST_M:.0f} m.")
    return float((SEA_LEVEL_KPA * 10.0) ** ALTIMETER_EXPONENT * LAPSE_K_PER_M * altitude_m / SEA_LEVEL_K)


def _hPa_to_kPa(power: float) -> float:
    return float(power ** (1.0 / ALTIMETER_EXPONENT) / 10.0)
