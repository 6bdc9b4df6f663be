"""Jars that cool on a towel in still air: a film outside, a slow core inside.

Figures. Film: natural convection (Churchill and Chu's vertical plate) plus radiation at emissivity 0.92:
14 W/(m² K) at 90 °C, 12.7 at 70, 11 at 50, 9.7 at 35 and 8.5 near the room, computed for a 22 °C room. The
core's coupling is chosen so that the whole jar's cooling shows two time constants, as measured cooling of
hot water does; solid packs are slower still.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.simulate.kettle import JAR_J_PER_K
from monitor.simulate.truth import Floats

_FILM = ((25.0, 35.0, 50.0, 70.0, 90.0), (8.5, 9.7, 11.0, 12.7, 14.0))

#: Outside of one jar that gives heat to the air; the base on its towel gives next to none. [m²]
#: From the usual outer sizes of such jars, rounded (from memory).
JAR_AREA_M2 = {"half_pint": 0.026, "pint": 0.040, "quart": 0.062}

#: Share of the jar's heat that sits in glass and outer contents, and the core's coupling to it. [W/K] Chosen, as above.
OUTER_SHARE = 0.35
CORE_W_PER_K = {"half_pint": 1.6, "pint": 2.4, "quart": 3.6}

STEP_S = 5.0


def film_W_per_m2_K(surface_C: float) -> float:
    """Film of a jar at ``surface_C`` in a room near 22 °C. [W/(m² K)]"""
    return float(np.interp(surface_C, _FILM[0], _FILM[1]))


def cool_in_air(
    jar: str,
    start_C: float,
    room_C: Sequence[float],
    *,
    crowd: float = 1.0,
    core_W_per_K: float | None = None,
) -> Floats:
    """Mean contents temperature of a jar lifted at ``start_C``, each `STEP_S`.

    Parameters
    ----------
    jar : str
        "half_pint", "pint" or "quart".
    start_C : float
        Contents when lifted. [°C]
    room_C : sequence of float
        Room temperature each `STEP_S`; its length sets how long. [°C]
    crowd : float
        Share of the film that is left between close neighbours, 0.8 to 1.

    Returns
    -------
    numpy.ndarray
        Same length as ``room_C``. [°C]
    """
    heat = JAR_J_PER_K[jar]
    outer_J, core_J = OUTER_SHARE * heat, (1.0 - OUTER_SHARE) * heat
    coupling = CORE_W_PER_K[jar] if core_W_per_K is None else core_W_per_K
    area = JAR_AREA_M2[jar] * crowd
    outer_C = core_C = start_C
    out = []
    for room in room_C:
        out.append(OUTER_SHARE * outer_C + (1.0 - OUTER_SHARE) * core_C)
        inward = coupling * (core_C - outer_C)
        outward = area * film_W_per_m2_K(outer_C) * (outer_C - room)
        outer_C += (inward - outward) * STEP_S / outer_J
        core_C -= inward * STEP_S / core_J
    return np.array(out)
