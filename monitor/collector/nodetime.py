"""Where a node's uptime lies on the collector's clock. Pure arithmetic; one small state a start of a node.

A network only ever makes a message late, so the smallest (arrival − uptime) seen is the best estimate of the
offset between the two clocks; letting it rise by 100 ppm of the time passed follows a node whose crystal
runs slow (a "leaky minimum"). A node that is slower than that, and always by as much, shows it in the smallest of each
ten minutes, and the offset may rise by that as well. Measured over 26 h with ±50 ppm and outages: 5 ms typical, 0.4 s
at worst after 40 minutes of silence. All times here are house time and uptime, in seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

#: How fast a node's crystal may run slow: watch crystals and resonators hold 100 ppm.
LEAK_PER_S = 100e-6
#: Slower than this no node is followed: beyond it the engine takes times and uptime for two clocks that do not agree.
MOST_SLOW_PER_S = 1000e-6
#: A node's rate shows in the smallest offset of each of so many windows, so long each [s]; what differs by more from
#: one to the next is no crystal but a link on which things wait. Chosen: 20 ms of a link's scatter are 30 ppm of one.
WINDOWS, WINDOW_S, STEADY_PER_S = 5, 600.0, 100e-6
#: How fast an offset may fall or rise for no other reason than the node's crystal, with room to spare.
DRIFT_PER_S = 200e-6
#: An offset that falls by more than this in one message is believed only when the next one agrees: one mad
#: uptime must not pull every later sample into the past. [s]
SUDDEN_S = 2.0
#: An offset that has fallen by more than this since rows were placed by it moves those rows. [s]
REMAP_S = 0.5
#: While what a node kept is coming in, the offset falls by more than this again and again; [s] ...
FALLING_S = 0.05
#: ... and has come to rest when it did not for so long. [s]
AT_REST_S = 1.0
#: Uptime that is ahead of its count of samples by more than this, and of the house's clock too, has leapt: no link
#: makes a message early, and what waited on one comes with the counts of what waited before it. [s]
LEAP_S = 2.0
#: A later sample whose uptime is smaller by more than this comes from a counter that began again. [s]
BACK_S = 1.0
#: Counters of milliseconds (30 and 32 bits) and of microseconds (32 bits) start again from zero here. [s]
WRAPS_S = (2**30 / 1e3, 2**32 / 1e3, 2**32 / 1e6)


@dataclass(slots=True)
class SlowCrystal:
    """By how much a node's clock runs slow. A delay that comes at once, or grows by fits and starts, teaches nothing.

    One that grew for an hour as steadily as a crystal and as slowly could not be told from one: no link does that.
    """

    per_s: float = 0.0
    #: Of each window that is full the smallest offset and when it arrived, the newest last. [s]
    _full: list[tuple[float, float]] = field(default_factory=list)
    _began_s: float | None = None
    _least: tuple[float, float] = (float("inf"), 0.0)

    def take(self, offset_s: float, arrival_s: float) -> None:
        """One message's offset."""
        if self._began_s is None:
            self._began_s = arrival_s
        elif arrival_s - self._began_s >= WINDOW_S:
            self._full = [*self._full[1 - WINDOWS :], self._least]
            self._began_s, self._least = arrival_s, (float("inf"), 0.0)
            self._learn()
        if offset_s <= self._least[0]:
            self._least = (offset_s, arrival_s)

    def shift(self, by_s: float) -> None:
        """House time itself was moved."""
        self._full = [(offset_s + by_s, at_s + by_s) for offset_s, at_s in self._full]
        self._least = (self._least[0] + by_s, self._least[1] + by_s)
        if self._began_s is not None:
            self._began_s += by_s

    def _learn(self) -> None:
        if len(self._full) < WINDOWS:
            return
        rates = [
            (offset_s - before_s) / max(at_s - was_s, 1.0)
            for (before_s, was_s), (offset_s, at_s) in pairwise(self._full)
        ]
        is_steady = max(rates) - min(rates) <= STEADY_PER_S and min(rates) <= MOST_SLOW_PER_S
        self.per_s = max(0.0, min(rates)) if is_steady else 0.0


