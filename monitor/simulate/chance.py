"""What the families draw alike."""

from __future__ import annotations

import numpy as np


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Log-uniform: as many short as long ones."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def new_boot(rng: np.random.Generator) -> int:
    """A node's number for a start, 32 bits."""
    return int(rng.integers(1, 2**32))


def broken_hold(rng: np.random.Generator, required_s: float) -> tuple[float, float]:
    """Lengths of the boil before and after a loss, each too short, together mostly long enough. [s]"""
    before = float(rng.uniform(0.25, 0.97)) * required_s
    after = float(rng.uniform(max(0.1, 1.05 - before / required_s), 0.97)) * required_s
    return before, after
