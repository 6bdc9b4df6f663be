"""Conversions at the edges: inside the project everything is SI.

Factors are exact by definition: international foot 0.3048 m, inch 25.4 mm (NIST SP 811, appendix B);
Fahrenheit by 9/5 and 32; conventional inch of mercury 3.386389 kPa (NIST SP 811, table B.8).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

M_PER_FT = 0.3048
MM_PER_IN = 25.4
KPA_PER_INHG = 3.386389
F_PER_K = 1.8

#: One figure, or a whole channel of them.
Degrees = TypeVar("Degrees", float, "NDArray[np.float64]")


def ft_to_m(length_ft: float) -> float:
    """Feet to metres. [m]"""
    return length_ft * M_PER_FT


def m_to_ft(length_m: float) -> float:
    """Metres to feet. [ft]"""
    return length_m / M_PER_FT


def in_to_mm(length_in: float) -> float:
    """Inches to millimetres. [mm]"""
    return length_in * MM_PER_IN


def f_to_c(temperature_F: float) -> float:
    """Degrees Fahrenheit to Celsius. [°C]"""
    return (temperature_F - 32.0) * 5.0 / 9.0


def c_to_f(temperature_C: Degrees) -> Degrees:
    """Degrees Celsius to Fahrenheit. [°F]"""
    return temperature_C * F_PER_K + 32.0


def k_to_f_step(difference_K: float) -> float:
    """A difference in kelvin to one in degrees Fahrenheit: no 32 in it. [°F]"""
    return difference_K * F_PER_K
