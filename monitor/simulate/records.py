"""The run records that ship with the project: which there are, and what each is expected to show.

All are invented: made by the kettle model, with the published processing times of the project's tables and
kitchens that do not exist. What is expected of a verdict follows from what was true and from the rules of the
record, never from what an engine once said.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.record.model import Site
from monitor.record.write import write_run
from monitor.simulate import mishaps
from monitor.simulate.after_heat import jar_courses, room_course, thinned, with_jars
from monitor.simulate.record_kit import Place, Recorded, Told
from monitor.simulate.weather import Weather

_HILL = Place("hill kitchen", 1650.0, "America/Denver", "2026-08-14T09:12:00", "pears")
_VALLEY = Place("valley kitchen", 180.0, "America/New_York", "2026-07-25T13:40:00", "pears")
_COAST = Place("harbour kitchen", 12.0, "Europe/Lisbon", "2026-06-30T17:05:00", "peaches")
_HIGH = Place("mountain kitchen", 2400.0, "America/Denver", "2026-08-29T10:30:00", "peaches")


def held_low_altitude() -> Recorded:
    told = Told(_VALLEY, 11, seen=True, by="A.B.")
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
    told = Told(_HIGH, 12, seen=True, by="R.S.")
    told.story.come_up()
    credited_s = told.expect_boil()
    told.expect_complete(credited_s)
    told.story.boil(told.required_s + 170.0)
    told.story.end(cool_s=240.0)
    return told.record(
        "held-2400-m", "At 2400 m water boils near 92 °C; a barometer at the node makes it provable.", "held"
    )


def dip_then_completed() -> Recorded:
    told = Told(_HILL, 13, seen=True)
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
    told = Told(replace(_HILL, started="2026-08-15T09:20:00"), 14, seen=True)
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
    told = Told(replace(_COAST, started="2026-07-02T11:00:00"), 15, seen=False, by="L.P.")
    story = told.story
    story.kettle.advance(60.0)
    story.load_jars()
    story.kettle.advance(1500.0 + told.required_s + 300.0, below_boil_K=2.5)
    story.end(cool_s=240.0)
    return told.record(
        "simmer-never-boiled", "Kept 2.5 K below the boil all the time: hot, steaming, and no boil.", "broken"
    )


def silent_node() -> Recorded:
    told = Told(replace(_VALLEY, started="2026-08-03T15:10:00"), 16, seen=True, by="A.B.")
    story = told.story
    story.come_up()
    began_s = told.now_s
    told.expect_boil()
    story.boil(told.required_s + 150.0)
    story.end(cool_s=240.0)
    silent_s = began_s + 600.0
    told.expect("node_silent", silent_s, 5.0)
    samples = mishaps.silence(story.observe(), silent_s, silent_s + 280.0)
    return told.record(
        "silent-node",
        "The boil held, but for almost 5 min nothing was heard from the node: nobody can prove it.",
        "unproven",
        samples,
    )


def altitude_only() -> Recorded:
    place = replace(_HILL, started="2026-08-16T08:45:00", pressure="altitude")
    # An autumn-like day of low pressure: water boils half a kelvin lower than the altitude lets one assume.
    low = Weather(1650.0, anomaly_kPa=-0.8, warmer_K=3.0)
    told = Told(place, 17, seen=True, weather=low)
    story = told.story
    story.come_up()
    story.boil(told.required_s + 200.0)
    story.end(cool_s=240.0)
    return told.record(
        "altitude-only-1650-m",
        "A true hold on a day of low pressure: the altitude alone cannot prove it, a barometer could.",
        "unproven",
    )


def coarse_probe_held() -> Recorded:
    told = Told(
        replace(_VALLEY, started="2026-07-28T14:00:00", sensor="coarse", quiet=False),
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
    told = Told(replace(_COAST, started="2026-07-05T18:20:00"), 19, seen=False, by="L.P.")
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


def frozen_probe() -> Recorded:
    told = Told(replace(_VALLEY, started="2026-08-09T16:30:00"), 20, seen=True, by="A.B.")
    story = told.story
    story.come_up()
    told.expect_boil()
    began_s = told.now_s
    story.boil(9 * 60.0)
    story.kettle.advance(told.required_s, 0.0)
    story.end(cool_s=120.0)
    frozen_s = began_s + 400.0
    told.expect("reading_frozen", frozen_s, 310.0)
    samples = mishaps.freeze(story.observe(), frozen_s, 1e9)
    return told.record(
        "frozen-probe",
        "The converter repeats its last value while the pot goes cold: a line too straight to be water.",
        "unproven",
        samples,
    )


def probe_out_of_water() -> Recorded:
    told = Told(replace(_HILL, started="2026-08-18T10:05:00"), 21, seen=True)
    story = told.story
    story.come_up()
    told.expect_boil()
    began_s = told.now_s
    story.boil(told.required_s + 150.0)
    story.end(cool_s=240.0)
    out_s = began_s + 900.0
    samples = mishaps.out_of_water(story.observe(), told.rng, out_s, out_s + 100.0, 48.0)
    told.expect("probe_moved", out_s, 20.0)
    return told.record(
        "probe-out-of-water",
        "The probe was lifted out for 100 s in mid-hold: no water falls so fast, so nothing is known.",
        "unproven",
        samples,
    )


def no_jars_in() -> Recorded:
    told = Told(replace(_VALLEY, started="2026-08-11T12:15:00"), 22, seen=True, by="A.B.")
    story = told.story
    story.come_up(jars_marked=False)
    story.boil(told.required_s + 150.0)
    story.end(cool_s=120.0)
    return told.record(
        "no-jars-in",
        "Nobody marked when the jars went in: water boiling on its own proves nothing.",
        "unproven",
    )


def sea_level_pressure() -> Recorded:
    told = Told(replace(_HILL, started="2026-08-20T09:00:00", pressure="station pressure"), 23, seen=True)
    story = told.story
    story.come_up()
    story.boil(told.required_s + 180.0)
    story.end(cool_s=240.0)
    typed_kPa = round(told.kitchen.weather.sea_level_kPa(0.0), 1)
    told.expect("pressure_disagrees", 0.0, 3600.0)
    site = Site(
        name="hill kitchen (invented)",
        altitude_m=1650.0,
        altitude_uncertainty_m=10.0,
        pressure_source="station pressure",
        station_pressure_kPa=typed_kPa,
    )
    return told.record(
        "sea-level-pressure",
        "A forecast's sea-level pressure typed in as the kitchen's own at 1650 m: it proves nothing.",
        "unproven",
        site=site,
    )


def cycling_ring_held() -> Recorded:
    told = Told(replace(_COAST, started="2026-07-11T16:45:00", ring_s=60.0), 24, seen=True, by="L.P.")
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
    told = Told(replace(_VALLEY, started="2026-08-22T11:25:00"), 25, seen=True, by="A.B.")
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
    told = Told(replace(_VALLEY, started="2026-08-23T10:10:00"), 26, seen=True, by="A.B.")
    story = told.story
    story.come_up()
    told.expect_boil()
    story.boil(told.required_s - 60.0)
    story.end(cool_s=300.0)
    return told.record(
        "short-by-a-minute", "The heat was turned off one minute before the time was up.", "broken"
    )


def a_night_of_cooling() -> Recorded:
    told = Told(replace(_HILL, started="2026-08-28T19:00:00"), 27, seen=True, hours=26.2)
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


RECORDS: tuple[Callable[[], Recorded], ...] = (
    held_low_altitude,
    held_high_altitude,
    dip_then_completed,
    dip_stopped_short,
    simmer_never_boiled,
    silent_node,
    altitude_only,
    coarse_probe_held,
    unmarked_held,
    frozen_probe,
    probe_out_of_water,
    no_jars_in,
    sea_level_pressure,
    cycling_ring_held,
    jars_into_boiling_water,
    short_by_a_minute,
    a_night_of_cooling,
)


_README = """# Recorded runs

Run records to look at, to try `boilwitness judge` on, and to hold every change of the engine to. All of them
are invented: made by the kettle model in `monitor/simulate` with published processing times, in kitchens
that do not exist. `python -m monitor.simulate recorded_runs` makes the same bytes again.

Beside `run.json` and `samples.csv` each has an `about.json`: what it shows, where it comes from, when the water
truly boiled, and which verdict and events are to be expected, with tolerances. The expectations follow from the
truth and the rules; no engine was asked.

| record | verdict | shows |
|---|---|---|
"""


def write_records(folder: Path) -> list[Path]:
    """Write every record into ``folder``, one subfolder each. The same bytes every time."""
    written = []
    lines = []
    for make in RECORDS:
        recorded = make()
        place = write_run(recorded.run, folder / recorded.name)
        text = json.dumps(recorded.about, indent=2, ensure_ascii=False) + "\n"
        (place / "about.json").write_text(text, encoding="utf-8", newline="\n")
        written.append(place)
        lines.append(
            f"| `{recorded.name}` | {recorded.about['expected']['verdict']} | {recorded.about['shows']} |\n"
        )
    (folder / "README.md").write_text(_README + "".join(lines), encoding="utf-8", newline="\n")
    return written
