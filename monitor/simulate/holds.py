"""Families in which the boil held: what an engine may not miss, and holds too close to call."""

from __future__ import annotations

import numpy as np

from monitor.simulate import mishaps
from monitor.simulate.kitchen import some_kitchen
from monitor.simulate.labelled import Labelled
from monitor.simulate.story import Story


def _held(story: Story, extra_s: float | None = None) -> None:
    """Come up, hold long enough, turn off."""
    margin_s = story.kitchen.margin_s
    extra = float(story.rng.uniform(margin_s + 46.0, margin_s + 220.0)) if extra_s is None else extra_s
    story.come_up()
    story.boil(story.kitchen.minutes * 60.0 + extra)
    story.end()


def plain_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """Any altitude, any offset, fine or coarse probe, a person looked or not."""
    sensor = str(rng.choice(("fine", "fine", "resistance", "coarse")))
    story = Story(some_kitchen(rng, sensor=sensor), rng, seen=True if sensor == "coarse" else None)
    _held(story)
    return story.label("plain_hold", seed)


def unmarked_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """Nobody looked; a fine probe, well checked, must tell the boil alone."""
    story = Story(some_kitchen(rng, sensor="fine", quiet=True), rng, seen=False)
    _held(story)
    return story.label("unmarked_hold", seed)


def storm_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """The pressure runs up or down by as much as 3 hPa an hour, and swings."""
    story = Story(some_kitchen(rng, sensor="fine", storm=True), rng)
    _held(story)
    return story.label("storm_hold", seed)


def typed_pressure_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """No barometer; somebody typed the station pressure at the start."""
    story = Story(some_kitchen(rng, sensor="fine", pressure="station pressure"), rng, seen=True)
    _held(story)
    return story.label("typed_pressure_hold", seed)


def coarse_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """Steps of 0.25 K, quiet or not, a person looked."""
    story = Story(some_kitchen(rng, sensor="coarse", quiet=bool(rng.random() < 0.5)), rng, seen=True)
    _held(story)
    return story.label("coarse_hold", seed)


def noisy_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """Agitation of 0.08 to 0.16 K at the probe."""
    story = Story(some_kitchen(rng, sensor="fine", noisy=True), rng, seen=True)
    _held(story)
    return story.label("noisy_hold", seed)


def slow_sampling_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """A sample every 1.5 to 3 s."""
    story = Story(some_kitchen(rng, sensor="fine", interval_s=float(rng.uniform(1.5, 3.0))), rng, seen=True)
    _held(story)
    return story.label("slow_sampling_hold", seed)


def cycling_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """The ring cycles, and what it has stored keeps the water boiling through the pauses."""
    kitchen = some_kitchen(rng, sensor="fine", ring_s=float(rng.uniform(45.0, 90.0)))
    story = Story(kitchen, rng)
    story.come_up()
    story.boil(300.0)
    story.cycle(kitchen.minutes * 60.0 + float(rng.uniform(140.0, 300.0)), off_share=0.3, period_s=40.0)
    story.end()
    return story.label("cycling_hold", seed)


def lossy_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """Some samples never arrive, and a few gaps of up to 6 s hide nothing."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    _held(story)
    samples = story.observe()
    keep = rng.random(len(samples)) > float(rng.uniform(0.005, 0.05))
    samples = [sample for sample, kept in zip(samples, keep.tolist(), strict=True) if kept]
    for _ in range(int(rng.integers(1, 5))):
        at_s = float(rng.uniform(0.0, story.now_s))
        samples = mishaps.silence(samples, at_s, at_s + float(rng.uniform(2.0, 6.0)))
    return story.label("lossy_hold", seed, samples)


def shuffled_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """Rows come late and twice, and all of them come."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    _held(story)
    samples = mishaps.late_and_twice(story.observe(), rng)
    return story.label("shuffled_hold", seed, samples)


def spiky_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """Single values that no water could have, now and then."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    _held(story)
    samples = mishaps.jumps(story.observe(), rng, share=float(rng.uniform(0.0005, 0.003)))
    return story.label("spiky_hold", seed, samples)


def early_restart_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """The node restarts during the come-up, well before the boil."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    story.come_up()
    boiled_s = story.now_s
    story.boil(story.kitchen.minutes * 60.0 + float(rng.uniform(140.0, 300.0)))
    story.end()
    at_s = float(rng.uniform(0.2, 0.7)) * boiled_s
    samples = mishaps.restart(
        story.observe(), at_s, float(rng.uniform(3.0, 25.0)), int(rng.integers(1, 2**32))
    )
    return story.label("early_restart_hold", seed, samples, wants=("node_restarted",))


def dip_then_whole_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """The boil is lost, comes back, and the whole time is held again."""
    kitchen = some_kitchen(rng, sensor="fine")
    story = Story(kitchen, rng, seen=True)
    required_s = kitchen.minutes * 60.0
    story.come_up()
    story.boil(float(rng.uniform(0.2, 0.9)) * required_s)
    story.kettle.advance(float(rng.uniform(90.0, 600.0)), 0.0)
    story.to_boil()
    story.boil(required_s + float(rng.uniform(140.0, 300.0)))
    story.end()
    return story.label("dip_then_whole_hold", seed, wants=("boil_lost",))


def jars_into_boiling_water(rng: np.random.Generator, seed: int) -> Labelled:
    """The water boils first; the jars chill it; it comes back and holds."""
    kitchen = some_kitchen(rng, sensor="fine")
    story = Story(kitchen, rng, seen=True)
    story.kettle.advance_to_boil()
    story.boil(float(rng.uniform(60.0, 600.0)))
    story.load_jars(story.kettle.boil_C - float(rng.uniform(15.0, 45.0)))
    story.kettle.advance(20.0)
    story.to_boil()
    story.boil(kitchen.minutes * 60.0 + float(rng.uniform(140.0, 300.0)))
    story.end()
    return story.label("jars_into_boiling_water", seed)


def enough_by_seconds(rng: np.random.Generator, seed: int) -> Labelled:
    """Long enough by 1 to 89 s: whatever the verdict, its rate is only reported."""
    story = Story(some_kitchen(rng), rng)
    story.come_up()
    story.boil(story.kitchen.minutes * 60.0 + float(rng.uniform(1.0, 89.0)))
    story.end()
    return story.label("enough_by_seconds", seed)


def seen_too_early_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """Somebody marks the boil 10 to 60 s before it is one; the hold is long enough from its true start."""
    kitchen = some_kitchen(rng, sensor="fine", quiet=True)
    story = Story(kitchen, rng, seen=False)
    story.come_up()
    story.mark("rolling_boil_seen", -float(rng.uniform(10.0, 60.0)))
    story.boil(kitchen.minutes * 60.0 + float(rng.uniform(140.0, 300.0)))
    story.end()
    return story.label("seen_too_early_hold", seed, provable=not kitchen.guarded(seen=False))
