"""Families in which the boil was not held: dips, simmers, short holds. None may ever be called held."""

from __future__ import annotations

import numpy as np

from monitor.simulate.chance import between, broken_hold
from monitor.simulate.kitchen import Kitchen, some_kitchen
from monitor.simulate.labelled import Labelled
from monitor.simulate.story import Story

#: How long the power is away in a dip. [s] Chosen.
_DIP_S = (20.0, 600.0)


def dip(rng: np.random.Generator, seed: int) -> Labelled:
    """The power goes for 20 s to 10 min; the boil comes back, but not for long enough."""
    kitchen = some_kitchen(rng)
    story = Story(kitchen, rng)
    before_s, after_s = broken_hold(rng, kitchen.minutes * 60.0)
    story.come_up()
    story.boil(before_s)
    off_s = between(rng, *_DIP_S)
    story.kettle.advance(off_s, 0.0)
    if rng.random() < 0.5:
        story.kettle.advance_to_boil()
    else:
        story.to_boil()
    story.boil(after_s)
    story.end()
    return story.label("dip", seed, provable=False, note=f"power away for {off_s:.0f} s")


def two_dips(rng: np.random.Generator, seed: int) -> Labelled:
    """Two pieces lost out of one hold."""
    kitchen = some_kitchen(rng, sensor=str(rng.choice(("fine", "resistance"))))
    story = Story(kitchen, rng)
    required_s = kitchen.minutes * 60.0
    story.come_up()
    for _ in range(2):
        story.boil(float(rng.uniform(0.3, 0.9)) * required_s)
        story.kettle.advance(between(rng, 40.0, 400.0), 0.0)
        story.kettle.advance_to_boil()
    story.boil(float(rng.uniform(0.3, 0.9)) * required_s)
    story.end()
    return story.label("two_dips", seed, provable=False)


def lid_off_dip(rng: np.random.Generator, seed: int) -> Labelled:
    """Somebody takes the lid off, and the heater cannot keep up; or the heat goes with it."""
    kitchen = some_kitchen(rng)
    story = Story(kitchen, rng)
    before_s, after_s = broken_hold(rng, kitchen.minutes * 60.0)
    story.come_up()
    story.boil(before_s)
    story.kettle.lid_on = False
    story.kettle.advance(
        between(rng, 20.0, 300.0), 0.25 * kitchen.kettle.lid_off_loss_W(story.kettle.water_C)
    )
    story.kettle.lid_on = True
    story.kettle.advance_to_boil()
    story.boil(after_s)
    story.end()
    return story.label("lid_off_dip", seed, provable=False)


def slow_fall(rng: np.random.Generator, seed: int) -> Labelled:
    """The heat is turned down a little too far: the water sinks slowly and is fetched back later or never."""
    kitchen = some_kitchen(rng)
    story = Story(kitchen, rng)
    kettle = story.kettle
    required_s = kitchen.minutes * 60.0
    before_s, after_s = broken_hold(rng, required_s)
    story.come_up()
    story.boil(before_s)
    rate_K_per_min = between(rng, 0.05, 1.0)
    deep_K = between(rng, 0.15, 3.0)
    short_W = rate_K_per_min / 60.0 * kettle.kettle.water_and_pot_J_per_K
    kettle.advance(deep_K / rate_K_per_min * 60.0, max(0.0, kettle.needed_W - short_W))
    if rng.random() < 0.7:
        kettle.advance_to_boil()
        story.boil(after_s)
    story.end()
    return story.label(
        "slow_fall", seed, provable=False, note=f"{rate_K_per_min:.2f} K/min to {deep_K:.2f} K"
    )


def cold_water_added(rng: np.random.Generator, seed: int) -> Labelled:
    """Water below the boil is poured in, marked or not; the boil stops and comes back."""
    kitchen = some_kitchen(rng)
    story = Story(kitchen, rng)
    before_s, after_s = broken_hold(rng, kitchen.minutes * 60.0)
    story.come_up()
    story.boil(before_s)
    litres = between(rng, 0.2, 2.0)
    story.kettle.pour(litres, float(rng.uniform(10.0, 60.0)))
    if rng.random() < 0.5:
        story.mark("water_added", float(rng.uniform(0.0, 10.0)))
    story.kettle.advance_to_boil()
    story.boil(after_s)
    story.end()
    return story.label("cold_water_added", seed, provable=False, note=f"{litres:.1f} L")


def cycling_loss(rng: np.random.Generator, seed: int) -> Labelled:
    """A thermostat lets the water sink below the boil in every pause."""
    kitchen = some_kitchen(rng, ring_s=float(rng.choice((0.0, 0.0, 20.0))))
    story = Story(kitchen, rng)
    story.come_up()
    required_s = kitchen.minutes * 60.0
    story.boil(float(rng.uniform(0.0, 0.8)) * required_s)
    left_s = required_s + float(rng.uniform(0.0, 300.0))
    while left_s > 0.0:
        off_s = float(rng.uniform(20.0, 240.0))
        began_s = story.now_s
        story.kettle.advance(off_s, 0.0)
        story.kettle.advance_to_boil()
        story.kettle.advance(float(rng.uniform(10.0, 120.0)))
        left_s -= story.now_s - began_s
    story.end()
    return story.label("cycling_loss", seed, provable=False)


def simmer_unmarked(rng: np.random.Generator, seed: int) -> Labelled:
    """Nobody looked: the water is kept 0.8 to 10 K below the boil, as steadily as a careful cook can."""
    return _simmer(rng, seed, "simmer_unmarked", between(rng, 0.8, 10.0), seen=False)


