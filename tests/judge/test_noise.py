"""Scatter learned from the run itself: level, drift and falls must not spoil it."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from monitor.judge.noise import LONGEST, MEMORY, Noise, Scatter, _bend_variance, _Bends
from monitor.judge.trace import Trace


def ar1(rng: np.random.Generator, n: int, sigma: float, rho: float) -> np.ndarray:
    white = rng.normal(0.0, sigma * sqrt(1.0 - rho * rho), n)
    out = np.empty(n)
    out[0] = rng.normal(0.0, sigma)
    for i in range(1, n):
        out[i] = rho * out[i - 1] + white[i]
    return out


def taught(values: np.ndarray, step_K: float) -> Noise:
    noise, trace = Noise(step_K), Trace()
    start = 0
    for second, value in enumerate((np.round(values / step_K) * step_K).tolist()):
        start = max(start - trace.append(float(second), value), 0)
        noise.learn_boil(trace, start)
    return noise


@pytest.mark.parametrize("sigma", [0.02, 0.05, 0.15])
@pytest.mark.parametrize("rho", [0.0, 0.5, 0.82])
def test_scatter_and_its_long_run_variance_are_found(sigma: float, rho: float) -> None:
    """First-order autoregressive scatter: σ_LR² = σ² (1 + ρ)/(1 - ρ) (time-series textbooks); the sd within
    20 %, the long-run sd never under by more than 25 % (over by half at most) after 20 min."""
    rng = np.random.default_rng(5)
    noise = taught(98.0 + ar1(rng, 1200, sigma, rho), 0.0078125)
    assert noise.now.sd_K == pytest.approx(sigma, rel=0.2)
    ratio = sqrt(noise.now.long_run_variance) / (sigma * sqrt((1.0 + rho) / (1.0 - rho)))
    assert 0.75 < ratio < 1.6, ratio


@pytest.mark.parametrize(("step_K", "least", "most"), [(0.0078125, 0.7, 1.45), (0.25, 0.6, 1.55)])
def test_a_long_plateau_tells_the_reach_of_its_agitation(step_K: float, least: float, most: float) -> None:
    """Of 60 plateaus of 40 min with 0.1 K of scatter correlated over 5 s, nine in ten long-run variances within the
    bounds and their middle within a sixth of σ² (1 + ρ)/(1 - ρ) plus the steps' q²/12 (time-series textbooks)."""
    rng = np.random.default_rng(8)
    rho = 0.8187
    truth = 0.1**2 * (1.0 + rho) / (1.0 - rho) + step_K**2 / 12.0
    ratios = [
        taught(98.0 + rng.uniform(0.0, step_K) + ar1(rng, 2400, 0.1, rho), step_K).now.long_run_variance
        / truth
        for _ in range(60)
    ]
    low, middle, high = np.quantile(ratios, (0.05, 0.5, 0.95))
    assert least < low and high < most and abs(middle - 1.0) < 1.0 / 6.0, (low, middle, high)


@pytest.mark.parametrize("slope_K_per_min", [0.0, -0.5, 2.0])
def test_a_drift_or_a_fall_is_no_scatter(slope_K_per_min: float) -> None:
    """Bends see neither a level nor a straight line."""
    rng = np.random.default_rng(6)
    line = slope_K_per_min / 60.0 * np.arange(600)
    noise = taught(98.0 + line + rng.normal(0.0, 0.04, 600), 0.0078125)
    assert noise.now.sd_K == pytest.approx(0.04, rel=0.2)


def test_a_silent_coarse_plateau_is_not_without_uncertainty() -> None:
    """Its sd is at least q/√12 = 0.072 K for steps of 0.25 K (JCGM 100:2008, F.2.2.1), never zero."""
    noise = taught(np.full(300, 98.0), 0.25)
    assert noise.now.sd_K >= 0.25 / sqrt(12.0) - 1e-9
    assert noise.now.is_quiet
    assert not taught(98.0 + np.random.default_rng(1).normal(0.0, 0.15, 300), 0.25).now.is_quiet


def test_variances_of_sums_are_those_of_the_models() -> None:
    """var(Σ y) and var(Σ k y) of white noise and autoregressive parts, against sums over all pairs."""
    noise = Noise(0.0078125)
    parts = {0.3: 0.001, 0.8: 0.0025, 0.93: 0.0004}
    noise.now = Scatter(0.0078125, 0.0009, parts)
    for n in (1, 2, 7, 40):
        lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        covariance = sum(part * np.power(r, lags) for r, part in parts.items()) + 0.0009 * np.eye(n)
        ones, ramp = np.ones(n), np.arange(1, n + 1)
        assert noise.now.mean_variance(n) * n * n == pytest.approx(ones @ covariance @ ones, rel=1e-9)
        assert noise.now.ramp_variance(n) == pytest.approx(ramp @ covariance @ ramp, rel=1e-9)
    assert noise.now.mean_variance(LONGEST + 1) == pytest.approx(noise.now.mean_variance(LONGEST), rel=0.1)


