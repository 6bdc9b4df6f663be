"""Thermocouples: from temperature to thermal voltage and back, and the repair of a straight-line converter.

Some one-chip converters turn the voltage into a temperature with one straight line. Near boiling that is
wrong by up to 0.15 K, depending on the warmth of the chip itself; where the chip's temperature is known the
voltage can be had back exactly and turned into a temperature with the reference function instead.

References
----------
.. [1] G. W. Burns et al., Temperature-Electromotive Force Reference Functions and Tables for the
   Letter-Designated Thermocouple Types Based on the ITS-90, NIST Monograph 175, 1993 (the same functions:
   IEC 60584-1). Coefficients as carried by the package thermocouple-its90 1.0.2 (MIT), which read them from
   the NIST ITS-90 Thermocouple Database, SRD 60.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from monitor.errors import PhysicsRangeError

#: The straight line that common one-chip converters for type K use; by makers' data sheets. [mV/K]
STRAIGHT_LINE_K_mV_PER_K = 41.276e-3


class Segment(NamedTuple):
    """A stretch of a reference function: polynomial in °C, giving mV, plus type K's exponential term."""

    low_C: float
    high_C: float
    coefficients: tuple[float, ...]
    exponential: tuple[float, float, float] | None = None


# Monograph 175; below -200 °C left out, where no kettle goes.
_REFERENCE: dict[str, tuple[Segment, ...]] = {
    "K": (
        Segment(
            -200.0,
            0.0,
            (
                0.0,
                0.039450128025,
                2.3622373598e-05,
                -3.2858906784e-07,
                -4.9904828777e-09,
                -6.7509059173e-11,
                -5.7410327428e-13,
                -3.1088872894e-15,
                -1.0451609365e-17,
                -1.9889266878e-20,
                -1.6322697486e-23,
            ),
        ),
        Segment(
            0.0,
            1372.0,
            (
                -0.017600413686,
                0.038921204975,
                1.8558770032e-05,
                -9.9457592874e-08,
                3.1840945719e-10,
                -5.6072844889e-13,
                5.6075059059e-16,
                -3.2020720003e-19,
                9.7151147152e-23,
                -1.2104721275e-26,
            ),
            (0.1185976, -0.0001183432, 126.9686),
        ),
    ),
    "T": (
        Segment(
            -200.0,
            0.0,
            (
                0.0,
                0.038748106364,
                4.4194434347e-05,
                1.1844323105e-07,
                2.0032973554e-08,
                9.0138019559e-10,
                2.2651156593e-11,
                3.6071154205e-13,
                3.8493939883e-15,
                2.8213521925e-17,
                1.4251594779e-19,
                4.8768662286e-22,
                1.079553927e-24,
                1.3945027062e-27,
                7.9795153927e-31,
            ),
        ),
        Segment(
            0.0,
            400.0,
            (
                0.0,
                0.038748106364,
                3.329222788e-05,
                2.0618243404e-07,
                -2.1882256846e-09,
                1.0996880928e-11,
                -3.0815758772e-14,
                4.547913529e-17,
                -2.7512901673e-20,
            ),
        ),
    ),
    "J": (
        Segment(
            -200.0,
            760.0,
            (
                0.0,
                0.050381187815,
                3.047583693e-05,
                -8.568106572e-08,
                1.3228195295e-10,
                -1.7052958337e-13,
                2.0948090697e-16,
                -1.2538395336e-19,
                1.5631725697e-23,
            ),
        ),
    ),
    "N": (
        Segment(
            -200.0,
            0.0,
            (
                0.0,
                0.026159105962,
                1.0957484228e-05,
                -9.3841111554e-08,
                -4.6412039759e-11,
                -2.6303357716e-12,
                -2.2653438003e-14,
                -7.6089300791e-17,
                -9.3419667835e-20,
            ),
        ),
        Segment(
            0.0,
            1300.0,
            (
                0.0,
                0.025929394601,
                1.571014188e-05,
                4.3825627237e-08,
                -2.5261169794e-10,
                6.4311819339e-13,
                -1.0063471519e-15,
                9.9745338992e-19,
                -6.0863245607e-22,
                2.0849229339e-25,
                -3.0682196151e-29,
            ),
        ),
    ),
}

KINDS = tuple(_REFERENCE)


