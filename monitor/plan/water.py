"""Water: how deep over the lids, how warm before the jars go in, and what a departure from it means."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.physics.units import c_to_f, f_to_c

#: Warmest water that published guidance loads jars into, by pack. [°C] 140 °F and 180 °F: University of
#: Georgia, Using boiling water canners (guidance G11).
LOADING_LIMIT_C = {"raw": f_to_c(140.0), "hot": f_to_c(180.0)}

#: Above this processing time the water stands 2 in over the lids rather than 1 in (guidance G9). [min]
DEEPER_ABOVE_MIN = 30.0

#: A jar colder than the water by more than this may crack. [K] 42 K is customary in glass tests (memory);
#: a caution only, never a pass or fail.
GLASS_SHOCK_K = 40.0


@dataclass(frozen=True, slots=True)
class Depth:
    """Least depth of water over the lids, as people measure it."""

    inches: int
    millimetres: int

    @property
    def words(self) -> str:
        return f"{self.inches} in ({self.millimetres} mm)"


def depth_over_lids(minutes: float) -> Depth:
    """1 in (25 mm) over the lids, 2 in (50 mm) where the process is longer than 30 min (guidance G9)."""
    return Depth(2, 50) if minutes > DEEPER_ABOVE_MIN else Depth(1, 25)


def loading_limit_words(pack: str) -> str:
    """``82 °C (180 °F)``."""
    limit_C = LOADING_LIMIT_C[pack]
    return f"{limit_C:.0f} °C ({c_to_f(limit_C):.0f} °F)"


def loading_deviation(pack: str, water_C: float) -> str | None:
    """What to keep as a deviation when the water was hotter at loading than guidance says, else None.

    The come-up is part of the tested process (guidance G12): hotter water makes it shorter, and no minutes
    of boiling are known to make up for it. The water is not waited for in silence: the text says what to do.
    """
    if water_C <= LOADING_LIMIT_C[pack] + 0.05:
        return None
    return (
        f"The water for the {pack}-packed jars is {water_C:.1f} °C; published guidance says no hotter than "
        f"{loading_limit_words(pack)}. The come-up that the tested time counts on is then shorter. If the jars are "
        "not in yet, add cool water or wait; if they are, this is kept as a deviation."
    )


def fahrenheit_meant(typed_C: float) -> str:
    """That a temperature which no jar or kettle has looks like one in °F, if it would be one there; else ""."""
    meant_C = f_to_c(typed_C)
    if not 0.0 <= meant_C <= 100.0:
        return ""
    return f"{typed_C:g} looks like °F: {typed_C:g} °F are {meant_C:.1f} °C."


def glass_caution(coldest_jar_C: float, water_C: float) -> str | None:
    """A caution when jar and water differ by more than 40 K, else None. Stored, never a pass or fail."""
    if abs(water_C - coldest_jar_C) <= GLASS_SHOCK_K:
        return None
    return (
        f"Coldest jar {coldest_jar_C:.0f} °C, water {water_C:.0f} °C: more than {GLASS_SHOCK_K:.0f} K apart. "
        "Glass may crack; warm the jars or cool the water first."
    )
