"""Where a boil begins: the moment at which the rise has ended, dated on the late side.

Being above the floor is not enough: on the way up the last kelvin takes the better part of a minute and is
not a boil. A plateau is a window whose slope cannot be told from none; its beginning is the knee of "a
straight rise, then level", fitted by least squares, and the late side of its confidence interval is taken.

Figures below that name no source are ours: chosen, and tried on many runs of the kettle model.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from monitor.judge.noise import Noise
from monitor.judge.trace import Trace

#: Steepest slope that may still hide in a window called level. [K/s] Kettles come up at 0.7 to 2.6 K/min.
LEVEL_K_PER_S = 0.25 / 60.0
WINDOWS = (16, 22, 30, 40, 54, 72, 96, 128, 170, 226, 300)
SHORTEST_S = 15.0
#: How much of the rise before the level window is fitted. [s]
RISE_S = 75.0
#: Blocks of so many samples may not lie this many standard deviations under the highest of them.
SAG_BLOCK, SAG = 8, 2.6
#: So far above or below a plateau a block before it is no scatter of its own, of dozens. [standard deviations] Chosen.
PLAIN = 5.0
#: Width of the confidence interval of the knee, in misfit over scatter variance (about 2 sigma).
INTERVAL = 4.0


@dataclass(frozen=True, slots=True)
class Plateau:
    """A plateau found: its start, early and late (s), and the index of the first sample on it."""

    early_s: float
    late_s: float
    index: int


def find_plateau(trace: Trace, noise: Noise, spacing_s: float) -> Plateau | None:
    """The plateau that the end of the trace lies on, or None.

    The trace must hold only what came after the last interruption.
    """
    n = len(trace)
    for m in WINDOWS:
        if m > n:
            return None
        if m * spacing_s < SHORTEST_S:
            continue
        slope = trace.slope(n - m, n)
        if abs(slope) > 2.0 * LEVEL_K_PER_S:
            # Longer windows reach further down the rise: none of them can be level.
            if slope > 0.0 and m * spacing_s > 60.0:
                return None
            continue
        if abs(slope) + 2.0 * noise.now.slope_sd(m, spacing_s) > LEVEL_K_PER_S:
            continue
        if noise.now.is_quiet and m * spacing_s < noise.step_K / LEVEL_K_PER_S:
            continue
        if _is_bent(trace, noise, m):
            continue
        return _dated(trace, noise, m)
    return None


def _is_bent(trace: Trace, noise: Noise, m: int) -> bool:
    """Whether the window sags or bulges: the bottom of a dip has no slope either, and is no plateau."""
    n, third = len(trace), m // 3
    outer = 0.5 * (trace.mean(n - m, n - m + third) + trace.mean(n - third, n))
    bend = trace.mean(n - m + third, n - third) - outer
    return abs(bend) > 2.5 * sqrt(1.5 * noise.now.mean_variance(third))


def _dated(trace: Trace, noise: Noise, m: int) -> Plateau:
    n = len(trace)
    first = trace.index_at(trace.t[n - m] - RISE_S)
    last = n - max(m // 3, 4)
    misfits = [(trace.hinge_misfit(first, k, n), k) for k in range(first, last)]
    (least, rise), _ = min(misfits)
    limit = least + INTERVAL * noise.now.long_run_variance
    near = [k for (misfit, _), k in misfits if misfit <= limit]
    early, late = min(near), max(near)
    late_s = trace.t[late]
    if noise.now.is_quiet and rise > 0.0:
        # The reading shows its last step while the water may still rise by a step's height.
        late_s = min(late_s + noise.step_K / rise, trace.t[n - 1])
    index = _after_last_sag(trace, noise, min(trace.index_at(late_s), n - 1))
    return Plateau(early_s=trace.t[early], late_s=trace.t[index], index=index)


def _after_last_sag(trace: Trace, noise: Noise, index: int) -> int:
    """The first sample from which on nothing sags below the highest that the plateau has shown.

    A plateau is found only after it has lasted a while; a dip in that while would otherwise lie inside it.
    """
    n = len(trace)
    blocks = [(i, i + SAG_BLOCK) for i in range(index, n - SAG_BLOCK + 1, SAG_BLOCK // 2)]
    if not blocks:
        return index
    # However correlated, a mean scatters no more than one reading does.
    limit = SAG * sqrt(1.5 * min(noise.now.mean_variance(SAG_BLOCK), noise.now.sd_K**2))
    if noise.now.is_coarse:
        limit = min(limit, 0.9 * noise.step_K)
    means = [trace.mean(i, j) for i, j in blocks]
    sagging = [j for (_, j), mean in zip(blocks, means, strict=True) if mean < max(means) - limit]
    return min(max(sagging, default=index), n - 1)


def turned_s(trace: Trace, noise: Noise, index: int) -> float:
    """When the readings before a plateau, which begins at ``index``, last went down for sure. [s]

    Until then no rise ended. It is where they stood plainly above the plateau, or lowest, plainly below it; without
    either the first reading.
    """
    blocks = [(i, trace.mean(i, i + SAG_BLOCK)) for i in range(0, index - SAG_BLOCK + 1, SAG_BLOCK // 2)]
    level_C = trace.mean(index, min(index + 4 * SAG_BLOCK, len(trace)))
    plain_K = PLAIN * sqrt(2.0 * noise.now.mean_variance(SAG_BLOCK))
    turned = max((i for i, mean_C in blocks if mean_C > level_C + plain_K), default=0)
    low, low_C = min(blocks, key=lambda block: block[1], default=(0, level_C))
    if low_C < level_C - plain_K:
        turned = max(turned, low)
    return trace.t[turned]
