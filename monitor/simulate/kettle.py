"""An energy balance of a boiling-water canner: water and pot, jars, ring, lid, steam.

The model is lumped: one temperature for the water with the pot, one for the jars, one for the heat that the
ring or plate still holds. `monitor.simulate.kettle_run` steps it once a second, which is short against every
time constant in it but the rounding of the knee in the smallest kettle, where the clamp at the boiling point
takes over.

* Water heats by what the ring delivers, less what walls and lid lose, less what flows into colder jars.
* It cannot pass the boiling point of the moment. What is left over there leaves as steam. In the last
  tenths of a kelvin a growing part of the heat already does, so that the knee is rounded.
* When less heat comes in than is lost, no steam is made and the water falls away from the boiling point.

Figures. Losses with the lid on: 11 W/(m² K) over walls and lid, an estimate from natural convection plus
radiation. Open water: the rough engineering figure of 11.4 kW/m² at 99 °C and 9.5 kW/m² at 93 °C in still air
(heat loss from open tanks, common engineering tables), taken in proportion to the vapour pressure. Jars: food
4.0 kJ/(kg K), glass 0.84 kJ/(kg K); film around the jars 58 W/K for seven quarts, an estimate. Steel
0.50 kJ/(kg K), water 4.19 kJ/(kg K) and 2.26 MJ/kg to evaporate (handbook values, from memory). A ring that
goes on giving heat for 45 s is an assumption.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

WATER_J_PER_KG_K = 4190.0
STEEL_J_PER_KG_K = 500.0
STEAM_J_PER_KG = 2.26e6

#: Heat capacity of one filled jar [J/K], film around it [W/K], the volume it takes from the water [L]: computed with
#: the figures above from the usual sizes of such jars (from memory).
JAR_J_PER_K = {"half_pint": 1100.0, "pint": 2140.0, "quart": 4000.0}
JAR_FILM_W_PER_K = {"half_pint": 3.6, "pint": 5.6, "quart": 8.3}
JAR_VOLUME_L = {"half_pint": 0.40, "pint": 0.77, "quart": 1.19}

#: Heat an open water surface loses, per kPa of its vapour pressure. [W/(m² kPa)]
OPEN_WATER_W_PER_M2_KPA = 117.0

WALL_W_PER_M2_K = 11.0


@dataclass(frozen=True, slots=True)
class Kettle:
    """A canner on its ring, with the jars that will go in. SI units."""

    water_kg: float
    pot_kg: float
    wall_m2: float
    open_m2: float
    jars_J_per_K: float
    jars_film_W_per_K: float
    heater_W: float
    #: Time constant of the heat the ring still holds; 0 for gas and induction. [s]
    ring_s: float = 0.0
    #: Width of the rounded knee below the boiling point. [K]
    knee_K: float = 0.10
    room_C: float = 22.0

    @property
    def water_and_pot_J_per_K(self) -> float:
        return self.water_kg * WATER_J_PER_KG_K + self.pot_kg * STEEL_J_PER_KG_K

    def lid_on_loss_W(self, water_C: float) -> float:
        """What walls and lid lose. [W]"""
        return WALL_W_PER_M2_K * self.wall_m2 * (water_C - self.room_C)

    def lid_off_loss_W(self, water_C: float) -> float:
        """What walls and the open surface lose, lid off. [W]"""
        return 0.6 * self.lid_on_loss_W(water_C) + self.open_m2 * OPEN_WATER_W_PER_M2_KPA * vapour_kPa(
            water_C
        )


def vapour_kPa(water_C: float) -> float:
    """Vapour pressure of water by Tetens' form, good to 2 % from 20 to 100 °C. [kPa]"""
    return 0.61078 * math.exp(17.27 * water_C / (237.3 + water_C))


def canner(
    volume_L: float,
    jar: str = "pint",
    jars: int = 7,
    *,
    heater_W: float = 1800.0,
    ring_s: float = 0.0,
    room_C: float = 22.0,
    fill: float = 0.85,
    knee_K: float = 0.10,
) -> Kettle:
    """A canner of a given size with its jars, proportioned like a pot as wide as it is high.

    A 20 L canner comes out 33 cm wide with 0.32 m² of wall and lid and 2.5 kg of steel.
    """
    scale = volume_L / 20.0
    width_m = 0.33 * scale ** (1 / 3)
    water_kg = max(0.35 * volume_L, fill * volume_L - jars * JAR_VOLUME_L[jar]) * 0.965
    return Kettle(
        water_kg=water_kg,
        pot_kg=2.5 * scale ** (2 / 3),
        wall_m2=0.32 * scale ** (2 / 3),
        open_m2=math.pi / 4 * width_m**2,
        jars_J_per_K=jars * JAR_J_PER_K[jar],
        jars_film_W_per_K=jars * JAR_FILM_W_PER_K[jar],
        heater_W=heater_W,
        ring_s=ring_s,
        room_C=room_C,
        knee_K=knee_K,
    )
