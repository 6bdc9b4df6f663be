"""Scatter learned from the run itself: level, drift and falls must not spoil it."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from monitor.judge.noise import LONGEST, Noise


def ar1(rng: np.random.Generator, n: int, sigma: float, rho: float) -> np.ndarray:
    white = rng.normal(0.0, sigma * sqrt(1.0 - rho * rho), n)
    out = np.empty(n)
    out[0] = rng.normal(0.0, sigma)
    for i in range(1, n):
        out[i] = rho * out[i - 1] + white[i]
    return out


def taught(values: np.ndarray, step_K: float) -> Noise:
    noise = Noise(step_K)
    y: list[float] = []
    for value in (np.round(values / step_K) * step_K).tolist():
        y.append(value)
        noise.learn_boil(y, 0)
    return noise


@pytest.mark.parametrize("sigma", [0.02, 0.05, 0.15])
@pytest.mark.parametrize("rho", [0.0, 0.5, 0.82])
def test_scatter_and_its_long_run_variance_are_found(sigma: float, rho: float) -> None:
    """First-order autoregressive scatter: σ_LR² = σ² (1 + ρ)/(1 - ρ) (time-series textbooks); the sd within
    20 %, the long-run sd never under by more than 25 % (over by half at most) after 20 min."""
    rng = np.random.default_rng(5)
    noise = taught(98.0 + ar1(rng, 1200, sigma, rho), 0.0078125)
    assert noise.sd_K == pytest.approx(sigma, rel=0.2)
    ratio = sqrt(noise.long_run_variance) / (sigma * sqrt((1.0 + rho) / (1.0 - rho)))
    assert 0.75 < ratio < 1.6, ratio


@pytest.mark.parametrize("slope_K_per_min", [0.0, -0.5, 2.0])
def test_a_drift_or_a_fall_is_no_scatter(slope_K_per_min: float) -> None:
    """Second differences see neither a level nor a straight line."""
    rng = np.random.default_rng(6)
    line = slope_K_per_min / 60.0 * np.arange(600)
    noise = taught(98.0 + line + rng.normal(0.0, 0.04, 600), 0.0078125)
    assert noise.sd_K == pytest.approx(0.04, rel=0.2)


def test_a_silent_coarse_plateau_is_not_without_uncertainty() -> None:
    """Its sd is at least q/√12 = 0.072 K for steps of 0.25 K (JCGM 100:2008, F.2.2.1), never zero."""
    noise = taught(np.full(300, 98.0), 0.25)
    assert noise.sd_K >= 0.25 / sqrt(12.0) - 1e-9
    assert noise.is_quiet
    assert not taught(98.0 + np.random.default_rng(1).normal(0.0, 0.15, 300), 0.25).is_quiet


def test_variances_of_sums_are_those_of_the_model() -> None:
    """var(Σ y) and var(Σ k y) of a first-order autoregressive process, against sums over all pairs."""
    rng = np.random.default_rng(7)
    noise = taught(98.0 + ar1(rng, 1500, 0.05, 0.6), 0.0078125)
    w, c, r = noise._w, noise._c, noise._r
    scale = noise._caution
    for n in (1, 2, 7, 40):
        lags = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
        covariance = c * np.power(r, lags) + w * np.eye(n)
        ones, ramp = np.ones(n), np.arange(1, n + 1)
        assert noise.sum_variance(n) == pytest.approx(scale * ones @ covariance @ ones, rel=1e-9)
        assert noise.ramp_variance(n) == pytest.approx(scale * ramp @ covariance @ ramp, rel=1e-9)
    assert noise.mean_variance(LONGEST + 1) == pytest.approx(noise.mean_variance(LONGEST), rel=0.02)


def test_nothing_is_claimed_before_the_run_has_taught_anything() -> None:
    """As restless as a poor kitchen probe, and not called learned."""
    noise = Noise(0.0078125)
    assert not noise.is_learned and noise.sd_K >= 0.05


def test_correlation_is_assumed_until_the_run_shows_otherwise() -> None:
    """After one minute of white scatter the means are still taken as uncertain; after twenty they are not."""
    rng = np.random.default_rng(8)
    values = 98.0 + rng.normal(0.0, 0.04, 1200)
    early, late = taught(values[:60], 0.0078125), taught(values, 0.0078125)
    assert early.mean_variance(30) > 2.0 * late.mean_variance(30)
    assert late.mean_variance(30) == pytest.approx(0.04**2 / 30.0, rel=0.6)


def test_one_wild_value_is_not_scatter() -> None:
    """A spike of 2 K among quiet readings leaves the model as it was."""
    rng = np.random.default_rng(9)
    values = 98.0 + rng.normal(0.0, 0.03, 600)
    wild = values.copy()
    wild[400] += 2.0
    assert taught(wild, 0.0078125).sd_K == pytest.approx(taught(values, 0.0078125).sd_K, rel=0.25)
