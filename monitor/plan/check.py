"""An ice-point and boiling-point check of a probe, as a machine that decides and touches nothing.

Readings come in with their times; it says what to do next, whether the reading has stood still for 60 s, and
in the end what follows. States and moves are in ``MOVES``; anything else is refused.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import sqrt
from statistics import fmean, pstdev

from monitor.errors import UsageError
from monitor.physics.units import c_to_f, f_to_c

ICE, BOIL = "ice", "boil"

ICE_PREPARE, ICE_SETTLING = "ice_prepare", "ice_settling"
BOIL_PREPARE, BOIL_SETTLING = "boil_prepare", "boil_settling"
DONE = "done"

#: (state, what happened) → next state.
MOVES = {
    (ICE_PREPARE, "ready"): ICE_SETTLING,
    (ICE_PREPARE, "skip"): BOIL_PREPARE,
    (ICE_SETTLING, "stable"): BOIL_PREPARE,
    (ICE_SETTLING, "again"): ICE_PREPARE,
    (BOIL_PREPARE, "ready"): BOIL_SETTLING,
    (BOIL_PREPARE, "skip"): DONE,
    (BOIL_SETTLING, "stable"): DONE,
    (BOIL_SETTLING, "again"): BOIL_PREPARE,
}

#: A reading counts when it has stood still for this long. [s] Our choice, as the two below.
STABLE_S = 60.0
#: No longer silence inside it, and no fewer readings. [s]
LONGEST_GAP_S = 15.0
FEWEST_READINGS = 6
#: Still: rise or fall across the minute and scatter below these, or below what one step of the probe makes. [K]
#: Our choice: ice water stirred by hand wanders by hundredths, a boil rattles by tenths.
STILL_SLOPE_K = {ICE: 0.10, BOIL: 0.20}
STILL_SCATTER_K = {ICE: 0.10, BOIL: 0.30}
#: Further from the expected point than this, the probe is not where it should be. [K] Our choice.
NEAR_K = {ICE: 8.0, BOIL: 8.0}
#: Agitation is correlated over seconds: one independent reading in this many seconds. [s] Our choice.
INDEPENDENT_EVERY_S = 10.0

PROMPTS = {
    ICE_PREPARE: "Fill a jar with crushed ice, then with cold water to the top, so that no air is left between. "
    "Probe in the middle, touching neither glass nor a lump. Stir, and say when it is ready.",
    ICE_SETTLING: "Keep stirring gently.",
    BOIL_PREPARE: "Bring the canner, with its rack and the probe in its usual place, to a full rolling boil. "
    "Look at it, and say when it boils.",
    BOIL_SETTLING: "Keep it at a full rolling boil.",
    DONE: "Both points are taken.",
}
CAUTIONS = {
    BOIL_PREPARE: "Steam and boiling water scald. Not in a smooth glass pan: there water boils too hot.",
    BOIL_SETTLING: "Open the lid away from your face.",
}


@dataclass(frozen=True, slots=True)
class PointReading:
    """What the probe read at one point: mean and scatter over the last minute. [°C], [K]

    ``chip_C``: the converter's own mean temperature meanwhile, where the node says it.
    """

    point: str
    mean_C: float
    scatter_K: float
    readings: int
    seconds: float
    stirred: bool
    chip_C: float | None = None

    @property
    def standard_K(self) -> float:
        """Standard uncertainty of the mean; neighbouring readings are not independent. [K]"""
        return self.scatter_K / sqrt(max(1.0, self.seconds / INDEPENDENT_EVERY_S))


@dataclass(frozen=True, slots=True)
class Progress:
    """Where the check stands. ``still_s`` of 60; ``why`` says why the minute does not run; ``text`` is all of it."""

    state: str
    prompt: str
    caution: str
    still_s: float
    last_C: float | None
    why: str
    text: str


class CheckSession:
    """One check of one probe. ``expected_boil_C`` is where water boils here now."""

    def __init__(self, expected_boil_C: float, step_K: float = 0.0) -> None:
        self._expected_C = {ICE: 0.0, BOIL: expected_boil_C}
        self._step_K = step_K
        self.state = ICE_PREPARE
        self.points: dict[str, PointReading] = {}
        self._window: deque[tuple[float, float]] = deque()
        self._chip_C: deque[float] = deque(maxlen=60)
        self._why_not = ""
        self._last_C: float | None = None

    def ready(self, *, stirred: bool) -> None:
        """The person says the bath is ready; an ice bath that is not stirred is not accepted."""
        if self.state == ICE_PREPARE and not stirred:
            raise UsageError("An ice bath that is not stirred is warmer below than above.", "Stir it first.")
        self._move("ready")

    def skip(self) -> None:
        """Leave this point out; what is then not proven is said in the end."""
        self._move("skip")

    def again(self) -> None:
        """Go back to preparing this point."""
        self._move("again")

    def expect(self, boil_C: float) -> None:
        """Where water boils here now, once it is known better than at the beginning."""
        self._expected_C[BOIL] = boil_C

    def feed(self, t_s: float, reading_C: float | None, chip_C: float | None = None) -> None:
        """Take in one uncorrected reading. ``None`` is a fault and starts the minute anew."""
        point = self._point()
        if point is None:
            return
        if chip_C is not None:
            self._chip_C.append(chip_C)
        if reading_C is None or (self._window and t_s - self._window[-1][0] > LONGEST_GAP_S):
            self._window.clear()
        if reading_C is None or (self._window and t_s <= self._window[-1][0]):
            return
        self._window.append((t_s, reading_C))
        self._last_C = reading_C
        while len(self._window) > 2 and self._window[1][0] <= t_s - STABLE_S:
            self._window.popleft()
        self._why_not = self._restless(point)
        if not self._why_not and self._span_s() >= STABLE_S and len(self._window) >= FEWEST_READINGS:
            self.points[point] = self._reading(point)
            self._move("stable")

    def progress(self) -> Progress:
        """What to show now."""
        point = self._point()
        last_C = self._last_C
        still_s = 0.0 if point is None or self._why_not else min(self._span_s(), STABLE_S)
        text = PROMPTS[self.state]
        if point is not None:
            shown = "no reading yet" if last_C is None else f"{last_C:.2f} °C"
            text += f" {shown}; still for {still_s:.0f} of {STABLE_S:.0f} s."
            if self._why_not:
                text += f" {self._why_not}"
        return Progress(
            self.state,
            PROMPTS[self.state],
            CAUTIONS.get(self.state, ""),
            still_s,
            last_C,
            self._why_not,
            text,
        )

    def _point(self) -> str | None:
        return {ICE_SETTLING: ICE, BOIL_SETTLING: BOIL}.get(self.state)

    def _move(self, happened: str) -> None:
        try:
            self.state = MOVES[self.state, happened]
        except KeyError:
            raise UsageError(f"“{happened}” does not fit here: the check is at {self.state}.") from None
        self._window.clear()
        self._chip_C.clear()
        self._why_not = ""
        self._last_C = None

    def _span_s(self) -> float:
        return self._window[-1][0] - self._window[0][0] if self._window else 0.0

    def _reading(self, point: str) -> PointReading:
        values = [value for _, value in self._window]
        chip_C = fmean(self._chip_C) if self._chip_C else None
        return PointReading(point, fmean(values), pstdev(values), len(values), self._span_s(), True, chip_C)

    def _restless(self, point: str) -> str:
        """Why the last minute is not still, or ""."""
        values = [value for _, value in self._window]
        if abs(values[-1] - self._expected_C[point]) > NEAR_K[point]:
            self._window.clear()
            where = "ice water" if point == ICE else "boiling water"
            expected_C = self._expected_C[point]
            return f"That is not {where}: {expected_C:.1f} °C ({c_to_f(expected_C):.1f} °F) is expected."
        if len(values) < FEWEST_READINGS:
            return ""
        floor_K = self._step_K
        if pstdev(values) > max(STILL_SCATTER_K[point], 0.6 * floor_K):
            self._drop_old()
            return "It jumps about: hold the probe still and clear of the glass."
        if abs(self._slope()) * self._span_s() > max(STILL_SLOPE_K[point], floor_K):
            self._drop_old()
            return "It is still rising." if self._slope() > 0 else "It is still falling."
        return ""

    def _drop_old(self) -> None:
        """Forget the older half, so that a disturbance does not cost a whole further minute."""
        for _ in range(len(self._window) // 2):
            self._window.popleft()

    def _slope(self) -> float:
        """Least-squares slope of the window. [K/s]"""
        if len(self._window) < 3:
            return 0.0
        mid_s = fmean(t for t, _ in self._window)
        mid_C = fmean(value for _, value in self._window)
        spread = sum((t - mid_s) ** 2 for t, _ in self._window)
        return sum((t - mid_s) * (value - mid_C) for t, value in self._window) / spread if spread else 0.0


def why_not_there(point: str, reading_C: float, expected_boil_C: float) -> str:
    """Why a reading is none of this point, with what it may be instead, or ""."""
    expected_C = {ICE: 0.0, BOIL: expected_boil_C}
    if abs(reading_C - expected_C[point]) <= NEAR_K[point]:
        return ""
    where, other = ("ice water", BOIL) if point == ICE else ("boiling water", ICE)
    here_C = expected_C[point]
    said = f"{reading_C:g} °C is not {where}: {here_C:.1f} °C ({c_to_f(here_C):.1f} °F) is expected."
    if abs(f_to_c(reading_C) - here_C) <= NEAR_K[point]:
        return f"{said} If it was read in °F, it is {f_to_c(reading_C):.2f} °C."
    if abs(reading_C - expected_C[other]) <= NEAR_K[other]:
        return f"{said} It may be the other point's."
    return said


def point_from_readings(
    point: str, readings: list[tuple[float, float]], expected_boil_C: float, step_K: float = 0.0
) -> PointReading:
    """A point from readings taken earlier (a file, or typed): the first minute that stands still.

    Parameters
    ----------
    readings : list of (t_s, reading_C)
        In time order. [s], [°C]

    Raises
    ------
    UsageError
        No minute of them stands still at that point; says why.
    """
    session = CheckSession(expected_boil_C, step_K)
    if point == BOIL:
        session.skip()
    session.ready(stirred=True)
    for t_s, reading_C in readings:
        session.feed(t_s, reading_C)
        if point in session.points:
            return session.points[point]
    raise UsageError(
        f"The {point} readings never stood still for {STABLE_S:.0f} s.",
        session.progress().text if readings else "There are none.",
    )
