"""The learned kettle: rates against the kettle model's energy balance, and what they may do to the bound of a gap.

The truth is the model's own temperature of the water, second by second; in the plain cases heat over heat capacity, by
the handbook: 4.19 kJ/(kg K) for water and 0.50 kJ/(kg K) for steel (figures of :mod:`monitor.simulate.kettle`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.judge import Session, Verdict, judge
from monitor.judge.gap import COOLING_K_PER_S, HEATING_K_PER_S, lowest_in_gap_C
from monitor.judge.learned import LearnedKettle
from monitor.judge.verdict import BOILING, UNKNOWN, Rate
from monitor.simulate.kettle import canner
from monitor.simulate.kettle_run import KettleRun
from monitor.simulate.scenarios import tell
from monitor.simulate.truth import Truth
from monitor.simulate.weather import Weather

Build = Callable[..., Any]
#: Chosen between the two bounds at this clearance. [s]
GAP_S = 14.0
StateAt = Callable[[Verdict, float], tuple[str, str]]


def true_K_per_min(truth: Truth, rate: Rate) -> float:
    """How fast the model's water went between the two times."""
    within = (truth.t_s >= rate.since_s) & (truth.t_s <= rate.until_s)
    water_C, t_s = truth.bulk_C[within], truth.t_s[within]
    return float(abs(water_C[-1] - water_C[0]) / (t_s[-1] - t_s[0]) * 60.0)


def test_the_intervals_hold_the_kettle_models_rates() -> None:
    """Fine, coarse, noisy and slow probes, dips, lids off: 95 % intervals hold 19 in 20 at least, and half of the rates
    are within a tenth of the truth.
    """
    families = (
        "plain_hold",
        "coarse_hold",
        "noisy_hold",
        "slow_sampling_hold",
        "dip",
        "two_dips",
        "lid_off_dip",
    )
    heating, cooling, off = [], [], []
    for family in families:
        for seed in range(8):
            labelled = tell(family, 91_000_000 + seed)
            verdict = judge(labelled.run)
            for rate, inside in ((verdict.heating, heating), (verdict.cooling, cooling)):
                if rate is not None:
                    true = true_K_per_min(labelled.truth, rate)
                    inside.append(rate.per_min[0] <= true <= rate.per_min[2])
                    off.append(abs(rate.per_min[1] - true) / true)
    assert len(heating) >= 50 and np.mean(heating) >= 0.95
    assert len(cooling) >= 25 and np.mean(cooling) >= 0.95
    assert np.median(off) < 0.1


@pytest.mark.parametrize(("litres", "heater_W"), [(8.0, 1500.0), (20.0, 1800.0), (33.0, 2500.0)])
def test_the_rates_are_heat_over_heat_capacity(litres: float, heater_W: float) -> None:
    """No jars in: (heater less losses) / (water and pot) up, losses / (water and pot) down."""
    pressure_kPa, boil_C = Weather(0.0).series(3 * 3600)
    pot = canner(litres, jars=1, heater_W=heater_W)  # the jar stays outside
    run = KettleRun(pot, boil_C, pressure_kPa, 80.0)
    assert run.advance_to_boil()
    boils_s = run.now_s
    run.advance(300.0, 0.0)
    rng = np.random.default_rng(6)
    learned = LearnedKettle(0.0078, 3.0)
    readings = run.truth().bulk_C + rng.normal(0.0, 0.03, int(run.now_s))
    for t in range(int(boils_s)):
        learned.take(float(t), float(readings[t]))
    learned.boils(float(boil_C[0]))
    learned.fell(
        boils_s, [(float(t), float(readings[t])) for t in range(int(boils_s), len(readings))], heat_off=True
    )
    loss_W, capacity = pot.lid_on_loss_W(float(boil_C[0]) - 3.0), pot.water_and_pot_J_per_K
    assert learned.heating is not None and learned.cooling is not None
    up, down = (heater_W - loss_W) / capacity * 60.0, loss_W / capacity * 60.0
    assert learned.heating.per_min[0] <= up <= learned.heating.per_min[2]
    assert learned.cooling.per_min[0] <= down <= learned.cooling.per_min[2]


