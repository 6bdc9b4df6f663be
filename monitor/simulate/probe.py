"""What a probe and its converter make of the true water.

In order: plumes and superheat while it boils, agitation that is correlated over seconds, the probe's own lag,
its error, the converter's curve and its cold junction, white noise, and last the converter's steps.

Figures. Lag: 63 % response of sheathed probes in moving water, 0.5 to 10 s (cable maker's table). Depth and
superheat: +0.15 ± 0.2 K, half of the boiling point's rise with 10 to 25 cm of water by IAPWS-IF97 (estimate).
Cold junction: ±0.1 to 0.3 K for 10 K of board temperature. Straight-line converters assume 41.276 µV/K;
type K after the ITS-90 function of NIST Monograph 175, here at published points. No measurement of σ or
correlation time of boiling water at a probe was found: those ranges are guesses, drawn wide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.simulate.truth import Floats, Truth

#: Type K, junction at 0 °C: temperature [°C] and voltage [mV], NIST Monograph 175.
_TYPE_K = (
    (0.0, 20.0, 25.0, 50.0, 80.0, 90.0, 95.0, 100.0, 120.0),
    (0.0, 0.79812, 1.00024, 2.02308, 3.26664, 3.68188, 3.88921, 4.09623, 4.91988),
)
_TYPE_K_CURVE = np.polynomial.Polynomial.fit(_TYPE_K[0], _TYPE_K[1], 5)
STRAIGHT_LINE_MV_PER_K = 41.276e-3

#: How fast plumes come and go with the bubbles. [s] A guess.
PLUME_S = 4.0
#: Steam power at which plumes reach half their height. [W] A guess.
PLUME_HALF_W = 150.0

#: Scatter over step from which on steps are dithered, and below which they are not; undithered they hide so much more
#: than white noise of a twelfth of their square: the delays of a detector that is given scatter and steps
#: (tests/benchmarks/dip_detector.py, 0.25 K beside 0.0078 K) are those of 1.9 times that.
DITHERED, UNDITHERED, UNDITHERED_WEIGHT = 0.4, 0.2, 1.9


@dataclass(frozen=True, slots=True)
class ProbeModel:
    """A probe in the water with its converter. Errors are of the *corrected* reading, in K."""

    kind: str = "type K class 1"
    converter: str = "linearised, 0.0078 K steps"
    lag_s: float = 2.0
    step_K: float = 0.0078125
    #: The correction that the record carries; the raw reading is off by its opposite.
    offset_K: float = 0.0
    #: What the corrected reading is still off by at the boil, and how that changes per K away from it.
    bias_K: float = 0.0
    slope_K_per_K: float = 0.0
    #: What plumes and superheat add in a full boil.
    plume_K: float = 0.15
    agitation_K: float = 0.04
    agitation_s: float = 4.0
    white_K: float = 0.01
    straight_line: bool = False
    #: Board temperature at the start, its final rise and that rise's time constant.
    chip_start_C: float = 24.0
    chip_rise_K: float = 6.0
    chip_s: float = 1500.0
    #: Cold-junction error for each K that the board warms.
    chip_error_K_per_K: float = 0.0


def type_K_mV(temperature_C: Floats | float) -> Floats:
    """Voltage of a type K couple with its junction at 0 °C, 0 to 120 °C, within 0.001 mV. [mV]"""
    return np.asarray(_TYPE_K_CURVE(np.asarray(temperature_C)), dtype=np.float64)


def straight_line_C(temperature_C: Floats, chip_C: Floats) -> Floats:
    """What a converter that takes type K for a straight line reads. [°C]"""
    millivolts = type_K_mV(temperature_C) - type_K_mV(chip_C)
    return np.asarray(chip_C + millivolts / STRAIGHT_LINE_MV_PER_K, dtype=np.float64)


def lagged(values: Floats, lag_s: float, step_s: float = 1.0) -> Floats:
    """First-order lag of a series on an even grid, settled at its first value."""
    if lag_s <= 0.0:
        return values
    gain = 1.0 - math.exp(-step_s / lag_s)
    state = float(values[0])
    out = []
    for value in values.tolist():
        state += (value - state) * gain
        out.append(state)
    return np.array(out)


def correlated_noise(rng: np.random.Generator, t_s: Floats, correlation_s: float) -> Floats:
    """Gaussian noise of unit spread whose correlation falls by e in ``correlation_s``, at any times."""
    white = rng.standard_normal(len(t_s))
    if correlation_s <= 0.0:
        return white
    rho = np.exp(-np.diff(t_s) / correlation_s)
    fresh = np.sqrt(1.0 - rho * rho) * white[1:]
    state = float(white[0])
    out = [state]
    for keep, kick in zip(rho.tolist(), fresh.tolist(), strict=True):
        state = keep * state + kick
        out.append(state)
    return np.array(out)


def chip_series(probe: ProbeModel, t_s: Floats) -> Floats:
    """The board's temperature, warming beside a stove. [°C]"""
    return probe.chip_start_C + probe.chip_rise_K * (1.0 - np.exp(-t_s / probe.chip_s))


