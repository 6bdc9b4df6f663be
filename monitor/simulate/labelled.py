"""A told run with what was true of it, and how plainly the truth shows in its record."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from monitor.record.model import Run
from monitor.simulate.probe import at_the_junction, mean_reading_C, noise_K2_s
from monitor.simulate.truth import FALTER_K, Floats, TrueStretch, Truth

if TYPE_CHECKING:
    from monitor.simulate.story import Story


#: Below this plainness a loss cannot be asked of a detector. At a false alarm in 50 h of boil the best one
#: needs 4.3 to call half of such losses, and 3.7 more to miss fewer than one in 10,000; one that has to learn
#: level, scatter and shape from the run itself, a tenth more.
FAINT = 8.8
#: Water within this of boiling, or one step, just before or after a boil, cannot be told from it by its
#: temperature unless it stays so for long. [K] Our bound.
EDGE_K = 0.1
#: Steps larger than this hide what lies within one. [K] Our bound.
COARSE_STEP_K = 0.1


@dataclass(frozen=True, slots=True)
class Loss:
    """A pause of the boil. Times in s.

    ``plainness`` is the signal-to-noise ratio that the best possible detector would see, one that knew the
    fall's shape, the level and the noise: at 5.4 it calls half of such falls if it may cry wolf once in
    1000 h (Gaussian noise; Lorden's and Lai's bound with γ = 3.6e6 samples), below 3 nobody can.
    """

    start_s: float
    end_s: float
    depth_K: float
    plainness: float


@dataclass(frozen=True)
class Labelled:
    """A run with what was true of it.

    ``safe`` is True where the true hold is plainly long enough, False where it is plainly too short, None
    between. ``must_not_hold`` says why the record may not be called held whatever the water did ("" where it
    may). ``wants`` are event kinds that a right verdict brings with it. ``beyond`` marks a run whose errors
    lie at the limit of what its record states, or outside it: its rate is reported, never asserted.
    """

    run: Run
    truth: Truth
    safe: bool | None
    family: str
    seed: int
    note: str = ""
    must_not_hold: str = ""
    wants: tuple[str, ...] = ()
    beyond: bool = False
    sensor: str = "fine"
    seen: bool = False
    #: Errors within ±U keep a true boil under the guard band: no engine may call it held.
    guarded: bool = False
    story: Story | None = field(default=None, repr=False, compare=False)

    @cached_property
    def true_hold_s(self) -> float:
        """Longest true boil with jars in and heat on. [s]"""
        return max((stretch.length_s for stretch in self.stretches), default=0.0)

    @cached_property
    def stretches(self) -> list[TrueStretch]:
        """True boil with jars in and heat on, faltering bridged."""
        return self.truth.stretches(FALTER_K)

    @cached_property
    def losses(self) -> list[Loss]:
        """What lies between the true stretches of boil: how deep, how long, how plain to this probe."""
        if self.story is None:
            return []
        return [self._loss(left, right.start_s) for left, right in pairwise(self.stretches)]

    @cached_property
    def _shown_K(self) -> tuple[Floats, ...]:
        """What the junction shows, less the boiling point; with coarse steps also what the readings show. [K]

        Second by second. A loss is as plain as it is in the fainter of the two.
        """
        assert self.story is not None
        probe = self.story.kitchen.probe
        junction_K = at_the_junction(probe, self.truth) - self.truth.boil_C
        return (
            (junction_K, mean_reading_C(probe, self.truth)) if probe.step_K > COARSE_STEP_K else (junction_K,)
        )

    def _loss(self, left: TrueStretch, until_s: float) -> Loss:
        """The loss after a stretch, as it shows by ``until_s``."""
        assert self.story is not None
        kitchen = self.story.kitchen
        noise = noise_K2_s(kitchen.probe, kitchen.node.interval_s)
        first, last = int(left.end_s), int(until_s)
        powers = []
        for shown in self._shown_K:
            level = float(np.median(shown[max(int(left.start_s), first - 60) : first]))
            below = np.minimum(shown[first : last + 10] - level, 0.0)
            powers.append(float((below**2).sum()) / noise)
        return Loss(
            start_s=left.end_s,
            end_s=until_s,
            depth_K=float(self.truth.deficit_K[first:last].max(initial=0.0)),
            plainness=math.sqrt(min(powers)),
        )

    def visible_hold_s(self, until_s: float = math.inf) -> float:
        """The longest hold by ``until_s`` when what is too faint for any detector, by then, is bridged. [s]

        That is a loss of little plainness, and at both ends the seconds in which the water is within EDGE_K of
        boiling and that shows as little.
        """
        if self.story is None:
            return self.true_hold_s
        best = 0.0
        for first, last in self._visible(until_s):
            start_s = self._edge_s(first.start_s, first, -1, until_s)
            best = max(best, min(self._edge_s(last.end_s, last, 1, until_s), until_s) - start_s)
        return best

    def _visible(self, until_s: float) -> list[tuple[TrueStretch, TrueStretch]]:
        """First and last stretch of each hold with only faint losses inside."""
        stretches = self.stretches
        found: list[tuple[TrueStretch, TrueStretch]] = []
        for place, stretch in enumerate(stretches):
            if place and stretches[place - 1].start_s >= until_s:
                break
            # A loss that is faint when it is over is so while it lasts.
            if place and self._loss(stretches[place - 1], stretch.start_s).plainness < FAINT:
                found[-1] = (found[-1][0], stretch)
            elif stretch.start_s < until_s:
                found.append((stretch, stretch))
        return found

    def _edge_s(self, from_s: float, stretch: TrueStretch, way: int, until_s: float) -> float:
        """How far a stretch could be taken to reach from one of its ends. [s]"""
        assert self.story is not None
        kitchen = self.story.kitchen
        noise = noise_K2_s(kitchen.probe, kitchen.node.interval_s)
        first, last = int(stretch.start_s), int(stretch.end_s)
        near = slice(first, min(first + 60, last)) if way < 0 else slice(max(first, last - 60), last)
        levels = [float(np.median(shown[near])) for shown in self._shown_K]
        ends_s = self.truth.heat_off_s if self.truth.heat_off_s is not None else float(self.truth.t_s[-1])
        edge_K = max(EDGE_K, kitchen.probe.step_K)
        second, powers = int(from_s), [0.0] * len(levels)
        while 0 < second + way < min(len(self.truth.t_s), int(min(ends_s, until_s))):
            second += way
            for place, (shown, level) in enumerate(zip(self._shown_K, levels, strict=True)):
                powers[place] += min(float(shown[second]) - level, 0.0) ** 2 / noise
            if min(powers) >= FAINT**2 or self.truth.deficit_K[second] > edge_K:
                break
        return float(second)

    @property
    def faintest(self) -> Loss | None:
        """The loss that is hardest to see: what a detector must not miss; None without one."""
        return min(self.losses, key=lambda loss: loss.plainness, default=None)
