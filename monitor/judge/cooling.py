"""Jars cooling after they are lifted: each jar probe against the measured room, and the seal clock.

Streaming and pure: samples, marks and ticks bring the time in, events come out. Readings are gathered in
half-minute bins (medians, so that one wild reading is nobody's alarm), hence a whole night costs little; the
fit itself (:mod:`monitor.judge.cooling_forecast`) runs only when somebody asks for a forecast.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from math import inf
from statistics import median

from monitor.judge.cooling_seen import Follower
from monitor.judge.cooling_track import NO_EVENTS, JarTrack
from monitor.judge.heat import Heat
from monitor.judge.salvage import (
    SEAL_CHECK_AFTER_S,
    UNSEALED_WINDOW_S,
    FailedClock,
    failed_process_clock,
    hold_end_s,
    lost_boil_clock,
)
from monitor.judge.verdict import BROKEN, HELD, UNPROVEN, Event, Stretch
from monitor.record.model import ENDS, Sample

#: The overdue reminder comes this long before the 24 h close; the other one this long before the 2 h do.
#: Chosen, as the figures below; the 2 h and 24 h themselves are published (:mod:`monitor.judge.salvage`).
OVERDUE_BEFORE_S = 3600.0
CLOSING_BEFORE_S = 1800.0
#: A room reading older than this says nothing about the room now. [s]
ROOM_VALID_S = 900.0
ROOM_MEDIAN_OF = 5
#: A room changes slowly: one reading in so many seconds is enough. [s]
ROOM_EVERY_S = 5.0
#: Without a mark of the lifting, the jars move about for a while after the heat is off. [s]
UNMARKED_LIFT_S = 1800.0
#: Where nobody marks the end of the heat or the lifting, the record is looked at this often, and for so long. [min]
SEE_EVERY_MIN, SEE_FOR_MIN = 5, 240


class CoolingWatch:
    """Watches all jars of one run from the end of its heat on.

    Parameters
    ----------
    jar : str, optional
        The jar size in the record's words; sets how fast is too fast.
    """

    def __init__(self, jar: str | None = None) -> None:
        self._jar = jar
        self._tracks: dict[int, JarTrack] = {}
        #: The newest room readings, and their median while all of them are fresh.
        self._room: deque[tuple[float, float]] = deque(maxlen=ROOM_MEDIAN_OF)
        self._room_median_C: float | None = None
        self._room_heard_s = -inf
        #: What people marked, and what the record shows where nobody did.
        self._heat = Heat()
        self._seen_off_s: float | None = None
        self._seen_lifted_s: float | None = None
        #: The newest load went in; the heat was off, and the jars out: as marked, or else as seen. Asked for at every
        #: sample, so kept here.
        self.jars_in_s: float | None = None
        self.heat_off_s: float | None = None
        self.lifted_s: float | None = None
        #: Which of the two were seen in the record and marked by nobody.
        self.seen: set[str] = set()
        #: Heat on again under jars that were not lifted: they do not cool until it is off once more, here. [s]
        self._is_heated_again = False
        self._off_again_s: float | None = None
        #: When the hold was complete; None before, and for a hold begun anew.
        self.complete_s: float | None = None
        self._follower: Follower | None = None
        self._due: dict[str, tuple[float, str]] = {}
        self._raised: set[str] = set()
        #: Nothing falls due before this. [s]
        self._next_due_s = -inf
        #: True from the end of the heat until :meth:`on_verdict` has been told what the hold came to.
        self.needs_verdict = False

    # -- what comes in ---------------------------------------------------------------------------------

    def on_mark(self, kind: str, t_s: float) -> list[Event]:
        """A mark of the run; only ``jars_in``, ``heat_on``, ``heat_off`` and ``jars_lifted`` matter here."""
        self._next_due_s = -inf
        if kind == "jars_in":
            self._start_over(t_s)
        elif kind == "heat_on":
            self._heat_again()
        elif kind in ENDS:
            self._ends(kind, t_s)
        return []

    def on_hold_complete(self, t_s: float) -> None:
        """The hold is complete: from now on the record is looked at for what nobody marks."""
        if self.complete_s is None and self.lifted_s is None:
            self.complete_s = t_s
            self._follower = Follower(t_s)
            if self.heat_off_s is None:
                # An earlier loss in the same hold is made good.
                self._due.pop("reprocess_window_closing", None)

    def on_verdict(self, word: str | None, stretches: Sequence[Stretch], required_s: float) -> None:
        """The verdict, once the heat is off or the jars are out; again whenever it is revised."""
        self.needs_verdict = False
        self._next_due_s = -inf
        for kind in ("seal_check_overdue", "reprocess_window_closing"):
            self._due.pop(kind, None)
        if word == HELD:
            end_s = hold_end_s(stretches, required_s, self.heat_off_s, self.lifted_s)
            if end_s is not None:
                self._set_overdue(end_s)
        elif word in (BROKEN, UNPROVEN) and self.jars_in_s is not None:
            self._set_closing(failed_process_clock(stretches, self.jars_in_s))

    def on_open(self, stretches: Sequence[Stretch]) -> None:
        """The hold is open and not complete, whoever marks what: its boil may be lost, or (no stretches) is on."""
        if self.jars_in_s is None or self.heat_off_s is not None or self.lifted_s is not None:
            return
        self._next_due_s = -inf
        self._due.pop("reprocess_window_closing", None)
        clock = lost_boil_clock(stretches, self.jars_in_s)
        if clock is not None:
            self._set_closing(clock)

    def is_due(self, t_s: float) -> bool:
        """Whether :meth:`tick` may have something to say."""
        return bool(self._due) and t_s >= self._next_due_s

    def push(self, sample: Sample) -> Sequence[Event]:
        """The next sample in time order."""
        follower, t = self._follower, sample.t_s
        if follower is not None and follower.push(sample) and len(follower.t_s) % SEE_EVERY_MIN == 0:
            self._see(follower)
        if self.heat_off_s is None and self.lifted_s is None:
            return NO_EVENTS
        if t - self._room_heard_s >= ROOM_EVERY_S and sample.room_C is not None:
            self._room_heard_s = t
            self._room.append((t, sample.room_C))
            self._room_median_C = median([room_C for _, room_C in self._room])
        if self._room and t - self._room[0][0] > ROOM_VALID_S:
            self._forget_room(t)
        events: Sequence[Event] = self.tick(t) if t >= self._next_due_s else NO_EVENTS
        if self._is_heated_again:
            return events
        for number, jar_C in sample.jars.items():
            track = self._tracks.get(number)
            if track is None:
                track = self._tracks[number] = self._track(number)
            said = track.push(t, jar_C, self._room_median_C)
            if said:
                events = [*events, *said]
        return events

    def tick(self, t_s: float) -> list[Event]:
        """Time has passed: what is due is said once."""
        events = []
        for kind, (due_s, text) in self._due.items():
            if t_s >= due_s and kind not in self._raised:
                self._raised.add(kind)
                events.append(Event(kind, due_s, t_s, text))
        waiting = [due_s for kind, (due_s, _) in self._due.items() if kind not in self._raised]
        self._next_due_s = min(waiting, default=inf)
        return events

    # -- what goes out ---------------------------------------------------------------------------------

    @property
    def tracks(self) -> Mapping[int, JarTrack]:
        """Each jar probe's track, by its number; empty without jar probes: then the clock alone speaks."""
        return self._tracks

    def sentence(self) -> str:
        """What the cooling is followed by."""
        if not self._tracks:
            return "No jar probe: the clock alone is followed."
        if self._room_heard_s == -inf:
            return "No room probe: the jars are followed without a forecast."
        return f"{len(self._tracks)} jar probe{'s' if len(self._tracks) > 1 else ''} against the room."

    # -- inside ----------------------------------------------------------------------------------------

    def _start_over(self, t_s: float) -> None:
        self._heat.jars_in(t_s)
        self._raised.clear()
        self.complete_s = self._follower = None
        self._forget_end()

    def _forget_end(self) -> None:
        """No end of the heat is known, so nothing falls due after it."""
        self._seen_off_s = self._seen_lifted_s = self._off_again_s = None
        self._take_over()
        self._is_heated_again = False
        self.seen.clear()
        self._tracks.clear()
        self._due.clear()
        self.needs_verdict = False

    def _take_over(self) -> None:
        heat = self._heat
        self.jars_in_s = heat.jars_in_s
        self.heat_off_s = self._seen_off_s if heat.heat_off_s is None else heat.heat_off_s
        self.lifted_s = self._seen_lifted_s if heat.lifted_s is None else heat.lifted_s

    def _heat_again(self) -> None:
        """The heat is on again: jars in the canner warm up. Whatever falls due of the hold that ended stays due."""
        if self.heat_off_s is not None and self.lifted_s is None:
            self._is_heated_again = True
            self._tracks.clear()

    def _ends(self, kind: str, t_s: float) -> None:
        """Heat off or jars lifted: a person's first mark counts, and stands before anything seen."""
        was_lifted = self.lifted_s is not None
        is_first = self._heat.ends(t_s, kind)
        self._take_over()
        if self._is_heated_again and kind == "heat_off":
            self._is_heated_again, self._off_again_s = False, t_s
        if not is_first:
            return
        self.seen.discard(kind)
        if kind == "jars_lifted":
            self._follower = None
            self._lifted()
        elif not was_lifted:
            self._set_clock()

    def _lifted(self) -> None:
        self._is_heated_again = False
        self._tracks.clear()
        self._set_clock()

    def _see(self, follower: Follower) -> None:
        """Look whether the heat went off, or the jars out, without a mark; take back what the water denies."""
        if self._heat.heat_off_s is None:
            off = follower.heat_off(self.complete_s)
            if off is None and "heat_off" in self.seen:
                self._forget_end()
            elif off is not None and self.heat_off_s is None:
                self.seen.add("heat_off")
                self._seen_off_s = off.t_s
                self._take_over()
                self._set_clock()
        if self.heat_off_s is None:
            follower.forget()
            return
        out = follower.lifted(self.heat_off_s)
        if out is not None:
            self.seen.add("jars_lifted")
            self._seen_lifted_s = out.late_s
            self._take_over()
            self._lifted()
        if out is not None or follower.t_s[-1] - self.heat_off_s > SEE_FOR_MIN * 60.0:
            self._follower = None

    def _track(self, number: int) -> JarTrack:
        if self.lifted_s is not None:
            marked = "jars_lifted" not in self.seen
            return JarTrack(number, self.lifted_s, self._jar, settle_s=0.0, lift_marked=marked)
        off_s = self.heat_off_s if self._off_again_s is None else self._off_again_s
        assert off_s is not None
        return JarTrack(number, off_s, self._jar, settle_s=UNMARKED_LIFT_S, lift_marked=False)

    def _forget_room(self, now_s: float) -> None:
        """Room readings too old to say how warm it is now are dropped."""
        while self._room and now_s - self._room[0][0] > ROOM_VALID_S:
            self._room.popleft()
        self._room_median_C = median([room_C for _, room_C in self._room]) if self._room else None

    def _set_clock(self) -> None:
        self.needs_verdict = True
        from_s = self.lifted_s if self.lifted_s is not None else self.heat_off_s
        assert from_s is not None
        since = (
            "the jars were lifted" if self.lifted_s is not None else "the heat was off (no lifting marked)"
        )
        if self.seen & {"jars_lifted" if self.lifted_s is not None else "heat_off"}:
            since += ", as the record shows; nobody marked it"
        self._due["seal_check_due"] = (
            from_s + SEAL_CHECK_AFTER_S,
            f"12 hours since {since}. Rings off, judge every jar's seal by press, look, tap and lift.",
        )
        if "reprocess_window_closing" not in self._due and "seal_check_overdue" not in self._due:
            # Until a verdict says better, the hold is taken to have ended no later than this.
            end_s = self.heat_off_s if self.heat_off_s is not None else from_s
            self._set_overdue(end_s)

    def _set_closing(self, clock: FailedClock) -> None:
        self._due["reprocess_window_closing"] = (
            clock.deadline_s - CLOSING_BEFORE_S,
            "Half an hour is left of the 2 hours in which jars of a hold that is not proven can be "
            "reprocessed in full, refrigerated or frozen; after that they are discarded.",
        )

    def _set_overdue(self, hold_end: float) -> None:
        self._due["seal_check_overdue"] = (
            hold_end + UNSEALED_WINDOW_S - OVERDUE_BEFORE_S,
            "One hour is left of the 24 in which a jar that did not seal can be reprocessed, refrigerated or "
            "frozen; after that it is discarded.",
        )
