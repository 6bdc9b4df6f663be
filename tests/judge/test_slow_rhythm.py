"""A node that speaks every 6 to 15 s, as sensors that send plain numbers do: a dip shows in a handful of readings.

Rates of the dips: energy balance of canners of 8 to 33 L after the heat is gone, 0.5 to 2 K/min with the lid on, and 1
to 3 K/min on the way back (figures of ``monitor/simulate/kettle.py``). Agitation of a boil is correlated over some 5 s
(``monitor/judge/noise.py``), so that readings so far apart are next to independent.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from monitor.judge import judge
from monitor.record.model import Run

Build = Callable[..., Any]


def dipped(cook: Build, every_s: float, off_s: float, sigma_K: float, seed: int, *, before_s: float) -> Run:
    """A hold of 15 min owed: boil, heat gone for ``off_s``, boil again for less than the time, heat off."""
    story = cook(minutes=15.0, every_s=every_s, sigma_K=sigma_K, rho=0.0, seed=seed, start_K=-30.0)
    story.come_up()
    top_K = story.now_K
    story.seen(story.now_s + 30.0).stay(before_s).go(top_K - 1.0 * off_s / 60.0, 1.0).go(top_K, 2.0)
    story.stay(600.0).mark("heat_off").go(-20.0, 1.0)
    run: Run = story.run()
    return run


@pytest.mark.parametrize("every_s", [6.0, 8.0, 10.0, 12.0])
@pytest.mark.parametrize(("off_s", "sigma_K"), [(30.0, 0.02), (45.0, 0.05), (60.0, 0.02), (60.0, 0.05)])
@pytest.mark.parametrize("before_s", [300.0, 600.0])
def test_a_dip_that_the_readings_show_is_neither_credited_nor_learned_as_scatter(
    cook: Build, every_s: float, off_s: float, sigma_K: float, before_s: float
) -> None:
    for seed in range(3):
        run = dipped(cook, every_s, off_s, sigma_K, seed, before_s=before_s)
        verdict = judge(run)
        assert verdict.verdict in ("broken", "unproven")
        assert verdict.proven_s <= 600.0 + 2.0 * every_s


@pytest.mark.parametrize("every_s", [6.0, 10.0, 12.0])
@pytest.mark.parametrize("off_s", [45.0, 60.0])
def test_the_loss_is_told_within_two_readings_more_than_the_outage(
    cook: Build, every_s: float, off_s: float, first: Any
) -> None:
    run = dipped(cook, every_s, off_s, 0.02, 1, before_s=300.0)
    lost = first(judge(run), "boil_lost")
    begins_s = next(mark.t_s for mark in run.marks if mark.kind == "rolling_boil_seen") - 30.0 + 300.0
    assert lost.raised_s <= begins_s + off_s + 2.0 * every_s
    assert lost.onset_early_s <= begins_s + every_s


@pytest.mark.parametrize("every_s", [4.0, 6.0, 10.0])
@pytest.mark.parametrize("sigma_K", [0.02, 0.08])
def test_a_boil_that_holds_is_held_and_nothing_rings(cook: Build, every_s: float, sigma_K: float) -> None:
    for seed in range(4):
        story = cook(minutes=30.0, every_s=every_s, sigma_K=sigma_K, rho=0.0, seed=seed, start_K=-30.0)
        story.come_up().seen(story.now_s + 30.0).stay(30.0 * 60.0 + 200.0)
        # The record's next reading is the first that has fallen.
        story.mark("heat_off", story.now_s - every_s).go(-20.0, 1.0)
        verdict = judge(story.run())
        assert verdict.verdict == "held"
        assert not [event for event in verdict.events if event.kind in ("boil_lost", "hold_not_held")]
