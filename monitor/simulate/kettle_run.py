"""A canner in use, second by second: the energy balance of `monitor.simulate.kettle`, told as a story."""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Sequence
from itertools import repeat

import numpy as np

from monitor.simulate.kettle import (
    OPEN_WATER_W_PER_M2_KPA,
    STEAM_J_PER_KG,
    STEEL_J_PER_KG_K,
    WALL_W_PER_M2_K,
    WATER_J_PER_KG_K,
    Kettle,
)
from monitor.simulate.truth import NEAR_K, STEP_S, Floats, Truth


class KettleRun:
    """A canner in use, told as a story: advance, pour, put the jars in, take the lid off.

    Parameters
    ----------
    kettle : Kettle
    boil_C : sequence of float
        Boiling point second by second, as long as the longest story. [°C]
    pressure_kPa : sequence of float
        Station pressure on the same grid.
    water_C : float
        Temperature of water and pot at the start. [°C]
    """

    def __init__(
        self,
        kettle: Kettle,
        boil_C: Floats,
        pressure_kPa: Floats,
        water_C: float,
        *,
        lid_on: bool = True,
    ) -> None:
        self.kettle = kettle
        self.lid_on = lid_on
        self.water_C = water_C
        self.jars_C = water_C
        self.jars_s: float | None = None
        self.heat_off_s: float | None = None
        self._water_kg = kettle.water_kg
        self._boil = array("d", boil_C.tobytes())
        self._boil_C = boil_C
        self._pressure = pressure_kPa
        self._ring_W = 0.0
        self._outages: list[tuple[float, float]] = []
        self._bulk = array("d")
        self._steam = array("d")
        self._jars = array("d")
        self._ring = array("d")
        self._command = array("d")
        self._in_J = self._lost_J = self._steam_J = self._stored_J = 0.0

    @property
    def now_s(self) -> float:
        """Seconds since the start. [s]"""
        return len(self._bulk) * STEP_S

    @property
    def boil_C(self) -> float:
        """Boiling point of the moment. [°C]"""
        return self._boil[min(len(self._bulk), len(self._boil) - 1)]

    @property
    def boiling(self) -> bool:
        """Whether the water boiled in the last second."""
        if not self._steam or self._steam[-1] <= 0.0:
            return False
        return self._boil[len(self._bulk) - 1] - self._bulk[-1] <= NEAR_K

    def put_jars_in(self, jars_C: float, share: float = 1.0) -> None:
        """Jars at ``jars_C`` go in now; the dip of cold glass chills the water at once a little. [°C]"""
        self.jars_C = jars_C
        self.jars_s = self.now_s
        # A tenth of the jars' heat (wet glass, lids) is exchanged at once; the film takes the rest.
        jar_J_per_K = 0.1 * share * self.kettle.jars_J_per_K
        capacity = self._capacity_J_per_K()
        exchanged_J = jar_J_per_K * (self.water_C - jars_C)
        self.water_C -= exchanged_J / capacity
        self.jars_C += exchanged_J / self.kettle.jars_J_per_K

    def pour(self, water_kg: float, water_C: float) -> None:
        """Water is added and mixes within the second."""
        pot_J_per_K = self.kettle.pot_kg * STEEL_J_PER_KG_K
        before = self._water_kg * WATER_J_PER_KG_K + pot_J_per_K
        added = water_kg * WATER_J_PER_KG_K
        self.water_C = (before * self.water_C + added * water_C) / (before + added)
        self._water_kg += water_kg

    @property
    def needed_W(self) -> float:
        """What keeps the water as warm as it is, lid on: losses, and what flows into the jars. [W]"""
        kettle = self.kettle
        return kettle.lid_on_loss_W(self.water_C) + kettle.jars_film_W_per_K * (self.water_C - self.jars_C)

    def rewind(self, to_s: float) -> None:
        """Go back to an earlier second, to tell the rest of the story otherwise.

        The tallies of energy stay as they are.
        """
        count = int(to_s / STEP_S)
        self._water_kg += sum(self._steam[count:]) * STEP_S / STEAM_J_PER_KG
        for series in (self._bulk, self._steam, self._jars, self._ring, self._command):
            del series[count:]
        self.water_C, self.jars_C, self._ring_W = self._bulk[-1], self._jars[-1], self._ring[-1]
        self.heat_off_s = None
        self._outages = [(gone_s, min(back_s, to_s)) for gone_s, back_s in self._outages if gone_s < to_s]

    def turn_heat_off(self) -> None:
        """The person ends the process."""
        self.heat_off_s = self.now_s

    def cut_power(self, seconds_s: float) -> None:
        """The mains go, and with them the heat, for so long. [s]"""
        gone_s = self.now_s
        self.advance(seconds_s, 0.0)
        self._outages.append((gone_s, self.now_s))

    def advance(
        self,
        seconds_s: float,
        power_W: float | Sequence[float] | None = None,
        *,
        below_boil_K: float | None = None,
    ) -> None:
        """Let time pass.

        Parameters
        ----------
        seconds_s : float
            How long. [s]
        power_W : float or sequence of float, optional
            What the ring is asked for, constant or second by second; the heater's full power if left out. [W]
        below_boil_K : float, optional
            A careful cook instead: up to full power, so that the water stays this far below the boil. [K]
        """
        steps = min(round(seconds_s / STEP_S), len(self._boil) - len(self._bulk))
        full_W = self.kettle.heater_W
        if below_boil_K is not None:
            self._step(repeat(0.0, steps), steps, below_boil_K, stop_at_boil=False)
        elif power_W is None or isinstance(power_W, (int, float)):
            self._step(
                repeat(full_W if power_W is None else float(power_W), steps), steps, None, stop_at_boil=False
            )
        else:
            self._step(power_W, min(steps, len(power_W)), None, stop_at_boil=False)

    def advance_to_boil(self, power_W: float | None = None, limit_s: float = 7200.0) -> bool:
        """Heat until the water boils; False when it does not within ``limit_s``."""
        steps = min(int(limit_s / STEP_S), len(self._boil) - len(self._bulk))
        asked_W = self.kettle.heater_W if power_W is None else power_W
        self._step(repeat(asked_W, steps), steps, None, stop_at_boil=True)
        return self.boiling

    def truth(self) -> Truth:
        """The story so far."""
        count = len(self._bulk)
        return Truth(
            t_s=np.arange(count, dtype=np.float64) * STEP_S,
            bulk_C=np.array(self._bulk),
            boil_C=self._boil_C[:count],
            steam_W=np.array(self._steam),
            jars_C=np.array(self._jars),
            ring_W=np.array(self._ring),
            command_W=np.array(self._command),
            pressure_kPa=self._pressure[:count],
            room_C=self.kettle.room_C,
            jars_s=self.jars_s,
            heat_off_s=self.heat_off_s,
            outages=tuple(self._outages),
            energy_in_J=self._in_J,
            energy_lost_J=self._lost_J,
            energy_steam_J=self._steam_J,
            energy_stored_J=self._stored_J,
        )

    def _capacity_J_per_K(self) -> float:
        return self._water_kg * WATER_J_PER_KG_K + self.kettle.pot_kg * STEEL_J_PER_KG_K

    def _step(
        self,
        power_W: Iterable[float],
        steps: int,
        below_boil_K: float | None,
        *,
        stop_at_boil: bool,
    ) -> None:
        """The loop, one second a step, so that W are J.

        Everything it touches is local, since it runs a hundred million times in a suite.
        """
        kettle = self.kettle
        exp = math.exp
        water_C, jars_C, ring_W, water_kg = self.water_C, self.jars_C, self._ring_W, self._water_kg
        pot_J_per_K = kettle.pot_kg * STEEL_J_PER_KG_K
        ring_gain = 1.0 if kettle.ring_s <= 0 else 1.0 - exp(-STEP_S / kettle.ring_s)
        wall_W_per_K = WALL_W_PER_M2_K * kettle.wall_m2 * (1.0 if self.lid_on else 0.6)
        open_W_per_kPa = 0.0 if self.lid_on else kettle.open_m2 * OPEN_WATER_W_PER_M2_KPA
        has_jars = self.jars_s is not None
        film_W_per_K = kettle.jars_film_W_per_K if has_jars else 0.0
        jars_J_per_K = kettle.jars_J_per_K
        knee_K, room_C, full_W = kettle.knee_K, kettle.room_C, kettle.heater_W
        at = len(self._bulk)
        into_J = lost_J = steam_J = stored_J = 0.0
        bulk_out, steam_out, jars_out = self._bulk.append, self._steam.append, self._jars.append
        ring_out, command_out = self._ring.append, self._command.append
        for boil_C, asked_W in zip(self._boil[at : at + steps], power_W, strict=False):
            if below_boil_K is not None:
                wanted_W = 0.5 * water_kg * 70.0 * (boil_C - below_boil_K - water_C) + wall_W_per_K * (
                    water_C - room_C
                )
                asked_W = 0.0 if wanted_W < 0.0 else full_W if wanted_W > full_W else wanted_W
            ring_W += (asked_W - ring_W) * ring_gain
            loss_W = wall_W_per_K * (water_C - room_C)
            if open_W_per_kPa:
                open_W = open_W_per_kPa * 0.61078 * exp(17.27 * water_C / (237.3 + water_C))
                loss_W += open_W
                water_kg -= open_W / STEAM_J_PER_KG
            to_jars_W = film_W_per_K * (water_C - jars_C)
            net_W = ring_W - loss_W - to_jars_W
            capacity = water_kg * WATER_J_PER_KG_K + pot_J_per_K
            steam_W = 0.0
            before_C = water_C
            if net_W > 0.0:
                below_K = boil_C - water_C
                share = exp(-below_K / knee_K) if below_K > 0.0 else 1.0
                steam_W = net_W * share
                water_C += (net_W - steam_W) / capacity
            else:
                water_C += net_W / capacity
            if water_C > boil_C:
                steam_W += (water_C - boil_C) * capacity
                water_C = boil_C
            jars_C += to_jars_W / jars_J_per_K
            water_kg -= steam_W / STEAM_J_PER_KG
            into_J += ring_W
            lost_J += loss_W
            steam_J += steam_W
            stored_J += (water_C - before_C) * capacity + to_jars_W
            bulk_out(water_C)
            steam_out(steam_W)
            jars_out(jars_C)
            ring_out(ring_W)
            command_out(asked_W)
            if stop_at_boil and steam_W > 0.0 and boil_C - water_C <= NEAR_K:
                break
        self.water_C, self.jars_C, self._ring_W, self._water_kg = water_C, jars_C, ring_W, water_kg
        self._in_J += into_J
        self._lost_J += lost_J
        self._steam_J += steam_J
        self._stored_J += stored_J
