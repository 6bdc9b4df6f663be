"""The sizes of home-canning jars: one row a size, and everything that is known of it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class JarSize:
    """One size. ``exact_mL`` the US measure it is named after; ``listed``: the process table has times for it.

    ``still_air_tau_min``: time constant of such a jar, hot, in still air of 22 °C; None: not computed. [min]
    """

    name: str
    exact_mL: float
    listed: bool
    still_air_tau_min: float | None = None

    @property
    def volume_mL(self) -> int:
        """The volume as people write it. [mL]"""
        return round(self.exact_mL)


#: Smallest first. Volumes: a US liquid pint is 473.176 mL (NIST Handbook 44, appendix C). Time constants: computed from
#: natural convection (Churchill and Chu 1975) and radiation, 14 W/(m² K) at 90 °C.
JAR_SIZES = (
    JarSize("quarter_pint", 118.294, listed=False),
    JarSize("half_pint", 236.588, listed=True, still_air_tau_min=57.0),
    JarSize("pint", 473.176, listed=True, still_air_tau_min=76.0),
    JarSize("pint_and_half", 709.765, listed=False),
    JarSize("quart", 946.353, listed=True, still_air_tau_min=95.0),
    JarSize("half_gallon", 1892.706, listed=True),
)
