"""What could have happened while nobody looked.

Energy balance of canners of 8 to 33 L: without added water the fall is at most 4 to 5 K/min (lid off, cold
jars), and 3.5 kW into a small kettle heats it back at no more than 6 K/min. Computed with the figures of
:mod:`monitor.simulate.kettle` (water and pot 38 kJ/K, open water 11.4 kW/m² at 99 °C).
"""

from __future__ import annotations

COOLING_K_PER_S = 5.0 / 60.0
HEATING_K_PER_S = 6.0 / 60.0

#: A longer silence is unknown, whatever the readings on both sides. [s] Our rule; no standard gives one for a kitchen.
CEILING_S = 30.0
#: A rhythm slower than this hides dips that matter: each interval is then a gap to be bridged. [s] Chosen.
SPARSE_S = 3.5


def lowest_in_gap_C(
    before_C: float,
    after_C: float,
    gap_s: float,
    *,
    learned_cooling_K_per_s: float = 0.0,
    learned_heating_K_per_s: float = 0.0,
) -> float:
    """The lowest temperature the water could have had between two readings. [°C]

    It falls at once as fast as water can, then is heated back as fast as a stove can, to arrive at
    ``after_C`` in time. What this run has taught of its canner counts where it is steeper than that, never where it is
    milder: a lid may be lifted in a gap that never was before.
    """
    cooling = max(COOLING_K_PER_S, learned_cooling_K_per_s)
    heating = max(HEATING_K_PER_S, learned_heating_K_per_s)
    falling_s = min(max((before_C - after_C + heating * gap_s) / (cooling + heating), 0.0), gap_s)
    return min(before_C - cooling * falling_s, before_C, after_C)


def longest_bridgeable_s(clearance_K: float) -> float:
    """The longest gap at a boil that still proves itself, for a clearance above the guarded floor. [s]

    ``clearance_K`` is allowance minus expanded uncertainty; nothing can be bridged where it is not positive.
    """
    both = COOLING_K_PER_S * HEATING_K_PER_S / (COOLING_K_PER_S + HEATING_K_PER_S)
    return min(max(clearance_K, 0.0) / both, CEILING_S)
