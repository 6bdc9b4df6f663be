"""The engine and, from the end of the heat on, the cooling watch: everything that judges one run in time order."""

from __future__ import annotations

from math import inf

from monitor.judge.cooling import CoolingWatch
from monitor.judge.cooling_track import NO_EVENTS
from monitor.judge.engine import Engine
from monitor.judge.late import LateRows
from monitor.judge.summary import stretches_of, verdict_of
from monitor.judge.verdict import BOILING
from monitor.record.model import Run, Sample

#: So long after the heat is off the fall has been dated, and the cooling watch is told what the hold came to. [s]
#: Chosen.
SETTLED_S = 600.0
#: A loss is looked for when the boil begins or ends, and this often besides: its dating may move. [s] Chosen.
LOOK_EVERY_S = 60.0


class Witness:
    """Feeds both, in time order. The events of both are in ``engine.state.log``."""

    def __init__(self, header: Run) -> None:
        self.engine = Engine(header)
        self.cooling = CoolingWatch(header.batch.jar)
        # One and the same set: what the watch sees later, the verdict knows.
        self.engine.shown = self.cooling.seen
        self.late = LateRows()
        self._marks_passed = 0
        #: Whether it boiled when a loss was last looked for, and when that is done again. [s]
        self._boiled, self._look_s = False, -inf

    def push(self, sample: Sample, conflict: bool = False) -> None:
        """The next sample in time order; ``conflict`` where its number came with two values."""
        engine, water_C, pressure_kPa = self.engine, sample.water_C, sample.pressure_kPa
        if water_C is not None and water_C - water_C != 0.0:
            # Not a number, or without end: files and nodes are refused it, and from a program it is no reading either.
            sample = sample._replace(water_C=None)
        if pressure_kPa is not None and pressure_kPa - pressure_kPa != 0.0:
            sample = sample._replace(pressure_kPa=None)
        engine.push(sample, conflict)
        if sample.late:
            self.late.add(sample)
        if engine.next_mark != self._marks_passed:
            self._pass_marks()
        completed_s, cooling = engine.state.hold.completed_s, self.cooling
        if completed_s is not None:
            if cooling.complete_s is None:
                cooling.on_hold_complete(completed_s)
        else:
            self._follow_loss(sample.t_s)
        if completed_s is not None or cooling.heat_off_s is not None or cooling.lifted_s is not None:
            if cooling.needs_verdict:
                self._settle(sample.t_s)
            said = cooling.push(sample)
        else:
            said = cooling.tick(sample.t_s) if cooling.is_due(sample.t_s) else NO_EVENTS
        if said:
            engine.state.log.events += said

    def tick(self, now_s: float) -> None:
        """Time has passed without a sample."""
        self.engine.tick(now_s)
        self._pass_marks()
        self._settle(now_s)
        self._follow_loss(now_s)
        self.engine.state.log.events += self.cooling.tick(now_s)

    def finish(self, until_s: float = inf) -> None:
        """The record ends here; what would be said after ``until_s`` is left out."""
        self.engine.finish(until_s)
        self._pass_marks()

    def _pass_marks(self) -> None:
        engine = self.engine
        while self._marks_passed < engine.next_mark:
            mark = engine.state.marks[self._marks_passed]
            self._marks_passed += 1
            engine.state.log.events += self.cooling.on_mark(mark.kind, mark.t_s)

    def _follow_loss(self, now_s: float) -> None:
        """A hold that is open and not complete has the 2 h clock of a failed process from its boil's loss on."""
        state = self.engine.state
        boils = state.ledger.state == BOILING
        if boils == self._boiled and now_s < self._look_s:
            return
        if not state.hold.counts or state.hold.completed_s is not None:
            return
        self._boiled, self._look_s = boils, now_s + LOOK_EVERY_S
        self.cooling.on_open(() if boils else stretches_of(self.engine))

    def _settle(self, now_s: float) -> None:
        """Tell the cooling watch the verdict, once the end of the hold can be dated."""
        if not self.cooling.needs_verdict:
            return
        ended = [s for s in (self.cooling.heat_off_s, self.cooling.lifted_s) if s is not None]
        if ended and now_s >= min(ended) + SETTLED_S:
            verdict = verdict_of(self.engine)
            self.cooling.on_verdict(verdict.verdict, verdict.stretches, verdict.required_s)
