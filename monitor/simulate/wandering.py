"""Families in which the heat drifts: the pot wanders slowly between boil and simmer, or over a boil never lost."""

from __future__ import annotations

import math

import numpy as np

from monitor.simulate.chance import between
from monitor.simulate.kitchen import some_kitchen
from monitor.simulate.labelled import Labelled
from monitor.simulate.story import Story

#: How often the drifting heat changes. [s]
HEAT_STEP_S = 10.0


def _wander(story: Story, seconds_s: float, above_W: float, swing_W: float, period_s: float) -> None:
    """Heat that swings slowly about ``above_W`` more than what keeps the water warm."""
    kettle = story.kettle
    for step in range(int(seconds_s / HEAT_STEP_S)):
        swing = swing_W * math.sin(2.0 * math.pi * step * HEAT_STEP_S / period_s)
        asked_W = min(max(kettle.needed_W + above_W + swing, 0.0), kettle.kettle.heater_W)
        kettle.advance(HEAT_STEP_S, asked_W)


def wandering_simmer(rng: np.random.Generator, seed: int) -> Labelled:
    """A weak or drifting heat: boil and simmer by turns, minutes each, 0.1 to 4 K deep."""
    kitchen = some_kitchen(rng, ring_s=float(rng.choice((0.0, 0.0, 30.0))))
    story = Story(kitchen, rng)
    story.come_up()
    required_s = kitchen.minutes * 60.0
    story.boil(float(rng.uniform(0.05, 0.8)) * required_s)
    deep_K, period_s = between(rng, 0.1, 4.0), between(rng, 120.0, 1500.0)
    heat_J_per_K = kitchen.kettle.water_and_pot_J_per_K
    # Over the half of the period in which too little heat comes, the water falls so deep.
    swing_W = deep_K * math.pi * heat_J_per_K / period_s
    _wander(story, 1.3 * required_s + 200.0, float(rng.uniform(-0.3, 0.3)) * swing_W, swing_W, period_s)
    story.end()
    note = f"about {deep_K:.2f} K each {period_s:.0f} s"
    return story.label("wandering_simmer", seed, provable=False, note=note)


def fading_heat(rng: np.random.Generator, seed: int) -> Labelled:
    """The heat fades over minutes, like a bottle that runs empty, and nobody is there."""
    kitchen = some_kitchen(rng)
    story = Story(kitchen, rng)
    kettle = story.kettle
    required_s = kitchen.minutes * 60.0
    story.come_up()
    story.boil(float(rng.uniform(0.1, 0.8)) * required_s)
    fades_s = between(rng, 120.0, 1200.0)
    first_W, last_W = float(rng.uniform(200.0, 800.0)), float(rng.uniform(-400.0, -30.0))
    for step in range(int((max(fades_s, required_s) + 120.0) / HEAT_STEP_S)):
        share = min(1.0, step * HEAT_STEP_S / fades_s)
        asked_W = kettle.needed_W + first_W + share * (last_W - first_W)
        kettle.advance(HEAT_STEP_S, min(max(asked_W, 0.0), kettle.kettle.heater_W))
    story.end()
    return story.label(
        "fading_heat", seed, provable=False, note=f"fades in {fades_s:.0f} s to {last_W:.0f} W"
    )


def wandering_boil(rng: np.random.Generator, seed: int) -> Labelled:
    """The heat drifts between a lively boil and a thrifty one, and never falls short."""
    kitchen = some_kitchen(rng, sensor="fine", ring_s=0.0)
    story = Story(kitchen, rng, seen=bool(rng.random() < 0.7))
    story.come_up()
    swing_W = float(rng.uniform(50.0, 500.0))
    above_W = swing_W + float(rng.uniform(150.0, 400.0))
    hold_s = kitchen.minutes * 60.0 + float(rng.uniform(140.0, 300.0))
    _wander(story, hold_s, above_W, swing_W, between(rng, 120.0, 1500.0))
    story.end()
    return story.label("wandering_boil", seed)
