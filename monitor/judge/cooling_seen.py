"""What the record shows of the end of the heat and of the lifting, where nobody marked them. Pure.

A person's mark always stands before what is seen here; what is seen is said to be seen, with its bounds.

*Heat off*: the water leaves its level for good and falls steadily, no faster than a kettle with its lid off in
cold jars' company can (about 5 K/min) and with no step in it: a step is added water or a probe lifted out. A
ring goes on giving heat for up to 80 s (an estimate), so the heat may have gone that much earlier.

*Jars out*: while a jar stands in the water its contents follow the water, ``dJ/dt = k (W - J)``; once lifted they
follow the room, ``dJ/dt = -k (J - R)``, ten times slower for the same difference. A probe strapped to the glass
simply moves as the water does while it is in it. Probes that nobody checked against each other read apart in the same
water, hence each jar's difference from the water is known but for a constant. The moment at which one law
takes over from the other is the one that leaves the least squares of the minute's steps; it is believed only
where it leaves far less than "still in the water" does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite, nan
from statistics import median

from monitor.record.model import Sample

#: Figures of this page without a source are chosen, and tried on simulated kettles.
BIN_S = 60.0
#: A fall this deep is the end of the heat after a complete hold; without one it could still be a lost boil. [K]
FALL_AFTER_HOLD_K, FALL_OTHERWISE_K = 3.0, 15.0
#: Between these a stopped kettle falls. [K/min] Energy balance: 0.2 K/min late with the lid on, 4 to 5 with it off and
#: cold jars; drawn wider. Above, it is the probe or added water.
_SLOWEST_FALL_K_PER_MIN, _FASTEST_FALL_K_PER_MIN = 0.08, 6.0
#: Stored heat of an electric ring: the heat may have gone so much before the water began to fall. [s] Estimate.
RING_S = 80.0
#: 1/k in the water and in still air. [min] A jar in water takes 4 to 10 min; in air 57 to 132 min (computed from
#: natural convection and radiation), crowding and solid packs included.
_IN_WATER_MIN, _IN_AIR_MIN = (2.5, 25.0), (30.0, 300.0)
#: So far a jar's probe may read from the water's with both in the same water. [K] Two class 2 thermocouples, ±2.5 K
#: each, or one and a sensor that reads well, seldom differ by more.
_APART_K = 2.5
#: The lifting is looked for in this much after the end of the heat, and needs so much air behind it. [min]
_LOOK_MIN, _AIR_MIN = 90, 10
#: Steps with this scatter about the better law are still a jar's. [K/min]
_CLEAR_K_PER_MIN = 0.25
#: Below this scatter about the water's own law there is nothing to explain: no jar left it.
_STILL_K_PER_MIN = 0.08
#: Left over by the two laws together, against the water's alone.
_BETTER = 0.35
_ROOM_C = 22.0
#: While the heat is on, the course before this is of no use: the slowest fall that is followed, 15 K at 0.08 K a
#: minute, takes 190 min.
_KEEP_MIN, _KEEP_MOST_MIN = 360, 480


@dataclass(frozen=True, slots=True)
class Seen:
    """Something seen in the record. Times in s since the run's start; the truth lies between the bounds."""

    t_s: float
    early_s: float
    late_s: float
    how: str


@dataclass(frozen=True, slots=True)
class AfterHold:
    """What the record shows; None where it shows nothing."""

    heat_off: Seen | None
    lifted: Seen | None


NOTHING_SEEN = AfterHold(None, None)


