"""The rest of a batch: jars lifted from the canner, cooling on a towel, with probes in some of them."""

from __future__ import annotations

from collections.abc import Sequence
from types import MappingProxyType

import numpy as np

from monitor.record.model import Sample
from monitor.simulate.air_cooling import STEP_S as AIR_STEP_S
from monitor.simulate.air_cooling import cool_in_air
from monitor.simulate.kitchen import Kitchen
from monitor.simulate.truth import Floats, Truth

#: A lid snaps down somewhere around here while its jar cools. [°C] A guess: no measurement was found.
LID_C = (78.0, 93.0)


def room_course(rng: np.random.Generator, start_C: float, seconds: int) -> Floats:
    """A kitchen's air through a day, once a second: cools at night, wanders a little. [°C]"""
    t = np.arange(seconds, dtype=np.float64)
    day = 1.5 * np.sin(2 * np.pi * (t / 86400.0) + float(rng.uniform(0.3, 0.9)))
    return np.asarray(start_C + day - day[0], dtype=np.float64)


def jar_courses(
    rng: np.random.Generator, kitchen: Kitchen, truth: Truth, lifted_s: float, room_C: Floats, jars: int
) -> list[Floats]:
    """Contents of some jars second by second: in the canner until ``lifted_s``, then in the air. [°C]"""
    courses = []
    first = int(lifted_s)
    air_room = room_C[first :: int(AIR_STEP_S)].tolist()
    for _ in range(jars):
        # Jars near the rim are a little colder than the mean of the canner.
        before = truth.jars_C[:first] - float(rng.uniform(0.0, 0.8))
        air = cool_in_air(kitchen.jar, float(before[-1]), air_room, crowd=float(rng.uniform(0.82, 1.0)))
        t_air = first + AIR_STEP_S * np.arange(len(air))
        after = np.interp(np.arange(first, len(room_C), dtype=np.float64), t_air, air)
        courses.append(np.concatenate((before, after)))
    return courses


def with_jars(
    rng: np.random.Generator,
    samples: Sequence[Sample],
    courses: Sequence[Floats],
    room_C: Floats,
    lifted_s: float,
    *,
    noise_K: float = 0.03,
    step_K: float = 0.0625,
) -> list[Sample]:
    """Samples with the jars' channels, the room's course, and each lid heard once when it pulls down."""
    lid_at_C = [float(rng.uniform(*LID_C)) for _ in courses]
    heard = [False] * len(courses)
    out = []
    for sample in samples:
        index = min(int(sample.t_s), len(room_C) - 1)
        jars: dict[int, float] = {}
        lids: dict[int, bool] = {}
        for number, course in enumerate(courses, start=1):
            true_C = float(course[index])
            jars[number] = round((true_C + float(rng.normal(0.0, noise_K))) / step_K) * step_K
            if not heard[number - 1] and sample.t_s > lifted_s and true_C < lid_at_C[number - 1]:
                heard[number - 1] = True
                lids[number] = True
        shown_C = None if sample.room_C is None else round(float(room_C[index]) * 16) / 16
        out.append(sample._replace(room_C=shown_C, jars=MappingProxyType(jars), lids=MappingProxyType(lids)))
    return out


def thinned(samples: Sequence[Sample], from_s: float, every_s: float) -> list[Sample]:
    """A node that samples at its ease from ``from_s`` on: one sample each ``every_s``, counted anew.

    Each sample that is left carries the room's temperature and the air's pressure, last heard.
    """
    out: list[Sample] = []
    room: float | None = None
    pressure: float | None = None
    next_s = from_s
    for sample in samples:
        room = sample.room_C if sample.room_C is not None else room
        pressure = sample.pressure_kPa if sample.pressure_kPa is not None else pressure
        if sample.t_s >= from_s:
            if sample.t_s < next_s:
                continue
            next_s += every_s
            sample = sample._replace(room_C=room, pressure_kPa=pressure)
        out.append(sample._replace(seq=len(out)))
    return out
