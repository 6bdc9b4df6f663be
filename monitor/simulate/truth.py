"""What really happened in a kettle, and what counts as a true boil.

This is decided here and nowhere else: it boils while steam is made and the water is within `NEAR_K` of its
boiling point. A pause in which the water never falls deeper than `bridge_K` is bridged; a deeper one
ends the boil at the moment the steam stopped, not where the depth was reached. Published rules say "if the
water stops boiling" and name no depth; a pause of a few hundredths of a kelvin is bubbles that falter, no
more, and two depths bracket it: `FALTER_K` for what was surely lost, `UNSEEN_K` for what was surely not. The
depths are ours: no measurement of the temperature at which a visible boil stops was found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: The grid of the truth. [s]
STEP_S = 1.0

#: How near its boiling point the water must be for steam at the surface to count as a boil. [K]
NEAR_K = 0.05

#: A pause deeper than this is a boil lost. [K]
FALTER_K = 0.05

#: A pause shallower than this is none at all. [K]
UNSEEN_K = 0.02


@dataclass(frozen=True, slots=True)
class TrueStretch:
    """A stretch of true boil, from the first second of steam to the last. [s]

    ``deepest_K`` is the deepest pause that was bridged within it.
    """

    start_s: float
    end_s: float
    deepest_K: float = 0.0

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened, one value a second from ``t_s[0] = 0``; arrays of one length.

    ``jars_s`` and ``heat_off_s`` bound the time in which a boil counts: jars in, and the ring not yet
    turned off by the person. They are the true times, whatever the marks say.
    """

    t_s: Floats
    bulk_C: Floats
    boil_C: Floats
    steam_W: Floats
    jars_C: Floats
    ring_W: Floats
    command_W: Floats
    pressure_kPa: Floats
    room_C: float
    jars_s: float | None = None
    heat_off_s: float | None = None
    #: When the mains were away, from and to. [s]
    outages: tuple[tuple[float, float], ...] = ()
    #: Energy put in, lost, steamed off, and stored since the start; what was poured is left out. [J]
    energy_in_J: float = 0.0
    energy_lost_J: float = 0.0
    energy_steam_J: float = 0.0
    energy_stored_J: float = 0.0

    @property
    def true_boil(self) -> npt.NDArray[np.bool_]:
        """Second by second: steam is made and the water is at its boiling point."""
        return np.asarray((self.steam_W > 0.0) & (self.boil_C - self.bulk_C <= NEAR_K), dtype=np.bool_)

    @property
    def deficit_K(self) -> Floats:
        """How far the water is below its boiling point. [K]"""
        return self.boil_C - self.bulk_C

    def stretches(self, bridge_K: float = FALTER_K) -> list[TrueStretch]:
        """True boil while the jars were in and the heat was on, pauses up to ``bridge_K`` bridged."""
        return true_stretches(self, bridge_K)

    def longest_s(self, bridge_K: float = FALTER_K) -> float:
        """Length of the longest true stretch, 0 without one. [s]"""
        return max((stretch.length_s for stretch in self.stretches(bridge_K)), default=0.0)


def true_stretches(truth: Truth, bridge_K: float = FALTER_K) -> list[TrueStretch]:
    """The rule of what a true boil is; see the head of this module."""
    if truth.jars_s is None:
        return []
    end_s = truth.heat_off_s if truth.heat_off_s is not None else float(truth.t_s[-1]) + STEP_S
    inside = (truth.t_s >= truth.jars_s) & (truth.t_s < end_s)
    boil = truth.true_boil & inside
    edges = np.flatnonzero(np.diff(np.concatenate(([0], boil.astype(np.int8), [0]))))
    deficit = truth.deficit_K
    found: list[TrueStretch] = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        start_s, stop_s = float(truth.t_s[first]), float(truth.t_s[last - 1]) + STEP_S
        if found:
            before = round(found[-1].end_s / STEP_S)
            depth_K = float(deficit[before:first].max()) if first > before else 0.0
            if depth_K <= bridge_K:
                deepest = max(found[-1].deepest_K, depth_K)
                found[-1] = replace(found[-1], end_s=stop_s, deepest_K=deepest)
                continue
        found.append(TrueStretch(start_s, stop_s))
    return found
