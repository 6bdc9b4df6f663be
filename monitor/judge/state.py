"""What the parts of the engine share about one run: its header, its readings so far, what is said of them."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.judge import words
from monitor.judge.boilpoint import BoilPoint, allowance_K
from monitor.judge.budget import ALLOWANCE_SEEN_K, ALLOWANCE_UNSEEN_K, ProbeBudget, probe_budget
from monitor.judge.caps import Caps, caps_of
from monitor.judge.continuity import Continuity
from monitor.judge.eventlog import EventLog
from monitor.judge.gap import lowest_in_gap_C
from monitor.judge.hold import Hold
from monitor.judge.learned import LearnedKettle
from monitor.judge.ledger import Ledger
from monitor.judge.noise import Noise
from monitor.judge.readings import StillWatch
from monitor.judge.steps_seen import StepsSeen
from monitor.judge.trace import Trace
from monitor.judge.verdict import BOILING
from monitor.record.model import Mark, Run


@dataclass(slots=True)
class State:
    """One run in progress. Times in s on the run's clock; "never" is far in the past."""

    header: Run
    probe: ProbeBudget
    log: EventLog
    point: BoilPoint
    hold: Hold
    caps: Caps
    noise: Noise
    continuity: Continuity
    kettle: LearnedKettle
    ledger: Ledger = field(default_factory=Ledger)
    trace: Trace = field(default_factory=Trace)
    still: StillWatch = field(default_factory=StillWatch)
    marks: list[Mark] = field(default_factory=list)
    first_s: float | None = None
    #: Newest sample of any kind; newest reading of any value; newest sign of life.
    last_s: float = -1e18
    reading_s: float = -1e18
    heard_s: float = -1e18
    #: When the water's probe last spoke, on time; and how long after the time before. [s]
    spoke_s: float = -1e18
    apart_s: float = 1e18
    #: Newest sample with a believable reading, and that reading. [s], [°C]
    valid_s: float = -1e18
    valid_C: float = 0.0
    #: Whether the record shows the water well below the floor, and when last. [s]
    seen_low: bool = False
    low_s: float = -1e18
    #: What a second water probe that speaks seldom reads lower. [K]
    second_lower_K: float = 0.0
    #: The allowance of the newest decision. [K]
    allowance_K: float = ALLOWANCE_UNSEEN_K

    @classmethod
    def of(cls, header: Run) -> State:
        """The state before the first sample."""
        probe = probe_budget(header)
        log, caps, steps = EventLog(), caps_of(header), StepsSeen(probe.step_K)
        return cls(
            header=header,
            caps=caps,
            probe=probe,
            log=log,
            point=BoilPoint(header, probe, log, steps),
            still=StillWatch(steps=steps),
            hold=Hold(max(header.required_s, (caps.published_min or 0.0) * 60.0), log),
            noise=Noise(probe.step_K),
            continuity=Continuity(log),
            kettle=LearnedKettle(probe.step_K, probe.response_s),
            marks=sorted(header.marks, key=lambda mark: mark.t_s),
        )

    def hear(self, t: float, spoke: bool) -> None:
        """A sample that is not late. Where the water's probe says nothing in it, only the first is a sign of life."""
        if spoke:
            if t > self.spoke_s:
                self.apart_s = t - self.spoke_s
            self.heard_s = self.spoke_s = t
        elif self.heard_s < -1e17:
            self.heard_s = t

    def allow(self, *, seen: bool) -> None:
        """What is judged next has the floor of a boil that a person saw, or of one that nobody saw."""
        self.allowance_K = allowance_K(seen)
        point = self.point
        if point.boil_C is not None:
            point.floor_C = point.boil_C - self.allowance_K

    def may_boil(self, y_C: float) -> bool:
        """Whether a reading leaves it open that the water boils. [°C]"""
        boil_C, wide_K = self.point.boil_C, self.point.expanded_K
        return boil_C is None or wide_K is None or y_C + wide_K >= boil_C - ALLOWANCE_SEEN_K

    def set(self, t: float, state: str, why: str) -> None:
        """From ``t`` on the run is in ``state``."""
        self.ledger.set_from(t, state, why)
        if state != BOILING and t < self.hold.told_until_s:
            self.hold.take_back()

    def lowest_in_gap_C(self, before_C: float, after_C: float, gap_s: float) -> float:
        """The lowest temperature that this canner's water could have had between two readings. [°C]"""
        return lowest_in_gap_C(
            before_C,
            after_C,
            gap_s,
            learned_cooling_K_per_s=self.kettle.steepest_cooling_K_per_s,
            learned_heating_K_per_s=self.kettle.steepest_heating_K_per_s,
        )

    @property
    def not_up(self) -> str:
        """Why it does not boil while no plateau is found."""
        if self.hold.heat_off_s is not None:
            return words.AFTER_HEAT
        return words.LOST if self.hold.lost_raised else words.COME_UP
