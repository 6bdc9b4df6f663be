"""Readings that fall or rise faster than water can: cold water added, or the probe out of the water."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.judge import eventlog, words
from monitor.judge.boil import Boil
from monitor.judge.readings import RISE_K_PER_S, Step
from monitor.judge.state import State
from monitor.judge.verdict import NOT_BOILING, UNKNOWN

#: A quick drop bigger than added cold water makes is the probe's. [K] Chosen: a litre at 20 °C in 12 kg of boiling
#: water makes 6 K (mixing), two and a half make 14. The figures below are chosen too.
PROBE_OUT_K = 15.0
#: Back within this of where it fell from, it is back. [K]
BACK_K = 0.5
#: So long without a jump, a fallen reading is the water's again; one that fell far, after this long. [s]
CALM_S, EXCURSION_S = 60.0, 600.0
#: A rise is measured over so long. [s]
RISE_OVER_S = 15.0
#: A mark explains a drop that comes so long after it, or so long before it. [s]
EXPLAINS_S = (-120.0, 60.0)


@dataclass(slots=True)
class Excursion:
    """A fall too fast for cooling: since when and from where; whether it is the probe's for sure."""

    since_s: float
    was_C: float
    jumped_s: float
    out: bool
    recent_s: float = 0.0
    recent_C: float = 1e9


class SuddenWatch:
    """Tells the water's sudden falls from the probe's, by how the reading comes back."""

    def __init__(self, state: State, boil: Boil) -> None:
        self._state, self._boil = state, boil
        self._excursion: Excursion | None = None
        #: The probe was said to have left the water, and nothing near the boil was read since.
        self.is_away = False

    @property
    def is_out(self) -> bool:
        """Whether a fall is not yet explained: nothing is judged meanwhile."""
        return self._excursion is not None

    def forget(self) -> None:
        """What follows has nothing to do with it."""
        self._excursion = None

    def jumped(self, step: Step, t: float, y: float) -> None:
        """After a reading that water cannot have followed."""
        state = self._state
        since_s = state.valid_s
        if self._excursion is not None:
            self._excursion.jumped_s = t
            if step is Step.ROSE and y > self._excursion.was_C - BACK_K:
                self._back_in(t)
        elif step is Step.FELL:
            self.fell(since_s, state.valid_C, y, t)
        elif step is Step.ROSE:
            # On the way up hot water may have been poured in; a boil has nothing hotter to come from.
            if self._boil.is_on:
                state.log.add_trouble(eventlog.IMPOSSIBLE_RISE, t, words.IMPOSSIBLE_RISE_TEXT, since_s)
            self._boil.break_off(since_s, UNKNOWN, words.IMPOSSIBLE_RISE)
        else:
            self._boil.jumped(since_s, t)
            state.log.add_trouble(eventlog.ERRATIC, t, words.ERRATIC_TEXT, since_s)
        if step is not Step.ERRATIC:
            state.trace.clear()

    def fell(self, noticed_s: float, was_C: float, y: float, t: float) -> None:
        """A fall faster than cooling: cold water was added, or the probe has left the water."""
        state, hold = self._state, self._state.hold
        since_s = self._began_s(noticed_s)
        early, late = EXPLAINS_S
        added = any(
            mark.kind in ("water_added", "jars_in") and early <= since_s - mark.t_s <= late
            for mark in state.marks
        )
        out = was_C - y > PROBE_OUT_K and not added
        self._excursion = Excursion(since_s, was_C, t, out)
        if out:
            self._boil.break_off(since_s, UNKNOWN, words.PROBE_OUT)
            self._moved(since_s, t)
        else:
            self._boil.break_off(since_s, NOT_BOILING, words.COLD_WATER)
            if hold.boil_told and (hold.heat_off_s is None or since_s < hold.heat_off_s):
                hold.lost(since_s, since_s, since_s, t, words.COLD_WATER_TEXT)

    def _began_s(self, noticed_s: float) -> float:
        """When a fall noticed then began at the earliest: the probe lags, and it may begin gently. [s]"""
        state, boil, detector = self._state, self._boil, self._boil.detector
        if detector is None or len(state.trace) - detector.start < 30:
            return noticed_s
        early_s = noticed_s - 2.0 * state.probe.response_s
        if detector.look() <= -1.0:
            early_s = min(early_s, detector.locate().early_s)
        return max(early_s, boil.early_s, state.hold.told_until_s)

    def gone(self, since_s: float, was_C: float, t: float) -> None:
        """When readings came back at ``since_s`` they were lower than the water can be."""
        self._excursion = Excursion(since_s, was_C, t, out=True)
        self._state.set(since_s, UNKNOWN, words.PROBE_OUT)
        self._moved(since_s, t)

    def follow(self, t: float, y: float) -> bool:
        """Was it the water or the probe? Returns whether that is still open."""
        excursion = self._excursion
        if excursion is None:
            return False
        if not excursion.out and excursion.was_C - y > PROBE_OUT_K + 5.0:
            excursion.out = True
            self._was_probe(excursion, t)
            self._moved(excursion.since_s, t)
        if t - excursion.recent_s >= RISE_OVER_S:
            if y - excursion.recent_C > 2.0 * RISE_K_PER_S * (t - excursion.recent_s):
                self._back_in(t)
                return False
            excursion.recent_s, excursion.recent_C = t, y
        calm_s = t - excursion.jumped_s
        is_back = y > excursion.was_C - BACK_K
        if is_back or calm_s > (EXCURSION_S if excursion.out else CALM_S):
            if is_back:
                self.is_away = False
            # It came back, or goes on, as water does.
            self._excursion = None
        return self._excursion is not None

    def _back_in(self, t: float) -> None:
        """Back up faster than any stove heats: the water was never seen in between."""
        excursion = self._excursion
        assert excursion is not None
        self._excursion = None
        self._was_probe(excursion, t)
        self._state.trace.clear()
        if not excursion.out:
            self._moved(excursion.since_s, t)
        self.is_away = False

    def _was_probe(self, excursion: Excursion, t: float) -> None:
        state = self._state
        state.ledger.relabel(excursion.since_s, t, NOT_BOILING, UNKNOWN, words.PROBE_OUT)
        state.set(t, UNKNOWN, words.PROBE_OUT)

    def _moved(self, since_s: float, t: float) -> None:
        self.is_away = True
        self._state.log.add("probe_moved", since_s, t, words.PROBE_OUT_TEXT)
