"""A level that swings: a sine through all of its turns.

The fit is checked against numpy's least squares; the gain of a sine fitted to independent Gaussian means has
chi-square with two degrees of freedom (Scargle 1982, Astrophysical Journal 263, 835). The rates are this project's own
Monte Carlo.
"""

from __future__ import annotations

from math import exp, pi

import numpy as np
import pytest

from monitor.judge.noise import Noise
from monitor.judge.sag import Sag
from monitor.judge.swing import _fitted, _without_drift, find_swing
from monitor.judge.trace import Trace
from monitor.simulate.probe import correlated_noise

AGITATION_K, CORRELATION_S = 0.04, 3.5
HOLD_S = 900


def agitation(seed: int, seconds: int = HOLD_S, sigma_K: float = AGITATION_K) -> np.ndarray:
    """First-order autoregressive scatter."""
    t_s = np.arange(seconds, dtype=float)
    return sigma_K * correlated_noise(np.random.default_rng(seed), t_s, CORRELATION_S)


def looked_at(readings_C: np.ndarray, share: float = 1.0) -> Sag | None:
    noise, trace = Noise(0.0078125), Trace()
    for second, y_C in enumerate((np.round(readings_C * 128.0) / 128.0).tolist()):
        trace.append(float(second), y_C)
    return find_swing(trace, noise, 0, len(trace), 1.0, share)


def swinging(swing_K: float, period_s: float) -> np.ndarray:
    return 0.5 * swing_K * np.sin(2.0 * pi * np.arange(HOLD_S) / period_s)


def test_the_fit_is_that_of_least_squares() -> None:
    rng = np.random.default_rng(3)
    times = np.sort(rng.uniform(0.0, 900.0, 40))
    levels = rng.normal(0.0, 0.03, 40)
    levels -= levels.mean()
    for period_s in (90.0, 211.0, 640.0):
        omega = 2.0 * pi / period_s
        design = np.stack([np.cos(omega * times), np.sin(omega * times), np.ones(40)], axis=1)
        best, left, _, _ = np.linalg.lstsq(design, levels, rcond=None)
        gain, a, b = _fitted(times.tolist(), levels.tolist(), omega, 0.03**2)
        assert (a, b) == pytest.approx((best[0], best[1]))
        assert gain == pytest.approx(((levels**2).sum() - left[0]) / 0.03**2)


def test_level_and_drift_are_taken_out() -> None:
    times = np.linspace(0.0, 900.0, 31)
    left = _without_drift(times.tolist(), (97.0 - 2e-5 * times).tolist())
    assert np.abs(left).max() < 1e-9


def test_the_gain_of_nothing_is_chi_square_with_two_degrees_of_freedom() -> None:
    """Beyond x in exp(-x/2) of the trials: 4,000 of them, within three standard deviations."""
    rng = np.random.default_rng(4)
    times = [20.0 * k for k in range(45)]
    gains = []
    for _ in range(4000):
        levels = rng.normal(0.0, 1.0, 45)
        gains.append(_fitted(times, (levels - levels.mean()).tolist(), 2.0 * pi / 180.0, 1.0)[0])
    for x in (1.0, 3.0, 6.0):
        share = exp(-x / 2.0)
        spread = 3.0 * (share * (1.0 - share) / 4000.0) ** 0.5
        assert np.mean(np.array(gains) > x) == pytest.approx(share, abs=spread)


@pytest.mark.parametrize("period_s", [100.0, 130.0, 264.0, 500.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_swing_is_seen_and_covered(period_s: float, seed: int) -> None:
    """0.2 K from top to bottom under scatter of 0.04 K, whose mean over a minute is 0.01 K."""
    found = looked_at(98.0 + agitation(seed) + swinging(0.2, period_s))
    assert found is not None
    low = np.flatnonzero(swinging(0.2, period_s) < -0.05)
    assert found.early_s <= low[0] + 5.0 and found.late_s >= low[-1] - 15.0
    assert found.drop_K == pytest.approx(0.2, rel=0.3)


def test_a_level_boil_does_not_swing() -> None:
    """Two hundred holds of a quarter of an hour, quiet and rough, some drifting by 0.2 K an hour."""
    for seed in range(200):
        readings = 98.0 + agitation(1000 + seed, sigma_K=(0.02, 0.04, 0.08)[seed % 3])
        assert looked_at(readings + (seed % 2) * 0.05 * np.linspace(0.0, 1.0, HOLD_S)) is None


@pytest.mark.parametrize("seed", range(20))
def test_a_boil_turned_down_and_up_is_a_boil(seed: int) -> None:
    """The plumes about the probe shrink with the heat: 0.06 K lower for minutes."""
    assert looked_at(98.0 + agitation(2000 + seed, sigma_K=0.02) + swinging(0.06, 300.0)) is None


def test_less_evidence_is_enough_where_it_is_asked_for() -> None:
    """Where a hold is about to be called complete, and waiting costs little."""
    between = 0
    for seed in range(40):
        readings = 98.0 + agitation(3000 + seed, sigma_K=0.05) + swinging(0.1, 200.0)
        usual, cautious = looked_at(readings), looked_at(readings, share=0.6)
        assert usual is None or cautious is not None
        between += usual is None and cautious is not None
    assert between > 0


def test_too_few_minutes_say_nothing() -> None:
    assert looked_at((98.0 + agitation(1) + swinging(1.0, 120.0))[:280]) is None
