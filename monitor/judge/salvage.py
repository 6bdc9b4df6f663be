"""The two salvage clocks, read off a verdict's stretches. Pure; times in s since the run's start.

Two hours for jars whose process failed (University of Nebraska Extension, the stricter of two published
limits), 24 hours for a jar that was processed and did not seal (USDA Complete Guide to Home Canning).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.judge.verdict import BOILING, Stretch

#: The two limits named above. [s]
FAILED_PROCESS_WINDOW_S = 2 * 3600.0
UNSEALED_WINDOW_S = 24 * 3600.0
#: Times this close are the same: tenths of a second are no binary fractions. [s]
SAME_S = 1e-6
#: Seals are judged from 12 h after lifting (USDA, cooling jars).
SEAL_CHECK_AFTER_S = 12 * 3600.0


@dataclass(frozen=True, slots=True)
class FailedClock:
    """The 2 h clock. ``pauses`` are the restarted holds, in which it stood still."""

    start_s: float
    pauses: tuple[tuple[float, float], ...]
    deadline_s: float

    @property
    def is_boiled_too_late(self) -> bool:
        """Whether the newest boil began after the window had closed."""
        return bool(self.pauses) and self.pauses[-1][0] >= self.deadline_s


def failed_process_clock(stretches: Sequence[Stretch], jars_in_s: float) -> FailedClock:
    """The 2 h clock of a run in which no full hold was proven.

    It starts where the boil was first lost (from ``jars_in_s`` if it never boiled) and stands still while the
    water boils again: a restarted hold keeps the food hot. Unknown time never pauses it.
    """
    boils = [(max(start_s, jars_in_s), end_s) for start_s, end_s in _boils(stretches) if end_s > jars_in_s]
    if not boils:
        return FailedClock(jars_in_s, (), jars_in_s + FAILED_PROCESS_WINDOW_S)
    start_s = boils[0][1]
    pauses = tuple(boils[1:])
    deadline_s = start_s + FAILED_PROCESS_WINDOW_S
    for from_s, to_s in pauses:
        # A boil after the window has closed brings nothing back.
        if from_s >= deadline_s:
            break
        deadline_s += to_s - from_s
    return FailedClock(start_s, pauses, deadline_s)


def lost_boil_clock(stretches: Sequence[Stretch], jars_in_s: float) -> FailedClock | None:
    """The same of a hold that is still open: None where no boil with the jars in was proven, so that none was lost."""
    boiled = any(end_s > jars_in_s for _, end_s in _boils(stretches))
    return failed_process_clock(stretches, jars_in_s) if boiled else None


def _boils(stretches: Sequence[Stretch]) -> list[tuple[float, float]]:
    """Start and end of each boil, in order; stretches that boil and touch are one. [s]"""
    boils: list[tuple[float, float]] = []
    for stretch in sorted(stretches, key=lambda each: each.start_s):
        if stretch.state != BOILING or stretch.end_s <= stretch.start_s:
            continue
        touches = bool(boils) and stretch.start_s <= boils[-1][1] + SAME_S
        boils.append((boils.pop()[0] if touches else stretch.start_s, stretch.end_s))
    return boils


def hold_end_s(stretches: Sequence[Stretch], required_s: float, *cuts_s: float | None) -> float | None:
    """End of the boil that held for the required time; None where none did.

    ``cuts_s``: heat off, lifting. Water boils on on a hot ring, and without its jars: neither makes the hold longer.
    """
    ends = [end_s for start_s, end_s in _boils(stretches) if end_s - start_s >= required_s - SAME_S]
    return min([max(ends), *(cut_s for cut_s in cuts_s if cut_s is not None)]) if ends else None
