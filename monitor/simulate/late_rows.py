"""Families in which rows come late, twice or under another time, or not at all for a while before a whole hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.record.model import Sample
from monitor.simulate import mishaps
from monitor.simulate.chance import between, new_boot
from monitor.simulate.kitchen import some_kitchen
from monitor.simulate.labelled import Labelled
from monitor.simulate.story import Story
from monitor.simulate.troubles import hold_with_dip


def _whole_hold(story: Story) -> None:
    story.boil(story.kitchen.minutes * 60.0 + float(story.rng.uniform(140.0, 300.0)))
    story.end()


def resent_block_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """The radio is away for 40 s to 5 min in the hold; then the node sends all of it again, in one piece."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    story.come_up()
    began_s = story.now_s
    _whole_hold(story)
    at_s = began_s + float(rng.uniform(0.1, 0.7)) * story.kitchen.minutes * 60.0
    samples = mishaps.resent(story.observe(), at_s, at_s + between(rng, 40.0, 300.0))
    return story.label("resent_block_hold", seed, samples, wants=("node_silent",))


def gap_then_whole_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """A gap or a restart early in the boil, and the whole time once more after it; somebody looks again, or not."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    story.come_up()
    story.boil(float(rng.uniform(60.0, 400.0)))
    at_s = story.now_s
    away_s = float(rng.uniform(35.0, 240.0))
    story.kettle.advance(away_s)
    # What somebody saw before the gap does not speak for the stretch after it.
    looks = bool(rng.random() < 0.6)
    if looks:
        story.mark("rolling_boil_seen", float(rng.uniform(2.0, 30.0)))
    _whole_hold(story)
    restarts = bool(rng.random() < 0.5)
    if restarts:
        samples = mishaps.restart(story.observe(), at_s, away_s, new_boot(rng))
    else:
        samples = mishaps.silence(story.observe(), at_s, at_s + away_s)
    return story.label(
        "gap_then_whole_hold",
        seed,
        samples,
        provable=looks or not story.kitchen.guarded(seen=False),
        wants=("node_restarted" if restarts else "node_silent",),
    )


def early_clock_step_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """The clock is put right during the come-up, 20 to 200 s forward or back; the hold is whole."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    story.come_up()
    boiled_s = story.now_s
    _whole_hold(story)
    at_s = float(rng.uniform(0.4, 0.7)) * boiled_s
    wrong_s = float(rng.uniform(20.0, 200.0)) * float(rng.choice((-1.0, 1.0)))
    samples = mishaps.wrong_clock(story.observe(), at_s, wrong_s)
    story.marks = [
        replace(mark, t_s=max(0.0, round(mark.t_s + wrong_s, 1))) if mark.t_s < at_s else mark
        for mark in story.marks
    ]
    note = f"wrong by {wrong_s:.0f} s"
    return story.label("early_clock_step_hold", seed, samples, wants=("clock_stepped",), note=note)


def resent_dip(rng: np.random.Generator, seed: int) -> Labelled:
    """The dip's rows come minutes late, all of them: a dip it was."""
    story, gone_s, back_s = hold_with_dip(rng, between(rng, 40.0, 400.0))
    samples = mishaps.resent(story.observe(), gone_s - 5.0, back_s + float(rng.uniform(0.0, 60.0)))
    return story.label("resent_dip", seed, samples, provable=False, wants=("node_silent",))


def shuffled_short(rng: np.random.Generator, seed: int) -> Labelled:
    """5 to 90 s too short, with many rows late or twice: a row twice is not time twice."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    short_s = between(rng, 5.0, 90.0)
    story.come_up()
    story.boil(story.kitchen.minutes * 60.0 - short_s)
    story.end()
    samples = mishaps.late_and_twice(story.observe(), rng, late=0.1, twice=0.2)
    return story.label("shuffled_short", seed, samples, provable=False, note=f"{short_s:.0f} s short")


def same_boot_again(rng: np.random.Generator, seed: int) -> Labelled:
    """A node without chance or memory: after the cut it gives the same ``boot`` and counts from 0 again."""
    off_s = between(rng, 30.0, 400.0)
    story, gone_s, _ = hold_with_dip(rng, off_s)
    samples = mishaps.restart(story.observe(), gone_s, off_s, story.kitchen.node.boot)
    return story.label("same_boot_again", seed, samples, provable=False)


def creeping_clock(rng: np.random.Generator, seed: int) -> Labelled:
    """The clock behind t_s is set forward by a second or so again and again, in a hold that is too short."""
    kitchen = some_kitchen(rng, sensor="fine")
    story = Story(kitchen, rng, seen=True)
    required_s = kitchen.minutes * 60.0
    short_s = float(rng.uniform(20.0, 90.0))
    story.come_up()
    began_s = story.now_s
    story.boil(required_s - short_s)
    story.end()
    steps = int(short_s) + 20
    each_s = (short_s + 40.0) / steps
    at_s = np.sort(rng.uniform(began_s + 30.0, began_s + required_s - short_s - 30.0, steps)).tolist()
    samples: list[Sample] = story.observe()
    ahead = np.searchsorted(at_s, [sample.t_s for sample in samples]).tolist()
    samples = [
        sample._replace(t_s=round(sample.t_s + count * each_s, 3))
        for sample, count in zip(samples, ahead, strict=True)
    ]
    story.marks = [
        replace(mark, t_s=round(mark.t_s + each_s * sum(at < mark.t_s for at in at_s), 1))
        for mark in story.marks
    ]
    return story.label(
        "creeping_clock", seed, samples, provable=False, note=f"{steps} steps of {each_s:.1f} s"
    )
