"""One jar probe after lifting: half-minute bins, jumps, a fall too fast, and when it nears the room."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Sequence
from math import log, sqrt
from statistics import median

from monitor.judge import causes
from monitor.judge.verdict import Event
from monitor.tables.containers import jar_size

#: Figures of this page without a source are chosen, and tried on simulated jars.
BIN_S = 30.0
#: Near enough to the room to be called cool. [K]
NEAR_ROOM_K = 3.0
#: A jump is looked for against a parabola through this much before it. [s]
WINDOW_S = 720.0
_FEWEST = 8
#: Smaller than this no jump is said, whatever the noise: natural mixing in a jar does as much. [K] Estimate.
LEAST_JUMP_K = 0.7
_JUMP_SD = 7.0
#: Never believe less scatter than this (converter steps, slow agitation). [K]
_LEAST_SD_K = 0.04
#: A jar settles for this long after being set down before jumps are looked for. [s]
SETTLE_S = 600.0
#: A fall is judged between these times after lifting. [s]
FALL_FROM_S, FALL_TO_S = 120.0, 600.0
#: A fall faster than this share of the time constant in still air is no still air's.
TOO_FAST = 0.6
#: Thermometers and bodies: readings outside are the probe's trouble. [°C]
_LEAST_C, _MOST_C = -20.0, 115.0
#: What most readings come to.
NO_EVENTS: tuple[Event, ...] = ()


def is_chill(kind: str, text: str) -> bool:
    """Whether a ``jar_disturbed`` is the caution about a cold surface or a draught, not a jar that was moved.

    The kinds of events are the contract's; these two share one and differ in their words and in what to do.
    """
    return causes.cause_of(kind, "", text) == causes.CHILLED


def still_air_tau_min(jar: str | None) -> float | None:
    """Time constant of a hot jar in still air, its size in ordinary words; None where that is not known. [min]"""
    size = jar_size(jar)
    return None if size is None else size.still_air_tau_min


class JarTrack:
    """The binned course of one jar. Times in s since the run's start."""

    def __init__(
        self, number: int, start_s: float, jar: str | None, *, settle_s: float, lift_marked: bool
    ) -> None:
        self.number, self.start_s, self.lift_marked = number, start_s, lift_marked
        self.t_s, self.jar_C, self.room_C = array("d"), array("d"), array("d")
        #: First bins at or below 43 and 35 °C (information only), and within 3 K of the room.
        self.at_43_s: float | None = None
        self.at_35_s: float | None = None
        self.cooled_s: float | None = None
        #: Since when the course is unbroken (the last disturbance), and what is worth a caution.
        self.unbroken_since_s = start_s
        self.disturbed_s: list[float] = []
        self.too_fast = False
        self._still_air_tau_min = still_air_tau_min(jar) or still_air_tau_min("half_pint") or 0.0
        #: Where nobody knows of the lifting, the first jump may be it.
        self._awaits_lift = settle_s > 0.0
        self._quiet_until_s = start_s + max(settle_s, SETTLE_S)
        self._bin_end_s = start_s
        #: The open bin's times and readings.
        self._open_t: list[float] = []
        self._open_C: list[float] = []
        self._open_room: float | None = None
        self._near = 0
        self._judged_fall = not lift_marked

    def push(self, t_s: float, jar_C: float, room_C: float | None) -> Sequence[Event]:
        """One reading, in time order."""
        if not _LEAST_C <= jar_C <= _MOST_C or t_s < self.start_s:
            return NO_EVENTS
        events: Sequence[Event] = NO_EVENTS
        if t_s >= self._bin_end_s:
            if self._open_t:
                events = self._close(t_s)
            self._bin_end_s = self.start_s + ((t_s - self.start_s) // BIN_S + 1.0) * BIN_S
        self._open_t.append(t_s)
        self._open_C.append(jar_C)
        self._open_room = room_C
        return events

    def _close(self, now_s: float) -> list[Event]:
        at_s = sum(self._open_t) / len(self._open_t)
        value = median(self._open_C)
        self._open_t.clear()
        self._open_C.clear()
        self.t_s.append(at_s)
        self.jar_C.append(value)
        self.room_C.append(self._open_room if self._open_room is not None else float("nan"))
        self._note_crossings(at_s, value)
        return [*self._fall(at_s, now_s), *self._jump(at_s, now_s), *self._cooled(now_s)]

    def _note_crossings(self, at_s: float, value: float) -> None:
        if self.at_43_s is None and value <= 43.0:
            self.at_43_s = at_s
        if self.at_35_s is None and value <= 35.0:
            self.at_35_s = at_s

    def _fall(self, at_s: float, now_s: float) -> list[Event]:
        """A fall too fast in the first minutes: a cold or wet surface, or a draught."""
        if self._judged_fall or at_s - self.start_s < FALL_TO_S:
            return []
        self._judged_fall = True
        first = bisect_left(self.t_s, self.start_s + FALL_FROM_S)
        if len(self.t_s) - first < 3 or at_s - self.start_s > 2 * FALL_TO_S:
            return []
        before, after = self.jar_C[first] - self.room_C[first], self.jar_C[-1] - self.room_C[-1]
        if not (before > 20.0 and after > 1.0 and before > after):
            return []
        tau_min = (at_s - self.t_s[first]) / log(before / after) / 60.0
        if tau_min >= TOO_FAST * self._still_air_tau_min:
            return []
        self.too_fast = True
        text = (
            f"Jar {self.number} cools faster than still air can cool it: a cold or wet surface, or a draught? "
            "Hot glass can crack. Do not move it; keep draughts away."
        )
        return [Event("jar_disturbed", self.start_s + FALL_FROM_S, now_s, text, cause=causes.CHILLED)]

    def _jump(self, at_s: float, now_s: float) -> list[Event]:
        """Two bins in a row off the course that the bins before them foretell."""
        if at_s < self._quiet_until_s or self.cooled_s is not None:
            return []
        first = bisect_left(self.t_s, max(at_s - WINDOW_S, self.unbroken_since_s))
        if len(self.t_s) - first < _FEWEST + 2:
            return []
        off_K, limit_K = self._off_course(first)
        if min(abs(off) for off in off_K) < limit_K or off_K[0] * off_K[1] < 0.0:
            return []
        onset_s = self.t_s[-2]
        if self._awaits_lift:
            # Once lifted and set down a jar settles, as after a lifting that was marked.
            self._awaits_lift, self.unbroken_since_s, self._quiet_until_s = False, onset_s, at_s + SETTLE_S
            return []
        self.disturbed_s.append(onset_s)
        self.unbroken_since_s = onset_s
        way = "down" if off_K[0] < 0.0 else "up"
        text = (
            f"Jar {self.number} was disturbed, or its probe was: the reading jumped {way} by about "
            f"{abs(off_K[1]):.1f} K. Leave the jars alone; look at this seal with care."
        )
        return [Event("jar_disturbed", onset_s, now_s, text, self.t_s[-3], onset_s)]

    def _off_course(self, first: int) -> tuple[tuple[float, float], float]:
        """How far the last two bins lie off a parabola through those before, and what is too far. [K]

        Least squares by polynomials that are orthogonal over the known bins (Forsythe 1957): for two dozen
        bins quicker than loading a library for it.
        """
        t, y = self.t_s[first:], self.jar_C[first:]
        span_s = t[-1] - t[0]
        x = [(at_s - t[-3]) / span_s for at_s in t]
        n = len(x) - 2
        known, values = x[:n], y[:n]
        a = sum(known) / n
        line = [at - a for at in x]
        line_norm = sum(p * p for p in line[:n])
        b = sum(at * p * p for at, p in zip(known, line[:n], strict=True)) / line_norm
        bow = [(at - b) * p - line_norm / n for at, p in zip(x, line, strict=True)]
        bow_norm = sum(p * p for p in bow[:n])
        mean = sum(values) / n
        slope = sum(p * value for p, value in zip(line[:n], values, strict=True)) / line_norm
        bend = sum(p * value for p, value in zip(bow[:n], values, strict=True)) / bow_norm
        off = [value - mean - slope * p - bend * q for value, p, q in zip(y, line, bow, strict=True)]
        sd = max(sqrt(sum(rest * rest for rest in off[:n]) / (n - 3)), _LEAST_SD_K)
        leverage = 1.0 / n + line[-1] ** 2 / line_norm + bow[-1] ** 2 / bow_norm
        return (off[-2], off[-1]), max(LEAST_JUMP_K, _JUMP_SD * sd * sqrt(1.0 + leverage))

    def _cooled(self, now_s: float) -> list[Event]:
        if self.cooled_s is not None:
            return []
        near = self.jar_C[-1] - self.room_C[-1] <= NEAR_ROOM_K  # False while the room is unknown (nan)
        self._near = self._near + 1 if near else 0
        if self._near < 2:
            return []
        self.cooled_s = self.t_s[-2]
        hours = (self.cooled_s - self.start_s) / 3600.0
        text = f"Jar {self.number} is within {NEAR_ROOM_K:.0f} K of the room, {hours:.1f} h after it began to cool."
        return [Event("jar_cooled", self.cooled_s, now_s, text)]
