"""The way up: how fast the water warms, when it should boil, and whether it has stalled."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from math import inf, sqrt

#: One thinned reading in so many seconds. [s] Chosen.
EVERY_S = 10.0
#: A rise under 0.1 K/min for five minutes is a stall. [s], [K] Chosen: canners come up at 0.7 to 2.6 K/min (energy
#: balance, 8 to 33 L at 1.5 to 2 kW).
STALL_S, STALL_K = 300.0, 0.5
#: Thinned readings kept: as long as a stall takes, both ends.
SPAN = int(STALL_S / EVERY_S) + 1
#: A rate is taken over so many thinned readings, three minutes; over the last minute where that has clearly turned.
RATE_OF, RECENT = 19, 7
#: The fastest rise so far is one over so many. Chosen.
FASTEST_OF = 12
#: Longer is not foretold: so far ahead it hangs on what is not known yet. [s] Chosen.
FORETOLD_S = 2.0 * 3600.0
#: Faster than this it warms or cools for sure. [K/s] Chosen: as slow as a rise that has stalled.
CLEAR_K_PER_S = 0.1 / 60.0
#: So far below where it had come to, the water is not coming up. [K] Chosen: more than any scatter.
FALLEN_K = 1.0
#: Jars, cold water or an open lid cool the water after they were marked, or hold it up: what was read until so long
#: after tells of no fall and of no time to the boil, and until so long of no stall. [s] Chosen: jars of a full canner
#: take some four minutes.
DROPS_S, DISTURBED_S = 120.0, 240.0
#: Only once the water is warmer than this, so that a pot that waits for its heat is none. [°C] Chosen.
STALL_ABOVE_C = 40.0
#: But where the heat or the jars were marked and nothing has warmed for so long since, no burner is lit. [s] Chosen:
#: the slowest canner warms by 7 K in that time.
NEVER_WARMED_S = 600.0


class ComeUp:
    """Fed with every accepted reading; keeps a thinned trace of five minutes."""

    def __init__(self) -> None:
        self._points: deque[tuple[float, float]] = deque(maxlen=SPAN)
        self._stalled = False
        self._rose = False
        #: Since when it is to warm: the heat was marked, or jars went in. [s]
        self._heated_s = inf
        self._disturbed_s = -1e18
        self._fastest_K_per_s = 0.0
        #: The newest reading at which it was asked whether the water falls. [s]
        self._looked_s = -1e18

    def disturbed(self, t_s: float) -> None:
        """Something was marked that cools the water without the heat having failed."""
        self._disturbed_s = t_s

    def heated(self, t_s: float) -> None:
        """Something was marked after which the water has to warm."""
        self._heated_s = min(self._heated_s, t_s)

    def take(self, t_s: float, y_C: float) -> float | None:
        """Take in a reading. Returns when a stall began, on the reading at which it is noticed, else None. [s]"""
        points = self._points
        if points and t_s - points[-1][0] < EVERY_S:
            return None
        if points and t_s - points[-1][0] > 60.0:
            points.clear()
        points.append((t_s, y_C))
        if len(points) > FASTEST_OF:
            since_s, from_C = points[-1 - FASTEST_OF]
            if y_C > STALL_ABOVE_C:
                self._fastest_K_per_s = max(self._fastest_K_per_s, (y_C - from_C) / (t_s - since_s))
        if len(points) < SPAN:
            return None
        gained = y_C - points[0][1]
        if gained > 3.0 * STALL_K:
            self._rose, self._stalled = True, False
        if self._stalled or gained > STALL_K:
            return None
        if (not self._rose or y_C < STALL_ABOVE_C) and t_s - self._heated_s < NEVER_WARMED_S:
            return None
        if points[0][0] < self._disturbed_s + DISTURBED_S:
            return None
        if y_C - min(at_C for _, at_C in points) > STALL_K:
            # It fell meanwhile, and warms again or is back.
            return None
        self._stalled = True
        return next(at_s for at_s, at_C in points if at_C >= y_C - 0.2 * STALL_K)

    def rate_K_per_s(self) -> tuple[float, float] | None:
        """Slope over the last minutes and its standard error; over the last one where that has turned. [K/s]"""
        points = list(self._points)[-RATE_OF:]
        if len(points) < 4:
            return None
        rate, recent = _fitted(points), _fitted(points[-RECENT:])
        has_turned = _is_clear(recent) and (recent[0] * rate[0] < 0.0 or not _is_clear(rate))
        return recent if has_turned else rate

    def fall(self) -> tuple[float, float] | None:
        """When water that was coming up began to cool [s] and how far it had come [°C]; None unless it cools."""
        if not self._points or self._points[-1][0] == self._looked_s:
            # Nothing new since it was asked before.
            return None
        self._looked_s = self._points[-1][0]
        points = [point for point in self._points if point[0] > self._disturbed_s + DROPS_S]
        if len(points) < RECENT:
            return None
        slope, error = _fitted(points[-RECENT:])
        if slope + 2.0 * error > -CLEAR_K_PER_S:
            return None
        top_s, top_C = max(points, key=lambda point: point[1])
        rose_K = top_C - min(at_C for at_s, at_C in points if at_s <= top_s)
        is_fall = rose_K > 3.0 * STALL_K and top_C - points[-1][1] > FALLEN_K and top_C > STALL_ABOVE_C
        return (top_s, top_C) if is_fall else None

    def eta_s(self, boil_C: float) -> tuple[float, float, float] | None:
        """(soonest, likely, latest) seconds from now to the boil, or None where it is not rising.

        The rise slows towards the boil as losses grow and jars catch up, so the interval leans late; once cold jars
        have caught up it quickens, but hardly beyond what this canner has shown. Nothing is told while they are new.
        """
        rate = self.rate_K_per_s()
        if rate is None or not self._points or self._points[-1][0] < self._disturbed_s + DROPS_S:
            return None
        slope, error = rate
        if slope < 0.05 / 60.0:
            return None
        missing = max(boil_C - self._points[-1][1], 0.0)
        fast, slow = slope + 2.0 * error, max(slope - 2.0 * error, 0.25 * slope)
        likely_s = missing / slope
        if likely_s > FORETOLD_S:
            return None
        return missing / max(1.15 * fast, self._fastest_K_per_s), likely_s, 1.6 * missing / slow


def _is_clear(rate: tuple[float, float]) -> bool:
    """Whether a slope with its standard error [K/s] tells that the water warms, or cools."""
    return abs(rate[0]) - 2.0 * rate[1] > CLEAR_K_PER_S


def _fitted(points: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Slope of a straight line through four points or more, and its standard error. [K/s]"""
    n = len(points)
    mean_t = sum(t for t, _ in points) / n
    mean_y = sum(y for _, y in points) / n
    sxx = sum((t - mean_t) ** 2 for t, _ in points)
    slope = sum((t - mean_t) * (y - mean_y) for t, y in points) / sxx
    rest = sum((y - mean_y - slope * (t - mean_t)) ** 2 for t, y in points)
    return slope, sqrt(rest / (n - 2) / sxx)
