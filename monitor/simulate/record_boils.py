"""Shipped records in which the kettle tells the story: boils that held, broke, fell short or never came."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.simulate.after_heat import jar_courses, room_course, thinned, with_jars
from monitor.simulate.record_kit import COAST, HIGH, HILL, VALLEY, Recorded, Told


def held_low_altitude() -> Recorded:
    told = Told(VALLEY, 11, seen=True, by="A.B.")
    told.story.come_up()
    credited_s = told.expect_boil()
    told.expect_complete(credited_s)
    told.story.boil(told.required_s + 150.0)
    told.story.end(cool_s=300.0)
    return told.record(
        "held-low-altitude",
        "A plain batch near sea level; the boil was seen and held without a break.",
        "held",
    )


def held_high_altitude() -> Recorded:
    told = Told(HIGH, 12, seen=True, by="R.S.")
    told.story.come_up()
    credited_s = told.expect_boil()
    told.expect_complete(credited_s)
    told.story.boil(told.required_s + 170.0)
    told.story.end(cool_s=240.0)
    return told.record(
        "held-2400-m", "At 2400 m water boils near 92 °C; a barometer at the node makes it provable.", "held"
    )


def dip_then_completed() -> Recorded:
    told = Told(HILL, 13, seen=True)
    story = told.story
    story.come_up()
    told.expect_boil()
    story.boil(12 * 60.0)
    told.expect("boil_lost", told.now_s, 20.0)
    story.kettle.advance(240.0, 0.0)
    story.to_boil()
    credited_s = told.expect_boil("boil_back")
    told.expect_complete(credited_s)
    story.boil(told.required_s + 160.0)
    story.end(cool_s=300.0)
    return told.record(
        "dip-then-completed",
        "A power cut of 4 min broke the boil after 12 min; brought back, the whole time was held.",
        "held",
    )


def dip_stopped_short() -> Recorded:
    told = Told(replace(HILL, started="2026-08-15T09:20:00"), 14, seen=True)
    story = told.story
    story.come_up()
    told.expect_boil()
    story.boil(21 * 60.0)
    told.expect("boil_lost", told.now_s, 20.0)
    story.kettle.advance(180.0, 0.0)
    story.kettle.advance_to_boil()
    told.expect_boil("boil_back")
    story.boil(12 * 60.0)
    story.end(cool_s=300.0)
    return told.record(
        "dip-stopped-short",
        "A power cut of 3 min, and heat off when 30 min had passed in all: two pieces, neither long enough.",
        "broken",
    )


def simmer_never_boiled() -> Recorded:
    told = Told(replace(COAST, started="2026-07-02T11:00:00"), 15, seen=False, by="L.P.")
    story = told.story
    story.kettle.advance(60.0)
    story.load_jars()
    story.kettle.advance(1500.0 + told.required_s + 300.0, below_boil_K=2.5)
    told.expect("come_up_stalled", 1050.0, 200.0)
    story.end(cool_s=240.0)
    return told.record(
        "simmer-never-boiled", "Kept 2.5 K below the boil all the time: hot, steaming, and no boil.", "broken"
    )


def coarse_probe_held() -> Recorded:
    told = Told(
        replace(VALLEY, started="2026-07-28T14:00:00", sensor="coarse", quiet=False),
        18,
        seen=True,
        by="A.B.",
    )
    story = told.story
    story.come_up()
    credited_s = told.expect_boil()
    told.expect_complete(credited_s)
    story.boil(told.required_s + 260.0)
    story.end(cool_s=300.0)
    return told.record(
        "coarse-probe-held", "A converter with steps of 0.25 K, and a hold all the same.", "held"
    )


def unmarked_held() -> Recorded:
    told = Told(replace(COAST, started="2026-07-05T18:20:00"), 19, seen=False, by="L.P.")
    told.kitchen = replace(told.kitchen, probe=replace(told.kitchen.probe, bias_K=-0.05))
    told.story.kitchen = told.kitchen
    story = told.story
    story.come_up()
    credited_s = told.expect_boil()
    told.expect_complete(credited_s)
    story.boil(told.required_s + 180.0)
    story.end(cool_s=300.0)
    return told.record(
        "unmarked-held", "Nobody marked the rolling boil; a fine, well checked probe proves it alone.", "held"
    )


def cycling_ring_held() -> Recorded:
    told = Told(replace(COAST, started="2026-07-11T16:45:00", ring_s=60.0), 24, seen=True, by="L.P.")
    story = told.story
    story.come_up()
    credited_s = told.expect_boil()
    told.expect_complete(credited_s)
    story.boil(240.0)
    pattern = ([told.kitchen.kettle.heater_W] * 28 + [0.0] * 12) * 60
    left_s = told.required_s + 170.0 - 240.0
    story.kettle.advance(left_s, pattern[: int(left_s)])
    story.end(cool_s=300.0)
    return told.record(
        "cycling-ring-held",
        "An electric ring that switches on and off; what it stores keeps the boil through every pause.",
        "held",
    )


def jars_into_boiling_water() -> Recorded:
    told = Told(replace(VALLEY, started="2026-08-22T11:25:00"), 25, seen=True, by="A.B.")
    story = told.story
    story.kettle.advance_to_boil()
    story.boil(240.0)
    story.load_jars(story.kettle.boil_C - 30.0)
    story.kettle.advance(15.0)
    story.to_boil()
    credited_s = told.expect_boil("boil_back")
    told.expect_complete(credited_s)
    story.boil(told.required_s + 170.0)
    story.end(cool_s=240.0)
    return told.record(
        "jars-into-boiling-water",
        "The jars went into boiling water and stilled it; time counts from when it boiled again.",
        "held",
    )


def short_by_a_minute() -> Recorded:
    told = Told(replace(VALLEY, started="2026-08-23T10:10:00"), 26, seen=True, by="A.B.")
    story = told.story
    story.come_up()
    told.expect_boil()
    story.boil(told.required_s - 60.0)
    story.end(cool_s=300.0)
    return told.record(
        "short-by-a-minute", "The heat was turned off one minute before the time was up.", "broken"
    )


def a_night_of_cooling() -> Recorded:
    told = Told(replace(HILL, started="2026-08-28T19:00:00"), 27, seen=True, hours=26.2)
    story = told.story
    story.come_up()
    credited_s = told.expect_boil()
    told.expect_complete(credited_s)
    story.boil(told.required_s + 160.0)
    story.end(cool_s=60.0)
    story.mark("lid_off")
    story.kettle.lid_on = False
    story.kettle.advance(270.0, 0.0)
    lifted_s = told.now_s
    story.mark("jars_lifted")
    story.kettle.advance(26 * 3600.0 - lifted_s, 0.0)
    truth = story.kettle.truth()
    room_C = room_course(told.rng, told.kitchen.kettle.room_C, len(truth.t_s))
    courses = jar_courses(told.rng, told.kitchen, truth, lifted_s, room_C, 3)
    samples = with_jars(told.rng, story.observe(), courses, room_C, lifted_s)
    samples = thinned(samples, lifted_s + 600.0, 60.0)
    near = [int(np.argmax((course - room_C < 3.0) & (truth.t_s > lifted_s))) for course in courses]
    return told.record(
        "a-night-of-cooling",
        "A held batch and the 25 h after it: three jars with probes cool, and their lids pull down.",
        "held",
        samples,
        more_truth={"jars_lifted_s": lifted_s, "jars_within_3_K_of_room_s": near},
    )
