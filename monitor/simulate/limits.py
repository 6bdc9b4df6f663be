"""Families with errors at the limit of what the record states, or beyond it: counted, never asserted.

Guarded acceptance (JCGM 106) with w = U = 2u still accepts 2.3 % at the limit itself: 1 - Φ(2).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from monitor.physics.saturation import boiling_slope_K_per_kPa
from monitor.simulate.kitchen import Kitchen, some_kitchen
from monitor.simulate.labelled import Labelled
from monitor.simulate.story import Story


def _off_by(kitchen: Kitchen, error_K: float, *, boiling: bool) -> Kitchen:
    """Reading less boiling point is off by ``error_K``, probe and barometer together. [K]"""
    slope = boiling_slope_K_per_kPa(kitchen.weather.pressure_kPa(0.0))
    plume_K = kitchen.probe.plume_K if boiling else 0.0
    bias_K = error_K + kitchen.node.barometer_error_kPa * slope - plume_K
    probe = replace(kitchen.probe, bias_K=bias_K, chip_error_K_per_K=0.0)
    return replace(kitchen, probe=probe, in_boil_K=bias_K + kitchen.probe.plume_K)


def simmer_at_the_limit(rng: np.random.Generator, seed: int) -> Labelled:
    """The whole error is +U and the simmer lies within 0.1 K of the allowance: the hardest the rule admits."""
    kitchen = some_kitchen(rng, sensor="fine")
    kitchen = _off_by(kitchen, kitchen.expanded_K, boiling=False)
    seen = bool(rng.random() < 0.5)
    below_K = (1.0 if seen else 0.6) + float(rng.uniform(-0.1, 0.1))
    story = Story(kitchen, rng, seen=False)
    story.simmer(below_K, seen=seen)
    return story.label(
        "simmer_at_the_limit", seed, provable=False, beyond=True, note=f"{below_K:.2f} K below, +U"
    )


def boil_at_the_limit(rng: np.random.Generator, seed: int) -> Labelled:
    """A true hold whose whole error is -U: whether it can be proven depends on U against the allowance."""
    kitchen = some_kitchen(rng, sensor="fine")
    story = Story(_off_by(kitchen, -kitchen.expanded_K, boiling=True), rng)
    story.come_up()
    story.boil(kitchen.minutes * 60.0 + float(rng.uniform(140.0, 300.0)))
    story.end()
    return story.label("boil_at_the_limit", seed, provable=False, beyond=True, note="-U")


def boil_beyond_stated(rng: np.random.Generator, seed: int) -> Labelled:
    """A true hold read up to twice U too low: a batch lost to a bad probe."""
    kitchen = some_kitchen(rng, sensor="fine")
    error_K = -float(rng.uniform(1.0, 2.0)) * kitchen.expanded_K
    story = Story(_off_by(kitchen, error_K, boiling=True), rng)
    story.come_up()
    story.boil(kitchen.minutes * 60.0 + float(rng.uniform(140.0, 300.0)))
    story.end()
    return story.label("boil_beyond_stated", seed, provable=False, beyond=True, note=f"{error_K:.2f} K")


def wrong_altitude_alone(rng: np.random.Generator, seed: int) -> Labelled:
    """No barometer, and the altitude typed 150 to 900 m too high: water that only simmers looks right."""
    kitchen = some_kitchen(
        rng, sensor="fine", pressure="altitude", altitude_m=float(rng.uniform(0.0, 2000.0))
    )
    wrong_m = float(rng.uniform(150.0, 900.0))
    site = replace(kitchen.site, altitude_m=round((kitchen.site.altitude_m or 0.0) + wrong_m))
    story = Story(replace(kitchen, site=site), rng, seen=False)
    below_K = 0.0033 * wrong_m
    story.simmer(below_K, seen=bool(rng.random() < 0.7))
    return story.label(
        "wrong_altitude_alone", seed, provable=False, beyond=True, note=f"{wrong_m:.0f} m too high"
    )
