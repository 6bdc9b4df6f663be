"""Families in which the node hears more than one probe: a second probe, the heater's watts, the mains.

The lower of two probes decides, and a difference above 0.5 K is flagged. A heater that goes off is said at
once and is not by itself the end of the boil. Such nodes run on a battery when the mains go.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.simulate.chance import between, broken_hold
from monitor.simulate.kitchen import Kitchen, some_kitchen
from monitor.simulate.labelled import Labelled
from monitor.simulate.story import Story


def _with_second(kitchen: Kitchen, rng: np.random.Generator, higher_K: float) -> Kitchen:
    """A second probe of the same kind in the same water, reading ``higher_K`` above what the first's correction makes
    of its own."""
    second = replace(
        kitchen.probe,
        offset_K=0.0,
        bias_K=kitchen.probe.bias_K + higher_K,
        lag_s=float(rng.uniform(0.5, 6.0)),
        agitation_K=kitchen.probe.agitation_K * float(rng.uniform(0.7, 1.3)),
    )
    node = replace(kitchen.node, second_probe=second)
    return replace(kitchen, node=node, in_boil_K=kitchen.in_boil_K + min(0.0, higher_K))


def _with_power(kitchen: Kitchen, *, heater: bool, mains: bool) -> Kitchen:
    return replace(kitchen, node=replace(kitchen.node, has_heater=heater, has_mains=mains))


def _hold(story: Story) -> None:
    story.come_up()
    story.boil(story.kitchen.minutes * 60.0 + float(story.rng.uniform(140.0, 300.0)))
    story.end()


def second_probe_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """Two good probes, up to a quarter of a kelvin apart."""
    kitchen = some_kitchen(rng, sensor="fine")
    higher_K = max(float(rng.uniform(-0.25, 0.25)), -kitchen.expanded_K - kitchen.in_boil_K)
    story = Story(_with_second(kitchen, rng, higher_K), rng, seen=True)
    _hold(story)
    return story.label("second_probe_hold", seed, note=f"second {higher_K:+.2f} K")


def second_probe_high_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """The second probe lies on the hot wall, 0.8 to 3 K above the first: flagged, and the first one decides."""
    higher_K = float(rng.uniform(0.8, 3.0))
    story = Story(_with_second(some_kitchen(rng, sensor="fine"), rng, higher_K), rng, seen=True)
    _hold(story)
    note = f"second {higher_K:+.2f} K"
    return story.label("second_probe_high_hold", seed, wants=("probe_fault",), note=note)


def second_probe_low(rng: np.random.Generator, seed: int) -> Labelled:
    """The second probe reads 0.8 to 3 K too low, beyond its U: the tool cannot know which of them is right."""
    lower_K = float(rng.uniform(0.8, 3.0))
    story = Story(_with_second(some_kitchen(rng, sensor="fine"), rng, -lower_K), rng, seen=True)
    _hold(story)
    note = f"second {-lower_K:+.2f} K"
    return story.label(
        "second_probe_low", seed, provable=False, wants=("probe_fault",), beyond=True, note=note
    )


def second_probe_sees_simmer(rng: np.random.Generator, seed: int) -> Labelled:
    """The first probe lies on the ring and shows a boil; the second, in the water, shows the simmer."""
    kitchen = some_kitchen(rng, sensor="fine")
    below_K = between(rng, 1.2, 6.0)
    honest = kitchen.probe
    kitchen = _with_second(kitchen, rng, -below_K)
    high = replace(honest, bias_K=honest.bias_K + below_K)
    second = kitchen.node.second_probe and replace(kitchen.node.second_probe, bias_K=honest.bias_K)
    kitchen = replace(kitchen, probe=high, node=replace(kitchen.node, second_probe=second))
    story = Story(kitchen, rng, seen=False)
    story.load_jars()
    story.kettle.advance(1500.0, below_boil_K=below_K)
    if rng.random() < 0.7:
        story.mark("rolling_boil_seen")
    story.kettle.advance(kitchen.minutes * 60.0 + 200.0, below_boil_K=below_K)
    story.end()
    return story.label(
        "second_probe_sees_simmer",
        seed,
        provable=False,
        wants=("probe_fault",),
        note=f"{below_K:.2f} K below, and the first probe as much too high",
    )


def watched_power_cut(rng: np.random.Generator, seed: int) -> Labelled:
    """The mains go for 20 s to 10 min, and the node hears the mains, the heater or both."""
    both = int(rng.integers(1, 4))
    kitchen = _with_power(some_kitchen(rng), heater=bool(both & 1), mains=bool(both & 2))
    story = Story(kitchen, rng)
    before_s, after_s = broken_hold(rng, kitchen.minutes * 60.0)
    story.come_up()
    story.boil(before_s)
    off_s = between(rng, 20.0, 600.0)
    story.kettle.cut_power(off_s)
    story.kettle.advance_to_boil()
    story.boil(after_s)
    story.end()
    return story.label(
        "watched_power_cut", seed, provable=False, wants=("heater_off",), note=f"mains away for {off_s:.0f} s"
    )


def watched_cycling_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """A thermostat that the node hears: the heater goes off again and again, and the ring keeps the boil."""
    kitchen = some_kitchen(rng, sensor="fine", ring_s=float(rng.uniform(45.0, 90.0)))
    kitchen = _with_power(kitchen, heater=True, mains=bool(rng.random() < 0.5))
    story = Story(kitchen, rng, seen=True)
    story.come_up()
    story.boil(200.0)
    story.cycle(kitchen.minutes * 60.0 + float(rng.uniform(140.0, 300.0)), off_share=0.3, period_s=40.0)
    story.end()
    return story.label("watched_cycling_hold", seed, wants=("heater_off",))
