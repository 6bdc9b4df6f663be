"""When a fall began: the likelihood's own interval must cover as statistics promises.

Doubled log-likelihood ratios are chi-square distributed (Wilks 1938, Annals of Mathematical Statistics 9, 60): 4 makes
about 95 %, which is what an interval with the scatter known must show, in white and in correlated scatter alike. The
whitening is checked with its definition, independent innovations of the variance it states, and in the two limits
of which textbooks give the result: white noise alone, and a first-order autoregression without it.
"""

from __future__ import annotations

from math import log

import numpy as np
import pytest

from monitor.judge import onset
from monitor.judge.noise import Noise, Scatter, whitened
from monitor.judge.onset import Fall, date_fall
from monitor.judge.trace import Trace
from monitor.simulate.probe import correlated_noise

BEGAN_S = 400


def autoregressive(rng: np.random.Generator, n: int, sigma_K: float, r: float) -> np.ndarray:
    """First-order autoregressive scatter, of correlation ``r`` from one reading to the next."""
    return sigma_K * correlated_noise(rng, np.arange(n, dtype=float), -1.0 / log(r) if r else 0.0)


def dated(
    seed: int,
    white_K: float,
    agitation_K: float,
    r: float,
    fallen_K: float,
    slope_K_per_s: float,
    marked: bool = False,
) -> Fall:
    """A fall after BEGAN_S of boil, dated when it has gone so far; the scatter is given."""
    rng = np.random.default_rng(seed)
    n = BEGAN_S + round(fallen_K / slope_K_per_s)
    t = np.arange(n)
    level = 98.0 - slope_K_per_s * np.maximum(t - BEGAN_S, 0)
    y = level + rng.normal(0.0, white_K, n) + autoregressive(rng, n, agitation_K, r)
    noise, trace = Noise(0.0078125), Trace()
    noise.now = Scatter(0.0078125, white_K**2, {r: agitation_K**2} if agitation_K else {})
    for second, value in enumerate(y.tolist()):
        trace.append(float(second), value)
    return date_fall(trace, noise, 0, 240, marked=marked)


@pytest.mark.parametrize(
    ("white_K", "agitation_K", "r", "fallen_K"),
    [(0.05, 0.0, 0.0, 0.25), (0.01, 0.05, 0.8187, 0.45), (0.03, 0.05, 0.6, 0.35)],
)
def test_the_interval_covers_as_a_likelihood_ratio_does(
    monkeypatch: pytest.MonkeyPatch, white_K: float, agitation_K: float, r: float, fallen_K: float
) -> None:
    """At 4 it holds the truth in 95 of 100, both sides together (here 91 to 99 of 100, three standard errors)."""
    monkeypatch.setattr(onset, "SURE", 4.0)
    monkeypatch.setattr(onset, "BEFORE_K", 0.0)
    falls = [dated(seed, white_K, agitation_K, r, fallen_K, 0.5 / 60.0) for seed in range(200)]
    held = sum(fall.early_s <= BEGAN_S <= fall.late_s for fall in falls) / len(falls)
    assert 0.91 <= held <= 0.995
    # No side is favoured.
    assert abs(float(np.median([fall.onset_s for fall in falls])) - BEGAN_S) <= 5.0


def test_the_early_side_is_hardly_ever_too_late() -> None:
    """As it is set, in correlated scatter, from which unwhitened fits come out many seconds late."""
    falls = [dated(1000 + seed, 0.01, 0.05, 0.8187, 0.4, 1.0 / 60.0) for seed in range(200)]
    assert sum(fall.early_s > BEGAN_S for fall in falls) <= 2
    assert float(np.percentile([abs(fall.onset_s - BEGAN_S) for fall in falls], 90)) <= 10.0


def test_a_fall_after_the_mark_is_hardly_ever_said_to_be_from_before_it() -> None:
    """The heat was turned off as it began: a closer early side, the same late one."""
    falls = [dated(3000 + seed, 0.01, 0.05, 0.6, 0.4, 1.0 / 60.0, marked=True) for seed in range(200)]
    assert sum(fall.late_s < BEGAN_S for fall in falls) <= 1
    assert sum(fall.early_s > BEGAN_S for fall in falls) <= 12


def test_the_slope_is_that_of_the_fall() -> None:
    falls = [dated(2000 + seed, 0.02, 0.03, 0.6, 0.8, 0.5 / 60.0) for seed in range(30)]
    assert float(np.median([fall.slope_K_per_s for fall in falls])) == pytest.approx(0.5 / 60.0, rel=0.1)


@pytest.mark.parametrize(("white_K", "agitation_K", "r"), [(0.02, 0.06, 0.9), (0.05, 0.05, 0.6)])
def test_innovations_are_independent_and_of_the_variance_stated(
    white_K: float, agitation_K: float, r: float
) -> None:
    """50,000 readings: the variance within 3 %, no correlation from 1 to 5 apart beyond 0.02 (four standard errors)."""
    rng = np.random.default_rng(11)
    y = rng.normal(0.0, white_K, 50_000) + autoregressive(rng, 50_000, agitation_K, r)
    found_r, gain, variance = Scatter(0.001, white_K**2, {r: agitation_K**2}).whitening()
    innovations = np.array(whitened(y.tolist(), found_r, gain))
    assert float(innovations.var()) == pytest.approx(variance, rel=0.03)
    for lag in range(1, 6):
        assert abs(float(np.corrcoef(innovations[lag:], innovations[:-lag])[0, 1])) < 0.02


def test_the_limits_are_those_of_the_textbooks() -> None:
    """White noise is its own innovation; that of a pure autoregression has σ² (1 - r²) and a gain of one."""
    assert Scatter(0.0, 0.04**2, {}).whitening()[2] == pytest.approx(0.04**2)
    r, gain, variance = Scatter(0.0, 1e-8, {0.8: 0.05**2}).whitening()
    assert r == pytest.approx(0.8, abs=1e-3)
    assert gain == pytest.approx(1.0, abs=1e-3)
    assert variance == pytest.approx(0.05**2 * (1.0 - 0.64), rel=1e-3)


def test_of_two_correlations_the_long_run_stays() -> None:
    """Two parts are taken as one with their variance and long-run variance σ² (1 + r)/(1 - r)."""
    parts = {0.5: 0.03**2, 0.9: 0.02**2}
    r, _, _ = Scatter(0.0, 1e-8, parts).whitening()
    long_run = sum(part * (1.0 + each) / (1.0 - each) for each, part in parts.items())
    assert (1.0 + r) / (1.0 - r) == pytest.approx(long_run / sum(parts.values()), rel=1e-3)
