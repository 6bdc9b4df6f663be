"""The vacuum that should stand under a sealed lid by now: dry air and water vapour in a growing headspace.

While the jar is sealed,

    p(T) = x * p_station * (T + 273.15) / (T_s + 273.15) * V_0 / V(T) + a_w * p_sat(T)

with ``x`` the share of dry air left when it sealed, at ``T_s`` where vapour made up the rest of the station
pressure, ``V`` the headspace (it grows as the liquid shrinks), ``a_w`` the water activity of the food. Two
courses bound the truth: liquid that shrinks like water, and a pack that does not shrink at all.

An expectation under stated assumptions, never a proof: the seal is judged by a person. No measured vacuum in
home jars and no measured pull at which a lid snaps was found; the assumed 10 to 30 kPa is an estimate.

Volumes of water: densities 0.95835 kg/L at 100 °C to 0.99821 at 20 °C (IAPWS; handbook values in the table
below). Glass 27e-6 per K in volume (soda-lime, three times the linear figure; common handbook value).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi

from monitor.errors import PhysicsRangeError
from monitor.physics.saturation import boiling_point_C, saturation_pressure_kPa
from monitor.tables.containers import jar_size

#: Density of water at 101.325 kPa, (°C, kg/L). Handbook values (IAPWS-95, as tabulated).
_WATER_KG_PER_L = (
    (0.0, 0.99984),
    (10.0, 0.99970),
    (20.0, 0.99821),
    (30.0, 0.99565),
    (40.0, 0.99222),
    (50.0, 0.98804),
    (60.0, 0.98320),
    (70.0, 0.97776),
    (80.0, 0.97179),
    (90.0, 0.96531),
    (100.0, 0.95835),
)
#: Volume expansion of soda-lime glass, three times 9e-6/K. [1/K] Handbook value, from memory.
_GLASS_PER_K = 27e-6
#: A lid is guessed to snap down at a pull in this range. [kPa] Estimate, no measurement found.
SNAP_KPA = (10.0, 30.0)
#: Dry air left at sealing: from fully vented to poorly vented. Estimate, consistent with 15 to 25 inHg
#: reported from memory for home jars.
AIR_SHARE = (0.0, 0.3)


@dataclass(frozen=True, slots=True)
class Jar:
    """A jar's volumes, hot. ``brimful_mL`` to the rim, ``headspace_mL`` above the food at sealing."""

    brimful_mL: float
    headspace_mL: float


#: A jar holds more to the brim than its name says. [share] From memory: no published figure was found; hence a band.
BRIMFUL = (1.00, 1.08)
#: Mouths, regular and wide: about 2-3/8 and 3 in across (USDA Complete Guide to Home Canning, jars and lids).
_MOUTHS_CM2 = tuple(pi / 4.0 * (2.54 * inches) ** 2 for inches in (2.375, 3.0))


@dataclass(frozen=True, slots=True)
class VacuumBand:
    """Vacuum expected below the outside air, kPa: ``low`` to ``high`` over the stated assumptions."""

    low_kPa: float
    high_kPa: float
    assumptions: str


def jars_of(size: str, headspace_mm: float) -> tuple[Jar, ...]:
    """The jars that bound what is called by this size, in ordinary words, and filled to this headspace; none for an
    unknown size.

    Regular and wide mouth, full at their nominal volume and at somewhat more.
    """
    known = jar_size(size)
    if known is None:
        return ()
    return tuple(
        Jar(known.exact_mL * brimful, mouth_cm2 * headspace_mm / 10.0)
        for mouth_cm2 in _MOUTHS_CM2
        for brimful in BRIMFUL
    )


def water_kg_per_L(temperature_C: float) -> float:
    """Density of water, linear between the handbook's points. [kg/L]

    Raises
    ------
    PhysicsRangeError
        Outside 0 to 100 °C.
    """
    if not 0.0 <= temperature_C <= 100.0:
        raise PhysicsRangeError(f"{temperature_C} °C is outside 0 to 100 °C, the range of the density table.")
    upper = next(i for i, (t, _) in enumerate(_WATER_KG_PER_L) if t >= temperature_C)
    if upper == 0:
        return _WATER_KG_PER_L[0][1]
    (t0, d0), (t1, d1) = _WATER_KG_PER_L[upper - 1], _WATER_KG_PER_L[upper]
    return d0 + (d1 - d0) * (temperature_C - t0) / (t1 - t0)


