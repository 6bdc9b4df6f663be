"""A level that wanders: the minutes of one plateau compared with its best ones.

A sag (:mod:`monitor.judge.sag`) is told by what lies on both sides of it. Where the heat drifts, boil and simmer
follow each other for minutes and no side is left to compare with: taken by itself each turn looks like scatter.
Together they show. Of a boil the means of a minute differ by what the scatter from one reading to the next leads
to expect (chi-square of means of blocks, as in an analysis of variance), and hardly by more than its liveliness,
the plumes of steam about the probe, which a cook may turn down and up.

Figures below that name no source are ours: chosen, and tried on many runs of the kettle model.
"""

from __future__ import annotations

from itertools import pairwise
from math import sqrt

from monitor.judge.noise import Noise
from monitor.judge.sag import Sag
from monitor.judge.trace import Trace

#: Lengths of the blocks, the shorter for turns that fit into the longer, and how much they must tell (below). [s]
BLOCKS = ((60.0, 8.0), (35.0, 50.0))
#: So many readings make one, so many blocks an answer.
SAMPLES_LEAST = 12
BLOCKS_LEAST = 5
#: The best blocks, a quarter of all, and the lowest one must differ by at least this. [K]
LEAST_K = 0.1
#: At this difference the blocks must differ more than the scatter explains by as many standard deviations of
#: chi-square as stand with their length; by fewer, in proportion to the square, where it is larger. By Monte Carlo:
#: about one true hold in 3,000 passes them.
LIVELY_K = 0.12
#: Never less than this, however much they differ: rough scatter alone does as much now and then.
EXCESS_LEAST = 4.5
#: Bends over few readings show so much too little of what a minute's mean scatters by. By Monte Carlo.
SHORT_SIGHT = 1.2
#: A coarse step may turn a hundredth of a kelvin of drift into a whole step: only beyond so many steps is it a
#: difference.
BEYOND_STEP = 1.1
#: Or from such a share of a step on where the level came back so many times, as no drift does, and the blocks differ
#: by so much more than the scatter explains. The last where less is enough.
RETURNS = ((0.6, 3, 0.0), (0.4, 2, 12.0))
PERHAPS = (0.45, 1, 0.0)


def find_wander(
    trace: Trace, noise: Noise, start: int, n: int, spacing_s: float, share: float = 1.0
) -> Sag | None:
    """From the first low block to the last within samples [start, n) of a plateau, or None where it is level.

    ``share`` of the usual evidence is enough.
    """
    for block_s, least in BLOCKS:
        size = max(round(block_s / spacing_s), SAMPLES_LEAST)
        # Where less is enough, neither may it depend on where the blocks happen to begin.
        for end in (n, n - size // 2) if share < 1.0 else (n,):
            found = _wander(trace, noise, start, end, size, least, share)
            if found is not None:
                return found
    return None


def _wander(
    trace: Trace, noise: Noise, start: int, n: int, size: int, least: float, share: float
) -> Sag | None:
    blocks = [(j - size, j, trace.mean(j - size, j)) for j in range(n, start + size - 1, -size)]
    if len(blocks) < BLOCKS_LEAST:
        return None
    levels = sorted(level for *_, level in blocks)
    best = levels[-max(len(levels) // 4, 1) :]
    best_C = sum(best) / len(best)
    differ_K = best_C - levels[0]
    if differ_K < LEAST_K:
        return None
    scatter = noise.short(trace, start, n)
    freedom = len(levels) - 1
    mean_C = sum(levels) / len(levels)
    chi2 = sum((level - mean_C) ** 2 for level in levels) / (SHORT_SIGHT * scatter.mean_variance(size))
    excess = (chi2 - freedom) / sqrt(2.0 * freedom)
    if excess < share * max(least * (LIVELY_K / differ_K) ** 2, EXCESS_LEAST):
        return None
    if scatter.is_coarse and differ_K < BEYOND_STEP * noise.step_K:
        turns = [level < best_C - 0.5 * differ_K for _, _, level in blocks]
        returns = sum(low > up for low, up in pairwise(turns))
        rules = RETURNS if share >= 1.0 else (*RETURNS, PERHAPS)
        if not any(_returns_as(rule, differ_K / noise.step_K, returns, excess) for rule in rules):
            return None
    low = [(i, j) for i, j, level in blocks if level < best_C - 0.5 * LIVELY_K]
    # A block that is low in part only may hide in its neighbours' means.
    early = max(min(i for i, _ in low) - size // 2, start)
    late = min(max(j for _, j in low) + size // 2, n - 1)
    return Sag(trace.t[early], trace.t[late], differ_K, excess)


def _returns_as(rule: tuple[float, int, float], steps: float, returns: int, excess: float) -> bool:
    """Whether a difference of so many steps came back often and plainly enough."""
    least_steps, least_returns, least_excess = rule
    return steps >= least_steps and returns >= least_returns and excess >= least_excess
