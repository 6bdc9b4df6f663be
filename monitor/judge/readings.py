"""Readings that cannot be the water's: impossible jumps, and values that stand still."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from math import exp, inf, sqrt
from statistics import NormalDist

from monitor.judge.noise import QUIET_STEP_K, Noise
from monitor.judge.steps_seen import StepsSeen

#: Fastest credible rise and fall of a canner's water, cold water added apart. [K/s] Energy balance: 3.5 kW
#: into a small kettle 6 K/min, lid off with cold jars 5 K/min.
RISE_K_PER_S = 6.0 / 60.0
FALL_K_PER_S = 5.0 / 60.0
#: How far a reading may scatter before this run has taught its scatter. [K] Chosen, as the figures below.
UNLEARNED_SLACK_K = 2.5
#: So much is always scatter. [K]
LEAST_SLACK_K = 0.2
#: So many readings in a row on the same side are taken as real.
CONFIRM = 3
#: So many ignored jumps within this time are no longer single ones.
MANY, MANY_WITHIN_S = 4, 60.0


class Step(Enum):
    """What the jump filter makes of a reading."""

    ACCEPTED = "accepted"
    PENDING = "pending"
    SPIKE = "spike"  # the pending reading was alone; this one is accepted
    FELL = "fell"  # confirmed to be lower, too fast for cooling
    ROSE = "rose"  # confirmed to be higher, too fast for any stove
    ERRATIC = "erratic"  # jump upon jump


#: The most common one; asking the class for it at every sample takes longer.
ACCEPTED = Step.ACCEPTED


class JumpFilter:
    """Lets through what water can do; holds a jump back until the next readings agree with it or not."""

    def __init__(self, noise: Noise) -> None:
        self._noise = noise
        self.t_s = -1e18
        self.y_C = 0.0
        self._pending: list[tuple[float, float]] = []
        self._ignored: list[float] = []

    def restart(self, t_s: float, y_C: float) -> None:
        """Begin again at a reading that is not compared with what went before."""
        self.t_s, self.y_C = t_s, y_C
        if self._pending:
            self._pending.clear()

    def _slack_K(self) -> float:
        if not self._noise.is_learned:
            return UNLEARNED_SLACK_K
        return max(LEAST_SLACK_K, 8.0 * self._noise.now.sd_K, 2.2 * self._noise.step_K)

    def _possible(self, dt: float, step_K: float) -> bool:
        slack = self._slack_K()
        return -FALL_K_PER_S * dt - slack <= step_K <= RISE_K_PER_S * dt + slack

    def passed_over(self, t_s: float, y_C: float) -> None:
        """A reading that comes too soon to be judged: one that is a jump is held back as any, and confirms none."""
        if not self._pending and not self._possible(t_s - self.t_s, y_C - self.y_C):
            self._pending.append((t_s, y_C))

    def take(self, t_s: float, y_C: float) -> Step:
        """Judge one reading; on ACCEPTED, SPIKE, FELL and ROSE it becomes the newest accepted one."""
        dt, step_K = t_s - self.t_s, y_C - self.y_C
        if (
            not self._pending
            and -FALL_K_PER_S * dt - LEAST_SLACK_K <= step_K <= RISE_K_PER_S * dt + LEAST_SLACK_K
        ):
            # By far the most common, and this runs at every sample near the boil.
            self.t_s, self.y_C = t_s, y_C
            return ACCEPTED
        if self._possible(dt, step_K):
            step = ACCEPTED
            if self._pending:
                step = Step.SPIKE
                self._ignored = [at for at in self._ignored if t_s - at < MANY_WITHIN_S]
                self._ignored += [at for at, _ in self._pending]
                if len(self._ignored) >= MANY:
                    step = Step.ERRATIC
            self.restart(t_s, y_C)
            return step
        if self._pending and (self._pending[-1][1] < self.y_C) != (y_C < self.y_C):
            self._ignored += [at for at, _ in self._pending]
            self._pending.clear()
        self._pending.append((t_s, y_C))
        if len(self._pending) < CONFIRM:
            return Step.PENDING
        step = Step.FELL if y_C < self.y_C else Step.ROSE
        self.restart(t_s, y_C)
        return step


#: A still reading is frozen when its odds fall below this.
INCREDIBLE = 1e-8
#: At least so long before anything is called frozen. [s]
STILL_LEAST_S = 20.0
#: Without a sign of life from the converter, standing still is unknown after this. [s]
STILL_UNKNOWN_S = 300.0
#: Repeats on a plateau from which a coarse probe's habit of repeating itself is known.
HABIT = 200.0
#: A node that speaks seldom has shown it in the same time, if not by fewer repeats than this. [s] Chosen.
HABIT_S, HABIT_LEAST = 200.0, 50.0
#: So many samples back, values count for a third in how widely a coarse probe's readings spread: a level drifts over a
#: step of 0.25 K in an hour at the soonest. [samples] Chosen.
SPREAD_MEMORY = 600.0
#: Fewer readings than this beyond a value are stray ones. Chosen.
FEW = 5.0
_NORMAL = NormalDist()


def _at_least(count: float) -> float:
    """What a count may be expected to be at the least, three standard deviations down (Wilson and Hilferty 1931)."""
    return float(count * (1.0 - 1.0 / (9.0 * count) - 1.0 / sqrt(count)) ** 3)


@dataclass(slots=True)
class StillWatch:
    """Follows how long a raw value has not moved, and whether that can be believed."""

    value: float | None = None
    since_s: float = 0.0
    count: int = 0
    chip_C: float | None = None
    chip_moved_s: float = -1e18
    #: In what steps the values move.
    steps: StepsSeen = field(default_factory=lambda: StepsSeen(inf))
    _same: float = 0.0
    _seen: float = 0.0
    _seen_s: float = 0.0
    #: How often a coarse probe showed each value of late, on this plateau.
    _shown: dict[float, float] = field(default_factory=dict)

    def take(self, t_s: float, raw_C: float, chip_C: float | None, noise: Noise, on_plateau: bool) -> str:
        """Returns "" while the reading can be believed, "frozen" or "still" (for 300 s, unproven)."""
        if chip_C is not None:
            if self.chip_C is not None and chip_C != self.chip_C:
                self.chip_moved_s = t_s
            self.chip_C = chip_C
        if self.value is None or raw_C != self.value:
            if on_plateau:
                # A run of ``count`` repeats has ended with a change.
                self._same += self.count
                self._seen += self.count + 1.0
                self._seen_s += t_s - self.since_s
                if noise.step_K > QUIET_STEP_K:
                    self._show(self.value, self.count + 1)
            elif self._shown:
                self._shown.clear()
            if self.steps.is_open and self.value is not None and self.steps.take(raw_C - self.value):
                noise.moves_in(self.steps.step_K)
            self.value, self.since_s, self.count = raw_C, t_s, 0
            return ""
        self.count += 1
        still_s = t_s - self.since_s
        if still_s < STILL_LEAST_S:
            return ""
        if self._odds(noise) < INCREDIBLE:
            return "frozen"
        # Only coarse steps can hide for so long that the water is alive.
        alive_s = self.chip_moved_s if noise.step_K > QUIET_STEP_K else self.since_s
        if still_s > STILL_UNKNOWN_S and t_s - alive_s > STILL_UNKNOWN_S:
            return "still"
        return ""

    def _show(self, value: float | None, count: int) -> None:
        """A coarse probe showed ``value`` so many times in a row."""
        if value is None:
            return
        fades = exp(-count / SPREAD_MEMORY)
        for each in self._shown:
            self._shown[each] *= fades
        self._shown[value] = self._shown.get(value, 0.0) + count

    def _moves(self, reach: float) -> float:
        """The share of samples that leave a value, where the level lies least favourably between two steps.

        Of a steady level with normal scatter the shares of readings below and above some value give the distances of
        its two edges, in standard deviations; half their sum is that of either edge from a level in the middle. Each
        share is taken as small as it may be; neighbours up to ``reach`` samples apart count as one.
        """
        total = sum(self._shown.values())
        below, moves = 0.0, 0.0
        for value in sorted(self._shown):
            above = total - below - self._shown[value]
            if min(below, above) >= FEW * reach:
                edges = [-_NORMAL.inv_cdf(_at_least(part / reach) * reach / total) for part in (below, above)]
                moves = max(moves, 2.0 * _NORMAL.cdf(-0.5 * sum(edges)))
            below += self._shown[value]
        return moves

    def _odds(self, noise: Noise) -> float:
        """How likely so many repeats are, by the scatter that this probe has shown in this run."""
        if not noise.is_learned:
            return 1.0
        is_coarse = noise.step_K > QUIET_STEP_K
        # Plumes on the way up are no measure of a boil: steps that they dither may swallow its scatter whole.
        if noise.step_K < noise.now.sd_K and not (is_coarse and noise.learned < HABIT):
            # The density of a normal change at zero, times the step, with room to spare.
            return float(min(0.6 * noise.step_K / noise.now.change_sd_K, 0.95) ** self.count)
        if self._seen < (HABIT_LEAST if self._seen_s >= HABIT_S else HABIT):
            return 1.0
        odds = 1.0
        if is_coarse:
            # Neighbouring readings are no independent ones.
            reach = max(noise.now.long_run_variance / noise.now.sd_K**2, 1.0)
            odds = float((1.0 - self._moves(reach)) ** (self.count / reach))
        if is_coarse and self.chip_moved_s > self.since_s:
            # How often a coarse probe repeats itself depends on where the level lies between two steps; a converter
            # whose chip temperature moves is not frozen because it repeats itself more often than before.
            return odds
        return min(odds, float(((self._same + 2.0) / (self._seen + 3.0)) ** self.count))
