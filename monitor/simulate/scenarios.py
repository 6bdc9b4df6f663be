"""The families of the scenario suite, by name, and how often each is drawn.

Every run follows from its family and seed alone.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from monitor.simulate import holds, late_rows, limits, losses, pressures, troubles, wandering, watched
from monitor.simulate.labelled import Labelled

Tell = Callable[[np.random.Generator, int], Labelled]


@dataclass(frozen=True, slots=True)
class Family:
    """A kind of run. ``share`` is its weight among the families of its side."""

    name: str
    tell: Tell
    #: "held", "lost" or "reported".
    side: str
    share: float = 1.0


def _families() -> dict[str, Family]:
    sides: dict[str, dict[Tell, float]] = {
        "held": {
            holds.plain_hold: 4,
            holds.unmarked_hold: 1,
            holds.storm_hold: 1,
            holds.typed_pressure_hold: 1,
            holds.coarse_hold: 1,
            holds.noisy_hold: 1,
            holds.slow_sampling_hold: 1,
            holds.cycling_hold: 1,
            holds.lossy_hold: 1,
            holds.shuffled_hold: 0.5,
            holds.spiky_hold: 1,
            holds.early_restart_hold: 1,
            holds.dip_then_whole_hold: 1,
            holds.jars_into_boiling_water: 1,
            holds.seen_too_early_hold: 1,
            late_rows.resent_block_hold: 0.5,
            late_rows.gap_then_whole_hold: 1,
            late_rows.early_clock_step_hold: 0.5,
            wandering.wandering_boil: 1,
            watched.second_probe_hold: 1,
            watched.second_probe_high_hold: 0.5,
            watched.watched_cycling_hold: 0.5,
        },
        "lost": {
            losses.dip: 5,
            losses.two_dips: 1,
            losses.lid_off_dip: 1,
            losses.slow_fall: 2,
            losses.cold_water_added: 1,
            losses.cycling_loss: 1,
            losses.simmer_unmarked: 2,
            losses.simmer_marked: 2,
            losses.boil_then_simmer: 1,
            losses.short_by_seconds: 3,
            losses.short_and_marked_late: 2,
            losses.jars_in_too_late: 1,
            losses.never_warm: 0.3,
            troubles.gap_hides_dip: 1,
            troubles.restart_hides_dip: 1,
            troubles.short_gap_hides_dip: 1,
            troubles.unread_loss: 1,
            troubles.silent_in_hold: 1,
            troubles.frozen_in_boil: 1,
            troubles.frozen_coarse: 1,
            troubles.probe_fault_in_hold: 1,
            troubles.out_of_water: 1,
            troubles.clock_steps_forward: 1,
            troubles.clock_steps_back: 1,
            troubles.conflicting_rows: 0.5,
            pressures.sea_level_barometer: 0.5,
            pressures.low_barometer: 0.5,
            pressures.wrong_altitude: 0.5,
            pressures.altitude_only_simmer: 0.5,
            troubles.no_jars_in: 0.3,
            troubles.record_begins_at_boil: 0.3,
            troubles.flat_record: 0.3,
            troubles.boil_not_seen: 0.3,
            losses.noisy_dip: 1,
            losses.slow_sampling_dip: 1,
            losses.storm_simmer: 0.5,
            wandering.wandering_simmer: 2,
            wandering.fading_heat: 1,
            watched.watched_power_cut: 1,
            watched.second_probe_sees_simmer: 0.5,
            late_rows.resent_dip: 0.5,
            late_rows.shuffled_short: 0.5,
            late_rows.same_boot_again: 0.3,
            late_rows.creeping_clock: 0.5,
            pressures.sea_level_typed: 0.5,
            troubles.no_marks_at_all: 0.3,
        },
        "reported": {
            holds.enough_by_seconds: 1,
            pressures.simmer_beyond_stated: 1,
            limits.simmer_at_the_limit: 1,
            limits.boil_at_the_limit: 1,
            limits.boil_beyond_stated: 1,
            limits.wrong_altitude_alone: 1,
            watched.second_probe_low: 1,
        },
    }
    return {
        tell.__name__: Family(tell.__name__, tell, side, share)
        for side, tells in sides.items()
        for tell, share in tells.items()
    }


FAMILIES: dict[str, Family] = _families()


def tell(family: str, seed: int) -> Labelled:
    """The run of a family and seed; the same on any machine."""
    rng = np.random.default_rng((zlib.crc32(family.encode()), seed))
    return FAMILIES[family].tell(rng, seed)


def draw(side: str, count: int, seed: int) -> list[tuple[str, int]]:
    """``count`` pairs (family, seed) of a side, each family in its share."""
    chosen = [family for family in FAMILIES.values() if family.side == side]
    total = sum(family.share for family in chosen)
    pairs: list[tuple[str, int]] = []
    for family in chosen:
        share = max(1, round(count * family.share / total))
        pairs.extend(family_pairs([family.name], share, seed))
    return pairs


def family_pairs(families: Sequence[str], count: int, seed: int) -> list[tuple[str, int]]:
    """The first ``count`` runs of each family under the suite's ``seed``."""
    return [(family, seed * 1_000_000 + number) for family in families for number in range(count)]