def test_what_shows_no_rate_gives_none() -> None:
    """A level that only scatters, a fall of half a minute, and one that somebody stopped with cold water."""
    rng = np.random.default_rng(7)
    for seconds, K_per_min in ((180, 0.0), (30, 1.0)):
        learned = LearnedKettle(0.0078, 3.0)
        learned.fell(0.0, [(float(t), 99.0 - K_per_min * t / 60.0) for t in range(seconds)], heat_off=False)
        learned.take(float(seconds), 99.0 + float(rng.normal(0.0, 0.03)))
        assert learned.cooling is None
    learned = LearnedKettle(0.0078, 3.0)
    learned.fell(0.0, [(float(t), 99.0 - t / 60.0) for t in range(100)], heat_off=False)
    before = learned.cooling
    learned.disturbed()
    for t in range(101, 200):
        learned.take(float(t), 92.0)
    assert before is not None and learned.cooling == before


def test_a_learned_rate_never_makes_a_gap_milder() -> None:
    """Ten thousand gaps and rates: the answer is the physical bound's or a lower one, and exact where steeper."""
    rng = np.random.default_rng(8)
    for _ in range(10_000):
        before_C, gap_s = 99.0 + rng.uniform(-1.0, 1.0), rng.uniform(0.0, 30.0)
        after_C = before_C - rng.uniform(0.0, 1.0)
        cooling, heating = rng.uniform(0.0, 2.0, 2) * (COOLING_K_PER_S, HEATING_K_PER_S)
        plain = lowest_in_gap_C(before_C, after_C, gap_s)
        learned = lowest_in_gap_C(
            before_C, after_C, gap_s, learned_cooling_K_per_s=cooling, learned_heating_K_per_s=heating
        )
        assert learned <= plain + 1e-12
        if cooling <= COOLING_K_PER_S and heating <= HEATING_K_PER_S:
            assert learned == plain
    # c r / (c + r) of 8 K/min down and 12 K/min up, over 30 s.
    steep = lowest_in_gap_C(
        99.0, 99.0, 30.0, learned_cooling_K_per_s=8.0 / 60.0, learned_heating_K_per_s=12.0 / 60.0
    )
    assert 99.0 - steep == pytest.approx(8.0 * 12.0 / 20.0 * 0.5)


@pytest.mark.parametrize(("fall_K_per_min", "bridged"), [(2.0, True), (8.0, False)])
def test_a_canner_that_was_seen_to_cool_faster_bridges_less(
    cook: Build, state_at: StateAt, fall_K_per_min: float, bridged: bool
) -> None:
    """The same gap of 14 s, after a fall seen at 2 and at 8 K/min, where 5 K/min is the physical bound."""
    story = cook(minutes=10.0).come_up().seen().stay(200.0)
    story.go(-9.0, fall_K_per_min).go(0.15, 4.0).seen().stay(250.0)
    gap_s = story.now_s
    run = story.stay(250.0).run()
    run = replace(run, samples=tuple(s for s in run.samples if not gap_s < s.t_s < gap_s + GAP_S))
    verdict = judge(run)
    assert verdict.cooling is not None
    low, _, high = verdict.cooling.per_min
    assert low <= fall_K_per_min <= high
    assert state_at(verdict, gap_s + 5.0)[0] == (BOILING if bridged else UNKNOWN)


def test_it_is_said_in_words_and_shown_live(cook: Build) -> None:
    """During the fall already, and in the verdict's document."""
    story = cook(minutes=10.0).come_up().seen().stay(200.0).go(-2.0, 0.5)
    run = story.run()
    session = Session(replace(run, samples=()))
    session.feed([s for s in run.samples if s.t_s < 180.0])
    assert session.view().kettle == "" and session.view().cooling_K_per_min is None
    session.feed(run.samples)
    view = session.view()
    assert view.cooling_K_per_min is not None and view.heating_K_per_min is not None
    assert view.cooling_K_per_min[0] <= 0.5 <= view.cooling_K_per_min[2]
    assert view.heating_K_per_min[0] <= 4.0 <= view.heating_K_per_min[2]
    low, likely, high = view.heating_K_per_min
    assert view.kettle.startswith(
        f"This canner warmed by {likely:.2f} K a minute ({low:.2f} to {high:.2f}) on the"
    )
    assert f"and lost {view.cooling_K_per_min[1]:.2f} K a minute" in view.kettle and view.kettle.endswith(
        "when it lost the boil."
    )
    assert view.as_json()["cooling_K_per_min"] == list(view.cooling_K_per_min)
    story.mark("heat_off")
    document = judge(story.run()).as_json()["kettle"]
    assert document["text"] == view.kettle
    assert document["cooling"]["K_per_min"] == list(view.cooling_K_per_min)
