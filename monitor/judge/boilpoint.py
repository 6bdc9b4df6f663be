"""At what temperature the water of this run boils, and from where on a reading counts as boiling."""

from __future__ import annotations

from monitor.judge import words
from monitor.judge.budget import ALLOWANCE_SEEN_K, ALLOWANCE_UNSEEN_K, ProbeBudget, expanded_K
from monitor.judge.eventlog import EventLog
from monitor.judge.pressure import PressureBasis, PressureTracker
from monitor.judge.steps_seen import StepsSeen
from monitor.record.model import Run

#: How often the pressure is asked, and how often once the heat is off and no hold hangs on it. [s] Chosen: weather
#: moves it by 1 hPa an hour (our estimate), 0.005 K in ten minutes.
EVERY_S, AFTER_HEAT_S = 30.0, 600.0
#: So far below the floor, U and the allowance apart, nothing needs a close look. [K] Chosen.
FAR_K = 5.0
#: Above the boiling point by more than U and this, no open kettle can be. [K] Our rule: 25 cm of water add 0.64 K at
#: sea level, 0.88 K at 3000 m (IAPWS-IF97), and vessels differ by somewhat more than 1 K in superheat (Chang 2008).
TOO_HOT_K = 1.5


class BoilPoint:
    """The boiling point with its uncertainty, taken anew each half minute."""

    def __init__(self, header: Run, probe: ProbeBudget, log: EventLog, steps: StepsSeen) -> None:
        self.pressure = PressureTracker(header)
        self._stated, self._steps, self._log = probe, steps, log
        #: The probe's share of U, by the steps that the record has shown.
        self.probe = probe
        self._compared = header.site.altitude_m is not None
        #: When the pressure is to be asked again. [s]
        self.due_s = -1e18
        self.basis: PressureBasis = self.pressure.at(0.0)
        self.boil_C: float | None = None
        #: U of reading less boiling point. [K]
        self.expanded_K: float | None = None
        self.floor_C: float | None = None
        #: Below this a reading is far from any boil. [°C]
        self.near_C = 1e9

    def follow(self, t: float, allowance_K: float, every_s: float) -> None:
        """Ask the pressure; the next time is due after ``every_s``."""
        self.due_s = t + every_s
        if self._steps.step_K != self.probe.step_K:
            is_wider = self._steps.step_K > self._stated.step_K
            self.probe = self._stated.in_steps_of(self._steps.step_K) if is_wider else self._stated
        self.basis = basis = self.pressure.at(t)
        self.boil_C = basis.boil_C
        if basis.boil_C is None:
            self.floor_C = self.expanded_K = None
            self.near_C = -1e9
        else:
            self.expanded_K = expanded_K(self.probe, basis)
            self.floor_C = basis.boil_C - allowance_K
            self.near_C = basis.boil_C - ALLOWANCE_SEEN_K - max(self.expanded_K, 0.5) - FAR_K
        if basis.disagrees:
            self._log.add_once("pressure_disagrees", t, words.sentence(basis.disagrees))

    @property
    def unknown_why(self) -> str:
        """Why nothing can be judged by this boiling point, or ""."""
        if self.boil_C is None or self.expanded_K is None:
            return words.NO_BOILING_POINT
        if not self.basis.disagrees:
            return ""
        return words.PRESSURE if self._compared else words.PRESSURE_UNCHECKED


def allowance_K(seen: bool) -> float:
    """How far below the boiling point still counts: more where a person saw the rolling boil. [K]"""
    return ALLOWANCE_SEEN_K if seen else ALLOWANCE_UNSEEN_K
