"""The decision, sample by sample: boiling, not boiling or unknown.

Each moment of a run is in one of three states, and the verdict follows from those and nothing else. This room
takes the samples and the marks in time order (:class:`monitor.judge.session.Session` sees to that), in pieces
of any size, and hands each to those who judge it: what was not read (:mod:`monitor.judge.breaks`), what water
cannot do (:mod:`monitor.judge.sudden`), the boil itself (:mod:`monitor.judge.boil`), the time that counts
(:mod:`monitor.judge.hold`). Nothing here reads a clock: samples and ticks bring the time in.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from math import inf

from monitor.judge import causes, eventlog, words
from monitor.judge.boil import Boil
from monitor.judge.boilpoint import AFTER_HEAT_S, EVERY_S, allowance_K
from monitor.judge.breaks import Breaks
from monitor.judge.comeup import ComeUp
from monitor.judge.continuity import OVERDUE_INTERVALS, SILENT_S
from monitor.judge.gap import CEILING_S, COOLING_K_PER_S, SPARSE_S
from monitor.judge.heater import HeaterWatch
from monitor.judge.learned import FROM_K
from monitor.judge.pressure import PressureBasis
from monitor.judge.readings import ACCEPTED, CONFIRM, JumpFilter, Step
from monitor.judge.second_probe import SecondProbe
from monitor.judge.state import State
from monitor.judge.sudden import SuddenWatch
from monitor.judge.unread import UnreadLoss
from monitor.judge.verdict import BOILING, NOT_BOILING, UNKNOWN
from monitor.record.model import ENDS, Mark, Run, Sample

#: The record must show a rise through the floor from at least this far below it, no more than FAR_K. [K] Our rule.
COME_UP_K = 5.0
#: An interval longer than so many of the usual ones is a gap. Chosen.
GAP_INTERVALS = 2.2
#: A reading that comes so soon after the newest one used is heard and decides nothing: agitation lasts for seconds, so
#: it tells little that is new, and windows and correlations are counted in samples that lie half a second apart or
#: more. A little less than the half, for no node is quite regular. [s] Chosen.
CLOSEST_S = 0.45


#: After these the water cools or warms for another reason than the stove.
_DISTURBS = ("jars_in", "water_added", "lid_on", "lid_off", "jars_lifted")


class Engine:
    """Judges one run. ``header`` is the run without its samples (any it has are not looked at)."""

    def __init__(self, header: Run) -> None:
        self.state = state = State.of(header)
        self.header = header
        self.boil = Boil(state)
        self.counts = {"samples": 0, "faults": 0, "jumps": 0, "conflicts": 0, "late": 0, "gaps": 0}
        self.come_up = ComeUp()
        self.water_C: float | None = None
        self.next_mark = 0
        self.tick_s = -1e18
        #: What the hold was judged by, kept when the heat goes off, marked or not: the verdict is on the hold.
        self.hold_basis: PressureBasis | None = None
        self.hold_allowance_K: float | None = None
        #: The kinds of marks that nobody made and the record stands in for.
        self.shown: AbstractSet[str] = frozenset()
        self._sudden = SuddenWatch(state, self.boil)
        self._breaks = Breaks(state, self.boil)
        self._unread = UnreadLoss(state, self.boil, self._sudden)
        self._jumps = JumpFilter(state.noise)
        self.heater = HeaterWatch(state.log)
        self._fault, self._is_fault_told = "", False
        self._silent = False
        #: Why the next reading does not simply follow the last: a restart or a clock step since.
        self._broken_off = ""
        self._second: SecondProbe | None = None
        #: So many of the newest believed readings, one after the other, were as low as a come-up begins; one or two
        #: alone may be stray.
        self._lows = 0
        self._waiting_2_C: float | None = None  # what it said beside readings that were passed over

    # --- what comes in ------------------------------------------------------------------------------------

    def add_mark(self, mark: Mark) -> None:
        """A mark at or after the newest sample. (An older one needs the run judged anew.)"""
        self.state.marks.append(mark)
        self.state.marks.sort(key=lambda each: each.t_s)

    def push(self, sample: Sample, conflict: bool = False) -> None:
        """Take in the next sample, in time order. ``conflict``: its number came with two values."""
        state = self.state
        t = sample.t_s
        if t - state.heard_s > SILENT_S and self._has_been_silent(sample):
            silent_s = state.heard_s + self.silent_after_s
            self._marks_up_to(silent_s)
            self._silence(silent_s)
        if self.next_mark < len(state.marks) and state.marks[self.next_mark].t_s <= t:
            self._marks_up_to(t)
        if state.first_s is None:
            state.first_s = t
            state.set(t, NOT_BOILING, words.COME_UP)
        self.counts["samples"] += 1
        if sample.late:
            self.counts["late"] += 1
        else:
            state.hear(t, sample.water_C is not None or bool(sample.water_fault))
            if self._silent:
                self._silent = not self.is_heard(t)
        hold = state.hold
        if not state.continuity.follows(sample):
            broken_off = state.continuity.break_before(sample, state.last_s, heat_over=hold.is_heat_over)
            if broken_off and self._broken_off != words.CLOCK_GAP:
                self._broken_off = broken_off
        if not conflict:
            # Of two values for one sample nobody can say which is right: none of it is used.
            if sample.pressure_kPa is not None:
                state.point.pressure.hear(t, sample.pressure_kPa)
            if sample.heater_W is not None or sample.mains is not None:
                is_owed = hold.jars_in_s is not None and hold.heat_off_s is None
                self.heater.take(sample, is_owed)
        state.last_s = t
        raw = sample.water_C
        if sample.water_fault or raw is None or conflict:
            self._no_reading(sample, conflict)
        elif t - state.reading_s < CLOSEST_S and self._broken_off != words.CLOCK_GAP:
            # After a step of the clock nobody knows how soon it came: nothing before is leant on.
            self._pass_over(sample, t, raw)
        else:
            broken_off, self._broken_off = self._broken_off, ""
            self._reading(sample, t, raw, broken_off)
        if hold.completed_s is not None and hold.heat_off_s is None:
            hold.follow_overrun(t)
            if self.boil.is_on and hold.counts:
                self._keep_basis()

    def tick(self, now_s: float) -> None:
        """Time has passed without a sample."""
        state, hold = self.state, self.state.hold
        self.tick_s = max(self.tick_s, now_s)
        if self.next_mark < len(state.marks) and state.marks[self.next_mark].t_s <= now_s:
            self._marks_up_to(now_s)
        if state.first_s is not None and not self._silent and not self.is_heard(now_s):
            self._silence(state.heard_s + self.silent_after_s)
        if state.first_s is not None and now_s - state.valid_s > CEILING_S and hold.window_end_s is None:
            self._breaks.unknown_since_valid(self._why_unread(now_s))
        hold.follow_overrun(now_s)

    def finish(self, until_s: float = inf) -> None:
        """The record ends here: what a live engine would still say in the seconds after it, up to ``until_s``."""
        state = self.state
        silent_s = state.heard_s + self.silent_after_s
        ends_s = self.header.ended_at_s
        self._marks_up_to(silent_s)
        is_open = state.hold.window_end_s is None and state.first_s is not None
        if is_open and silent_s <= until_s and (ends_s is None or ends_s > silent_s):
            self.tick(silent_s)
        self._marks_up_to(inf)

    def _keep_basis(self) -> None:
        self.hold_basis = self.state.point.basis if self.state.first_s is not None else None
        self.hold_allowance_K = self.state.allowance_K

    # --- samples ------------------------------------------------------------------------------------------

    def _reading(self, sample: Sample, t: float, raw: float, broken_off: str) -> None:
        state = self.state
        point = state.point
        y = raw + state.probe.offset_K
        if sample.water_2_C is not None or self._second is not None:
            y = self._lower(sample, t, y)
        self.water_C = y
        if t >= point.due_s:
            every_s = EVERY_S if state.hold.heat_off_s is None else AFTER_HEAT_S
            point.follow(t, allowance_K(self.boil.seen_s is not None), every_s)
        interval = t - state.reading_s
        state.reading_s = t
        if broken_off or interval > SPARSE_S:
            self._after_a_gap(t, y, interval, broken_off)
        elif interval > 0.0:
            state.continuity.learn(interval)
        self._fault = ""
        if y < point.near_C and not self.boil.is_on and not self._sudden.is_out:
            self._far(t, y)
        else:
            self._near(sample, t, y, raw)

    def _pass_over(self, sample: Sample, t: float, raw: float) -> None:
        """A reading too soon after the one before: heard, and no more than that.

        But where it jumps it is counted with the jumps, or contact that comes and goes in the rhythm of those used
        would not show; and what a second probe says beside it is kept for the next.
        """
        self.state.continuity.pass_over()
        if self.boil.is_on and self._second is None:
            self._jumps.passed_over(t, raw + self.state.probe.offset_K)
        if sample.water_2_C is not None:
            self._waiting_2_C = sample.water_2_C
            self._second = self._second or SecondProbe(self.state.log)

    def _lower(self, sample: Sample, t: float, first_C: float) -> float:
        """Of two water probes the lower one decides. [°C]"""
        state = self.state
        if self._second is None:
            self._second = SecondProbe(state.log)
        second_C = self._waiting_2_C if sample.water_2_C is None else sample.water_2_C
        self._waiting_2_C = None
        if second_C is None or second_C - second_C != 0.0:
            self._second.silent()
            y = first_C
        else:
            floor_C = None if state.hold.heat_off_s is not None else state.point.floor_C
            # As it reads: the record's correction was found for the first probe and says nothing of another.
            y = self._second.lower(t, first_C, second_C, floor_C)
        state.second_lower_K = self._second.seldom_lower_K(t)
        return y

    def _after_a_gap(self, t: float, y: float, interval: float, broken_off: str) -> None:
        """The first reading after a restart, a step of the clock, or an interval that may hide something."""
        continuity = self.state.continuity
        if broken_off or self._is_long(interval, y):
            continuity.learn_gap(interval)
            self._gap(t, y, interval, broken_off)
            return
        spacing_s = continuity.spacing_s
        continuity.learn(interval)
        if (
            interval > OVERDUE_INTERVALS * spacing_s > OVERDUE_INTERVALS * SPARSE_S
            and not self.state.hold.is_heat_over
        ):
            # Where each interval has to be bridged, so has one that is longer than they are.
            self._gap(t, y, interval, "")

    def _is_long(self, interval_s: float, y: float) -> bool:
        """Whether it is longer than this node's rhythm, or than any may be where it might boil. ``y``: after it [°C]"""
        state, continuity = self.state, self.state.continuity
        if interval_s > CEILING_S:
            is_cold = max(state.valid_C, y) < state.point.near_C and not self.boil.is_on
            if not continuity.has_rhythm or not (is_cold or state.hold.is_heat_over):
                return True
        is_longer = interval_s > SPARSE_S and interval_s > GAP_INTERVALS * continuity.spacing_s
        return is_longer and continuity.has_rhythm

    def _why_unread(self, now_s: float) -> str:
        """Why there has been no believable reading of late."""
        state = self.state
        if state.last_s > state.reading_s:
            return words.fault_gap(self._fault)
        return words.UNBELIEVED if state.reading_s > state.valid_s else words.gap(now_s - state.valid_s)

    def _gap(self, t: float, y: float, interval: float, broken_off: str) -> None:
        state = self.state
        if state.valid_s < -1e17:
            return
        self.counts["gaps"] += 1
        at_stake = bool(broken_off) and state.hold.is_owed and state.ledger.state == BOILING
        # What a look proved, and a reading alone would not, must be seen anew.
        mark = at_stake and self.boil.rests_on_a_look
        why = broken_off or (words.fault_gap(self._fault) if self._fault else words.gap(interval))
        broke = self._breaks.gap(t, y, interval, broken_off, why)
        if at_stake:
            self._explain(t, interval, broken_off, broke=broke, mark=mark)
        if broke:
            self._begin_anew(t, y)

    def _begin_anew(self, t: float, y: float) -> None:
        """What follows is not compared with what was before."""
        self._jumps.restart(t, y)
        self._sudden.forget()
        self._unread.forget()

    def _explain(self, t: float, interval: float, broken_off: str, *, broke: bool, mark: bool) -> None:
        """What a restart or a step of the clock did to a boil that counted: known only now that the gap is judged."""
        state, log = self.state, self.state.log
        is_restart = broken_off == words.RESTART_GAP
        often = is_restart and state.continuity.restarts_often
        if not broke:
            if not often:
                log.explain("node_restarted", t, words.RESTARTED_BRIDGED)
            return
        kind = "node_restarted" if is_restart else "clock_stepped"
        text = words.restart_broke(interval, mark=mark) if is_restart else words.step_broke(mark=mark)
        cause = causes.BROKE_OFF_SEEN if mark else causes.BROKE_OFF
        unproven_s = max(state.ledger.boiled_until_s(t), state.hold.told_s)
        told = words.RESTARTS_OFTEN if often else text
        trouble = eventlog.BROKE_OFF[kind]
        explained = log.explain(kind, t, told, cause=cause, unproven_s=unproven_s)
        if not explained and log.is_due(trouble, t):
            # That it happened was told already, of a sample without a reading or of one that cost nothing.
            log.add(kind, t, t, told, cause=cause, unproven_s=unproven_s)
            explained = True
        if explained:
            log.tells_too(trouble, t)
        if mark and explained:
            log.tells_too(eventlog.DOUBTED, t)

    def _far(self, t: float, y: float) -> None:
        """Far below the floor: nothing can be boiling, little needs doing."""
        state, point, hold = self.state, self.state.point, self.state.hold
        if state.trace.t:
            state.trace.clear()
        self._jumps.restart(t, y)
        state.valid_s, state.valid_C = t, y
        if y > point.near_C - FROM_K or state.kettle.is_falling:
            state.kettle.take(t, y)
        if point.floor_C is not None:
            # Far is further than a come-up has to begin below the floor.
            self._lows += 1
            if self._lows >= CONFIRM:
                state.low_s, self.boil.blocked = t, False
        if point.basis.disagrees:
            state.set(t, UNKNOWN, point.unknown_why)
        elif state.ledger.state != NOT_BOILING:
            state.set(t, NOT_BOILING, state.not_up)
        if hold.heat_off_s is None:
            if hold.boil_told:
                self._unread.take(t, y)
            self._follow_come_up(t, y)

    def _rises_from_below(self, step: Step, t: float, above_floor_K: float) -> None:
        """Near the boil: has the water come there from below, as water does?"""
        if step is not ACCEPTED and step is not Step.SPIKE:
            # By a leap, which no stove makes.
            self._lows = 0
        if above_floor_K <= -COME_UP_K:
            self._lows += 1
            if self._lows >= CONFIRM:
                self.state.low_s, self.boil.blocked = t, False
        elif self._lows:
            self.state.seen_low = self.state.seen_low or self._lows >= CONFIRM
            self._lows = 0

    def _near(self, sample: Sample, t: float, y: float, raw: float) -> None:
        """Near the boil: every check there is."""
        state, boil = self.state, self.boil
        if state.valid_s < -1e17:
            self._jumps.restart(t, y)
        step = self._jumps.take(t, y)
        if step is not ACCEPTED and state.ledger.why == words.FROZEN and raw != state.still.value:
            # A frozen value says nothing of the water: what comes after it is not compared with it.
            self._jumps.restart(t, y)
            step = ACCEPTED
        if step is not ACCEPTED:
            unbelieved_s = t - state.valid_s
            if step is Step.PENDING:
                if unbelieved_s > CEILING_S:
                    self._breaks.unknown_since_valid(words.UNBELIEVED)
                return
            self.counts["jumps"] += 1
            if step is not Step.SPIKE:
                self._sudden.jumped(step, t, y)
            elif self._is_long(unbelieved_s, y) and self._breaks.gap(
                t, y, unbelieved_s, "", words.UNBELIEVED
            ):
                self._begin_anew(t, y)
        floor_C = state.point.floor_C
        if floor_C is not None and (self._lows or y <= floor_C - COME_UP_K):
            self._rises_from_below(step, t, y - floor_C)
        state.valid_s, state.valid_C = t, y
        dropped = state.trace.append(t, self._tamed(t, y) if boil.is_on else y)
        if dropped:
            boil.dropped(dropped)
        if boil.detector is not None:
            if state.noise.learn_boil(state.trace, boil.detector.start, state.continuity.spacing_s):
                boil.detector.refit()
        elif state.hold.heat_off_s is None:
            state.noise.learn_rise(state.trace, state.continuity.spacing_s)
        # While it cools a level sinks through its steps: that is no habit, and no scatter.
        is_level = boil.is_on and state.hold.heat_off_s is None
        if state.still.take(t, raw, sample.chip_C, state.noise, is_level):
            self._stands_still(t)
        elif not self._sudden.follow(t, y):
            self._judge(t, y)

    def _judge(self, t: float, y: float) -> None:
        state, boil = self.state, self.boil
        if boil.is_on:
            fall = boil.follow(t)
            if fall is not None:
                self._sudden.fell(fall.early_s, boil.guard.pooled_C(boil.start_s), state.valid_C, t)
                boil.keep_since(t)
            if state.ledger.state == NOT_BOILING:
                # As level as a boil, and too low for one.
                self._follow_come_up(t, y)
            return
        if state.hold.boil_told:
            self._unread.take(t, y)
        self._follow_come_up(t, y)
        state.kettle.take(t, y)
        boil.look_for(t, y)

    def _follow_come_up(self, t: float, y: float) -> None:
        state, hold = self.state, self.state.hold
        if hold.heat_off_s is not None:
            return
        stalled_s = self.come_up.take(t, y)
        # A boil that is lost was said to be.
        if hold.lost_raised:
            return
        if stalled_s is not None and not state.point.unknown_why:
            # Where the boiling point is not known the water may well boil.
            state.log.add_trouble(eventlog.STALLED, t, words.STALLED, stalled_s)
        if hold.counts and not hold.boil_told:
            fall = self.come_up.fall()
            if fall is not None:
                fell_s, from_C = fall
                text = words.FELL_TEXT if state.may_boil(from_C) else words.FELL_FAR_TEXT
                state.log.add_trouble(eventlog.STALLED, t, text, fell_s)

    def _tamed(self, t: float, y: float) -> float:
        """A reading on the plateau, kept within what scatter and water can do in one step.

        A single odd reading may not weigh like a fall; a real fall arrives in many small steps. Where readings are far
        apart it arrives in few large ones.
        """
        trace, noise = self.state.trace, self.state.noise
        if len(trace.t) < 8 or not noise.is_learned:
            return y
        apart = y - trace.newest_mean(5)
        reach = noise.now.one_reading_K
        if t - trace.t[-1] > SPARSE_S:
            reach += COOLING_K_PER_S * (t - trace.t[-1])
        if -reach <= apart <= reach:
            return y
        return y - apart + (reach if apart > 0.0 else -reach)

    def _stands_still(self, t: float) -> None:
        state, still = self.state, self.state.still
        if state.ledger.state != UNKNOWN or state.ledger.why != words.FROZEN:
            self.boil.break_off(still.since_s, UNKNOWN, words.FROZEN)
            text = words.frozen(still.value, t - still.since_s)
            state.log.add_trouble(eventlog.STANDS_STILL, t, text, still.since_s)
        state.trace.clear()

    def _no_reading(self, sample: Sample, conflict: bool) -> None:
        state, t = self.state, sample.t_s
        if conflict:
            self.counts["conflicts"] += 1
            state.log.add_trouble(eventlog.TWO_VALUES, t, words.CONFLICT_TEXT)
            self.boil.break_off(state.valid_s if state.valid_s > -1e17 else t, UNKNOWN, words.CONFLICT)
            state.trace.clear()
            return
        self.counts["faults"] += 1
        if sample.water_fault and sample.water_fault != self._fault:
            self._fault, self._is_fault_told = sample.water_fault, False
        if self._fault and not self._is_fault_told:
            # Contact that comes and goes is told seldom; where it stays away, as soon as that allows.
            text = words.probe_fault(self._fault)
            self._is_fault_told = state.log.add_trouble(eventlog.NO_READING, t, text)
        if t - state.valid_s > CEILING_S:
            self._breaks.unknown_since_valid(self._why_unread(t))

    # --- silence ------------------------------------------------------------------------------------------

    @property
    def silent_after_s(self) -> float:
        """How long after the last sample a node counts as silent. [s]"""
        return self.state.continuity.silent_after_s(self.state.apart_s)

    def is_heard(self, now_s: float) -> bool:
        """Whether the node, that is the water's probe, is heard now; where not, it is silent. By its own rhythm."""
        return now_s - self.state.heard_s < self.silent_after_s

    def _has_been_silent(self, sample: Sample) -> bool:
        state = self.state
        return (
            not sample.late and state.first_s is not None and sample.t_s - state.heard_s > self.silent_after_s
        )

    def _silence(self, raised_s: float) -> None:
        state = self.state
        if state.heard_s < -1e17:
            # So far only late rows came: nobody has heard the node yet.
            return
        if self._silent or state.hold.window_end_s is not None or state.hold.heat_off_s is not None:
            # After the heat is off a node may slow down or be put away: nothing depends on it any more.
            return
        self._silent = True
        state.log.add("node_silent", state.heard_s, raised_s, words.silent(raised_s - state.heard_s))

    # --- marks --------------------------------------------------------------------------------------------

    def _marks_up_to(self, t: float) -> None:
        marks = self.state.marks
        while self.next_mark < len(marks) and marks[self.next_mark].t_s <= t:
            self._mark(marks[self.next_mark])
            self.next_mark += 1

    def _mark(self, mark: Mark) -> None:
        state, t = self.state, mark.t_s
        if mark.kind in _DISTURBS:
            state.kettle.disturbed()
            self.come_up.disturbed(t)
        if mark.kind in ("heat_on", "jars_in"):
            self.come_up.heated(t)
        if mark.kind in ("water_checked", "water_added"):
            state.hold.water_checked(t)
        if mark.kind == "jars_in":
            if state.hold.heat_off_s is not None:
                state.point.due_s = t
            state.hold.jars_in(t)
            if not self.boil.is_on:
                # What was told was the boil of the jars before.
                state.hold.boil_told = False
            self.boil.jars_in(t)
            self.hold_basis = self.hold_allowance_K = None
        elif mark.kind in ENDS:
            if state.hold.ends(t, heat_off=mark.kind == "heat_off"):
                self.boil.credit.look_back(t, t, ended=False)
                if self.hold_basis is None or self.boil.is_on:
                    self._keep_basis()
        elif mark.kind == "rolling_boil_seen":
            self.boil.seen(t)
        elif mark.kind == "boil_not_seen" and state.first_s is not None:
            self.boil.not_seen(t)
