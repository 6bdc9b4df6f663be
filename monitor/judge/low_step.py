"""Coarse steps: a value below those of the boil shows up for a while, and one above them is gone meanwhile.

A probe whose steps are larger than its scatter shows two neighbouring values of a level boil, now the one, now the
other. Means of them follow the water badly: it may fall by most of a step and move the mean by a fraction of one.
But a value that the boil never shows beside its own highest one says at once that the level was another.

Figures below that name no source are ours: chosen, and tried on many runs of the kettle model.
"""

from __future__ import annotations

from itertools import pairwise

from monitor.judge.noise import Noise
from monitor.judge.sag import Sag
from monitor.judge.trace import Trace

#: Length of a block. [s] It holds at least so many readings.
BLOCK_S, SAMPLES_LEAST = 30.0, 10
#: Share of a block's readings above the middle value from which on the block is up; readings below it from which on
#: it is down, and at most so many above it then. A group of blocks that are down has so many below. These and the
#: next two by Monte Carlo on the kettle model's coarse probes.
UP_SHARE, DOWN_LEAST, DOWN_ABOVE, GROUP_LEAST = 0.1, 2, 1, 3
#: Where readings go on being low for this many and more on end, a boil's own agitation shows so many times as many low
#: ones in one breath [samples]: that is the least of a group then. By Monte Carlo.
AGITATED, AGITATED_LEAST = 5.0, 1.3
#: At most this share of the blocks that are up may show the low value too: else it is the boil's own.
MIXED_SHARE = 0.05
#: Fewer blocks that are up tell nothing of the boil.
UP_BLOCKS_LEAST = 6


def find_low_step(trace: Trace, noise: Noise, start: int, n: int, spacing_s: float) -> Sag | None:
    """From the first to the last time that a plateau's samples [start, n) were a step down and came back, or None."""
    if not noise.now.is_coarse:
        return None
    size = max(round(BLOCK_S / spacing_s), SAMPLES_LEAST)
    # Counted from a reading, not from zero: an offset may lie half a step off.
    zero_C = trace.y[start]
    steps = [round((y - zero_C) / noise.step_K) for y in trace.y[start:n]]
    blocks = [steps[i : i + size] for i in range(0, len(steps) - size + 1, size)]
    reach = noise.now.long_run_variance / noise.now.sd_K**2
    least = GROUP_LEAST if reach < AGITATED else AGITATED_LEAST * reach
    for middle in sorted(set(steps))[1:-1]:
        found = _down(blocks, middle, least)
        if found is not None:
            first, last = start + found[0] * size, min(start + found[1] * size, n - 1)
            return Sag(trace.t[first], trace.t[last], noise.step_K, 0.0)
    return None


def _down(blocks: list[list[int]], middle: int, least: float) -> tuple[int, int] | None:
    """(first, past the last) block of what lay below ``middle`` between blocks that were up, or None.

    ``least``: so many readings below make a group.
    """
    above = [sum(value > middle for value in block) for block in blocks]
    below = [sum(value < middle for value in block) for block in blocks]
    places = range(len(blocks))
    down = {place for place in places if below[place] >= DOWN_LEAST and above[place] <= DOWN_ABOVE}
    high = [place for place in places if above[place] >= UP_SHARE * len(blocks[place])]
    up = [place for place in high if not below[place]]
    # A block in which the water went down or came back shows both, and tells nothing of the boil.
    mixed = [place for place in high if below[place] and not {place - 1, place + 1} & down]
    if len(up) < UP_BLOCKS_LEAST or len(mixed) > MIXED_SHARE * len(high):
        return None
    found: list[int] = []
    for left, right in pairwise(up):
        if sum(below[place] for place in range(left + 1, right) if place in down) >= least:
            # The blocks beside it, up in part, may hold its beginning and its end.
            found += [left, right + 1]
    return (found[0], found[-1]) if found else None
