"""A batch told from the first second: what the cook did, what the water did, what the record then says."""

from __future__ import annotations

import numpy as np

from monitor.record.model import ENDS, Batch, Mark, Required, Run, Sample
from monitor.simulate.kettle_run import KettleRun
from monitor.simulate.kitchen import Kitchen, local_time
from monitor.simulate.labelled import Labelled
from monitor.simulate.observe import observe
from monitor.simulate.truth import FALTER_K, UNSEEN_K, Truth

#: No story of the suite is longer. [s]
LONGEST_S = 4 * 3600


class Story:
    """The cook's side of a run. Times are the kettle's own seconds."""

    def __init__(
        self,
        kitchen: Kitchen,
        rng: np.random.Generator,
        *,
        seen: bool | None = None,
        start_below_K: float | None = None,
        longest_s: int = LONGEST_S,
        lid_on: bool = True,
    ) -> None:
        self.kitchen = kitchen
        self.rng = rng
        self._noise_seed = int(rng.integers(2**63))
        self.seen = bool(rng.random() < 0.75) if seen is None else seen
        self.marks: list[Mark] = []
        pressure_kPa, boil_C = kitchen.weather.series(longest_s)
        below_K = float(rng.uniform(20.0, 34.0)) if start_below_K is None else start_below_K
        self.kettle = KettleRun(
            kitchen.kettle, boil_C, pressure_kPa, float(boil_C[0]) - below_K, lid_on=lid_on
        )

    @property
    def now_s(self) -> float:
        return self.kettle.now_s

    def mark(self, kind: str, after_s: float = 0.0) -> None:
        """Somebody marks what just happened, ``after_s`` late."""
        self.marks.append(Mark(round(self.now_s + after_s, 1), kind))

    def load_jars(self, jars_C: float | None = None, *, marked: bool = True) -> None:
        """The jars go in, a little colder than the water if not told."""
        colder_K = float(self.rng.uniform(3.0, 20.0))
        self.kettle.put_jars_in(self.kettle.water_C - colder_K if jars_C is None else jars_C)
        if marked:
            self.mark("jars_in")

    def come_up(self, *, jars_marked: bool = True) -> None:
        """From warm water to the boil, jars in early on, lid on."""
        if self.rng.random() < 0.3:
            self.mark("heat_on")
        self.kettle.advance(float(self.rng.integers(0, 120)))
        self.load_jars(marked=jars_marked)
        self.to_boil()

    def to_boil(self) -> None:
        """Full heat until it boils, and somebody sees it where the story has eyes."""
        if not self.kettle.advance_to_boil():
            raise ValueError("this kettle never boils: the heater is too weak for its losses")
        if self.seen:
            self.mark("rolling_boil_seen", float(self.rng.uniform(2.0, 45.0)))

    def boil(self, seconds_s: float) -> None:
        """Keep it boiling: full heat at first, then turned down to a full but thrifty boil."""
        if seconds_s <= 0:
            return
        kettle = self.kettle
        spare_W = float(self.rng.uniform(200.0, 1200.0))
        needed_W = kettle.needed_W
        if not kettle.lid_on:
            needed_W += kettle.kettle.lid_off_loss_W(kettle.water_C)
        kettle.advance(seconds_s, min(kettle.kettle.heater_W, needed_W + spare_W))

    def simmer(self, below_K: float, *, seen: bool, first_s: float = 1500.0) -> None:
        """Jars in, then so far below the boil to the end; ``seen``: taken for a boil after ``first_s``."""
        self.load_jars()
        self.kettle.advance(first_s, below_boil_K=below_K)
        if seen:
            self.mark("rolling_boil_seen")
        self.kettle.advance(self.kitchen.minutes * 60.0 + 200.0, below_boil_K=below_K)
        self.end()

    def cycle(self, seconds_s: float, *, off_share: float, period_s: float) -> None:
        """A thermostat: full heat and none by turns."""
        on = [self.kitchen.kettle.heater_W] * round(period_s * (1.0 - off_share))
        off = [0.0] * round(period_s * off_share)
        pattern = (on + off) * (int(seconds_s / max(1, len(on) + len(off))) + 1)
        self.kettle.advance(seconds_s, pattern[: int(seconds_s)])

    def end(self, *, cool_s: float | None = None) -> None:
        """Heat off; the record runs on for some minutes, or not."""
        self.kettle.turn_heat_off()
        self.mark("heat_off")
        if cool_s is None:
            cool_s = float(self.rng.choice((5.0, 120.0, 240.0, 400.0)))
        self.kettle.advance(cool_s, 0.0)

    def observe(self) -> list[Sample]:
        """What the node made of it."""
        noise = np.random.default_rng(self._noise_seed)
        return observe(noise, self.kitchen.probe, self.kitchen.node, self.kettle.truth())

    def stop_at(self, at_s: float, cool_s: float = 300.0) -> None:
        """Tell it otherwise: somebody turned the heat off at ``at_s``; the node saw the same until then."""
        self.kettle.rewind(at_s)
        self.marks = [mark for mark in self.marks if mark.t_s < self.now_s]
        self.end(cool_s=cool_s)

    def run(self, run_id: str, samples: list[Sample]) -> Run:
        """The record."""
        kitchen = self.kitchen
        return Run(
            run_id=run_id,
            started_at=local_time(),
            required=Required(kitchen.minutes, "an invented time, for the simulator alone"),
            canner="canner-1",
            zone="America/Denver",
            site=kitchen.site,
            batch=Batch(food="trial batch", pack="hot", jar=kitchen.jar, jars=kitchen.jars),
            probe=kitchen.stated_probe,
            marks=tuple(sorted(self.marks, key=lambda mark: mark.t_s)),
            samples=tuple(samples),
        )

    def label(
        self,
        family: str,
        seed: int,
        samples: list[Sample] | None = None,
        *,
        note: str = "",
        must_not_hold: str = "",
        provable: bool = True,
        wants: tuple[str, ...] = (),
        beyond: bool = False,
        run: Run | None = None,
    ) -> Labelled:
        """The run with its label. Not ``provable``: then it is never counted as a hold that was missed.

        Nor is one that the guard band alone keeps from being proven.
        """
        truth = self.kettle.truth()
        seen = any(mark.kind == "rolling_boil_seen" for mark in self.marks)
        run = run or self.run(f"{family}-{seed}", self.observe() if samples is None else samples)
        required_s = run.required_s
        safe: bool | None = None
        if truth.longest_s(FALTER_K) < required_s:
            safe = False
        elif provable and not must_not_hold and not self.kitchen.guarded(seen):
            safe = creditable_s(truth, run) >= required_s + self.kitchen.margin_s or None
        return Labelled(
            run=run,
            truth=truth,
            safe=safe,
            family=family,
            seed=seed,
            note=note,
            must_not_hold=must_not_hold,
            wants=wants,
            beyond=beyond,
            sensor=self.kitchen.sensor,
            seen=seen,
            guarded=self.kitchen.guarded(seen),
            story=self,
        )


def creditable_s(truth: Truth, run: Run) -> float:
    """The longest strict true boil that a record can be credited with: from the first look within it. [s]"""
    jars_s = max((mark.t_s for mark in run.marks if mark.kind == "jars_in"), default=float("inf"))
    off_s = min(
        (mark.t_s for mark in run.marks if mark.kind in ENDS and mark.t_s >= jars_s),
        default=float("inf"),
    )
    seen = [mark.t_s for mark in run.marks if mark.kind == "rolling_boil_seen"]
    best = 0.0
    for stretch in truth.stretches(UNSEEN_K):
        looked = min((t for t in seen if stretch.start_s <= t < stretch.end_s), default=stretch.start_s)
        best = max(best, min(stretch.end_s, off_s) - max(stretch.start_s, looked, jars_s))
    return best
