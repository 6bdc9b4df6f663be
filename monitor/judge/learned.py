"""The learned kettle: how fast this canner warms near the boil, and how fast it cools when the boil is lost.

Both are means over minutes that the record shows, each with an interval, and neither makes any decision milder: a rate
steeper than the physical bound makes the bound of a gap stricter (:mod:`monitor.judge.gap`), a gentler one changes
nothing. Fed off the boil only, so it costs nothing while the water boils.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt

from monitor.judge.verdict import Rate

#: Readings are averaged over so long: twice the time over which a boil's agitation is correlated. [s] Chosen, as the
#: figures below.
BLOCK_S = 10.0
#: The come-up is measured between these distances below the boiling point: above, the knee is rounded (0.1 K in the
#: kettle model, and the jars lag); below, another part of the heat goes into cold jars. [K]
FROM_K, TO_K = 10.0, 1.5
#: A fall is measured for so long after its late onset: then a lid is lifted, or the heat is back. [s]
FALL_S = 180.0
#: When the bubbles stop, the plumes about the probe fade: so much of a fall may be theirs and not the water's. [K] The
#: kettle model's own guess.
FADING_K = 0.15
#: So many blocks make a rate; older ones are forgotten.
LEAST, KEPT = 5, 120
#: Blocks further apart do not belong together. [s]
APART_S = 30.0
#: A rate less certain than by this share of itself is none.
CERTAIN = 0.5
#: Student's t for 95 %, by degrees of freedom from 3 on (table in any statistics handbook; JCGM 100, annex G).
T_95 = (3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26, 2.23)
T_95_MANY = 2.2

Point = tuple[float, float]


@dataclass(slots=True)
class Fall:
    """A fall being measured: blocks since its late onset."""

    since_s: float
    heat_off: bool
    points: list[Point]
    open: bool = True


class LearnedKettle:
    """Fed with every believable reading off the boil. Times in s, temperatures in °C."""

    def __init__(self, step_K: float, response_s: float) -> None:
        self._step_K = step_K
        self._response_s = response_s
        self._points: deque[Point] = deque(maxlen=KEPT)
        self._block: list[Point] = []
        self._fall: Fall | None = None
        self._cooling: Rate | None = None
        #: The newest heating rate, and the steepest that were seen: the steep end of the interval. [K/s]
        self.heating: Rate | None = None
        self.steepest_heating_K_per_s = 0.0
        self._steepest_cooling_K_per_s = 0.0

    # --- what comes in ------------------------------------------------------------------------------------

    def take(self, t: float, y: float) -> None:
        """A reading off the boil."""
        block = self._block
        if block and t - block[-1][0] > APART_S:
            self.disturbed()
        if block and t - block[0][0] >= BLOCK_S:
            self._close_block()
        block.append((t, y))

    def _close_block(self) -> None:
        block = self._block
        n = len(block)
        point = sum(t for t, _ in block) / n, sum(y for _, y in block) / n
        block.clear()
        self._points.append(point)
        fall = self._fall
        if fall is not None and fall.open:
            fall.points.append(point)
            fall.open = point[0] - fall.since_s < FALL_S

    def disturbed(self) -> None:
        """Something else than the stove was at work, or nobody looked: what comes is not joined to what was."""
        self._block.clear()
        self._points.clear()
        if self._fall is not None:
            self._fall.open = False

    def fell(self, late_s: float, readings: Iterable[Point], *, heat_off: bool) -> None:
        """The boil ended at ``late_s`` at the latest; the readings since. ``heat_off``: a person marked it."""
        self._settle()
        self._points.clear()
        self._block.clear()
        self._fall = Fall(late_s, heat_off, [])
        for t, y in readings:
            self.take(t, y)

    def boils(self, boil_C: float | None) -> None:
        """A plateau was found: the rise before it is over."""
        self._settle()
        if boil_C is not None:
            rise = _rise(self._points, boil_C)
            rate = self._rate(rise, self._step_K, 1.0)
            if rate is not None:
                self.heating = rate
                self.steepest_heating_K_per_s = max(self.steepest_heating_K_per_s, rate.high_K_per_s)
        self._points.clear()
        self._block.clear()

    def _settle(self) -> None:
        """The fall that was measured is over."""
        self._cooling = self.cooling
        self._steepest_cooling_K_per_s = self.steepest_cooling_K_per_s
        self._fall = None

    @property
    def is_falling(self) -> bool:
        """Whether a fall is being measured."""
        return self._fall is not None and self._fall.open

    # --- what was learned ---------------------------------------------------------------------------------

    @property
    def cooling(self) -> Rate | None:
        """How fast it cooled in the newest fall that shows it."""
        return self._newest_fall() or self._cooling

    @property
    def steepest_cooling_K_per_s(self) -> float:
        """The steep end of the steepest fall's interval. [K/s]"""
        newest = self._newest_fall()
        return max(self._steepest_cooling_K_per_s, newest.high_K_per_s if newest else 0.0)

    def _newest_fall(self) -> Rate | None:
        fall = self._fall
        if fall is None or not fall.points:
            return None
        lowest = min(range(len(fall.points)), key=lambda i: fall.points[i][1])
        # Where it turned up again, the lowest block is half rise.
        last = lowest + 1 if lowest == len(fall.points) - 1 else lowest
        return self._rate(fall.points[:last], self._step_K + FADING_K, -1.0, heat_off=fall.heat_off)

    def _rate(
        self, points: Sequence[Point], hidden_K: float, sign: float, *, heat_off: bool = False
    ) -> Rate | None:
        """Least-squares slope with a 95 % interval, or None where it is not certain enough.

        ``hidden_K``: between first and last, so much may be the probe's: a step of the converter, half at either end.
        Besides it lags: where a rate changes, a reading is late by its response.
        """
        n = len(points)
        if n < LEAST:
            return None
        mean_t, mean_y = sum(t for t, _ in points) / n, sum(y for _, y in points) / n
        sxx = sum((t - mean_t) ** 2 for t, _ in points)
        slope = sum((t - mean_t) * (y - mean_y) for t, y in points) / sxx
        rest = sum((y - mean_y - slope * (t - mean_t)) ** 2 for t, y in points)
        t_95 = T_95[n - 5] if n - 5 < len(T_95) else T_95_MANY
        hidden_K += abs(slope) * self._response_s
        wide = t_95 * sqrt(rest / (n - 2) / sxx) + hidden_K / (points[-1][0] - points[0][0])
        slope *= sign
        if slope <= 0.0 or wide > CERTAIN * slope:
            return None
        return Rate(slope - wide, slope, slope + wide, points[0][0], points[-1][0], heat_off)


def _rise(points: Iterable[Point], boil_C: float) -> list[Point]:
    """The newest unbroken rise within reach of the boiling point."""
    found: list[Point] = []
    before_s = 0.0
    for point in points:
        if point[0] - before_s > APART_S:
            found.clear()
        before_s = point[0]
        if boil_C - FROM_K <= point[1] <= boil_C - TO_K:
            found.append(point)
    lowest = min(range(len(found)), key=lambda i: found[i][1], default=0)
    return found[lowest:]
