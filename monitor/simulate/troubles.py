"""Families in which the node, the probe or the record itself is what fails."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.record.model import Sample
from monitor.simulate import mishaps
from monitor.simulate.chance import new_boot
from monitor.simulate.kitchen import Kitchen, some_kitchen
from monitor.simulate.labelled import Labelled
from monitor.simulate.story import Story


def hold_with_dip(rng: np.random.Generator, off_s: float, **kitchen: object) -> tuple[Story, float, float]:
    """A hold broken by a power cut: the story, when the power went, when the boil was back."""
    story = Story(some_kitchen(rng, sensor="fine", **kitchen), rng, seen=bool(rng.random() < 0.7))  # type: ignore[arg-type]
    required_s = story.kitchen.minutes * 60.0
    story.come_up()
    story.boil(float(rng.uniform(0.3, 0.95)) * required_s)
    gone_s = story.now_s
    story.kettle.advance(off_s, 0.0)
    story.kettle.advance_to_boil()
    back_s = story.now_s
    story.boil(float(rng.uniform(0.3, 0.95)) * required_s)
    story.end()
    return story, gone_s, back_s


def gap_hides_dip(rng: np.random.Generator, seed: int) -> Labelled:
    """Kitchen and node lose the mains together for 30 s to 6 min; the record shows boil, nothing, boil."""
    story, gone_s, back_s = hold_with_dip(rng, float(rng.uniform(30.0, 360.0)))
    samples = mishaps.silence(story.observe(), gone_s - 1.0, back_s + float(rng.uniform(0.0, 30.0)))
    return story.label("gap_hides_dip", seed, samples, provable=False, wants=("node_silent",))


def restart_hides_dip(rng: np.random.Generator, seed: int) -> Labelled:
    """The same, and the node comes back with a new boot while the water is still coming back."""
    off_s = float(rng.uniform(20.0, 240.0))
    story, gone_s, back_s = hold_with_dip(rng, off_s)
    away_s = float(rng.uniform(off_s, back_s - gone_s + 20.0))
    samples = mishaps.restart(story.observe(), gone_s, away_s, new_boot(rng))
    return story.label("restart_hides_dip", seed, samples, provable=False, wants=("node_restarted",))


def short_gap_hides_dip(rng: np.random.Generator, seed: int) -> Labelled:
    """A cut of 15 to 30 s that the node misses as well."""
    off_s = float(rng.uniform(15.0, 30.0))
    story, gone_s, _ = hold_with_dip(rng, off_s, ring_s=0.0)
    samples = mishaps.silence(story.observe(), gone_s - 1.0, gone_s + float(rng.uniform(off_s, 30.0)))
    return story.label("short_gap_hides_dip", seed, samples, provable=False)


def unread_loss(rng: np.random.Generator, seed: int) -> Labelled:
    """Silence, a restart or a loose wire hides how the water cools; far below boiling it is read again."""
    story = Story(some_kitchen(rng, sensor="fine"), rng)
    required_s = story.kitchen.minutes * 60.0
    story.come_up()
    story.boil(float(rng.uniform(0.3, 0.95)) * required_s)
    gone_s, low_K = story.now_s, float(rng.uniform(3.0, 8.0))
    while story.kettle.boil_C - story.kettle.water_C < low_K:
        story.kettle.advance(10.0, 0.0)
    back_s = story.now_s
    story.kettle.advance(float(rng.uniform(20.0, 200.0)), 0.0)
    if rng.random() < 0.5:
        story.kettle.advance_to_boil()
        story.boil(float(rng.uniform(0.3, 0.95)) * required_s)
    story.end()
    way = str(rng.choice(("silence", "restart", "fault")))
    observed = story.observe()
    if way == "silence":
        samples, said = mishaps.silence(observed, gone_s, back_s), "node_silent"
    elif way == "restart":
        samples, said = mishaps.restart(observed, gone_s, back_s - gone_s, new_boot(rng)), "node_restarted"
    else:
        samples, said = mishaps.fault(observed, gone_s, back_s, "open"), "probe_fault"
    # Where the guard band keeps the boil before from being proven, none that was told is lost.
    wants = (said,) if story.kitchen.guarded(story.seen) else (said, "boil_lost")
    return story.label("unread_loss", seed, samples, note=way, provable=False, wants=wants)


def silent_in_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """Nothing is lost but the radio: a true hold with a gap over 30 s, which no record can prove."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    required_s = story.kitchen.minutes * 60.0
    story.come_up()
    began_s = story.now_s
    story.boil(required_s + float(rng.uniform(0.0, 60.0)))
    story.end()
    at_s = began_s + float(rng.uniform(0.25, 0.75)) * required_s
    samples = mishaps.silence(story.observe(), at_s, at_s + float(rng.uniform(35.0, 300.0)))
    return story.label(
        "silent_in_hold",
        seed,
        samples,
        provable=False,
        must_not_hold="a gap longer than 30 s",
        wants=("node_silent",),
    )


