"""Where a boil begins: after the rise, dated on the late side."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from monitor.judge.noise import Noise
from monitor.judge.plateau import Plateau, find_plateau
from monitor.judge.trace import Trace


def first_plateau(
    rate_K_per_min: float,
    *,
    seed: int,
    sigma_K: float = 0.04,
    step_K: float = 0.0078125,
    knee: int = 300,
    after: Callable[[float], float] = lambda s: 0.0,
) -> tuple[Plateau | None, int]:
    """Feed a rise that ends at ``knee`` s; returns the first plateau found and the second it was found at."""
    rng = np.random.default_rng(seed)
    trace, noise = Trace(), Noise(step_K)
    for t in range(knee + 300):
        true = min(t - knee, 0) * rate_K_per_min / 60.0 + after(max(t - knee, 0))
        y = round((100.1 + true + rng.normal(0.0, sigma_K)) / step_K) * step_K
        trace.append(float(t), y)
        noise.learn_rise(trace, 1.0)
        found = find_plateau(trace, noise, 1.0)
        if found is not None:
            return found, t
    return None, knee + 300


@pytest.mark.parametrize("rate", [0.75, 1.2, 2.6])
def test_a_plateau_begins_where_the_rise_ends(rate: float) -> None:
    """Over 30 knees at the rates of real canners (0.75 to 2.6 K/min, energy balance): never dated before the
    end of the rise by more than 5 s, found within a minute and a half, late dating within 30 s."""
    for seed in range(30):
        found, at_s = first_plateau(rate, seed=seed)
        assert found is not None
        assert found.early_s <= found.late_s <= at_s <= 390
        # What is left of the rise at the late date is less than 5 s would bring.
        assert 295.0 <= found.late_s <= 330.0, (seed, found)


def test_a_steady_rise_is_no_plateau() -> None:
    """Down to 0.5 K/min nothing on the way up is called level."""
    for rate in (0.5, 0.75, 1.2, 2.6):
        found, at_s = first_plateau(rate, seed=1)
        assert found is not None and at_s > 300, rate


def test_the_bottom_of_a_dip_is_no_plateau() -> None:
    """Falling at 1.5 K/min, turning and rising again has no slope at the turn, and is bent."""
    for seed in range(10):
        rng = np.random.default_rng(seed)
        trace, noise = Trace(), Noise(0.0078125)
        for t in range(240):
            true = -3.0 + abs(t - 120) * 1.5 / 60.0
            trace.append(float(t), 100.0 + true + rng.normal(0.0, 0.03))
            noise.learn_rise(trace, 1.0)
            assert find_plateau(trace, noise, 1.0) is None, (seed, t)


def test_a_quiet_coarse_probe_dates_the_start_a_step_later() -> None:
    """A reading that shows no more steps may still be rising inside the last one: 0.25 K at 1.2 K/min is 12 s."""
    for seed in range(10):
        found, _ = first_plateau(1.2, seed=seed, sigma_K=0.01, step_K=0.25)
        assert found is not None
        assert found.late_s >= 298.0, (seed, found)


def test_a_handful_of_readings_is_no_plateau() -> None:
    """Nothing is said on less than 15 s."""
    trace, noise = Trace(), Noise(0.0078125)
    for t in range(15):
        trace.append(float(t), 100.0)
        assert find_plateau(trace, noise, 1.0) is None


def test_a_rise_that_flattens_slowly_is_dated_when_it_is_flat() -> None:
    """The last half kelvin may bend over minutes; the start lies where less than half of it was left."""
    for seed in range(10):
        found, _ = first_plateau(
            1.2, seed=seed, knee=200, after=lambda s: 0.5 * (1.0 - float(np.exp(-s / 40.0)))
        )
        if found is not None:
            left_K = 0.5 * float(np.exp(-(found.late_s - 200.0) / 40.0))
            assert left_K < 0.25, (seed, found)