def sealing_temperature_C(station_kPa: float, air_share: float) -> float:
    """Where vapour makes up what air does not: the temperature at which the jar seals. [°C]"""
    if air_share >= 1.0 or air_share < 0.0:
        raise PhysicsRangeError(f"the share of air {air_share} must be at least 0 and below 1.")
    return boiling_point_C((1.0 - air_share) * station_kPa)


def headspace_mL(jar: Jar, sealed_C: float, temperature_C: float, *, shrinks: bool) -> float:
    """The headspace at ``temperature_C``, if it was ``jar.headspace_mL`` at ``sealed_C``. [mL]"""
    if not shrinks:
        return jar.headspace_mL
    food_mL = jar.brimful_mL - jar.headspace_mL
    # Above 100 °C nothing here is liquid at these pressures; the table ends there.
    ratio = water_kg_per_L(min(sealed_C, 100.0)) / water_kg_per_L(min(temperature_C, 100.0))
    glass_mL = jar.brimful_mL * (1.0 - _GLASS_PER_K * (sealed_C - temperature_C))
    return glass_mL - food_mL * ratio


def vacuum_kPa(
    jar: Jar,
    temperature_C: float,
    station_kPa: float,
    air_share: float,
    *,
    shrinks: bool = True,
    water_activity: float = 1.0,
) -> float:
    """Vacuum under the lid at ``temperature_C``, below the outside air; 0 while it is still venting. [kPa]"""
    sealed_C = sealing_temperature_C(station_kPa, air_share)
    if temperature_C >= sealed_C:
        return 0.0
    grown = jar.headspace_mL / headspace_mL(jar, sealed_C, temperature_C, shrinks=shrinks)
    air_kPa = air_share * station_kPa * (temperature_C + 273.15) / (sealed_C + 273.15) * grown
    return max(0.0, station_kPa - air_kPa - water_activity * saturation_pressure_kPa(temperature_C))


def expected_vacuum(jars: Sequence[Jar], temperature_C: float, station_kPa: float) -> VacuumBand:
    """The band over jars, air share and shrinkage, with the assumptions in words."""
    values = [
        vacuum_kPa(jar, temperature_C, station_kPa, share, shrinks=shrinks)
        for jar in jars
        for share in AIR_SHARE
        for shrinks in (True, False)
    ]
    least_mL, most_mL = min(jar.headspace_mL for jar in jars), max(jar.headspace_mL for jar in jars)
    text = (
        f"if the lid closed on {AIR_SHARE[0]:.0%} to {AIR_SHARE[1]:.0%} dry air under {station_kPa:.1f} kPa, with "
        f"{least_mL:.0f} to {most_mL:.0f} mL of headspace, and contents that shrink between not at all and like water. "
        "An expectation, never a proof: judge the seal by press, look, tap and lift."
    )
    return VacuumBand(min(values), max(values), text)


def temperature_at_pull_C(
    jar: Jar, pull_kPa: float, station_kPa: float, air_share: float, *, shrinks: bool = True
) -> float | None:
    """The temperature at which the vacuum reaches ``pull_kPa``; None if it never does above 0 °C. [°C]"""
    low, high = 0.0, sealing_temperature_C(station_kPa, air_share)
    if vacuum_kPa(jar, low, station_kPa, air_share, shrinks=shrinks) < pull_kPa:
        return None
    for _ in range(60):
        middle = (low + high) / 2.0
        if vacuum_kPa(jar, middle, station_kPa, air_share, shrinks=shrinks) >= pull_kPa:
            low = middle
        else:
            high = middle
    return low


def snap_range_C(jars: Sequence[Jar], station_kPa: float) -> tuple[float, float]:
    """Coldest and hottest contents at which a lid is expected to pull down (pull :data:`SNAP_KPA`). [°C]"""
    found = [
        temperature_at_pull_C(jar, pull, station_kPa, share, shrinks=shrinks)
        for jar in jars
        for pull in SNAP_KPA
        for share in AIR_SHARE
        for shrinks in (True, False)
    ]
    known = [value for value in found if value is not None]
    return min(known), max(known)