def simmer_marked(rng: np.random.Generator, seed: int) -> Labelled:
    """Somebody took the simmer, 1.2 to 10 K below, for a boil and marked it."""
    return _simmer(rng, seed, "simmer_marked", between(rng, 1.2, 10.0), seen=True)


def _simmer(
    rng: np.random.Generator,
    seed: int,
    family: str,
    below_K: float,
    *,
    seen: bool,
    kitchen: Kitchen | None = None,
) -> Labelled:
    kitchen = kitchen or some_kitchen(rng, ring_s=float(rng.uniform(0.0, 15.0)))
    story = Story(kitchen, rng, seen=False)
    story.kettle.advance(float(rng.integers(0, 100)))
    story.load_jars()
    story.kettle.advance(1500.0, below_boil_K=below_K)
    if seen:
        story.mark("rolling_boil_seen")
    story.kettle.advance(kitchen.minutes * 60.0 + float(rng.uniform(100.0, 600.0)), below_boil_K=below_K)
    story.end()
    return story.label(family, seed, provable=False, note=f"{below_K:.2f} K below")


def boil_then_simmer(rng: np.random.Generator, seed: int) -> Labelled:
    """A true boil, turned down to a simmer before the time is up."""
    kitchen = some_kitchen(rng)
    story = Story(kitchen, rng)
    required_s = kitchen.minutes * 60.0
    story.come_up()
    below_K = between(rng, 1.2 if story.seen else 0.8, 10.0)
    story.boil(float(rng.uniform(0.1, 0.95)) * required_s)
    story.kettle.advance(float(rng.uniform(0.3, 1.2)) * required_s, below_boil_K=below_K)
    story.end()
    return story.label("boil_then_simmer", seed, provable=False, note=f"{below_K:.2f} K below")


def short_by_seconds(rng: np.random.Generator, seed: int) -> Labelled:
    """Turned off 1 to 60 s too early, and the mark is right."""
    kitchen = some_kitchen(rng)
    story = Story(kitchen, rng)
    short_s = float(rng.uniform(1.0, 60.0))
    story.come_up()
    story.boil(kitchen.minutes * 60.0 - short_s)
    story.end()
    return story.label("short_by_seconds", seed, provable=False, note=f"{short_s:.0f} s short")


def short_and_marked_late(rng: np.random.Generator, seed: int) -> Labelled:
    """The heat goes on its own 10 to 90 s too early; heat_off is marked only when somebody comes."""
    kitchen = some_kitchen(rng, ring_s=float(rng.choice((0.0, 0.0, 45.0))))
    story = Story(kitchen, rng)
    short_s = float(rng.uniform(10.0, 90.0))
    story.come_up()
    story.boil(kitchen.minutes * 60.0 - short_s)
    story.kettle.advance(short_s + float(rng.uniform(0.0, 200.0)), 0.0)
    story.end()
    return story.label("short_and_marked_late", seed, provable=False, note=f"heat gone {short_s:.0f} s early")


def jars_in_too_late(rng: np.random.Generator, seed: int) -> Labelled:
    """The water boiled long enough, but the jars were in for less of it."""
    kitchen = some_kitchen(rng)
    story = Story(kitchen, rng)
    required_s = kitchen.minutes * 60.0
    story.kettle.advance_to_boil()
    story.boil(float(rng.uniform(0.3, 1.2)) * required_s)
    story.load_jars(story.kettle.boil_C - float(rng.uniform(5.0, 45.0)))
    story.kettle.advance(10.0)
    story.to_boil()
    story.boil(float(rng.uniform(0.3, 0.97)) * required_s)
    story.end()
    return story.label("jars_in_too_late", seed, provable=False)


def never_warm(rng: np.random.Generator, seed: int) -> Labelled:
    """The ring is too weak: the water stalls well below."""
    kitchen = some_kitchen(rng)
    story = Story(kitchen, rng, seen=False)
    story.load_jars()
    below_K = float(rng.uniform(3.0, 15.0))
    story.kettle.advance(1500.0 + kitchen.minutes * 60.0, below_boil_K=below_K)
    story.end()
    return story.label("never_warm", seed, provable=False)


def noisy_dip(rng: np.random.Generator, seed: int) -> Labelled:
    """A power cut under agitation of 0.08 to 0.16 K at the probe."""
    return _cut(rng, seed, "noisy_dip", some_kitchen(rng, sensor="fine", noisy=True))


def slow_sampling_dip(rng: np.random.Generator, seed: int) -> Labelled:
    """A power cut watched with a sample every 1.5 to 3 s."""
    kitchen = some_kitchen(rng, interval_s=float(rng.uniform(1.5, 3.0)))
    return _cut(rng, seed, "slow_sampling_dip", kitchen)


def _cut(rng: np.random.Generator, seed: int, family: str, kitchen: Kitchen) -> Labelled:
    story = Story(kitchen, rng)
    before_s, after_s = broken_hold(rng, kitchen.minutes * 60.0)
    story.come_up()
    story.boil(before_s)
    off_s = between(rng, *_DIP_S)
    story.kettle.cut_power(off_s)
    story.kettle.advance_to_boil()
    story.boil(after_s)
    story.end()
    return story.label(family, seed, provable=False, note=f"power away for {off_s:.0f} s")


def storm_simmer(rng: np.random.Generator, seed: int) -> Labelled:
    """A simmer while the pressure runs up or down by as much as 3 hPa an hour."""
    kitchen = some_kitchen(rng, sensor="fine", storm=True)
    seen = bool(rng.random() < 0.5)
    return _simmer(
        rng, seed, "storm_simmer", between(rng, 1.2 if seen else 0.8, 4.0), seen=seen, kitchen=kitchen
    )
