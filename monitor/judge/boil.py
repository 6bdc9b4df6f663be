"""The boil that is on, or looked for: found where a rise ends, kept while nothing departs, ended at an onset.

Figures below that name no source are ours: chosen, and tried on many runs of the kettle model.
"""

from __future__ import annotations

from math import inf

from monitor.judge import eventlog, words
from monitor.judge.credit import Credit
from monitor.judge.creep import Creep
from monitor.judge.dip import FallDetector
from monitor.judge.gap import CEILING_S
from monitor.judge.guard import MEAN_S, Guard
from monitor.judge.onset import Fall
from monitor.judge.plateau import find_plateau, turned_s
from monitor.judge.readings import CONFIRM, FALL_K_PER_S
from monitor.judge.state import State
from monitor.judge.verdict import BOILING, NOT_BOILING, UNKNOWN

#: A mark of the rolling boil this much before the plateau's early start still belongs to it. [s]
MARK_SLACK_S = 15.0
#: A rise before a plateau that lasted no longer than this cannot be told from scatter. [s]
RISE_SHOWS_S = 15.0
#: Where a person saw no full boil, a reading this far below the best plateau is a real fall. [K]
REAL_FALL_K = 0.7
#: Where that was before any plateau, a reading this far above what was read then is a real rise. [K]
REAL_RISE_K = 0.7
#: A fall gentler than this is none until it is so deep: the plumes of steam about the probe shrink with the heat of a
#: boil that is never lost. By Monte Carlo.
GENTLE_K_PER_S, GENTLE_LEAST_K = 0.2 / 60.0, 0.13
#: Jars put into a boil stop it for no longer than this without showing. [s]
JARS_SETTLE_S = 120.0
#: A run of impossible jumps goes on while they are no further apart. [s]
CALM_S = 60.0
#: A plateau that was doubted and counts anew is told of once it has counted for so long.
STEADY_S = 60.0
#: After a plateau that was still rising, the next one is looked for in so many newest samples.
KEPT = 120


