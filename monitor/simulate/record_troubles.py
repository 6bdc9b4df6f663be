"""Shipped records in which the node, the probe, the pressure or the marks are what fails."""

from __future__ import annotations

from dataclasses import replace

from monitor.record.model import Site
from monitor.simulate import mishaps
from monitor.simulate.record_kit import HILL, VALLEY, Recorded, Told
from monitor.simulate.weather import Weather


def silent_node() -> Recorded:
    told = Told(replace(VALLEY, started="2026-08-03T15:10:00"), 16, seen=True, by="A.B.")
    story = told.story
    story.come_up()
    began_s = told.now_s
    told.expect_boil()
    story.boil(told.required_s + 150.0)
    story.end(cool_s=240.0)
    silent_s = began_s + 600.0
    told.expect("node_silent", silent_s, 5.0)
    told.expect_again(silent_s + 280.0)
    samples = mishaps.silence(story.observe(), silent_s, silent_s + 280.0)
    return told.record(
        "silent-node",
        "The boil held, but for almost 5 min nothing was heard from the node: nobody can prove it.",
        "unproven",
        samples,
    )


def altitude_only() -> Recorded:
    place = replace(HILL, started="2026-08-16T08:45:00", pressure="altitude")
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


def frozen_probe() -> Recorded:
    told = Told(replace(VALLEY, started="2026-08-09T16:30:00"), 20, seen=True, by="A.B.")
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
    told = Told(replace(HILL, started="2026-08-18T10:05:00"), 21, seen=True)
    story = told.story
    story.come_up()
    told.expect_boil()
    began_s = told.now_s
    story.boil(told.required_s + 150.0)
    story.end(cool_s=240.0)
    out_s = began_s + 900.0
    samples = mishaps.out_of_water(story.observe(), told.rng, out_s, out_s + 100.0, 48.0)
    told.expect("probe_moved", out_s, 20.0)
    told.expect_again(out_s + 100.0)
    return told.record(
        "probe-out-of-water",
        "The probe was lifted out for 100 s in mid-hold: no water falls so fast, so nothing is known.",
        "unproven",
        samples,
    )


def no_jars_in() -> Recorded:
    told = Told(replace(VALLEY, started="2026-08-11T12:15:00"), 22, seen=True, by="A.B.")
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
    told = Told(replace(HILL, started="2026-08-20T09:00:00", pressure="station pressure"), 23, seen=True)
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