def frozen_in_boil(rng: np.random.Generator, seed: int) -> Labelled:
    """The converter freezes at the boil; some time later the water falls unseen."""
    story, frozen_s = _lost_while_frozen(rng, some_kitchen(rng, sensor="fine"))
    samples = mishaps.freeze(story.observe(), frozen_s, 1e9, chip_too=bool(rng.random() < 0.7))
    return story.label("frozen_in_boil", seed, samples, provable=False, wants=("reading_frozen",))


def frozen_coarse(rng: np.random.Generator, seed: int) -> Labelled:
    """The same with 0.25 K steps, where standing still is less odd."""
    story, frozen_s = _lost_while_frozen(rng, some_kitchen(rng, sensor="coarse", quiet=True))
    samples = mishaps.freeze(story.observe(), frozen_s, 1e9)
    return story.label("frozen_coarse", seed, samples, provable=False)


def _lost_while_frozen(rng: np.random.Generator, kitchen: Kitchen) -> tuple[Story, float]:
    """A boil lost for good before its time, and a moment of it at which the converter freezes. [s]"""
    story = Story(kitchen, rng)
    required_s = kitchen.minutes * 60.0
    story.come_up()
    began_s = story.now_s
    story.boil(float(rng.uniform(0.3, 0.9)) * required_s)
    lost_s = story.now_s
    story.kettle.advance(float(rng.uniform(0.3, 1.0)) * required_s + 200.0, 0.0)
    story.end()
    return story, float(rng.uniform(began_s, lost_s))


def probe_fault_in_hold(rng: np.random.Generator, seed: int) -> Labelled:
    """A wire comes loose during the hold, and the boil is lost while it is."""
    story, gone_s, back_s = hold_with_dip(rng, float(rng.uniform(40.0, 300.0)))
    kind = str(rng.choice(("open", "short_to_ground", "short_to_supply", "out_of_range")))
    samples = mishaps.fault(story.observe(), gone_s, back_s, kind)
    return story.label("probe_fault_in_hold", seed, samples, provable=False, wants=("probe_fault",))


def out_of_water(rng: np.random.Generator, seed: int) -> Labelled:
    """The probe is lifted out in the hold and put back."""
    kitchen = some_kitchen(rng, sensor="fine")
    story = Story(kitchen, rng, seen=True)
    required_s = kitchen.minutes * 60.0
    story.come_up()
    began_s = story.now_s
    story.boil(required_s + float(rng.uniform(0.0, 60.0)))
    story.end()
    at_s = began_s + float(rng.uniform(0.2, 0.8)) * required_s
    samples = mishaps.out_of_water(
        story.observe(), rng, at_s, at_s + float(rng.uniform(40.0, 200.0)), story.kitchen.kettle.room_C + 25.0
    )
    return story.label(
        "out_of_water", seed, samples, provable=False, must_not_hold="the probe was out of the water"
    )


def clock_steps_forward(rng: np.random.Generator, seed: int) -> Labelled:
    """The time of day that made t_s is set forward in a hold that is too short."""
    kitchen = some_kitchen(rng, sensor="fine")
    story = Story(kitchen, rng, seen=True)
    required_s = kitchen.minutes * 60.0
    short_s = float(rng.uniform(20.0, 0.5 * required_s))
    story.come_up()
    began_s = story.now_s
    story.boil(required_s - short_s)
    story.end()
    step_s = short_s + float(rng.uniform(60.0, 300.0))
    at_s = began_s + float(rng.uniform(0.2, 0.8)) * (required_s - short_s)
    samples = mishaps.step_clock(story.observe(), at_s, step_s)
    story.marks = [
        replace(mark, t_s=round(mark.t_s + step_s, 1)) if mark.t_s >= at_s else mark for mark in story.marks
    ]
    return story.label("clock_steps_forward", seed, samples, provable=False, wants=("clock_stepped",))