def emf_mV(kind: str, junction_C: float) -> float:
    """Thermal voltage of a couple whose other junction is at 0 °C.

    Parameters
    ----------
    kind : str
        Letter of the couple: ``K``, ``T``, ``J`` or ``N``.
    junction_C : float
        Temperature of the measuring junction. [°C]

    Returns
    -------
    float
        Voltage. [mV]

    Raises
    ------
    PhysicsRangeError
        Outside the reference function's range, or for a kind without one here.

    Examples
    --------
    >>> round(emf_mV("K", 100.0), 3)
    4.096
    """
    for segment in _segments(kind):
        if segment.low_C <= junction_C <= segment.high_C:
            return _value_and_slope(segment, junction_C)[0]
    low_C, high_C = _range_C(kind)
    raise PhysicsRangeError(f"{junction_C:g} °C is outside {low_C:g} to {high_C:g} °C of type {kind}")


def temperature_C(kind: str, voltage_mV: float) -> float:
    """Temperature of the measuring junction, the other one at 0 °C: the exact inverse of :func:`emf_mV`.

    Newton's method on the reference function itself, since the published inverse polynomials are off by up
    to 0.05 K. Converges to 1e-9 K.

    Raises
    ------
    PhysicsRangeError
        When no temperature in the reference function's range gives this voltage.

    Examples
    --------
    >>> round(temperature_C("K", 4.096), 1)
    100.0
    """
    low_mV, high_mV = (emf_mV(kind, end_C) for end_C in _range_C(kind))
    # A picovolt of grace: at its very end a polynomial's last digit may fall back.
    if not low_mV - 1e-9 <= voltage_mV <= high_mV + 1e-9:
        raise PhysicsRangeError(
            f"{voltage_mV:g} mV is outside {low_mV:.3f} to {high_mV:.3f} mV of type {kind}"
        )
    below, *above = _segments(kind)
    # Two halves of a reference function meet to within a nanovolt; either may answer at the seam.
    if above and voltage_mV > _value_and_slope(below, below.high_C)[0]:
        return _solve(above[0], voltage_mV)
    return _solve(below, voltage_mV)


def correct_straight_line_C(
    read_C: float, chip_C: float, kind: str = "K", line_mV_per_K: float = STRAIGHT_LINE_K_mV_PER_K
) -> float:
    """What a straight-line converter should have said.

    Parameters
    ----------
    read_C : float
        The converter's own result. [°C]
    chip_C : float
        Temperature of its cold junction at that moment. [°C]
    kind : str, optional
        Letter of the couple.
    line_mV_per_K : float, optional
        Slope of the line the converter uses. [mV/K]

    Returns
    -------
    float
        Temperature by the reference function. [°C]

    Raises
    ------
    PhysicsRangeError
        When either temperature is outside the reference function.

    Examples
    --------
    >>> round(correct_straight_line_C(100.0, 35.0) - 100.0, 2)
    -0.15
    """
    seen_mV = (read_C - chip_C) * line_mV_per_K
    return temperature_C(kind, seen_mV + emf_mV(kind, chip_C))


def _segments(kind: str) -> tuple[Segment, ...]:
    try:
        return _REFERENCE[kind]
    except KeyError:
        raise PhysicsRangeError(
            f"no reference function for couple {kind!r}; one of {', '.join(KINDS)}"
        ) from None


def _range_C(kind: str) -> tuple[float, float]:
    segments = _segments(kind)
    return segments[0].low_C, segments[-1].high_C


def _value_and_slope(segment: Segment, at_C: float) -> tuple[float, float]:
    value_mV = slope_mV_per_K = 0.0
    for coefficient in reversed(segment.coefficients):
        slope_mV_per_K = slope_mV_per_K * at_C + value_mV
        value_mV = value_mV * at_C + coefficient
    if segment.exponential is not None:
        size, rate, centre_C = segment.exponential
        bump_mV = size * math.exp(rate * (at_C - centre_C) ** 2)
        value_mV += bump_mV
        slope_mV_per_K += 2.0 * rate * (at_C - centre_C) * bump_mV
    return value_mV, slope_mV_per_K


def _solve(segment: Segment, voltage_mV: float) -> float:
    low_C, high_C = segment.low_C, segment.high_C
    at_C = 0.5 * (low_C + high_C)
    for _ in range(60):
        value_mV, slope_mV_per_K = _value_and_slope(segment, at_C)
        if value_mV < voltage_mV:
            low_C = at_C
        else:
            high_C = at_C
        step_K = (voltage_mV - value_mV) / slope_mV_per_K
        if abs(step_K) < 1e-9:
            return at_C + step_K
        # Newton's step where it stays between what is known, halving where it does not.
        at_C = at_C + step_K if low_C < at_C + step_K < high_C else 0.5 * (low_C + high_C)
    return at_C
