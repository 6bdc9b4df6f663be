"""What a gap may hide: fastest fall, fastest return.

Dips hidden by a gap of g seconds, falling at c and heated back at r K/min: c r/(c + r) · g/60, from an energy
balance of canners of 8 to 33 L with 1.8 and 3.5 kW heaters (computed for this project).
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.judge import gap
from monitor.judge.gap import CEILING_S, longest_bridgeable_s, lowest_in_gap_C


def hidden_K(fall: float, rise: float, seconds: float) -> float:
    return fall * rise / (fall + rise) * seconds / 60.0


@pytest.mark.parametrize(
    ("fall", "rise", "deepest_K"),
    [
        (0.5, 2.8, 0.21),  # late in the hold, lid on, 1.8 kW
        (1.2, 2.8, 0.42),  # jars 10 K colder
        (2.4, 2.8, 0.65),  # at the start of the hold
        (3.8, 2.8, 0.81),  # lid off
        (3.8, 5.5, 1.1),  # lid off, 3.5 kW
    ],
)
def test_the_closed_formula_gives_the_dips_of_real_canners(
    monkeypatch: pytest.MonkeyPatch, fall: float, rise: float, deepest_K: float
) -> None:
    """30 s at the rates of five canners; the engine's own function with those rates put in."""
    monkeypatch.setattr(gap, "COOLING_K_PER_S", fall / 60.0)
    monkeypatch.setattr(gap, "HEATING_K_PER_S", rise / 60.0)
    assert hidden_K(fall, rise, 30.0) == pytest.approx(deepest_K, abs=0.05)
    assert 100.0 - lowest_in_gap_C(100.0, 100.0, 30.0) == pytest.approx(hidden_K(fall, rise, 30.0))


def test_the_engine_assumes_the_worst_credible_canner() -> None:
    """5 K/min down and 6 K/min up bound every row of the table above: never a milder rate."""
    assert 60.0 * gap.COOLING_K_PER_S >= 5.0 - 1e-9
    assert 60.0 * gap.HEATING_K_PER_S >= 6.0 - 1e-9
    assert 100.0 - lowest_in_gap_C(100.0, 100.0, 30.0) == pytest.approx(hidden_K(5.0, 6.0, 30.0))


def test_no_path_that_water_can_take_goes_lower() -> None:
    """Ten thousand random courses within the rates, ends fixed: none dips below the bound."""
    rng = np.random.default_rng(3)
    for _ in range(100):
        seconds = int(rng.integers(2, 31))
        steps = rng.uniform(-gap.COOLING_K_PER_S, gap.HEATING_K_PER_S, (100, seconds))
        courses = 100.0 + np.cumsum(steps, axis=1)
        for course in courses:
            bound = lowest_in_gap_C(100.0, float(course[-1]), float(seconds))
            assert course.min() >= bound - 1e-9


def test_ends_of_unequal_height() -> None:
    """A gap that ends lower was falling anyway; one that ends out of reach is bounded by its ends."""
    assert lowest_in_gap_C(100.0, 99.0, 12.0) == pytest.approx(99.0)  # straight down at 5 K/min
    assert lowest_in_gap_C(100.0, 98.0, 12.0) == 98.0  # faster than water: the lower end counts
    assert lowest_in_gap_C(99.0, 100.2, 12.0) == pytest.approx(99.0)  # straight up at 6 K/min
    assert lowest_in_gap_C(100.0, 100.0, 0.0) == 100.0


def test_the_longest_gap_a_set_up_can_bridge() -> None:
    """It is the bound turned round, with 30 s as the ceiling and nothing without clearance."""
    for clearance_K in (0.1, 0.3, 0.6):
        seconds = longest_bridgeable_s(clearance_K)
        assert 100.0 - lowest_in_gap_C(100.0, 100.0, seconds) == pytest.approx(clearance_K)
    assert longest_bridgeable_s(5.0) == CEILING_S == 30.0
    assert longest_bridgeable_s(0.0) == longest_bridgeable_s(-1.0) == 0.0
