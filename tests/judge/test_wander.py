"""Heat that drifts: boil and simmer by turns are told from scatter and from a boil turned down and up.

The spread of block means of first-order autoregressive scatter is the textbook one (any book on time series);
chi-square with f degrees of freedom has mean f and variance 2 f. The rates are this project's own Monte Carlo.
"""

from __future__ import annotations

from math import exp, pi, sqrt

import numpy as np
import pytest

from monitor.judge.noise import Noise
from monitor.judge.sag import Sag
from monitor.judge.trace import Trace
from monitor.judge.wander import find_wander
from monitor.simulate.probe import correlated_noise

AGITATION_K, CORRELATION_S = 0.04, 3.5
HOLD_S = 900


def agitation(seed: int, seconds: int, sigma_K: float = AGITATION_K) -> np.ndarray:
    """First-order autoregressive scatter."""
    t_s = np.arange(seconds, dtype=float)
    return sigma_K * correlated_noise(np.random.default_rng(seed), t_s, CORRELATION_S)


def looked_at(readings_C: np.ndarray, step_K: float = 0.0078125) -> tuple[Sag | None, Noise, Trace]:
    noise, trace = Noise(step_K), Trace()
    for second, y_C in enumerate((np.round(readings_C / step_K) * step_K).tolist()):
        trace.append(float(second), y_C)
    return find_wander(trace, noise, 0, len(trace), 1.0), noise, trace


def drifting(deep_K: float, period_s: float) -> np.ndarray:
    """Five minutes of boil, then as deep as that below it and back, again and again."""
    t = np.arange(HOLD_S, dtype=float)
    return -0.5 * deep_K * (1.0 - np.cos(2.0 * pi * np.maximum(t - 300.0, 0.0) / period_s))


@pytest.mark.parametrize("period_s", [130.0, 150.0, 280.0, 600.0])
@pytest.mark.parametrize("seed", range(3))
def test_boil_and_simmer_by_turns_are_seen_and_covered(period_s: float, seed: int) -> None:
    readings = 98.0 + agitation(seed, HOLD_S) + drifting(0.3, period_s)
    found, _, _ = looked_at(readings)
    assert found is not None
    assert found.early_s <= 300.0 + 0.3 * period_s
    # The last moment at which the water is half of the depth below the boil.
    low = np.flatnonzero(drifting(0.3, period_s) < -0.15)
    assert found.late_s >= low[-1] - 30.0


def test_a_level_boil_is_level() -> None:
    """Two hundred holds of a quarter of an hour, quiet and rough."""
    for seed in range(200):
        readings = 98.0 + agitation(1000 + seed, HOLD_S, (0.02, 0.04, 0.08)[seed % 3])
        assert looked_at(readings)[0] is None


@pytest.mark.parametrize("seed", range(20))
def test_a_boil_turned_down_and_up_is_a_boil(seed: int) -> None:
    """The plumes about the probe shrink with the heat: 0.08 K lower for minutes."""
    readings = 98.0 + agitation(2000 + seed, HOLD_S, 0.02) + drifting(0.08, 300.0)
    assert looked_at(readings)[0] is None


def test_the_scatter_is_that_of_neighbours_not_of_the_wandering() -> None:
    """Mean of 60 readings: σ² (1 + r)/(1 - r) / 60, within a quarter, though the level wanders by ten times that."""
    readings = 98.0 + agitation(7, 1800) + 0.15 * np.sin(2.0 * pi * np.arange(1800) / 300.0)
    _, noise, trace = looked_at(readings)
    r = exp(-1.0 / CORRELATION_S)
    expected_K = AGITATION_K * sqrt((1.0 + r) / (1.0 - r) / 60.0)
    scatter = noise.short(trace, 0, len(trace))
    assert sqrt(scatter.mean_variance(60)) == pytest.approx(expected_K, rel=0.25)


def test_too_few_minutes_say_nothing() -> None:
    assert looked_at(98.0 + agitation(1, 280) + drifting(2.0, 60.0)[:280])[0] is None


def test_one_coarse_step_says_nothing_unless_it_comes_back_again_and_again() -> None:
    """A drift of a few hundredths of a kelvin crosses a step once; boil and simmer by turns cross it each time."""
    drift = 98.1 + agitation(3, HOLD_S) + np.linspace(0.04, -0.08, HOLD_S)
    assert looked_at(drift, step_K=0.25)[0] is None
    turns = 98.2 + agitation(4, HOLD_S) + drifting(0.2, 140.0)
    found, _, _ = looked_at(turns, step_K=0.25)
    assert found is not None and found.early_s <= 340.0
