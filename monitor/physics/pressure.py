"""Air pressure in the standard atmosphere.

References
----------
.. [1] NOAA/NASA/USAF, U.S. Standard Atmosphere 1976, NOAA-S/T 76-1562, lowest layer (the same as
   ISO 2533:1975 below 11 km).
"""

from __future__ import annotations

from monitor.errors import PhysicsRangeError

#: Sea-level pressure and temperature, and lapse rate of the lowest layer [1]_. [kPa], [K], [K/m]
SEA_LEVEL_KPA = 101.325
SEA_LEVEL_K = 288.15
LAPSE_K_PER_M = 0.0065
#: Standard gravity and the gas constant of dry air (ISO 2533); the radius is that of [1]_.
GRAVITY_M_PER_S2 = 9.80665
DRY_AIR_J_PER_KG_K = 287.05287
EXPONENT = GRAVITY_M_PER_S2 / (DRY_AIR_J_PER_KG_K * LAPSE_K_PER_M)
EARTH_RADIUS_M = 6_356_766.0

#: Kitchens, with room to spare: the shores of the Dead Sea to above the highest towns.
LOWEST_M, HIGHEST_M = -500.0, 6000.0


def standard_pressure_kPa(altitude_m: float) -> float:
    """Air pressure at an altitude in the standard atmosphere.

    Parameters
    ----------
    altitude_m : float
        Geometric altitude above mean sea level. [m]

    Returns
    -------
    float
        Static pressure; the day's weather and the season move the real one by a few kPa. [kPa]

    Raises
    ------
    PhysicsRangeError
        Below -500 m or above 6000 m, where nobody cans and nothing is tested.

    References
    ----------
    U.S. Standard Atmosphere 1976, lowest layer, with geopotential altitude.
    """
    if not LOWEST_M <= altitude_m <= HIGHEST_M:
        raise PhysicsRangeError(
            f"altitude {altitude_m} m is outside {LOWEST_M:.0f} to {HIGHEST_M:.0f} m.",
            "Give the kitchen's altitude above sea level in metres.",
        )
    geopotential_m = EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m)
    return float(SEA_LEVEL_KPA * (1.0 - LAPSE_K_PER_M * geopotential_m / SEA_LEVEL_K) ** EXPONENT)
