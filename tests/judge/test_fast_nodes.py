"""Readings closer in time than half a second: nodes faster than 2 Hz, times in whole seconds.

Agitation of a boil is correlated over some 5 s (``monitor/judge/noise.py``): ten readings within a second tell hardly
more than one of them. Rates of the dips as in the other records here: 1 K a minute is a lid on and the heat gone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import exp
from typing import Any

import pytest

from monitor.judge import Session, Verdict, judge
from monitor.judge.verdict import HELD, UNKNOWN
from monitor.record.model import Run, Sample

Build = Callable[..., Any]
Kinds = Callable[[Verdict], list[str]]


def fast(cook: Build, hertz: float, seed: int, tau_s: float, minutes: float = 8.0) -> Any:
    """At the boil, seen by eye; agitation of 0.05 K with this correlation in time."""
    rho = exp(-1.0 / (hertz * tau_s)) if tau_s else 0.0
    story = cook(minutes=minutes, every_s=1.0 / hertz, sigma_K=0.05, rho=rho, seed=seed).come_up()
    return story.seen(story.now_s + 5.0)


def live(run: Run, *, ticks: bool = False) -> Verdict:
    session = Session(replace(run, samples=()))
    for sample in run.samples:
        session.feed([sample])
        if ticks:
            session.tick(sample.t_s + 0.01)
    session.finish()
    return session.verdict()


@pytest.mark.parametrize("hertz", [3.0, 4.0, 5.0, 10.0, 20.0])
@pytest.mark.parametrize("tau_s", [0.0, 5.0])
def test_a_boil_that_holds_is_held_however_fast_the_node(
    cook: Build, kinds: Kinds, hertz: float, tau_s: float
) -> None:
    for seed in range(3):
        story = fast(cook, hertz, seed, tau_s).stay(660.0).mark("heat_off")
        verdict = judge(story.run())
        assert verdict.verdict == HELD
        assert "boil_lost" not in kinds(verdict)
        assert verdict.counts["samples"] == len(story.true_K)


@pytest.mark.parametrize("hertz", [3.0, 5.0, 10.0, 20.0])
@pytest.mark.parametrize("tau_s", [0.0, 5.0])
def test_a_dip_of_1_K_is_found_however_fast_the_node(
    cook: Build, kinds: Kinds, hertz: float, tau_s: float
) -> None:
    for seed in range(3):
        story = fast(cook, hertz, seed, tau_s).stay(300.0)
        top_K, lost_s = story.now_K, story.now_s
        story.go(top_K - 1.0, 1.0).go(top_K, 2.0).stay(300.0).mark("heat_off")
        verdict = judge(story.run())
        assert "boil_lost" in kinds(verdict)
        assert verdict.proven_s <= 305.0
        (lost,) = (event for event in verdict.events if event.kind == "boil_lost")
        assert lost.raised_s <= lost_s + 35.0


def at_one_time(samples: list[Sample], count: int) -> list[Sample]:
    """Times in whole ``count``s of samples, as of a node whose clock counts whole seconds."""
    return [row._replace(t_s=float(at // count)) for at, row in enumerate(samples)]


@pytest.mark.parametrize("count", [2, 3, 4, 5, 10, 60])
def test_readings_with_one_time_are_no_more_than_one(cook: Build, count: int) -> None:
    """They were taken within that second: the sums over a window of no length had no answer."""
    story = cook().come_up()
    story.seen(story.now_s + 5.0).stay(390.0).mark("heat_off")
    run = story.run()
    many = [row for row in run.samples for _ in range(count)]
    rows = at_one_time([row._replace(seq=at) for at, row in enumerate(many)], count)
    verdict = judge(replace(run, samples=tuple(rows)))
    assert (verdict.verdict, verdict.counts["samples"]) == (HELD, len(rows))
    assert verdict.stretches == judge(run).stretches
    assert live(replace(run, samples=tuple(rows)), ticks=True).stretches == verdict.stretches


@pytest.mark.parametrize("count", [2, 4, 16])
def test_a_node_that_stalls_for_some_samples_ends_nothing(held_run: Build, count: int) -> None:
    run = held_run()
    rows = [row._replace(t_s=400.0) if 400.0 <= row.t_s < 400.0 + count else row for row in run.samples]
    stalled = replace(run, samples=tuple(rows))
    assert judge(stalled).verdict == live(stalled).verdict == HELD


def test_samples_lost_from_a_fast_node_are_no_step_of_the_clock(cook: Build, kinds: Kinds) -> None:
    """Numbers are measured by how fast they come, not by how far the readings that are used lie apart."""
    story = fast(cook, 10.0, 1, 5.0).stay(660.0).mark("heat_off")
    run = story.run()
    rows = [row for row in run.samples if not 400.0 <= row.t_s < 403.0]
    verdict = judge(replace(run, samples=tuple(rows)))
    assert verdict.verdict == HELD
    assert "clock_stepped" not in kinds(verdict)


def test_a_fast_node_whose_clock_loses_time_is_still_seen_by_its_numbers(cook: Build, kinds: Kinds) -> None:
    story = fast(cook, 10.0, 1, 5.0).stay(660.0).mark("heat_off")
    run = story.run()
    rows = [row._replace(seq=row.seq + (200 if row.t_s >= 400.0 else 0)) for row in run.samples]
    verdict = judge(replace(run, samples=tuple(rows)))
    assert "clock_stepped" in kinds(verdict)
    assert verdict.verdict != HELD


def test_contact_that_comes_and_goes_between_the_readings_used_is_not_hidden(cook: Build) -> None:
    """Ten readings a second, every other one 40 K off: those used may all be the good ones."""
    story = fast(cook, 10.0, 1, 5.0).stay(660.0).mark("heat_off")
    run = story.run()
    rows = [
        row._replace(water_C=row.water_C - 40.0) if 400.0 <= row.t_s < 460.0 and at % 5 else row
        for at, row in enumerate(run.samples)
    ]
    verdict = judge(replace(run, samples=tuple(rows)))
    assert verdict.counts["jumps"] > 3
    assert any(s.state == UNKNOWN and s.start_s < 430.0 < s.end_s for s in verdict.stretches)
    assert verdict.verdict != HELD


def test_a_second_probe_that_speaks_between_the_readings_used_is_heard(cook: Build) -> None:
    """It reads 0.6 K lower, once a second, in a sample that is passed over."""
    run = fast(cook, 10.0, 1, 5.0).stay(660.0).mark("heat_off").run()
    rows = [
        row._replace(water_2_C=row.water_C - 0.9) if at % 10 == 3 else row
        for at, row in enumerate(run.samples)
    ]
    assert judge(run).verdict == HELD
    assert judge(replace(run, samples=tuple(rows))).verdict != HELD
