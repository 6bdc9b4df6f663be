"""Readings that cannot be the water's: jumps, and values that stand still.

Bounds: 3.5 kW into a small kettle heats its water at no more than 6 K/min, a lid off with cold jars cools it
at no more than 5 K/min (energy balance of canners of 8 to 33 L, computed for this project).
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.judge import readings
from monitor.judge.noise import Noise
from monitor.judge.readings import JumpFilter, Step, StillWatch
from monitor.judge.trace import Trace


def learned(step_K: float, sigma_K: float, *, seed: int = 1, level: float = 100.1) -> Noise:
    """A scatter model taught by five minutes of plateau."""
    noise, trace = Noise(step_K), Trace()
    rng = np.random.default_rng(seed)
    for second in range(300):
        trace.append(float(second), round((level + rng.normal(0.0, sigma_K)) / step_K) * step_K)
        noise.learn_boil(trace, 0)
    return noise


@pytest.fixture
def jumps() -> JumpFilter:
    """A filter that knows its probe's scatter of 0.03 K, standing at 100 °C."""
    jump_filter = JumpFilter(learned(0.0078125, 0.03))
    jump_filter.restart(0.0, 100.0)
    return jump_filter


def test_the_bounds_are_those_of_the_energy_balance() -> None:
    """6 K/min up, 5 K/min down."""
    assert pytest.approx(6.0) == readings.RISE_K_PER_S * 60.0
    assert pytest.approx(5.0) == readings.FALL_K_PER_S * 60.0


def test_what_water_can_do_passes(jumps: JumpFilter) -> None:
    """A rise of 2.8 K/min and a fall of 4 K/min are accepted second by second."""
    y = 100.0
    for t in range(1, 120):
        y += 2.8 / 60.0
        assert jumps.take(float(t), y) is Step.ACCEPTED
    for t in range(120, 240):
        y -= 4.0 / 60.0
        assert jumps.take(float(t), y) is Step.ACCEPTED


def test_a_single_wild_value_is_ignored_and_told(jumps: JumpFilter) -> None:
    """Held back, and named a spike once the next reading is ordinary."""
    assert jumps.take(1.0, 85.0) is Step.PENDING
    assert jumps.take(2.0, 100.02) is Step.SPIKE
    assert jumps.take(3.0, 100.0) is Step.ACCEPTED


def test_three_readings_in_a_row_are_real(jumps: JumpFilter) -> None:
    """Cold water or a lifted probe: confirmed by the third reading on the same side."""
    assert [jumps.take(float(t), 94.0) for t in (1, 2, 3)] == [Step.PENDING, Step.PENDING, Step.FELL]
    assert jumps.take(4.0, 94.0) is Step.ACCEPTED
    assert [jumps.take(float(t), 99.0) for t in (5, 6, 7)] == [Step.PENDING, Step.PENDING, Step.ROSE]


def test_wild_values_to_both_sides_do_not_confirm_each_other(jumps: JumpFilter) -> None:
    """One up, one down, one up: never a fall."""
    steps = [jumps.take(float(t), 100.0 + (7.0 if t % 2 else -7.0)) for t in range(1, 7)]
    assert set(steps) == {Step.PENDING}


def test_many_spikes_in_a_minute_are_no_longer_single(jumps: JumpFilter) -> None:
    """The fourth within 60 s is erratic; four spread over minutes are not."""
    steps = [jumps.take(float(t), 92.0 if t % 5 == 0 else 100.0) for t in range(1, 25)]
    assert Step.ERRATIC in steps
    calm = JumpFilter(learned(0.0078125, 0.03))
    calm.restart(0.0, 100.0)
    steps = [calm.take(float(t), 92.0 if t % 40 == 0 else 100.0) for t in range(1, 300)]
    assert Step.ERRATIC not in steps and steps.count(Step.SPIKE) == 7


def test_a_gap_leaves_the_water_time_to_move(jumps: JumpFilter) -> None:
    """3 K lower after 40 s is cooling; after 1 s it is not."""
    assert jumps.take(40.0, 97.0) is Step.ACCEPTED
    assert jumps.take(41.0, 94.0) is Step.PENDING


def test_a_coarse_probe_may_move_by_its_steps() -> None:
    """Two steps of 0.25 K at once are the converter's, not a jump."""
    jump_filter = JumpFilter(learned(0.25, 0.1))
    jump_filter.restart(0.0, 100.0)
    assert jump_filter.take(1.0, 99.5) is Step.ACCEPTED
    assert jump_filter.take(2.0, 100.0) is Step.ACCEPTED


