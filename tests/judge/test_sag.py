"""Looking back for a sag: found where both sides show it, not where a boil merely turned thriftier.

No published figure stands behind the thresholds: the rates are this project's own Monte Carlo.
"""

from __future__ import annotations

from math import exp, sqrt

import numpy as np
import pytest

from monitor.judge.noise import Noise
from monitor.judge.sag import LONG_THRESHOLD, Sag, SagWatch
from monitor.judge.trace import Trace

AGITATION_K, CORRELATION_S = 0.05, 4.0


def agitation(seed: int, seconds: int) -> np.ndarray:
    """First-order autoregressive scatter."""
    r = exp(-1.0 / CORRELATION_S)
    rng = np.random.default_rng(seed)
    y, value = [], rng.normal(0.0, AGITATION_K)
    for step in rng.normal(0.0, AGITATION_K * sqrt(1.0 - r * r), seconds):
        value = r * value + step
        y.append(value)
    return np.array(y)


def watched(readings_C: np.ndarray) -> tuple[SagWatch, list[tuple[int, Sag]]]:
    """A plateau from the first reading on, looked back on at each second; (second, sag) as found."""
    noise, trace = Noise(0.0078125), Trace()
    sags = SagWatch(trace, noise, 0)
    found = []
    for second, y_C in enumerate(readings_C.tolist()):
        trace.append(float(second), y_C)
        noise.learn_boil(trace, 0)
        sag = sags.look()
        if sag is not None:
            found.append((second, sag))
            sags.start = trace.index_at(sag.late_s) + 1
    return sags, found


def dipped(seed: int, *, at_s: int = 150, down_s: int = 40, deep_K: float = 0.35) -> np.ndarray:
    """Ten minutes of boil with a fall and, twice as fast, a way back."""
    t = np.arange(600)
    down = np.clip((t - at_s) / down_s, 0.0, 1.0)
    back = np.clip((t - at_s - down_s) / (0.5 * down_s), 0.0, 1.0)
    return 98.0 + agitation(seed, 600) - deep_K * (down - back)


@pytest.mark.parametrize("seed", range(8))
def test_a_sag_early_in_the_hold_is_found_and_covered(seed: int) -> None:
    """0.35 K deep, a minute long, two and a half minutes into the boil: nine times its own noise."""
    sags, found = watched(dipped(seed))
    sag = found[0][1] if found else sags.look_everywhere()
    assert sag is not None
    assert sag.early_s <= 155.0 and sag.late_s >= 200.0
    assert sag.drop_K == pytest.approx(0.2, abs=0.1)
    assert sag.score >= LONG_THRESHOLD


def test_a_plain_boil_hardly_ever_sags() -> None:
    """Sixty holds of ten minutes: at most one is doubted."""
    assert sum(bool(watched(98.0 + agitation(100 + seed, 600))[1]) for seed in range(60)) <= 1


@pytest.mark.parametrize("seed", range(4))
def test_a_thriftier_boil_is_no_sag(seed: int) -> None:
    """The plumes shrink when the heat is turned down: 0.06 K lower from then on, and it stays."""
    step = np.where(np.arange(600) > 250, -0.06, 0.0)
    sags, found = watched(98.0 + agitation(200 + seed, 600) + step)
    assert not found
    assert sags.look_everywhere() is None


@pytest.mark.parametrize("seed", range(4))
def test_a_slow_fall_not_over_yet_is_seen_before_the_hold_is_called_complete(seed: int) -> None:
    """0.1 K/min over the last four minutes; no after-side yet."""
    t = np.arange(600)
    readings = 98.0 + agitation(300 + seed, 600) - 0.1 / 60.0 * np.maximum(t - 360.0, 0.0)
    sags, _ = watched(readings)
    assert sags.look_everywhere() is not None


def test_nothing_after_the_end_is_looked_at() -> None:
    """The fall that ended the hold is not itself a sag of it."""
    t = np.arange(600)
    readings = 98.0 + agitation(400, 600) - 0.02 * np.maximum(t - 500.0, 0.0)
    sags, _ = watched(readings[:505])
    assert sags.look_everywhere(499.0, ended=True) is None


@pytest.mark.parametrize("seed", range(8))
def test_the_first_minutes_of_a_boil_that_came_back_are_held_against_the_one_before(seed: int) -> None:
    """It comes back 0.1 K low and creeps up for two minutes: seen where the level before it was lost is known.

    Without that a drift of the cold junction would look the same.
    """
    t = np.arange(900)
    readings_C = 98.0 - 0.1 * np.clip(1.5 - t / 120.0, 0.0, 1.0) + 0.25 * agitation(seed, 900)
    for before_C, seen in ((98.0, True), (97.9, False), (None, False)):
        noise, trace = Noise(0.0078125), Trace()
        sags = SagWatch(trace, noise, 0, before_C)
        for second, y_C in enumerate(readings_C.tolist()):
            trace.append(float(second), y_C)
            noise.learn_boil(trace, 0)
        sag = sags.look_everywhere()
        assert (sag is not None) is seen
        if sag is not None:
            assert sag.early_s == 0.0 and 50.0 <= sag.late_s <= 330.0