class Boil:
    """Finds the plateaus of one run and judges them. ``start_s`` and ``early_s`` are those of the newest one."""

    def __init__(self, state: State) -> None:
        self._state = state
        self.guard = Guard(state)
        self.credit = Credit(state, self)
        self.is_on = False
        self.early_s = 0.0
        self.start_s = 0.0
        self.detector: FallDetector | None = None
        self._creep: Creep | None = None
        self._jars_until_s = -1e18
        self.seen_s: float | None = None  # rolling boil seen, in this plateau
        #: From when and until when a boil counts that a person saw; a look at no plateau has no length. [s]
        self.looks_s: list[tuple[float, float]] = []
        self.early_marks_s: list[float] = []
        self._again_s: float | None = None  # counts anew since, and nobody was told yet
        self._carried_s: float | None = None  # seen on a plateau that rose a little further
        #: A person saw no full boil: when, what was read then, and how many readings in a row were far from both since.
        self.blocked = False
        self.looked_s = -1e18
        self._looked_C: float | None = None
        self._otherwise = 0
        self._jumps_s = (-1e18, -1e18)  # the newest run of impossible jumps, from and to

    # --- looking for it -----------------------------------------------------------------------------------

    def look_for(self, t: float, y: float) -> None:
        """Off the plateau: does the newest reading show one?"""
        state = self._state
        if state.point.unknown_why:
            state.set(t, UNKNOWN, state.point.unknown_why)
            return
        if self.blocked:
            self._perhaps_unblock(t, y)
            return
        if state.ledger.state == UNKNOWN and not (state.ledger.why == words.FROZEN and state.may_boil(y)):
            state.set(t, NOT_BOILING, state.not_up)
        trace = state.trace
        plateau = find_plateau(trace, state.noise, state.continuity.spacing_s)
        if plateau is None:
            return
        self.is_on = True
        state.kettle.boils(state.point.boil_C)
        state.noise.learn_past(trace, plateau.index, state.continuity.spacing_s)
        jumped_s, calm_s = self._jumps_s
        early_s = max(plateau.early_s, turned_s(trace, state.noise, plateau.index))
        self.early_s, self.start_s = self._early_start(early_s), max(plateau.late_s, calm_s)
        if self.early_s < calm_s:
            # The readings between the jumps belong to the plateau; what they say of it is not believed.
            self.early_s = max(self.early_s, jumped_s)
        self.detector = FallDetector(trace, state.noise, plateau.index)
        self.credit.begin(plateau.index, self.start_s)
        self._creep = Creep(self.start_s)
        jars_in_s = state.hold.jars_in_s
        if jars_in_s is not None and jars_in_s > self.early_s:
            # Into what was a boil already, as is known only now.
            self._settle_jars(jars_in_s)
        within = (mark for mark in self.early_marks_s if mark >= plateau.early_s - MARK_SLACK_S)
        self.seen_s = next(within, self._carried_s)
        self._look_begins()
        if self.early_s < calm_s:
            state.set(self.early_s, UNKNOWN, words.ERRATIC)
        state.set(max(self.early_s, calm_s), UNKNOWN, words.DATING_START)
        self._judge(self.start_s if self.seen_s is None else max(self.start_s, self.seen_s), t)

    def _perhaps_unblock(self, t: float, y: float) -> None:
        """A person saw no full boil: only the eye, or a real fall and return, can begin a new stretch. Where it was on
        the way up, a real rise since is as good."""
        rose = self._looked_C is not None and y > self._looked_C + REAL_RISE_K
        self._otherwise = self._otherwise + 1 if rose or self.guard.is_far_below(y, REAL_FALL_K) else 0
        if self._otherwise >= CONFIRM:
            self.blocked = False
        elif self._state.ledger.state != NOT_BOILING:
            # Readings that were not believed, or a gap, came in between.
            self._state.set(t, NOT_BOILING, words.NOT_SEEN)

    def _early_start(self, early_s: float) -> float:
        """After an interruption the first readings may be the plateau's too: unknown, not "not boiling"."""
        first_s = self._state.trace.t[0]
        before, why = self._state.ledger.just_before(first_s)
        interrupted = before == UNKNOWN and why != words.DATING_END
        return first_s if interrupted and early_s - first_s <= RISE_SHOWS_S else early_s

    # --- while it is on -----------------------------------------------------------------------------------

    def dropped(self, count: int) -> None:
        """The trace forgot its oldest samples."""
        if self.detector is not None:
            self.detector.start = max(self.detector.start - count, 0)
            self.credit.dropped(count)

    def follow(self, t: float) -> Fall | None:
        """On the plateau: judge the newest reading. Returns a fall too fast for cooling, to be looked into."""
        state, detector = self._state, self.detector
        assert detector is not None
        look = detector.look()
        if look <= -1.0:
            is_off = state.hold.heat_off_s is not None
            fall = detector.locate(marked=is_off)
            if fall.slope_K_per_s > 2.0 * FALL_K_PER_S:
                return fall
            if not is_off and fall.slope_K_per_s < GENTLE_K_PER_S and fall.depth_K(t) < GENTLE_LEAST_K:
                # Perhaps the heat was turned down a little. Nothing is judged until it is clear.
                return None
            self._departed(fall, t)
            return None
        if look >= 1.0:
            self._still_rising(t)
            return None
        if self._crept(t):
            return None
        self.credit.leave_out_sags(t)
        self._judge(t, t)
        if state.hold.heat_off_s is None:
            self.credit.follow(t)
        return None

    def _crept(self, t: float) -> bool:
        """Has the plateau crept away, too slowly for the detector?"""
        state, creep = self._state, self._creep
        assert creep is not None
        way = creep.look(state.trace, state.noise, t)
        if way > 0:
            self._still_rising(t)
        elif way < 0:
            self._departed(creep.fall(t), t)
        elif creep.level_C is not None and state.ledger.state == BOILING:
            self.guard.remember(creep.level_C, t)
            creep.level_C = None
        return way != 0

    def _judge(self, from_s: float, t: float) -> None:
        """The guarded decision on the judged value; a change of state holds from ``from_s``."""
        state, hold = self._state, self._state.hold
        seen = self.seen_s is not None
        state.allow(seen=seen)
        found, why = self.guard.decide(self.start_s, seen)
        if found == BOILING and t < self._jars_until_s:
            found, why = UNKNOWN, words.JARS_JUST_IN
        if found == UNKNOWN == state.ledger.state and t - self.start_s >= STEADY_S:
            self._perhaps_doubted(why, t)
        if found == state.ledger.state and why == state.ledger.why:
            if self._again_s is not None and found == BOILING and t - self._again_s >= STEADY_S:
                # Where a mark or a sag moved the start meanwhile, from there.
                self._proven(self.credit.start_s or self._again_s, t)
                self._again_s = None
            return
        self._again_s = None
        if state.ledger.state == BOILING and found != BOILING:
            # The mean that failed reaches back over its own length; and a fall that led there began before it.
            from_s = max(t - max(MEAN_S, self.credit.margin_s), self.start_s, hold.told_until_s)
            if found == UNKNOWN and hold.boil_told and hold.counts:
                text = words.doubted(why)
                state.log.add_trouble(eventlog.DOUBTED, t, text, from_s)
        if why == words.TOO_HOT:
            assert state.point.boil_C is not None
            text = words.too_hot(self.guard.short_C(self.start_s), state.point.boil_C)
            state.log.add_trouble(eventlog.TOO_HOT, t, text)
        # On one plateau the level may flicker about the floor: told of once it is steady.
        was_doubted = state.ledger.state == UNKNOWN and state.ledger.why not in (
            *words.DATING,
            words.JARS_JUST_IN,
        )
        state.set(from_s, found, why)
        # The same where jumps of the reading cut it: one more of them, and it is doubted again.
        was_cut = self.start_s == self._jumps_s[1]
        if found == BOILING:
            if (was_doubted or was_cut) and hold.boil_told:
                self._again_s = from_s
            else:
                self._proven(from_s, t)
        elif found == NOT_BOILING and hold.boil_told and hold.heat_off_s is None:
            hold.lost(from_s, from_s, t, t, words.COOLED)

    def _perhaps_doubted(self, why: str, t: float) -> None:
        """A boil that counted, was cut by what nobody was told of, and cannot be proven on this plateau."""
        state = self._state
        told_otherwise = (words.TOO_HOT, words.JARS_JUST_IN, state.point.unknown_why)
        if state.hold.is_owed and why not in told_otherwise and not state.log.is_told(eventlog.DOUBTED):
            state.log.add_trouble(eventlog.DOUBTED, t, words.doubted(why), self.start_s)

    def _proven(self, from_s: float, t: float) -> None:
        """It boils for sure from ``from_s`` on: say so, and where it did before, that the time counts anew."""
        ledger = self._state.ledger
        state, why = ledger.before_newest(words.DATING)
        # What was unknown for another reason than the dating may have boiled, but counts from here on only.
        is_dated = ledger.just_before(from_s)[1] in words.DATING
        self._state.hold.reached(
            from_s,
            self.early_s,
            t,
            seen=self.seen_s is not None,
            after=why if state == UNKNOWN else "",
            again_early_s=self.early_s if is_dated else from_s,
            unproven_s=ledger.boiled_before_s(),
        )

    def jars_in(self, t: float) -> None:
        """Jars went into a boil: until a fall that they began would show, nobody knows whether it stopped.

        What a person saw was the boil without them: it neither lends this one its allowance nor stands for its look.
        """
        self.look_ends(t)
        self.early_marks_s.clear()
        self._carried_s = None
        if not self.is_on:
            return
        self.start_s = max(self.start_s, t)
        self._settle_jars(t)
        if self._state.ledger.state == BOILING:
            self._state.set(t, UNKNOWN, words.JARS_JUST_IN)

    def _settle_jars(self, jars_in_s: float) -> None:
        self._jars_until_s = jars_in_s + min(self.credit.margin_s, JARS_SETTLE_S)

    def seen(self, t: float) -> None:
        """A person saw the rolling boil at ``t``: the first time in a stretch moves its start there."""
        state = self._state
        if t - state.valid_s <= CEILING_S and state.valid_C <= state.point.near_C:
            # Whatever was seen, a reading of this moment says that it was no boil.
            return
        if self.blocked:
            self.blocked = False
            self.keep_since(t)
        if not self.is_on:
            self.early_marks_s.append(t)
            self.looks_s.append((t, t))
            return
        if self.seen_s is not None:
            return
        self.seen_s = t
        self._look_begins()
        from_s = max(self.start_s, state.hold.told_until_s)
        state.ledger.relabel(from_s, t, BOILING, UNKNOWN, words.BEFORE_SEEN)
        if state.ledger.state == BOILING or state.valid_s >= t - CEILING_S:
            self._judge(t, t)

    def _look_begins(self) -> None:
        """The boil that is on was seen, and counts from its start or the look on, whichever is later."""
        if self.seen_s is not None:
            self.looks_s.append((max(self.start_s, self.seen_s), inf))

    def look_ends(self, until_s: float) -> None:
        """What follows is another boil than the one that a person saw, if any was."""
        if self.seen_s is not None:
            self.looks_s[-1] = (self.looks_s[-1][0], until_s)
        self.seen_s = None

    def not_seen(self, t: float) -> None:
        """A person looked at ``t`` and saw no full boil."""
        hold = self._state.hold
        is_known = t - self._state.valid_s <= CEILING_S
        self._looked_C = self._state.valid_C if is_known and not self.is_on else None
        self.break_off(t, NOT_BOILING, words.NOT_SEEN)
        self.blocked, self.looked_s, self._otherwise = True, t, 0
        if hold.boil_told:
            hold.lost(t, t, t, t, words.NOT_SEEN_TEXT)

    @property
    def rests_on_a_look(self) -> bool:
        """Whether the boil that is on is proven only because a person saw it."""
        if self.seen_s is None:
            return False
        state = self._state
        state.allow(seen=False)
        found, _ = self.guard.decide(self.start_s, False)
        state.allow(seen=True)
        return found != BOILING

    # --- its end ------------------------------------------------------------------------------------------

    def _still_rising(self, t: float) -> None:
        """The plateau was none: the water was still on its way up."""
        state = self._state
        from_s = max(self.early_s, state.hold.told_until_s)
        state.ledger.relabel(from_s, t, BOILING, UNKNOWN, words.WAS_RISING)
        seen_s = self.seen_s
        self.leave(t, NOT_BOILING, words.COME_UP)
        # The boil was not lost: what a person saw of it stands for the plateau it rises to.
        self._carried_s = seen_s
        self.keep_since(state.trace.t[max(len(state.trace) - KEPT, 0)])

    def _departed(self, fall: Fall, t: float) -> None:
        """A fall away from the plateau: what was boiling ends at its onset, dated early."""
        state, hold = self._state, self._state.hold
        was_unproven = not hold.boil_told and state.ledger.state == UNKNOWN
        self.credit.look_back(fall.early_s, t)
        early_s = max(fall.early_s - state.probe.response_s, self.early_s, hold.told_until_s)
        onset_s, late_s = max(fall.onset_s, early_s), max(fall.late_s, early_s)
        self.credit.ended(early_s, t)
        held_s = max(onset_s - max(self.credit.start_s or onset_s, hold.jars_in_s or 0.0), 0.0)
        self.leave(early_s, UNKNOWN, words.DATING_END)
        state.set(late_s, NOT_BOILING, words.LOST if hold.heat_off_s is None else words.AFTER_HEAT)
        if hold.boil_told and (hold.heat_off_s is None or late_s < hold.heat_off_s):
            hold.lost(onset_s, early_s, late_s, t, words.lost(held_s))
        elif was_unproven and hold.counts and self.start_s > (hold.jars_in_s or 0.0):
            state.log.add_trouble(eventlog.STALLED, t, words.FELL_TEXT, onset_s)
        self.keep_since(late_s)
        trace = state.trace
        is_off = hold.heat_off_s is not None and late_s >= hold.heat_off_s
        state.kettle.fell(late_s, zip(trace.t, trace.y, strict=True), heat_off=is_off)

    def jumped(self, from_s: float, t: float) -> None:
        """Jump upon jump: a run of them, which goes on while no minute is free of it."""
        began_s, until_s = self._jumps_s
        self._jumps_s = (began_s if from_s - until_s < CALM_S else from_s, t)
        self.break_off(from_s, UNKNOWN, words.ERRATIC)

    def keep_since(self, t_s: float) -> None:
        """Only what came after ``t_s`` may show the next plateau."""
        trace = self._state.trace
        i = trace.index_at(t_s)
        kept = list(zip(trace.t[i:], trace.y[i:], strict=True))
        trace.clear()
        for t, y in kept:
            trace.append(t, y)

    def break_off(self, from_s: float, state: str, why: str) -> None:
        """The plateau ends without a fall seen; one just begun before ``from_s`` would not show yet."""
        self.credit.look_back(from_s, from_s)
        start_s = self.credit.start_s
        if self.detector is not None and start_s is not None:
            credit = self.credit
            sure_s = min(
                self._state.valid_s - credit.margin_s, from_s - credit.refuted_after_s(self.detector)
            )
            sure_s = max(sure_s, start_s, self._state.hold.told_until_s)
            if sure_s < from_s:
                self._state.set(sure_s, UNKNOWN, words.TOO_SOON)
        self.leave(from_s, state, why)

    def leave(self, from_s: float, state: str, why: str) -> None:
        """The plateau is over."""
        self.is_on = False
        self.credit.end()
        self.detector = self._creep = self._again_s = None
        self.look_ends(from_s)
        self.early_marks_s.clear()
        self._carried_s = None
        first_s = self._state.first_s
        self._state.set(from_s if first_s is None else max(from_s, first_s), state, why)
