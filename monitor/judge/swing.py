"""A level that swings: minutes up and minutes down, as a drifting heat or a thermostat makes it.

Taken one by one such turns may be too short and too shallow to tell (:mod:`monitor.judge.sag`,
:mod:`monitor.judge.wander`); a sine through all of them tells them together. For each period the best sine is fitted
to means of some readings, level and drift removed, and its gain weighed against what the scatter from one reading to
the next leads to expect: a generalised Lomb-Scargle periodogram (Zechmeister and Kürster 2009, Astronomy and
Astrophysics 496, 577), whose gain is chi-square with two degrees of freedom where nothing swings.

Figures below that name no source are ours: chosen, and tried on many runs of the kettle model.
"""

from __future__ import annotations

from math import cos, hypot, pi, sin

from monitor.judge.noise import Noise
from monitor.judge.sag import Sag
from monitor.judge.trace import Trace

#: Length of the blocks whose means are fitted. [s] A block holds at least so many readings.
BLOCK_S, SAMPLES_LEAST = 20.0, 8
#: So many blocks make an answer.
BLOCKS_LEAST = 15
#: Periods tried: from, each longer by this factor, to this share of the time looked at. [s]
SHORTEST_S, FINER, LONGEST_SHARE = 90.0, 1.08, 0.7
#: A swing smaller than this from top to bottom is the boil's own liveliness: steam plumes about the probe come and go
#: with the heat. [K]
LEAST_K = 0.075
#: At this swing the gain must be so large; in proportion to its square less, where the swing is larger. By Monte Carlo:
#: of 1,500 true holds none, of 250 with a heat that drifts over a boil never lost hardly one.
LIVELY_K, GAIN = 0.12, 60.0
#: Never less than this: one in a million by chance.
GAIN_LEAST = 40.0


def find_swing(
    trace: Trace, noise: Noise, start: int, n: int, spacing_s: float, share: float = 1.0
) -> Sag | None:
    """From the first low turn to the last within samples [start, n) of a plateau, or None where nothing swings.

    ``share`` of the usual evidence is enough.
    """
    size = max(round(BLOCK_S / spacing_s), SAMPLES_LEAST)
    ends = range(n, start + size - 1, -size)
    if len(ends) < BLOCKS_LEAST:
        return None
    times = [0.5 * (trace.t[j - size] + trace.t[j - 1]) for j in ends]
    span_s = times[0] - times[-1]
    levels = _without_drift(times, [trace.mean(j - size, j) for j in ends])
    variance = noise.short(trace, start, n).mean_variance(size)
    best = (0.0, 0.0, 0.0, 0.0)
    period_s = SHORTEST_S
    while period_s <= LONGEST_SHARE * span_s:
        best = max(best, (*_fitted(times, levels, 2.0 * pi / period_s, variance), period_s))
        period_s *= FINER
    gain, a, b, period_s = best
    swing_K = 2.0 * hypot(a, b)
    if swing_K < LEAST_K or gain < share * max(GAIN * (LIVELY_K / swing_K) ** 2, GAIN_LEAST):
        return None
    omega = 2.0 * pi / period_s
    low = [t for t in times if a * cos(omega * t) + b * sin(omega * t) < 0.0]
    early, late = trace.index_at(min(low) - 0.5 * BLOCK_S), trace.index_at(max(low) + 0.5 * BLOCK_S)
    return Sag(trace.t[max(early, start)], trace.t[min(late, n - 1)], swing_K, gain)


def _without_drift(times: list[float], levels: list[float]) -> list[float]:
    """The levels less their mean and their straight line."""
    count = len(times)
    middle_s, middle_C = sum(times) / count, sum(levels) / count
    slope = sum((t - middle_s) * (y - middle_C) for t, y in zip(times, levels, strict=True))
    slope /= sum((t - middle_s) ** 2 for t in times)
    return [y - middle_C - slope * (t - middle_s) for t, y in zip(times, levels, strict=True)]


def _fitted(
    times: list[float], levels: list[float], omega: float, variance: float
) -> tuple[float, float, float]:
    """(gain in chi-square, a, b) of the best a cos ωt + b sin ωt, with a level of its own. a and b in K."""
    count = len(times)
    cosines, sines = [cos(omega * t) for t in times], [sin(omega * t) for t in times]
    c, s = sum(cosines) / count, sum(sines) / count
    cc = sum(x * x for x in cosines) - count * c * c
    ss = sum(x * x for x in sines) - count * s * s
    cs = sum(x * y for x, y in zip(cosines, sines, strict=True)) - count * c * s
    # The levels' own mean is zero.
    yc = sum(x * y for x, y in zip(cosines, levels, strict=True))
    ys = sum(x * y for x, y in zip(sines, levels, strict=True))
    determinant = cc * ss - cs * cs
    if determinant <= 1e-9 * count * count:
        return 0.0, 0.0, 0.0
    a, b = (yc * ss - ys * cs) / determinant, (ys * cc - yc * cs) / determinant
    return (a * yc + b * ys) / variance, a, b
