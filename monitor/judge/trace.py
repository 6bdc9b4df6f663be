"""The recent readings near the boil, with running sums that make any window's mean, slope or ramp O(1).

Only samples that the engine accepted are in it: no faults, no jumps, no gaps inside.
"""

from __future__ import annotations

from bisect import bisect_left
from copy import copy

#: Samples kept at least and at most: enough for the longest window plus its baseline at 1 Hz.
KEEP = 900
LIMIT = 1800


class Trace:
    """Time-ordered (t, y) pairs with prefix sums. ``t`` in s, ``y`` in °C."""

    def __init__(self) -> None:
        self.t: list[float] = []
        self.y: list[float] = []
        self._clear_sums(0.0, 0.0)

    def _clear_sums(self, t_ref: float, y_ref: float) -> None:
        self.t_ref, self._y_ref = t_ref, y_ref
        # Prefix sums of (t - t_ref), (y - y_ref) and their products; entry i covers samples [0, i).
        self.sum_t, self.sum_y = [0.0], [0.0]
        self._stt, self.sum_ty, self._syy = [0.0], [0.0], [0.0]

    def __deepcopy__(self, memo: dict[int, object]) -> Trace:
        # Numbers need no copy of their own: a list is copied whole, a hundred times faster.
        twin = copy(self)
        for name, value in vars(self).items():
            if isinstance(value, list):
                setattr(twin, name, value.copy())
        return twin

    def __len__(self) -> int:
        return len(self.t)

    def clear(self) -> None:
        """Forget everything: what follows is not continuous with what was."""
        self.t.clear()
        self.y.clear()
        self._clear_sums(0.0, 0.0)

    def append(self, t_s: float, y_C: float) -> int:
        """Add one reading. Returns how many old samples were dropped to keep memory flat (usually 0)."""
        if not self.t:
            self._clear_sums(t_s, y_C)
        times = self.t
        times.append(t_s)
        self.y.append(y_C)
        # _add, written out: this runs at every sample near the boil.
        t, y = t_s - self.t_ref, y_C - self._y_ref
        sums = self.sum_t
        sums.append(sums[-1] + t)
        sums = self.sum_y
        sums.append(sums[-1] + y)
        sums = self._stt
        sums.append(sums[-1] + t * t)
        sums = self.sum_ty
        sums.append(sums[-1] + t * y)
        sums = self._syy
        sums.append(sums[-1] + y * y)
        if len(times) <= LIMIT:
            return 0
        dropped = len(times) - KEEP
        del self.t[:dropped], self.y[:dropped]
        # Sums are taken anew from a near reference, so that they never lose digits.
        self._clear_sums(self.t[0], self.y[0])
        for t_s, y_C in zip(self.t, self.y, strict=True):
            self._add(t_s - self.t_ref, y_C - self._y_ref)
        return dropped

    def _add(self, t: float, y: float) -> None:
        self.sum_t.append(self.sum_t[-1] + t)
        self.sum_y.append(self.sum_y[-1] + y)
        self._stt.append(self._stt[-1] + t * t)
        self.sum_ty.append(self.sum_ty[-1] + t * y)
        self._syy.append(self._syy[-1] + y * y)

    def index_at(self, t_s: float) -> int:
        """Index of the first sample at or after ``t_s``."""
        return bisect_left(self.t, t_s)

    def mean(self, i: int, j: int) -> float:
        """Mean of samples [i, j). [°C]"""
        return self._y_ref + (self.sum_y[j] - self.sum_y[i]) / (j - i)

    def newest_mean(self, count: int) -> float:
        """Mean of the newest samples, so many. [°C]"""
        sum_y = self.sum_y
        return self._y_ref + (sum_y[-1] - sum_y[-1 - count]) / count

    def slope(self, i: int, j: int) -> float:
        """Least-squares slope of samples [i, j), j - i >= 2. [K/s]"""
        n = j - i
        st = self.sum_t[j] - self.sum_t[i]
        sy = self.sum_y[j] - self.sum_y[i]
        sxx = self._stt[j] - self._stt[i] - st * st / n
        return (self.sum_ty[j] - self.sum_ty[i] - st * sy / n) / sxx

    def ramp(self, i: int, level_C: float) -> tuple[float, float, float]:
        """Sums over samples [i, end) of a ramp that starts at the sample before i.

        Returns (sum of k (y - level), sum of k, sum of k²) with k the seconds since sample i - 1.
        """
        n = len(self.t) - i
        onset = self.t[i - 1] - self.t_ref
        st = self.sum_t[-1] - self.sum_t[i]
        sy = self.sum_y[-1] - self.sum_y[i]
        sk = st - n * onset
        skk = self._stt[-1] - self._stt[i] - 2.0 * onset * st + n * onset * onset
        sky = self.sum_ty[-1] - self.sum_ty[i] - onset * sy
        return sky - (level_C - self._y_ref) * sk, sk, skk

    def hinge_misfit(self, i: int, k: int, j: int) -> tuple[float, float]:
        """Least-squares misfit of "a straight rise until sample k, then level" to samples [i, j).

        Returns (sum of squared residuals in K², slope of the rise in K/s). A fall instead of a rise is
        taken as none.
        """
        knee = self.t[k] - self.t_ref
        n, m = j - i, k - i
        st = self.sum_t[k] - self.sum_t[i]
        # The regressor is h = min(0, t - knee): zero on the level part.
        sh = st - m * knee
        shh = self._stt[k] - self._stt[i] - 2.0 * knee * st + m * knee * knee
        sy = self.sum_y[j] - self.sum_y[i]
        syy = self._syy[j] - self._syy[i] - sy * sy / n
        shy = self.sum_ty[k] - self.sum_ty[i] - knee * (self.sum_y[k] - self.sum_y[i])
        sxx = shh - sh * sh / n
        sxy = shy - sh * sy / n
        if sxx <= 0.0 or sxy <= 0.0:
            return max(syy, 0.0), 0.0
        return max(syy - sxy * sxy / sxx, 0.0), sxy / sxx
