"""Monte Carlo of the dip detector: false alarms an hour of boil, and the delay from the onset of a fall.

By hand, minutes to hours:

    python tests/benchmarks/dip_detector.py --hours 200 --falls 300
    python tests/benchmarks/dip_detector.py --hours 1000 --falls 1000 --jobs 2

Scatter, correlation, steps and level are all learned by the detector from the simulated plateau itself. The
reference delays (column "GLR") are those of a window-limited GLR that is *given* the scatter and the
correlation, its threshold set anew in each case for one false alarm in 1,000 h, the level learned over 300 s,
3,000 runs a cell: computed for this project (first-order theory: Lai 1995; Tartakovsky, Nikiforov and
Basseville 2014, ch. 8).
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from math import sqrt
from statistics import mean, median, quantiles

import numpy as np

from monitor.judge.dip import FallDetector
from monitor.judge.noise import Noise
from monitor.judge.trace import Trace

#: step K, sigma K, lag-1 correlation: reference delay in s at -0.3, -0.5 and -1.0 K/min.
CELLS = {
    (0.0078125, 0.02, 0.0): (11.1, 7.833, 4.967),
    (0.0078125, 0.05, 0.0): (20.26, 14.43, 9.078),
    (0.0078125, 0.10, 0.0): (32.35, 22.96, 14.41),
    (0.0078125, 0.25, 0.0): (60.78, 42.59, 26.74),
    (0.25, 0.02, 0.0): (32.38, 21.55, 13.11),
    (0.25, 0.05, 0.0): (34.66, 24.01, 14.68),
    (0.25, 0.10, 0.0): (37.58, 26.58, 16.68),
    (0.25, 0.25, 0.0): (62.13, 43.96, 27.37),
    (0.0078125, 0.05, 0.8187): (40.86, 28.98, 18.14),
    (0.0078125, 0.10, 0.8187): (66.62, 46.81, 29.25),
    (0.25, 0.10, 0.8187): (69.04, 48.63, 30.23),
}
SLOPES_K_PER_MIN = (0.3, 0.5, 1.0)


def scatter(rng: np.random.Generator, n: int, sigma: float, rho: float) -> np.ndarray:
    """Stationary first-order autoregressive noise."""
    white = rng.normal(0.0, sigma, n)
    if rho == 0.0:
        return white
    white *= sqrt(1.0 - rho * rho)
    white[0] /= sqrt(1.0 - rho * rho)
    from scipy.signal import lfilter

    return lfilter([1.0], [1.0, -rho], white)


class Plateau:
    """A detector on an endless plateau, as the engine runs it."""

    def __init__(self, step: float) -> None:
        self.noise = Noise(step)
        self.trace = Trace()
        self.detector = FallDetector(self.trace, self.noise, 0)

    def push(self, t: float, y: float) -> float:
        dropped = self.trace.append(t, y)
        if dropped:
            self.detector.start = max(self.detector.start - dropped, 0)
        if self.noise.learn_boil(self.trace, self.detector.start):
            self.detector.refit()
        return self.detector.look()


def false_alarms(args: tuple[tuple[float, float, float], int, float]) -> tuple[int, int]:
    """Alarms downward and upward in so many hours of boil, in holds of 40 min each."""
    (step, sigma, rho), seed, hours = args
    rng = np.random.default_rng(seed)
    down = up = 0
    for _ in range(int(hours * 60 / 40)):
        level = 98.0 + rng.uniform(0.0, step)
        noise = scatter(rng, 2400, sigma, rho)
        plateau = Plateau(step)
        for t, y in enumerate((np.round((level + noise) / step) * step).tolist()):
            look = plateau.push(float(t), y)
            if abs(look) >= 1.0:
                down += look < 0
                up += look > 0
                plateau.trace.clear()
                plateau.detector = FallDetector(plateau.trace, plateau.noise, 0)
    return down, up


def delays(args: tuple[tuple[float, float, float], float, int, int]) -> list[tuple[float, float, bool]]:
    """(delay, onset error, interval holds the truth) of falls after 10 min of boil."""
    (step, sigma, rho), slope, seed, falls = args
    rng = np.random.default_rng(seed)
    result = []
    for _ in range(falls):
        level = 98.0 + rng.uniform(0.0, step)
        onset = 600
        t = np.arange(1200)
        true = level - slope / 60.0 * np.maximum(t - onset, 0)
        y = np.round((true + scatter(rng, len(t), sigma, rho)) / step) * step
        plateau = Plateau(step)
        for at, value in enumerate(y.tolist()):
            look = plateau.push(float(at), value)
            if look <= -1.0:
                if at > onset:
                    fall = plateau.detector.locate()
                    held = fall.early_s <= onset <= fall.late_s
                    result.append((at - onset, fall.onset_s - onset, held))
                break
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=200.0, help="hours of boil a cell for false alarms")
    parser.add_argument("--falls", type=int, default=300)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    print(
        "step    sigma  rho     false/1000h  up/1000h   slope  delay  p95   GLR   ratio  onset err p90  in interval"
    )
    with ProcessPoolExecutor(args.jobs) as pool:
        cells = list(CELLS)
        alarms = pool.map(false_alarms, [(c, args.seed + i, args.hours) for i, c in enumerate(cells)])
        found = pool.map(
            delays,
            [(c, s, args.seed + 99 + i, args.falls) for i, c in enumerate(cells) for s in SLOPES_K_PER_MIN],
        )
        for cell, (down, up) in zip(cells, alarms, strict=True):
            for slope, reference in zip(SLOPES_K_PER_MIN, CELLS[cell], strict=True):
                rows = next(found)
                late = [delay for delay, _, _ in rows]
                errors = sorted(abs(error) for _, error, _ in rows)
                held = mean(hit for _, _, hit in rows)
                print(
                    f"{cell[0]:<7.4f} {cell[1]:<6} {cell[2]:<7} {down / args.hours * 1000:>8.1f} "
                    f"{up / args.hours * 1000:>10.1f} {slope:>8} {mean(late):>7.1f} "
                    f"{quantiles(late, n=20)[-1]:>5.0f} {reference:>6.1f} {mean(late) / reference:>6.2f} "
                    f"{median(errors):>6.1f} {errors[int(0.9 * len(errors))]:>5.1f} {held:>9.2f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
