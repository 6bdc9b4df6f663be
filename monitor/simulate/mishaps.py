"""What goes wrong between a probe and a record. Each takes samples in time order and gives them back changed.

Times in s since the run's start. Nothing here looks at the truth.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.record.model import Sample

Samples = list[Sample]


def silence(samples: Sequence[Sample], from_s: float, to_s: float) -> Samples:
    """The node is not heard from ``from_s`` until before ``to_s``; its sequence goes on."""
    return [sample for sample in samples if not from_s <= sample.t_s < to_s]


def restart(samples: Sequence[Sample], at_s: float, away_s: float, boot: int) -> Samples:
    """The node loses power at ``at_s``, is back ``away_s`` later with a new boot, and counts from 0."""
    back_s = at_s + away_s
    out = []
    seq = 0
    for sample in samples:
        if sample.t_s < at_s:
            out.append(sample)
        elif sample.t_s >= back_s:
            uptime_s = None if sample.uptime_s is None else round(sample.t_s - back_s + 1.5, 3)
            out.append(sample._replace(boot=boot, seq=seq, uptime_s=uptime_s))
            seq += 1
    return out


def freeze(samples: Sequence[Sample], from_s: float, to_s: float, *, chip_too: bool = True) -> Samples:
    """The converter repeats its last value, and its own temperature with it."""
    out: Samples = []
    held: Sample | None = None
    for sample in samples:
        if from_s <= sample.t_s < to_s:
            held = held or sample
            changed = sample._replace(water_C=held.water_C)
            out.append(changed._replace(chip_C=held.chip_C) if chip_too else changed)
        else:
            out.append(sample)
    return out


def fault(samples: Sequence[Sample], from_s: float, to_s: float, kind: str) -> Samples:
    """The converter reports a fault instead of a value."""
    return [
        sample._replace(water_C=None, water_fault=kind) if from_s <= sample.t_s < to_s else sample
        for sample in samples
    ]


def jumps(
    samples: Sequence[Sample], rng: np.random.Generator, *, share: float, size_K: float = 15.0
) -> Samples:
    """Now and then a single value that no water could have."""
    hit = rng.random(len(samples)) < share
    size = rng.uniform(3.0, size_K, len(samples)) * rng.choice((-1.0, 1.0), len(samples))
    return [
        sample._replace(water_C=round(sample.water_C + by, 4))
        if struck and sample.water_C is not None
        else sample
        for sample, struck, by in zip(samples, hit.tolist(), size.tolist(), strict=True)
    ]


def out_of_water(
    samples: Sequence[Sample], rng: np.random.Generator, from_s: float, to_s: float, air_C: float
) -> Samples:
    """The probe hangs in the air over the pot: it falls within seconds and wanders in the steam."""
    out: Samples = []
    shown_C: float | None = None
    for sample in samples:
        if from_s <= sample.t_s < to_s and sample.water_C is not None:
            shown_C = sample.water_C if shown_C is None else shown_C + 0.12 * (air_C - shown_C)
            wander = float(rng.normal(0.0, 0.8))
            out.append(sample._replace(water_C=round(shown_C + wander, 3)))
        else:
            out.append(sample)
    return out


def step_clock(samples: Sequence[Sample], at_s: float, by_s: float) -> Samples:
    """The clock that made ``t_s`` is set by ``by_s`` at ``at_s``; the node's uptime runs on."""
    return [
        sample._replace(t_s=round(sample.t_s + by_s, 3)) if sample.t_s >= at_s else sample
        for sample in samples
    ]


def wrong_clock(samples: Sequence[Sample], until_s: float, by_s: float) -> Samples:
    """The clock that made ``t_s`` was wrong by ``by_s`` until it was put right; what lies before 0 is lost."""
    moved = [
        sample._replace(t_s=round(sample.t_s + by_s, 3)) if sample.t_s < until_s else sample
        for sample in samples
    ]
    return [sample for sample in moved if sample.t_s >= 0.0]


def resent(samples: Sequence[Sample], from_s: float, to_s: float) -> Samples:
    """Nothing arrives from ``from_s`` until ``to_s``; then all of it does, marked late, before what follows."""
    return [sample._replace(late=True) if from_s <= sample.t_s < to_s else sample for sample in samples]


def late_and_twice(
    samples: Sequence[Sample], rng: np.random.Generator, *, late: float = 0.02, twice: float = 0.02
) -> Samples:
    """Some rows arrive after later ones, some a second time."""
    out: Samples = []
    waiting: list[tuple[int, Sample]] = []
    for place, sample in enumerate(samples):
        draw = float(rng.random())
        if draw < late:
            waiting.append((place + int(rng.integers(2, 60)), sample._replace(late=True)))
        else:
            out.append(sample)
            if draw > 1.0 - twice:
                waiting.append((place + int(rng.integers(1, 30)), sample))
        while waiting and min(due for due, _ in waiting) <= place:
            due = min(waiting, key=lambda item: item[0])
            waiting.remove(due)
            out.append(due[1])
    out.extend(sample for _, sample in waiting)
    return out


def conflict(samples: Sequence[Sample], at_s: float, by_K: float) -> Samples:
    """One row comes a second time with another value."""
    out = []
    done = False
    for sample in samples:
        out.append(sample)
        if not done and sample.t_s >= at_s and sample.water_C is not None:
            out.append(sample._replace(water_C=round(sample.water_C + by_K, 4)))
            done = True
    return out