@pytest.mark.parametrize(("m", "r"), [(1, 0.0), (1, 0.8), (4, 0.5), (16, 0.93)])
def test_the_mean_squared_bend_is_that_of_simulated_noise(m: int, r: float) -> None:
    """The likelihood's expected values, against 400,000 simulated readings: within 4 %."""
    y = ar1(np.random.default_rng(10), 400_000, 1.0, r)
    means = np.convolve(y, np.ones(m) / m, mode="valid")
    bends = means[2 * m :] - 2.0 * means[m:-m] + means[: -2 * m]
    assert _bend_variance(m, r) == pytest.approx(float(np.mean(bends**2)), rel=0.04)


def test_little_data_gives_a_wide_average() -> None:
    """After 100 s of correlated scatter the long-run variance is hardly ever taken for less than a third.

    A single best fit does so in more than one case in twenty (own Monte Carlo).
    """
    truth = 0.05**2 * (1.0 + 0.82) / (1.0 - 0.82)
    found = [
        taught(98.0 + ar1(np.random.default_rng(seed), 100, 0.05, 0.82), 0.0078125).now.long_run_variance
        for seed in range(100)
    ]
    assert sum(value < truth / 3.0 for value in found) <= 3
    assert np.median(found) == pytest.approx(1.5 * truth, rel=0.4)


def test_nothing_is_claimed_before_the_run_has_taught_anything() -> None:
    """As restless as a poor kitchen probe, and not called learned."""
    noise = Noise(0.0078125)
    assert not noise.is_learned and noise.now.sd_K >= 0.05


def test_correlation_is_assumed_until_the_run_shows_otherwise() -> None:
    """After one minute of white scatter the means are still taken as uncertain; after twenty they are not."""
    rng = np.random.default_rng(8)
    values = 98.0 + rng.normal(0.0, 0.04, 1200)
    early, late = taught(values[:60], 0.0078125), taught(values, 0.0078125)
    assert early.now.mean_variance(30) > 2.0 * late.now.mean_variance(30)
    assert late.now.mean_variance(30) == pytest.approx(0.04**2 / 30.0, rel=0.6)


def test_one_wild_value_is_not_scatter() -> None:
    """A spike of 2 K among quiet readings leaves the model as it was."""
    rng = np.random.default_rng(9)
    values = 98.0 + rng.normal(0.0, 0.03, 600)
    wild = values.copy()
    wild[400] += 2.0
    assert taught(wild, 0.0078125).now.sd_K == pytest.approx(taught(values, 0.0078125).now.sd_K, rel=0.25)


def test_all_at_once_is_one_by_one() -> None:
    """A plateau taken in whole teaches what its samples teach one after the other."""
    values = 98.0 + ar1(np.random.default_rng(11), 700, 0.05, 0.7)
    trace = Trace()
    for second, value in enumerate(values.tolist()):
        trace.append(float(second), value)
    one, whole = _Bends(MEMORY), _Bends(MEMORY)
    for n in range(1, 701):
        one.take(trace, n, n)
    whole.take_all(trace, 0, 700)
    assert whole.counts == pytest.approx(one.counts, rel=0.05)
    assert whole.sums == pytest.approx(one.sums, rel=0.1)


def test_what_sagged_does_not_count_as_scatter() -> None:
    """A dip of 1 K inside an otherwise plain plateau: outside it the scatter is that of the plain one."""
    values = 98.0 + ar1(np.random.default_rng(12), 700, 0.04, 0.7)
    trace, noise = Trace(), Noise(0.0078125)
    dip = 0.5 * (1.0 - np.cos(2.0 * np.pi * np.clip((np.arange(700) - 300.0) / 60.0, 0.0, 1.0)))
    for second, value in enumerate((values - dip).tolist()):
        trace.append(float(second), value)
        noise.learn_boil(trace, 0)
    outside = noise.outside(trace, 0, 290, 370)
    truth = 0.04**2 * 1.7 / 0.3
    assert 0.5 * truth < outside.long_run_variance < 2.0 * truth
    assert noise.now.long_run_variance > 2.0 * outside.long_run_variance
