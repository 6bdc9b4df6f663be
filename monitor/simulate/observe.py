"""What a node tells of a kettle: its probes' readings and its other channels, sample by sample."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import repeat

import numpy as np
import numpy.typing as npt

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
    #: Electric power drawn by the heater, and whether the mains are there; such a node has a battery.
    has_heater: bool = False
    has_mains: bool = False
    has_uptime: bool = True
    #: Only every so many samples carry the slow channels (pressure, room).
    slow_every: int = 10
    barometer_error_kPa: float = 0.0
    barometer_noise_kPa: float = 0.006
    #: The barometer was set to show sea-level pressure: it reads in this ratio too high.
    barometer_ratio: float = 1.0
    boot: int = 1
    #: A second probe in the same water. A record states one correction only, the first's: it is taken as it reads.
    second_probe: ProbeModel | None = None


def sample_times(rng: np.random.Generator, node: NodeModel, end_s: float) -> Floats:
    """When a node samples, from its first sample to ``end_s``, to the millisecond. [s]"""
    start_s = float(rng.uniform(0.0, node.interval_s))
    t = np.arange(start_s, end_s, node.interval_s)
    if node.jitter_s > 0.0:
        t = t + rng.uniform(0.0, node.jitter_s, len(t))
    return np.round(t, 3)


def observe(rng: np.random.Generator, probe: ProbeModel, node: NodeModel, truth: Truth) -> list[Sample]:
    """The samples of a node that watched a kettle, in time order; mishaps come on top.

    Each kind of noise has a generator of its own, so that what happens later, or a channel more, changes
    nothing else.
    """
    times, water_noise, air_noise, room_noise, chip_noise, radio = rng.spawn(6)
    t_s = sample_times(times, node, float(truth.t_s[-1]))
    count = len(t_s)
    index = np.minimum(t_s.astype(np.int64), len(truth.t_s) - 1)
    slow = np.flatnonzero(np.arange(count) % node.slow_every == 0)
    pressure: list[float | None] = [None] * count
    room: list[float | None] = [None] * count
    if node.has_barometer:
        true_kPa = truth.pressure_kPa[index[slow]] * node.barometer_ratio
        noise = node.barometer_noise_kPa * air_noise.standard_normal(len(slow))
        _put(pressure, slow, np.round(true_kPa + node.barometer_error_kPa + noise, 3))
    if node.has_room:
        _put(room, slow, np.round((truth.room_C + 0.1 * room_noise.standard_normal(len(slow))) * 16) / 16)
    chip_steps = np.round((chip_series(probe, t_s) + 0.03 * chip_noise.standard_normal(count)) * 16) / 16
    rows = zip(
        t_s.tolist(),
        readings(water_noise, probe, truth, t_s).tolist(),
        repeat(None),
        room,
        pressure,
        np.round(truth.command_W[index], 0).tolist() if node.has_heater else repeat(None),
        _mains(truth, t_s).tolist() if node.has_mains else repeat(None),
        chip_steps.tolist() if node.has_chip else repeat(None),
        _second(rng, node, truth, t_s) or repeat(None),
        repeat(node.boot),
        range(count),
        np.round(t_s + 3.0, 3).tolist() if node.has_uptime else repeat(None),
        repeat(None),
        repeat(False),
        repeat(NOTHING),
        repeat(NOTHING),
        strict=False,
    )
    samples = list(map(Sample._make, rows))
    if node.lost > 0.0:
        keep = radio.random(count) >= node.lost
        samples = [sample for sample, kept in zip(samples, keep.tolist(), strict=True) if kept]
    return samples


def _put(column: list[float | None], at: npt.NDArray[np.int64], values: Floats) -> None:
    for place, value in zip(at.tolist(), values.tolist(), strict=True):
        column[place] = value


def _mains(truth: Truth, t_s: Floats) -> npt.NDArray[np.bool_]:
    """Whether the mains are there, at the times given."""
    there = np.ones(len(t_s), dtype=np.bool_)
    for gone_s, back_s in truth.outages:
        there &= (t_s < gone_s) | (t_s >= back_s)
    return there


def _second(rng: np.random.Generator, node: NodeModel, truth: Truth, t_s: Floats) -> list[float]:
    """Readings of the second probe, none without one. [°C]"""
    if node.second_probe is None:
        return []
    (noise,) = rng.spawn(1)
    return list(map(float, readings(noise, node.second_probe, truth, t_s)))
