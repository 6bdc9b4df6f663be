"""The run cut into stretches of one state each, and what they add up to.

Later knowledge may rewrite the recent past (a fall is dated back to its onset); everything before stays.
"""

from __future__ import annotations

from collections.abc import Collection
from math import ceil, floor

from monitor.judge.verdict import BOILING, UNKNOWN, Stretch


class Ledger:
    """Consecutive segments ``[start_s, state, why]``; each ends where the next begins."""

    def __init__(self) -> None:
        self._segments: list[tuple[float, str, str]] = []
        # The newest of them, kept: asked several times a sample, and few samples change it.
        #: The newest state and its reason; None and "" before the first.
        self.state: str | None = None
        self.why = ""
        #: When the newest stretch began, if it is boiling. [s]
        self.boiling_since_s: float | None = None

    def just_before(self, t_s: float) -> tuple[str | None, str]:
        """State and reason of the segment that begins before ``t_s``; (None, "") without one."""
        for begin, state, why in reversed(self._segments):
            if begin < t_s:
                return state, why
        return None, ""

    def before_newest(self, passing: Collection[str]) -> tuple[str | None, str]:
        """State and reason of the newest segment but one; those whose reason is ``passing`` are passed over."""
        for _, state, why in reversed(self._segments[:-1]):
            if why not in passing:
                return state, why
        return None, ""

    def set_from(self, t_s: float, state: str, why: str) -> None:
        """From ``t_s`` on the run is in ``state``; whatever was said of later times is withdrawn."""
        segments = self._segments
        while segments and segments[-1][0] >= t_s:
            segments.pop()
        if not segments or segments[-1][1:] != (state, why):
            segments.append((t_s, state, why))
        self._note_newest()

    def relabel(self, start_s: float, end_s: float, old: str, new: str, why: str) -> None:
        """Between two times, what was ``old`` is ``new`` instead."""
        result: list[tuple[float, str, str]] = []
        for place, (begin, state, reason) in enumerate(self._segments):
            end = self._segments[place + 1][0] if place + 1 < len(self._segments) else float("inf")
            if state != old or end <= start_s or begin >= end_s:
                result.append((begin, state, reason))
                continue
            if begin < start_s:
                result.append((begin, state, reason))
            result.append((max(begin, start_s), new, why))
            if end > end_s:
                result.append((end_s, state, reason))
        self._segments = result
        self._note_newest()

    def _note_newest(self) -> None:
        self.boiling_since_s = None
        if not self._segments:
            return
        _, self.state, self.why = self._segments[-1]
        for begin, state, _ in reversed(self._segments):
            if state != BOILING:
                break
            self.boiling_since_s = begin

    def boiled_until_s(self, otherwise_s: float) -> float:
        """Where the newest stretch that was boiling ended; ``otherwise_s`` where there is none."""
        end_s = otherwise_s
        for begin, state, _ in reversed(self._segments):
            if state == BOILING:
                return end_s
            end_s = begin
        return otherwise_s

    def boiled_before_s(self) -> float:
        """Where the stretch that was boiling before the newest one ended; long ago where there is none. [s]"""
        end_s, is_newest = -1e18, True
        for begin, state, _ in reversed(self._segments):
            if state != BOILING:
                end_s, is_newest = begin, False
            elif not is_newest:
                return end_s
        return -1e18

    def why_unknown(self, start_s: float, end_s: float, passing: Collection[str]) -> str:
        """The last reason that something between two times is unknown, but for those ``passing``; "" without one."""
        for begin, state, why in reversed(self._segments):
            if begin < start_s:
                break
            if begin < end_s and state == UNKNOWN and why not in passing:
                return why
        return ""

    def stretches(self, end_s: float) -> list[Stretch]:
        """All stretches up to ``end_s``, neighbours of one state and reason joined."""
        result: list[Stretch] = []
        for place, (begin, state, why) in enumerate(self._segments):
            end = self._segments[place + 1][0] if place + 1 < len(self._segments) else end_s
            end = min(end, end_s)
            if end <= begin:
                continue
            if result and (result[-1].end_s, result[-1].state, result[-1].why) == (begin, state, why):
                begin = result.pop().start_s
            result.append(Stretch(begin, end, state, why))
        return result


def longest(
    stretches: list[Stretch], states: tuple[str, ...], start_s: float, end_s: float
) -> tuple[float, float]:
    """The longest unbroken time in ``states`` between two times, as (start, end); (0, 0) if none."""
    best = (0.0, 0.0)
    begin: float | None = None
    reached = start_s
    for stretch in stretches:
        low, high = max(stretch.start_s, start_s), min(stretch.end_s, end_s)
        if high <= low:
            continue
        if stretch.state in states:
            if begin is None or low > reached:
                begin = low
            if high - begin > best[1] - best[0]:
                best = (begin, high)
            reached = high
        else:
            begin = None
    return best


def later_tenth(t_s: float) -> float:
    """A start, rounded to the tenth against the canner. [s]"""
    return ceil(t_s * 10.0 - 1e-6) / 10.0


def credited(stretch: tuple[float, float]) -> tuple[float, float]:
    """Start rounded later and end earlier, to the tenth of a second: never above true time."""
    start, end = later_tenth(stretch[0]), floor(stretch[1] * 10.0 + 1e-6) / 10.0
    return (start, end) if end > start else (start, start)


#: States that count as possible, and as proven.
POSSIBLE, PROVEN = (BOILING, UNKNOWN), (BOILING,)
