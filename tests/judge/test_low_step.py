"""A coarse probe's third value: shown only while the water was lower.

The rounding to steps of 0.25 K is that of common converters (12 bit words at 0.25 K, makers' data sheets); the rates
are this project's own Monte Carlo.
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.judge.low_step import find_low_step
from monitor.judge.noise import Noise, Scatter
from monitor.judge.sag import Sag
from monitor.judge.trace import Trace

STEP_K = 0.25
HOLD_S = 900


def looked_at(
    level_C: np.ndarray, seed: int, scatter_K: float = 0.045, step_K: float = STEP_K, offset_K: float = 0.0
) -> Sag | None:
    rng = np.random.default_rng(seed)
    readings = np.round((level_C + rng.normal(0.0, scatter_K, len(level_C))) / step_K) * step_K + offset_K
    noise, trace = Noise(step_K), Trace()
    noise.now = Scatter(step_K, 0.11**2 if step_K == STEP_K else scatter_K**2, {})
    for second, y_C in enumerate(readings.tolist()):
        trace.append(float(second), y_C)
    return find_low_step(trace, noise, 0, len(trace), 1.0)


def dipped(level_C: float, drop_K: float, from_s: int = 500, to_s: int = 560) -> np.ndarray:
    level = np.full(HOLD_S, level_C)
    level[from_s:to_s] -= drop_K
    return level


@pytest.mark.parametrize("seed", range(10))
def test_a_step_down_and_back_is_seen_and_covered(seed: int) -> None:
    """A level just under the edge of a step; for a minute the water is 0.22 K lower, and the mean 0.1 K."""
    found = looked_at(dipped(98.09, 0.22), seed)
    assert found is not None
    assert found.early_s <= 500.0 and found.late_s >= 560.0
    assert found.late_s - found.early_s <= 180.0


@pytest.mark.parametrize("offset_K", [0.1, 0.125, -0.375, 0.2])
@pytest.mark.parametrize("seed", range(5))
def test_wherever_a_correction_puts_the_steps(seed: int, offset_K: float) -> None:
    """Half a step off, values counted from zero would run together: two by two, by the rounding to even."""
    found = looked_at(dipped(98.09, 0.22), seed, offset_K=offset_K)
    assert found is not None
    assert found == looked_at(dipped(98.09, 0.22), seed)


def test_a_level_boil_never_shows_it() -> None:
    """Wherever the level lies between two steps, and however rough: 400 holds."""
    rng = np.random.default_rng(5)
    for seed in range(400):
        level = np.full(HOLD_S, 98.0 + rng.uniform(0.0, STEP_K))
        assert looked_at(level, 100 + seed, float(rng.uniform(0.02, 0.12))) is None


@pytest.mark.parametrize("drift_K", [0.15, -0.15])
def test_a_drift_is_none(drift_K: float) -> None:
    """It does not come back."""
    for seed in range(20):
        assert looked_at(98.1 + drift_K * np.arange(HOLD_S) / HOLD_S, 900 + seed) is None


def test_a_step_down_that_stays_is_left_to_the_detector() -> None:
    assert looked_at(dipped(98.09, 0.22, 500, HOLD_S), 3) is None


def test_a_fine_probe_has_no_such_values() -> None:
    assert looked_at(dipped(98.09, 0.22), 3, step_K=0.0078125) is None


def test_an_odd_reading_or_two_is_no_dip() -> None:
    level = np.full(HOLD_S, 98.09)
    level[[400, 431]] -= 0.5
    assert looked_at(level, 7) is None
