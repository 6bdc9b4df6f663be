"""What a node tells of a kettle: its probes' readings and its other channels, sample by sample."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import repeat

import numpy as np

from monitor.record.model import NOTHING, Sample
from monitor.simulate.probe import ProbeModel, chip_series, readings
from monitor.simulate.truth import Floats, Truth


@dataclass(frozen=True, slots=True)
class NodeModel:
    """A node that reads the probe. Times in s, pressures in kPa."""

    interval_s: float = 1.0
    jitter_s: float = 0.0
    #: Share of samples that never arrive.
    lost: float = 0.0
    has_chip: bool = True
    has_room: bool = True
    has_barometer: bool = True
    has_heater: bool = False
    has_uptime: bool = True
    #: Only every so many samples carry the slow channels (pressure, room).
    slow_every: int = 10
    barometer_error_kPa: float = 0.0
    barometer_noise_kPa: float = 0.006
    #: The barometer was set to show sea-level pressure: it reads in this ratio too high.
    barometer_ratio: float = 1.0
    boot: int = 1


def sample_times(rng: np.random.Generator, node: NodeModel, end_s: float) -> Floats:
    """When a node samples, from its first sample to ``end_s``, to the millisecond. [s]"""
    start_s = float(rng.uniform(0.0, node.interval_s))
    t = np.arange(start_s, end_s, node.interval_s)
    if node.jitter_s > 0.0:
        t = t + rng.uniform(0.0, node.jitter_s, len(t))
    return np.round(t, 3)


def observe(rng: np.random.Generator, probe: ProbeModel, node: NodeModel, truth: Truth) -> list[Sample]:
    """The samples of a node that watched a kettle, in time order; mishaps come on top.

    Each kind of noise has a generator of its own, so that what happens later changes nothing before.
    """
    times, water_noise, air_noise, room_noise, chip_noise, radio = rng.spawn(6)
    t_s = sample_times(times, node, float(truth.t_s[-1]))
    water = readings(water_noise, probe, truth, t_s)
    count = len(t_s)
    index = np.minimum(t_s.astype(np.int64), len(truth.t_s) - 1)
    slow = np.arange(count) % node.slow_every == 0
    pressure: list[float | None] = [None] * count
    room: list[float | None] = [None] * count
    at_slow = np.flatnonzero(slow)
    if node.has_barometer:
        true_kPa = truth.pressure_kPa[index[at_slow]] * node.barometer_ratio
        noise = node.barometer_noise_kPa * air_noise.standard_normal(len(at_slow))
        seen = np.round(true_kPa + node.barometer_error_kPa + noise, 3)
        for place, value in zip(at_slow.tolist(), seen.tolist(), strict=True):
            pressure[place] = value
    if node.has_room:
        seen = np.round((truth.room_C + 0.1 * room_noise.standard_normal(len(at_slow))) * 16) / 16
        for place, value in zip(at_slow.tolist(), seen.tolist(), strict=True):
            room[place] = value
    chip_steps = np.round((chip_series(probe, t_s) + 0.03 * chip_noise.standard_normal(count)) * 16) / 16
    samples = list(
        map(
            Sample._make,
            zip(
                t_s.tolist(),
                water.tolist(),
                repeat(None),
                room,
                pressure,
                np.round(truth.ring_W[index], 0).tolist() if node.has_heater else repeat(None),
                repeat(None),
                chip_steps.tolist() if node.has_chip else repeat(None),
                repeat(None),
                repeat(node.boot),
                range(count),
                np.round(t_s + 3.0, 3).tolist() if node.has_uptime else repeat(None),
                repeat(None),
                repeat(False),
                repeat(NOTHING),
                repeat(NOTHING),
                strict=False,
            ),
        )
    )
    if node.lost > 0.0:
        keep = radio.random(count) >= node.lost
        samples = [sample for sample, kept in zip(samples, keep.tolist(), strict=True) if kept]
    return samples