def at_the_junction(probe: ProbeModel, truth: Truth) -> Floats:
    """The junction's temperature second by second, without agitation: bulk and plumes, lagged. [°C]"""
    steam = truth.steam_W * (truth.deficit_K < 1.0)
    plume = probe.plume_K * lagged(steam / (steam + PLUME_HALF_W), PLUME_S)
    return lagged(truth.bulk_C + plume, probe.lag_s)


def noise_K2_s(probe: ProbeModel, interval_s: float) -> float:
    """Noise power of the readings at slow changes, steps included: what a detector has to stand. [K² s]"""
    scatter_K = math.hypot(probe.white_K, probe.agitation_K)
    undithered = min(max((DITHERED - scatter_K / probe.step_K) / (DITHERED - UNDITHERED), 0.0), 1.0)
    steps_K2 = probe.step_K**2 / 12.0 * (1.0 + undithered * (UNDITHERED_WEIGHT - 1.0))
    white = probe.white_K**2 + steps_K2
    return white * interval_s + 2.0 * probe.agitation_K**2 * max(probe.agitation_s, 0.5 * interval_s)


def readings(rng: np.random.Generator, probe: ProbeModel, truth: Truth, t_s: Floats) -> Floats:
    """What the node sends as ``water_C``, at the times given. [°C]

    A longer truth with the same beginning and the same generator gives the same first readings.
    """
    tossed, scattered = rng.spawn(2)
    steam = truth.steam_W * (truth.deficit_K < 1.0)
    water = at_the_junction(probe, truth)
    # A boil tosses the water about; heating from below stirs it a little; a cooling kettle is nearly still.
    stirred = np.where(steam > 0.0, 1.0, np.where(truth.ring_W > 100.0, 0.5, 0.3))
    index = np.minimum(t_s.astype(np.int64), len(water) - 1)
    at_probe = water[index] + probe.agitation_K * lagged(stirred, PLUME_S)[index] * correlated_noise(
        tossed, t_s, probe.agitation_s
    )
    shown = with_errors(probe, at_probe, truth.boil_C[index], t_s)
    shown = shown + probe.white_K * scattered.standard_normal(len(t_s))
    return np.round(shown / probe.step_K) * probe.step_K


def with_errors(probe: ProbeModel, at_probe_C: Floats, boil_C: Floats, t_s: Floats) -> Floats:
    """What the converter makes of the junction's temperature, before white noise and steps. [°C]"""
    chip = chip_series(probe, t_s)
    error = (
        probe.bias_K
        - probe.offset_K
        + probe.slope_K_per_K * (at_probe_C - boil_C)
        + probe.chip_error_K_per_K * (chip - probe.chip_start_C)
    )
    shown = at_probe_C + error
    if probe.straight_line:
        # The check at the boil took the curve's error of that moment out; its change with the board stays.
        curve = straight_line_C(at_probe_C, chip) - at_probe_C
        at_check = straight_line_C(boil_C[:1], chip[:1]) - boil_C[0]
        shown = shown + curve - at_check
    return shown


def mean_reading_C(probe: ProbeModel, truth: Truth) -> Floats:
    """The reading to be expected second by second, steps and all: what scatter and steps together show. [°C]

    The mean of a rounded Gaussian. Where the scatter does not dither the steps they swallow what lies within one.
    """
    at_probe = at_the_junction(probe, truth)
    shown = with_errors(probe, at_probe, truth.boil_C, truth.t_s) / probe.step_K
    scatter = math.hypot(probe.white_K, probe.agitation_K) / probe.step_K
    whole = np.floor(shown)
    reach = math.ceil(4.0 * scatter) + 1
    mean = whole - reach
    for edge in range(-reach, reach + 1):
        above = (shown - whole - edge - 0.5) / (scatter * math.sqrt(2.0))
        mean = mean + 0.5 * (1.0 + _erf(above))
    return np.asarray(mean * probe.step_K, dtype=np.float64)


_erf = np.vectorize(math.erf, otypes=[np.float64])