class Follower:
    """Gathers samples in time order into medians of one minute, and says what they show so far."""

    def __init__(self, from_s: float) -> None:
        self.from_s = from_s
        self.t_s: list[float] = []
        self.water_C: list[float] = []
        self.room_C: list[float] = []
        self.jars_C: dict[int, list[float]] = {}
        self._open: list[Sample] = []

    def push(self, sample: Sample) -> bool:
        """The next sample; whether a minute was closed by it."""
        if sample.t_s < self.from_s:
            return False
        number = int((sample.t_s - self.from_s) // BIN_S)
        closed = number > len(self.t_s)
        while len(self.t_s) < number:
            self.close()
        self._open.append(sample)
        return closed

    def close(self) -> None:
        """End the minute; what was not heard in it is nan."""
        group = self._open
        before = len(self.t_s)
        self.t_s.append(self.from_s + (before + 0.5) * BIN_S)
        self.water_C.append(_middle([s.water_C for s in group if not s.water_fault]))
        self.room_C.append(_middle([s.room_C for s in group]))
        for jar in {number for sample in group for number in sample.jars} - self.jars_C.keys():
            self.jars_C[jar] = [nan] * before
        for jar, course in self.jars_C.items():
            course.append(_middle([s.jars.get(jar) for s in group]))
        self._open = []

    def forget(self) -> None:
        """No end of the heat so far: what lies far back tells nothing about one to come."""
        if len(self.t_s) < _KEEP_MOST_MIN:
            return
        gone = len(self.t_s) - _KEEP_MIN
        self.from_s += gone * BIN_S
        for course in (self.t_s, self.water_C, self.room_C, *self.jars_C.values()):
            del course[:gone]

    def heat_off(self, complete_s: float | None) -> Seen | None:
        """The end of the heat; ``complete_s`` is when the hold was complete, None where none was. [s]"""
        return _heat_off(self, complete_s)

    def lifted(self, heat_off_s: float) -> Seen | None:
        """The lifting, after the end of the heat. [s]"""
        return _lifted(self, heat_off_s)


def seen_after_hold(
    samples: Sequence[Sample], jars_in_s: float, complete_s: float | None, heat_off_s: float | None = None
) -> AfterHold:
    """Heat off and jars out as far as the samples show them.

    Parameters
    ----------
    samples : sequence of Sample
        In time order.
    jars_in_s : float
        When the jars went in. [s]
    complete_s : float or None
        When the hold was complete; None where none was. [s]
    heat_off_s : float or None
        A person's mark of the end of the heat, if there is one. [s]
    """
    course = Follower(jars_in_s)
    for sample in samples:
        course.push(sample)
    course.close()
    heat_off = course.heat_off(complete_s) if heat_off_s is None else None
    from_s = heat_off_s if heat_off_s is not None else heat_off.t_s if heat_off else None
    return AfterHold(heat_off, None if from_s is None else course.lifted(from_s))


def _middle(values: Sequence[float | None]) -> float:
    known = [value for value in values if value is not None]
    return median(known) if known else nan


def _heat_off(course: Follower, complete_s: float | None) -> Seen | None:
    known = [(t, w) for t, w in zip(course.t_s, course.water_C, strict=True) if isfinite(w)]
    if len(known) < 5:
        return None
    top = max(w for _, w in known)
    level = median([w for _, w in known if w >= top - 1.0])
    scatter = median([abs(w - level) for _, w in known if w >= top - 1.0])
    last = max(i for i, (_, w) in enumerate(known) if w >= level - max(0.15, 2.0 * scatter))
    onset_s = known[last][0]
    if complete_s is not None and onset_s < complete_s - BIN_S:
        return None
    fall = _the_fall(known[last:], FALL_OTHERWISE_K if complete_s is None else FALL_AFTER_HOLD_K)
    if fall is None:
        return None
    return Seen(
        onset_s,
        onset_s - BIN_S - RING_S,
        onset_s + BIN_S,
        f"the water left its level and fell {fall:.0f} K, as a stopped kettle's does",
    )


def _the_fall(after: Sequence[tuple[float, float]], deep_K: float) -> float | None:
    """How far the water fell steadily from its level; None where it did not, or not as a kettle does. [K]"""
    level = after[0][1]
    for (t0, w0), (t1, w1) in pairwise(after):
        rate = (w0 - w1) / ((t1 - t0) / 60.0)
        if rate > _FASTEST_FALL_K_PER_MIN or rate < -0.1:
            return None
        if level - w1 >= deep_K:
            mean = (level - w1) / ((t1 - after[0][0]) / 60.0)
            return level - w1 if mean >= _SLOWEST_FALL_K_PER_MIN else None
    return None


def _lifted(course: Follower, heat_off_s: float) -> Seen | None:
    first = next((i for i, t in enumerate(course.t_s) if t >= heat_off_s - 5 * BIN_S), len(course.t_s))
    last = min(first + 5 + _LOOK_MIN, len(course.t_s) - 1)
    steps = _steps(course, first, last)
    if not steps:
        return None
    still = sum(_wet(steps))
    start = next((i for i, t in enumerate(course.t_s) if t >= heat_off_s), last)
    found = [(cost, at) for at in range(start, last - _AIR_MIN + 1) if (cost := _cost(steps, at)) is not None]
    count = len(steps)
    if not found or still < count * _STILL_K_PER_MIN**2:
        return None
    least, at = min(found)
    if least > _BETTER * still or least > count * _CLEAR_K_PER_MIN**2:
        return None
    near = [number for cost, number in found if cost <= least * (1.0 + 8.0 / count)]
    jars = ", ".join(map(str, sorted(course.jars_C)))
    return Seen(
        course.t_s[at] - BIN_S / 2.0,
        course.t_s[min(near)] - 2.5 * BIN_S,
        course.t_s[max(near)] + 1.5 * BIN_S,
        f"jar probe{'s' if len(course.jars_C) > 1 else ''} {jars} left the water and followed the room",
    )


@dataclass(frozen=True, slots=True)
class _Step:
    """One minute of one jar: where it began, how far it moved, and what it stood in. [K]"""

    jar: int
    at: int
    moved: float
    water_moved: float
    to_water: float
    to_room: float


def _steps(course: Follower, first: int, last: int) -> list[_Step]:
    found = []
    for number, jar in course.jars_C.items():
        for i in range(first, last):
            middle = (jar[i] + jar[i + 1]) / 2.0
            water = (course.water_C[i] + course.water_C[i + 1]) / 2.0
            room = course.room_C[i] if isfinite(course.room_C[i]) else _ROOM_C
            if isfinite(middle) and isfinite(water):
                moved, water_moved = jar[i + 1] - jar[i], course.water_C[i + 1] - course.water_C[i]
                found.append(_Step(number, i, moved, water_moved, water - middle, room - middle))
    return found


def _cost(steps: Sequence[_Step], at: int) -> float | None:
    """Squares left over if the jars were lifted at minute ``at``; the minute itself belongs to neither."""
    before = [step for step in steps if step.at < at - 1]
    after = [step for step in steps if step.at > at]
    if not after:
        return None
    passing = [step for step in steps if at - 1 <= step.at <= at]
    wet, dry = _wet(before), _left(after, [step.to_room for step in after], _IN_AIR_MIN)
    # So that every moment is judged on as many steps: the passing ones cost what their neighbours do.
    mean = (sum(wet) + sum(dry)) / max(1, len(wet) + len(dry))
    return sum(wet) + sum(dry) + mean * len(passing)


def _wet(steps: Sequence[_Step]) -> list[float]:
    """Squared residuals about "in the water": contents that follow it, or a probe that reads it."""
    contents = _left(steps, _to_water(steps), _IN_WATER_MIN)
    return min(contents, [(step.moved - step.water_moved) ** 2 for step in steps], key=sum)


def _to_water(steps: Sequence[_Step]) -> list[float]:
    """How far the water is from each jar, less what the two probes read apart, as far as the steps tell that. [K]"""
    apart = {
        jar: _apart_K([step for step in steps if step.jar == jar]) for jar in {step.jar for step in steps}
    }
    return [step.to_water + apart[step.jar] for step in steps]


def _apart_K(steps: Sequence[_Step]) -> float:
    """What is to be added to one jar's differences so that its steps follow them best. [K]"""
    count = len(steps)
    mean = sum(step.to_water for step in steps) / count
    moved = sum(step.moved for step in steps) / count
    square = sum((step.to_water - mean) ** 2 for step in steps)
    both = sum((step.to_water - mean) * (step.moved - moved) for step in steps)
    rate = _within(both / square if square > 0.0 else 0.0, _IN_WATER_MIN)
    return min(max(moved / rate - mean, -_APART_K), _APART_K)


def _within(rate: float, minutes: tuple[float, float]) -> float:
    """A rate within what jars can do. [1/min]"""
    return min(max(rate, 1.0 / minutes[1]), 1.0 / minutes[0])


def _left(steps: Sequence[_Step], drive: Sequence[float], minutes: tuple[float, float]) -> list[float]:
    """Squared residuals of the steps about one law, its rate fitted within what jars can do."""
    square = sum(x * x for x in drive)
    rate = sum(x * step.moved for x, step in zip(drive, steps, strict=True)) / square if square > 0.0 else 0.0
    rate = _within(rate, minutes)
    return [(step.moved - rate * x) ** 2 for x, step in zip(drive, steps, strict=True)]