def clock_steps_back(rng: np.random.Generator, seed: int) -> Labelled:
    """The clock is set back across a dip, so that boil seems to follow boil."""
    story, gone_s, back_s = hold_with_dip(rng, float(rng.uniform(40.0, 240.0)))
    step_s = -(back_s - gone_s)
    observed = story.observe()
    samples = [sample for sample in observed if not gone_s <= sample.t_s < back_s]
    samples = mishaps.step_clock(samples, back_s, step_s)
    story.marks = [
        replace(mark, t_s=round(mark.t_s + step_s, 1)) if mark.t_s >= back_s else mark for mark in story.marks
    ]
    return story.label("clock_steps_back", seed, samples, provable=False)


def conflicting_rows(rng: np.random.Generator, seed: int) -> Labelled:
    """A short hold in which a row is there twice with two values."""
    kitchen = some_kitchen(rng, sensor="fine")
    story = Story(kitchen, rng, seen=True)
    required_s = kitchen.minutes * 60.0
    story.come_up()
    began_s = story.now_s
    story.boil(required_s - float(rng.uniform(5.0, 60.0)))
    story.end()
    samples = mishaps.conflict(story.observe(), began_s + 0.5 * required_s, float(rng.uniform(-3.0, 3.0)))
    return story.label("conflicting_rows", seed, samples, provable=False)


def no_jars_in(rng: np.random.Generator, seed: int) -> Labelled:
    """Nobody marked the jars going in: water that boils without jars proves nothing."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    story.come_up(jars_marked=False)
    story.boil(story.kitchen.minutes * 60.0 + 200.0)
    story.end()
    return story.label("no_jars_in", seed, provable=False, must_not_hold="no jars_in mark")


def no_marks_at_all(rng: np.random.Generator, seed: int) -> Labelled:
    """Nobody marked anything, neither jars nor boil nor heat off: the record is open and proves nothing."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=False)
    story.come_up()
    story.boil(story.kitchen.minutes * 60.0 + 200.0)
    story.end()
    story.marks.clear()
    return story.label("no_marks_at_all", seed, provable=False, must_not_hold="no jars_in mark")


def record_begins_at_boil(rng: np.random.Generator, seed: int) -> Labelled:
    """The node was plugged in when the water boiled already: no come-up in the record."""
    story = Story(some_kitchen(rng, sensor="fine"), rng, seen=True)
    story.come_up()
    boiled_s = story.now_s
    story.boil(story.kitchen.minutes * 60.0 + 300.0)
    story.end()
    samples = [sample for sample in story.observe() if sample.t_s >= boiled_s + 20.0]
    return story.label(
        "record_begins_at_boil", seed, samples, provable=False, must_not_hold="the record shows no come-up"
    )


def flat_record(rng: np.random.Generator, seed: int) -> Labelled:
    """A constant written by a broken or a dishonest node, a come-up in front of it."""
    kitchen = some_kitchen(rng, sensor="fine")
    story = Story(kitchen, rng, seen=True)
    story.come_up()
    boiled_s = story.now_s
    story.kettle.advance(kitchen.minutes * 60.0 + 300.0, 0.0)
    story.end()
    level_C = round(story.kettle.boil_C - kitchen.probe.offset_K, 2)
    samples: list[Sample] = [
        sample._replace(water_C=level_C, chip_C=None) if sample.t_s > boiled_s - 10.0 else sample
        for sample in story.observe()
    ]
    return story.label("flat_record", seed, samples, provable=False, wants=("reading_frozen",))


def boil_not_seen(rng: np.random.Generator, seed: int) -> Labelled:
    """Somebody looked and saw no boil, in the middle of a stretch that the probe calls one."""
    kitchen = some_kitchen(rng, sensor="fine")
    story = Story(kitchen, rng, seen=True)
    required_s = kitchen.minutes * 60.0
    story.come_up()
    story.boil(float(rng.uniform(0.3, 0.9)) * required_s)
    story.mark("boil_not_seen")
    story.boil(float(rng.uniform(0.3, 0.9)) * required_s)
    story.end()
    return story.label(
        "boil_not_seen", seed, provable=False, must_not_hold="somebody saw that it did not boil"
    )