@dataclass(slots=True)
class NodeClock:
    """The clock of one start of one node.

    ``born_s``: arrival from which on this estimate was fed; rows that came earlier are not its to move.
    """

    offset_s: float | None = None
    fed_s: float = 0.0
    born_s: float = 0.0
    #: The largest offset by which rows were placed that were not moved since.
    placed_s: float | None = None
    #: When the offset last fell by more than network delays explain.
    fell_s: float = float("-inf")
    crystal: SlowCrystal = field(default_factory=SlowCrystal)
    _doubt_s: float | None = None
    #: The newest by its count: sequence number, uptime, arrival.
    _last: tuple[int, float, float] | None = None
    #: How long its samples lie apart, by its own account.
    _step_s: float | None = None
    _leapt: bool = False
    #: (first sequence number that may lie behind the wrap, first that surely does, length of the counter).
    _wraps: list[tuple[int, int, float]] = field(default_factory=list)

    def place(self, seq: int, uptime_s: float, age_s: float, arrival_s: float) -> float:
        """Take in one message and say when its sample was taken: never later than it arrived.

        ``age_s``: how long before sending that was, by the node's own account.
        """
        extended_s = self._unwrapped(seq, uptime_s, arrival_s)
        passed_s = max(0.0, arrival_s - self.fed_s)
        self._feed(extended_s + age_s, arrival_s)
        assert self.offset_s is not None
        if self.placed_s is None:
            self.placed_s = self.offset_s
        self.placed_s = max(self.placed_s - DRIFT_PER_S * passed_s, self.offset_s)
        return min(extended_s + self.offset_s, arrival_s)

    @property
    def wrapped(self) -> bool:
        """Whether its counter ever began again from zero; then raw uptime alone no longer places a row."""
        return bool(self._wraps)

    @property
    def fell(self) -> bool:
        """Whether the offset fell so far, at once or bit by bit, that rows already placed must move."""
        if self.offset_s is None or self.placed_s is None:
            return False
        return self.offset_s < self.placed_s - REMAP_S

    def at_rest(self, now_s: float) -> bool:
        """Whether the offset has stopped falling: rows moved before that would have to be moved again."""
        return abs(now_s - self.fell_s) >= AT_REST_S

    def settled(self) -> None:
        """The rows were moved to where the offset now puts them."""
        self.placed_s = self.offset_s

    def shift(self, by_s: float) -> None:
        """House time itself was moved."""
        if self.offset_s is not None:
            self.offset_s += by_s
        if self.placed_s is not None:
            self.placed_s += by_s
        self.fed_s += by_s
        self.fell_s += by_s
        self.born_s += by_s
        self.crystal.shift(by_s)
        if self._last is not None:
            self._last = (self._last[0], self._last[1], self._last[2] + by_s)

    def take_over(self, older: tuple[int, float, float] | None, newest: tuple[int, float, float]) -> None:
        """The newest samples that another life of the collector took in: sequence number, uptime, arrival of each."""
        self._last = newest
        if older is not None and newest[0] > older[0]:
            self._step_s = (newest[1] - older[1]) / (newest[0] - older[0])

    def _feed(self, sent_s: float, arrival_s: float) -> None:
        candidate_s = arrival_s - sent_s
        if self.offset_s is None:
            self.offset_s, self.fed_s, self.born_s = candidate_s, arrival_s, arrival_s
            return
        leak_per_s = LEAK_PER_S + self.crystal.per_s
        leaked_s = self.offset_s + leak_per_s * max(0.0, arrival_s - self.fed_s)
        self.fed_s = max(self.fed_s, arrival_s)
        if candidate_s < leaked_s - SUDDEN_S:
            first_sign = self._doubt_s is None
            self._doubt_s = candidate_s
            if first_sign:
                self.offset_s = leaked_s
                return
            if self._leapt:
                # The node's own counter ran away from the house's clock: what came before it lies where it did.
                self._begin_anew()
                self.offset_s, self.born_s = candidate_s, arrival_s
                return
        self._doubt_s, self._leapt = None, False
        self.crystal.take(candidate_s, arrival_s)
        if candidate_s < self.offset_s - FALLING_S:
            self.fell_s = arrival_s
        self.offset_s = min(candidate_s, leaked_s)

    def _begin_anew(self) -> None:
        self.offset_s = self.placed_s = None
        self.crystal = SlowCrystal()
        self._doubt_s, self._leapt = None, False

    def _look_for_leap(self, count: int, forth_s: float, passed_s: float) -> None:
        """So many samples later its uptime says that ``forth_s`` have gone by, the house's clock ``passed_s``."""
        if self._step_s is not None and forth_s - max(passed_s, count * self._step_s) > LEAP_S:
            self._leapt = True
        else:
            self._step_s = forth_s / count

    def _unwrapped(self, seq: int, uptime_s: float, arrival_s: float) -> float:
        """Uptime counted on past the places where the node's counter began again."""
        extended_s = uptime_s + sum(
            wrap_s
            for maybe_seq, surely_seq, wrap_s in self._wraps
            if seq >= surely_seq or (seq >= maybe_seq and uptime_s < wrap_s / 2)
        )
        if self._last is None or seq <= self._last[0]:
            if self._last is None:
                self._last = (seq, extended_s, arrival_s)
            return extended_s
        last_extended_s, last_arrival_s = self._last[1:]
        back_s = last_extended_s - extended_s
        if back_s > BACK_S:
            passed_s = max(0.0, arrival_s - last_arrival_s)
            for wrap_s in WRAPS_S:
                # The counter has gone on by about as long as the house's clock has.
                if abs(wrap_s - back_s - passed_s) < 60.0 + 0.01 * passed_s:
                    self._wraps.append((self._last[0] + 1, seq, wrap_s))
                    extended_s += wrap_s
                    break
            else:
                # A counter that makes no sense: begin the estimate anew, from this message.
                self._begin_anew()
        elif back_s < 0.0:
            self._look_for_leap(seq - self._last[0], -back_s, max(0.0, arrival_s - last_arrival_s))
        self._last = (seq, extended_s, arrival_s)
        return extended_s
