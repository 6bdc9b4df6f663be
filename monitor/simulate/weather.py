"""The air over a kitchen: station pressure through a run, and the boiling point that follows from it.

The standard atmosphere gives the mean at an altitude; weather, season and storms are added to it. Half of
the readings at a mid-latitude coast lie within 10 hPa, so σ = 7.4 hPa (climate texts). A warm day (35 °C
outside) lifts the station pressure at 1650 m by about 16 hPa over a standard one for the same sea-level
pressure, a cold one (−10 °C) lowers it by about 9 hPa (computed with the hypsometric equation). A deep
low that passes changes the pressure by up to 3 hPa an hour (common definition of a rapid change).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from monitor.physics.pressure import (
    DRY_AIR_J_PER_KG_K,
    GRAVITY_M_PER_S2,
    LAPSE_K_PER_M,
    SEA_LEVEL_K,
    SEA_LEVEL_KPA,
    standard_pressure_kPa,
)
from monitor.physics.saturation import boiling_point_C
from monitor.simulate.truth import Floats

#: Day-to-day spread of sea-level pressure at a mid-latitude coast. [kPa]
WEATHER_SPREAD_KPA = 0.74

#: Of the standard atmosphere (ISO 2533).
#: Knots of the pressure's curve: weather has nothing faster. [s]
KNOT_S = 120.0


@dataclass(frozen=True, slots=True)
class Weather:
    """What the sky does over a kitchen. Pressures in kPa."""

    altitude_m: float
    #: Sea-level pressure less the standard's, at the start.
    anomaly_kPa: float = 0.0
    #: Air outside the kitchen less the standard's there: warm air is lighter, and pressure falls slower in it.
    warmer_K: float = 0.0
    trend_kPa_per_h: float = 0.0
    #: A gust front or a closing door: a slow wave of this height and period.
    wave_kPa: float = 0.0
    wave_s: float = 3600.0

    def pressure_kPa(self, t_s: float) -> float:
        """True station pressure ``t_s`` seconds into the run. [kPa]"""
        return self._since(self.start_kPa(), t_s)

    def start_kPa(self) -> float:
        """Station pressure at the start, from the sea-level one through a column of this day's air. [kPa]"""
        standard = standard_pressure_kPa(self.altitude_m)
        ratio = (SEA_LEVEL_KPA + self.anomaly_kPa) / SEA_LEVEL_KPA
        return standard * ratio * self._warm_column()

    def sea_level_kPa(self, t_s: float) -> float:
        """What a forecast or a barometer "set to sea level" says: the altimeter-style reduction. [kPa]"""
        return self.pressure_kPa(t_s) * SEA_LEVEL_KPA / standard_pressure_kPa(self.altitude_m)

    def series(self, seconds: int) -> tuple[Floats, Floats]:
        """Station pressure [kPa] and boiling point [°C], once a second."""
        knots = np.arange(0.0, seconds + KNOT_S, KNOT_S)
        start_kPa = self.start_kPa()
        pressure = np.array([self._since(start_kPa, t) for t in knots.tolist()])
        boil = np.array([boiling_point_C(p) for p in pressure.tolist()])
        t = np.arange(seconds, dtype=np.float64)
        return np.interp(t, knots, pressure), np.interp(t, knots, boil)

    def _since(self, start_kPa: float, t_s: float) -> float:
        wave_kPa = self.wave_kPa * math.sin(2 * math.pi * t_s / self.wave_s) if self.wave_kPa else 0.0
        return start_kPa + self.trend_kPa_per_h * t_s / 3600.0 + wave_kPa

    def _warm_column(self) -> float:
        """Pressure at altitude in this day's column over that in the standard one, same pressure below."""
        mean_lapse_K = 0.5 * LAPSE_K_PER_M * self.altitude_m
        standard_K = SEA_LEVEL_K - mean_lapse_K
        today_K = standard_K + self.warmer_K
        height = GRAVITY_M_PER_S2 * self.altitude_m / DRY_AIR_J_PER_KG_K
        return math.exp(height / standard_K - height / today_K)


def some_weather(rng: np.random.Generator, altitude_m: float, *, storm: bool = False) -> Weather:
    """Weather of an ordinary day at an altitude, or of a stormy one: 8 to 33 °C outside, as when people can."""
    anomaly = float(np.clip(rng.normal(0.0, WEATHER_SPREAD_KPA), -2.2, 2.2))
    trend = float(rng.uniform(-0.30, 0.30)) if storm else float(np.clip(rng.normal(0.0, 0.04), -0.1, 0.1))
    return Weather(
        altitude_m=altitude_m,
        anomaly_kPa=anomaly,
        warmer_K=float(rng.uniform(8.0, 33.0)) - (15.0 - LAPSE_K_PER_M * altitude_m),
        trend_kPa_per_h=trend,
        wave_kPa=float(rng.uniform(0.02, 0.12)) if storm else 0.0,
        wave_s=float(rng.uniform(900.0, 4000.0)),
    )