# --- standing still ---------------------------------------------------------------------------------------


def stands(watch: StillWatch, noise: Noise, seconds: int, chip: list[float | None]) -> float | None:
    """When standing still is first called, or None."""
    for t in range(seconds):
        if watch.take(float(t), 100.0, chip[t % len(chip)], noise, True):
            return float(t)
    return None


def test_a_fine_noisy_probe_that_stands_still_is_frozen_within_half_a_minute() -> None:
    """Steps of 0.008 K under a scatter of 0.03 K: twenty repeats are incredible, whatever the chip does."""
    noise = learned(0.0078125, 0.03)
    assert stands(StillWatch(), noise, 400, [25.0]) == pytest.approx(20.0, abs=5.0)
    assert stands(StillWatch(), noise, 400, [25.0, 25.06]) == pytest.approx(20.0, abs=5.0)


def test_a_quiet_coarse_probe_may_stand_still_while_its_chip_moves() -> None:
    """A 0.25 K step over a scatter of 0.02 K: 20 min without a move are no wonder while the chip answers."""
    assert stands(StillWatch(), learned(0.25, 0.02), 1200, [25.0, 25.06]) is None


def test_a_quiet_coarse_probe_without_a_sign_of_life_is_unknown_after_300_s() -> None:
    """No chip temperature, or one that stands still too: 300 s and no more."""
    assert stands(StillWatch(), learned(0.25, 0.02), 1200, [None]) == 301.0
    assert stands(StillWatch(), learned(0.25, 0.02), 1200, [25.0]) == 301.0


def test_before_anything_is_learned_nothing_is_called_frozen_early() -> None:
    """Without the probe's own scatter only the 300 s speak."""
    assert stands(StillWatch(), Noise(0.0078125), 1200, [None]) == 301.0


def test_a_reading_that_moves_is_never_still() -> None:
    """Ten hours of ordinary boil at three resolutions: no false call (frozen odds are set at 1e-8)."""
    for step_K, sigma_K in ((0.0078125, 0.02), (0.03125, 0.05), (0.25, 0.12)):
        noise = learned(step_K, sigma_K)
        rng = np.random.default_rng(5)
        watch = StillWatch()
        values = np.round((100.1 + rng.normal(0.0, sigma_K, 36_000)) / step_K) * step_K
        for t, value in enumerate(values.tolist()):
            assert watch.take(float(t), value, 25.0 + 0.06 * (t % 2), noise, True) == ""


def test_fine_steps_do_not_hide_a_boil_for_minutes() -> None:
    """Steps of 0.008 K, hardly any scatter: any boil moves by more in 300 s, whatever the chip does (common practice:
    a boil agitates by hundredths of a kelvin; and 0.3 hPa of weather are a step, IAPWS-IF97)."""
    assert stands(StillWatch(), learned(0.0078125, 0.003), 1200, [25.0, 25.06]) is not None


@pytest.mark.parametrize("seed", range(5))
def test_a_coarse_probe_that_scatters_over_its_steps_cannot_stand_still(seed: int) -> None:
    """Steps of 0.25 K under 0.1 K of scatter, the level between the middle of a step and its edge: even in the middle a
    fifth of the readings leave the value (normal distribution: 2 Φ(-1.25) = 0.21)."""
    rng = np.random.default_rng(seed)
    noise, watch = learned(0.25, 0.1), StillWatch()
    values = np.round((100.05 + rng.normal(0.0, 0.1, 500)) / 0.25) * 0.25
    for t, value in enumerate(values.tolist()):
        assert watch.take(float(t), value, 25.0 + 0.06 * (t % 2), noise, True) == ""
    frozen = [t for t in range(500, 1300) if watch.take(float(t), 100.0, 25.0 + 0.06 * (t % 2), noise, True)]
    assert frozen


@pytest.mark.parametrize("seed", range(20))
def test_a_quiet_coarse_probe_that_drifts_into_a_step_may_stand_still(seed: int) -> None:
    """Steps of 0.25 K under 0.03 K: at the edge of a step every second reading moves, 0.1 K on for 20 min none does."""
    rng = np.random.default_rng(seed)
    noise, watch = learned(0.25, 0.03), StillWatch()
    level_C = 100.125 - np.clip((np.arange(1800) - 300) / 600.0, 0.0, 1.0) * 0.1
    values = np.round((level_C + rng.normal(0.0, 0.03, 1800)) / 0.25) * 0.25
    assert not any(
        watch.take(float(t), value, 25.0 + 0.06 * (t % 2), noise, True)
        for t, value in enumerate(values.tolist())
    )
