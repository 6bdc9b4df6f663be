"""A canner for show: a whole batch with a power dip in it, told in simulated time by a simulated node.

The batch is computed at once; whoever plays it sets the pace. All of it is invented.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from monitor.record.model import Batch, Mark, Required, Run, Sample
from monitor.simulate.after_heat import jar_courses, room_course, thinned, with_jars
from monitor.simulate.kettle import canner
from monitor.simulate.kitchen import some_kitchen
from monitor.simulate.story import Story
from monitor.simulate.truth import Truth

NODE_NAME = "demo-node-1"

#: Sampling once the jars stand on their towel. [s]
COOLING_EVERY_S = 10.0


@dataclass(frozen=True, slots=True)
class DemoCanner:
    """A canner that goes through a batch while you watch.

    ``header`` is the run without samples and marks. ``samples`` and ``marks`` are in simulated seconds since
    the run's start; ``uptime_s`` of a sample is the node's own. ``truth`` is what really happened; the
    ``*_s`` are the script: when it boiled, when the power went and came back, when it boiled again, when the
    heat was turned off and the jars were lifted.
    """

    header: Run
    samples: tuple[Sample, ...]
    marks: tuple[Mark, ...]
    truth: Truth
    boiled_s: float
    power_gone_s: float
    power_back_s: float
    boiled_again_s: float
    heat_off_s: float
    lifted_s: float

    @property
    def end_s(self) -> float:
        """When the last sample is due. [s]"""
        return self.samples[-1].t_s

    def steps(self, from_s: float = 0.0) -> Iterator[Sample | Mark]:
        """Samples and marks in the order in which they fall due, from ``from_s`` on."""
        due: list[Sample | Mark] = [*self.marks, *self.samples]
        due.sort(key=lambda step: step.t_s)
        return (step for step in due if step.t_s >= from_s)


def demo_canner(seed: int = 7, *, minutes: float = 10.0, cooling_s: float = 2400.0) -> DemoCanner:
    """The demonstration's batch: come-up, boil, a power dip, boil again, hold, heat off, cooling jars.

    At 25 times life's speed the come-up takes under half a minute and the whole about three minutes.
    """
    rng = np.random.default_rng(seed)
    kitchen = some_kitchen(rng, sensor="fine", altitude_m=1650.0, quiet=True, minutes=minutes)
    kettle = canner(12.0, "half_pint", 6, heater_W=2000.0, room_C=22.5, fill=0.8, knee_K=0.08)
    kitchen = replace(
        kitchen,
        kettle=kettle,
        jar="half_pint",
        jars=6,
        site=replace(kitchen.site, name="demonstration kitchen (invented)", altitude_m=1650.0),
        node=replace(kitchen.node, has_chip=True, has_heater=True),
        probe=replace(kitchen.probe, agitation_K=0.03, agitation_s=2.0),
    )
    story = Story(kitchen, rng, seen=False, start_below_K=24.0)
    story.mark("heat_on")
    story.kettle.advance(40.0)
    story.load_jars(story.kettle.water_C - 6.0)
    story.kettle.advance(20.0)
    story.mark("lid_on")
    story.kettle.advance_to_boil()
    boiled_s = story.now_s
    story.kettle.advance(35.0)
    story.mark("rolling_boil_seen")
    story.kettle.advance(205.0)
    gone_s = story.now_s
    story.kettle.advance(180.0, 0.0)
    back_s = story.now_s
    story.kettle.advance_to_boil()
    again_s = story.now_s
    story.kettle.advance(30.0)
    story.mark("rolling_boil_seen")
    story.kettle.advance(minutes * 60.0 + 75.0)
    story.end(cool_s=30.0)
    off_s = story.kettle.heat_off_s or story.now_s
    story.mark("lid_off")
    story.kettle.lid_on = False
    story.kettle.advance(270.0, 0.0)
    lifted_s = story.now_s
    story.mark("jars_lifted")
    story.kettle.advance(cooling_s, 0.0)

    truth = story.kettle.truth()
    room_C = room_course(rng, kettle.room_C, len(truth.t_s))
    courses = jar_courses(rng, kitchen, truth, lifted_s, room_C, 2)
    samples = with_jars(rng, story.observe(), courses, room_C, lifted_s)
    samples = thinned(samples, lifted_s + 60.0, COOLING_EVERY_S)
    header = replace(
        story.run("demo", []),
        batch=Batch(food="strawberry jam (invented batch)", pack="hot", jar="half_pint", jars=6),
        required=Required(minutes, "a time chosen for the demonstration, not for a batch"),
        marks=(),
    )
    return DemoCanner(
        header=header,
        samples=tuple(samples),
        marks=tuple(story.marks),
        truth=truth,
        boiled_s=boiled_s,
        power_gone_s=gone_s,
        power_back_s=back_s,
        boiled_again_s=again_s,
        heat_off_s=off_s,
        lifted_s=lifted_s,
    )
