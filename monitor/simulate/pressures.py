"""Families in which the pressure or the altitude is wrong, unknown, or its errors lie beyond what is stated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.simulate.kitchen import some_kitchen
from monitor.simulate.labelled import Labelled
from monitor.simulate.story import Story


def sea_level_barometer(rng: np.random.Generator, seed: int) -> Labelled:
    """The barometer shows sea-level pressure in a kitchen at 600 m or more."""
    kitchen = some_kitchen(rng, sensor="fine", altitude_m=float(rng.uniform(600.0, 3000.0)))
    weather = kitchen.weather
    ratio = weather.sea_level_kPa(0.0) / weather.pressure_kPa(0.0)
    kitchen = replace(kitchen, node=replace(kitchen.node, barometer_ratio=ratio))
    return _boil_beside("sea_level_barometer", seed, Story(kitchen, rng))


def _boil_beside(family: str, seed: int, story: Story) -> Labelled:
    """A boil, long enough or not, beside a pressure that cannot be the kitchen's."""
    story.come_up()
    story.boil(story.kitchen.minutes * 60.0 + float(story.rng.uniform(-200.0, 300.0)))
    story.end()
    return story.label(
        family,
        seed,
        provable=False,
        must_not_hold="the pressure disagrees",
        wants=("pressure_disagrees",),
    )


def low_barometer(rng: np.random.Generator, seed: int) -> Labelled:
    """A broken barometer reads 98 to 160 hPa low, beyond any weather; the water only simmers there."""
    kitchen = some_kitchen(rng, sensor="fine", altitude_m=float(rng.uniform(0.0, 2500.0)))
    low_kPa = float(rng.uniform(9.8, 16.0))
    kitchen = replace(kitchen, node=replace(kitchen.node, barometer_error_kPa=-low_kPa))
    story = Story(kitchen, rng, seen=False)
    story.kettle.advance(60.0)
    story.simmer(low_kPa * 0.28, seen=True, first_s=1400.0)
    return story.label("low_barometer", seed, provable=False, wants=("pressure_disagrees",))


def wrong_altitude(rng: np.random.Generator, seed: int) -> Labelled:
    """The altitude is typed 1000 to 1800 m too high; a barometer stands against it; the water simmers."""
    kitchen = some_kitchen(rng, sensor="fine", altitude_m=float(rng.uniform(0.0, 2000.0)))
    wrong_m = float(rng.uniform(1000.0, 1800.0))
    site = replace(kitchen.site, altitude_m=round((kitchen.site.altitude_m or 0.0) + wrong_m))
    kitchen = replace(kitchen, site=site)
    story = Story(kitchen, rng, seen=False)
    story.kettle.advance(60.0)
    story.simmer(min(0.0033 * wrong_m, 5.0), seen=True)
    return story.label("wrong_altitude", seed, provable=False, wants=("pressure_disagrees",))


def sea_level_typed(rng: np.random.Generator, seed: int) -> Labelled:
    """A forecast's sea-level pressure is typed in as the kitchen's own, at 600 m or more."""
    kitchen = some_kitchen(
        rng, sensor="fine", pressure="station pressure", altitude_m=float(rng.uniform(600.0, 3000.0))
    )
    typed_kPa = round(kitchen.weather.sea_level_kPa(0.0), 1)
    kitchen = replace(kitchen, site=replace(kitchen.site, station_pressure_kPa=typed_kPa))
    return _boil_beside("sea_level_typed", seed, Story(kitchen, rng))


def altitude_only_simmer(rng: np.random.Generator, seed: int) -> Labelled:
    """No barometer, honest altitude, any weather: a simmer must not pass for a boil."""
    kitchen = some_kitchen(rng, sensor="fine", pressure="altitude")
    story = Story(kitchen, rng, seen=False)
    seen = bool(rng.random() < 0.5)
    below_K = float(np.exp(rng.uniform(np.log(1.2 if seen else 0.8), np.log(6.0))))
    story.kettle.advance(60.0)
    story.simmer(below_K, seen=seen)
    return story.label("altitude_only_simmer", seed, provable=False, note=f"{below_K:.2f} K below")


def simmer_beyond_stated(rng: np.random.Generator, seed: int) -> Labelled:
    """The probe reads up to twice its U too high at a simmer: the rate is reported, not asserted."""
    kitchen = some_kitchen(rng, sensor="fine")
    kitchen = replace(kitchen, probe=replace(kitchen.probe, bias_K=float(rng.uniform(0.35, 0.9))))
    story = Story(kitchen, rng, seen=False)
    below_K = float(rng.uniform(0.8, 2.0))
    story.load_jars()
    story.kettle.advance(1500.0, below_boil_K=below_K)
    if rng.random() < 0.5:
        story.mark("rolling_boil_seen")
    story.kettle.advance(kitchen.minutes * 60.0 + 200.0, below_boil_K=below_K)
    story.end()
    return story.label(
        "simmer_beyond_stated", seed, provable=False, note=f"{below_K:.2f} K below", beyond=True
    )
