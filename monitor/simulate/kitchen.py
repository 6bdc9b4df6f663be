"""Kitchens to tell stories in: place, weather, canner, probe and node, drawn at random within stated errors.

What a record states about its probe and pressure holds: each error lies within its own bounds, and all of
them together within ±U, the root sum of squares times two (JCGM 100). Where a family needs errors beyond
that, it says so itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np

from monitor.physics.saturation import boiling_slope_K_per_kPa
from monitor.record.model import Calibration, Probe, Site
from monitor.simulate.kettle import JAR_VOLUME_L, Kettle, canner
from monitor.simulate.observe import NodeModel
from monitor.simulate.probe import ProbeModel
from monitor.simulate.weather import Weather, some_weather
from monitor.tables.probes import chain_of

#: A day in summer on which every invented run takes place.
STARTED_AT = datetime(2026, 8, 14, 15, 12, tzinfo=UTC)
CHECKED_AT = datetime(2026, 8, 1, 16, 0, tzinfo=UTC)

#: Drift of the couple and of cold junction and converter since the check, half-widths, as in the judge's budget; U of
#: the check. [K] Our estimates.
DRIFT_K = 0.2
COLD_JUNCTION_K = {"fine": 0.1, "coarse": 0.3, "resistance": 0.05}
CHECK_U_K = {"fine": (0.15, 0.30), "coarse": (0.25, 0.40), "resistance": (0.10, 0.25)}
KIND = {"fine": "type K class 1", "coarse": "type K class 2", "resistance": "Pt100 class A"}
CONVERTER = {
    "fine": "linearised, 0.0078 K steps",
    "coarse": "straight-line, 0.25 K steps",
    "resistance": "resistance, 0.03 K steps",
}
#: Steps and cold junction of the one-chip converters (data sheets; the fine step from memory); lag of sheathed probes
#: in moving water (a cable maker's table). [K], [s]
STEP_K = {"fine": 0.0078125, "coarse": 0.25, "resistance": 0.03125}
LAG_S = {"fine": (0.5, 4.0), "coarse": (0.5, 4.0), "resistance": (2.0, 8.0)}

#: Scatter of a mean over half a minute, as budgets allow for it. [K]
SCATTER_K = 0.05

#: A sound probe's corrections in ice and at the boil lie no further apart. [K] Chosen: half of what the judge allows.
APART_K = 0.25
#: A checked barometer lies within ±1 hPa (data sheet of the small digital kind). [kPa]
BAROMETER_KPA = 0.1


@dataclass(frozen=True, slots=True)
class Kitchen:
    """A place with everything in it but the story."""

    weather: Weather
    kettle: Kettle
    probe: ProbeModel
    node: NodeModel
    site: Site
    stated_probe: Probe
    minutes: float
    #: "fine", "coarse" or "resistance".
    sensor: str
    jar: str
    jars: int
    #: Expanded uncertainty of reading less boiling point, and the error that is really there at a boil. [K]
    expanded_K: float = 0.4
    in_boil_K: float = 0.0

    def guarded(self, seen: bool) -> bool:
        """Whether the guard band alone keeps this kitchen's true boil from being proven.

        A reading must lie above floor + U; where errors within ±U take it lower, no engine that keeps the rule
        of guarded acceptance (JCGM 106) may call it boiling.
        """
        allowance_K = 1.0 if seen else 0.6
        drift_K = min(0.0, self.probe.chip_error_K_per_K * self.probe.chip_rise_K)
        # A thrifty boil raises plumes to two thirds of their height.
        lowest_K = self.in_boil_K + drift_K - self.probe.plume_K / 3.0 - 0.5 * self.probe.step_K
        return lowest_K - self.expanded_K < 0.06 - allowance_K

    @property
    def margin_s(self) -> float:
        """How much longer than required a hold must be to count as plainly long enough. [s]"""
        return 180.0 if self.probe.step_K >= 0.25 else 90.0


def some_kettle(
    rng: np.random.Generator,
    *,
    volume_L: float | None = None,
    ring_s: float | None = None,
) -> tuple[Kettle, str, int]:
    """A canner of 8 to 33 L with jars that fit and a heater that can bring it to the boil."""
    volume = float(rng.uniform(8.0, 33.0)) if volume_L is None else volume_L
    jar = str(rng.choice(("half_pint", "pint", "pint", "quart"))) if volume > 14.0 else "half_pint"
    most = max(2, min(9, int(0.45 * volume / JAR_VOLUME_L[jar])))
    jars = int(rng.integers(max(2, most - 3), most + 1))
    ring = float(rng.choice((0.0, 0.0, rng.uniform(15.0, 60.0)))) if ring_s is None else ring_s
    watts = float(rng.uniform(60.0, 100.0)) * volume + 500.0
    kettle = canner(
        volume,
        jar,
        jars,
        heater_W=min(watts, 3500.0),
        ring_s=ring,
        room_C=float(rng.uniform(17.0, 31.0)),
        fill=float(rng.uniform(0.78, 0.88)),
        knee_K=float(rng.uniform(0.03, 0.15)),
    )
    return (
        replace(kettle, jars_film_W_per_K=kettle.jars_film_W_per_K * float(rng.uniform(0.5, 1.4))),
        jar,
        jars,
    )


def some_kitchen(
    rng: np.random.Generator,
    *,
    sensor: str | None = None,
    altitude_m: float | None = None,
    storm: bool = False,
    pressure: str = "barometer",
    quiet: bool = False,
    noisy: bool = False,
    interval_s: float | None = None,
    volume_L: float | None = None,
    ring_s: float | None = None,
    minutes: float | None = None,
) -> Kitchen:
    """A kitchen whose errors lie within what its record states.

    Parameters
    ----------
    sensor : str, optional
        "fine", "coarse" or "resistance"; drawn if left out.
    pressure : str
        "barometer", "station pressure" or "altitude".
    quiet, noisy : bool
        A probe with little or much scatter.
    """
    sensor = sensor or str(rng.choice(("fine", "fine", "fine", "resistance", "coarse")))
    altitude = float(rng.uniform(0.0, 3000.0)) if altitude_m is None else altitude_m
    kettle, jar, jars = some_kettle(rng, volume_L=volume_L, ring_s=ring_s)
    weather = some_weather(rng, altitude, storm=storm)
    check_U_K = float(rng.uniform(*CHECK_U_K[sensor]))
    bias_K, plume_K, barometer_kPa, expanded_K = _errors_within(rng, sensor, check_U_K, weather)
    probe, apart_K = _some_probe(rng, sensor, bias_K, plume_K, quiet=quiet, noisy=noisy)
    node = _some_node(rng, sensor, 1.0 if interval_s is None else interval_s, pressure, barometer_kPa)
    site = _some_site(rng, altitude, pressure, weather.pressure_kPa(0.0) + barometer_kPa)
    return Kitchen(
        weather=weather,
        kettle=kettle,
        probe=probe,
        node=node,
        site=site,
        stated_probe=stated_probe(probe, check_U_K, apart_K),
        minutes=float(rng.choice((5.0, 10.0, 10.0, 15.0, 20.0))) if minutes is None else minutes,
        sensor=sensor,
        jar=jar,
        jars=jars,
        expanded_K=expanded_K,
        in_boil_K=bias_K + plume_K - barometer_kPa * boiling_slope_K_per_kPa(weather.pressure_kPa(0.0)),
    )


def _some_probe(
    rng: np.random.Generator, sensor: str, bias_K: float, plume_K: float, *, quiet: bool, noisy: bool
) -> tuple[ProbeModel, float]:
    """A probe with these errors, and how far its corrections in ice and at the boil lie apart. [K]"""
    # A probe that is off by more than its class and its converter allow is damaged, in ice as at the boil.
    most_K = min(1.4, chain_of(KIND[sensor], CONVERTER[sensor]).class_limit_K - APART_K)
    offset_K = float(np.clip(rng.normal(0.0, 0.5), -most_K, most_K))
    apart_K = float(rng.uniform(-APART_K, APART_K))
    agitation_K = float(rng.uniform(0.01, 0.03) if quiet else rng.uniform(0.02, 0.08))
    if noisy:
        agitation_K = float(rng.uniform(0.08, 0.16))
    probe = ProbeModel(
        kind=KIND[sensor],
        converter=CONVERTER[sensor],
        lag_s=float(rng.uniform(*LAG_S[sensor])),
        step_K=STEP_K[sensor],
        offset_K=round(offset_K, 2),
        bias_K=bias_K,
        slope_K_per_K=apart_K / 95.0,
        plume_K=plume_K,
        agitation_K=agitation_K,
        agitation_s=float(rng.uniform(0.5, 6.0)),
        white_K=float(rng.uniform(0.003, 0.02) if quiet else rng.uniform(0.005, 0.04)),
        straight_line=sensor == "coarse",
        chip_start_C=float(rng.uniform(20.0, 30.0)),
        chip_rise_K=float(rng.uniform(0.0, 8.0)),
        chip_s=float(rng.uniform(900.0, 3600.0)),
        chip_error_K_per_K=float(rng.uniform(-1.0, 1.0)) * COLD_JUNCTION_K[sensor] / 16.0,
    )
    return probe, apart_K


def _some_node(
    rng: np.random.Generator, sensor: str, every_s: float, pressure: str, barometer_error_kPa: float
) -> NodeModel:
    """A node that samples this often, with a barometer where ``pressure`` is one's."""
    return NodeModel(
        interval_s=every_s,
        jitter_s=float(rng.uniform(0.0, 0.08)) * every_s,
        # A quiet coarse probe that stands still is believed only while its board's temperature moves.
        has_chip=sensor == "coarse" or bool(rng.random() < 0.85),
        has_barometer=pressure == "barometer",
        barometer_error_kPa=barometer_error_kPa,
        barometer_noise_kPa=float(rng.uniform(0.001, 0.012)),
        boot=int(rng.integers(1, 2**32)),
    )


def _some_site(rng: np.random.Generator, altitude_m: float, pressure: str, read_kPa: float) -> Site:
    """What the record says of the place: its altitude to ±10 m, and ``read_kPa`` where a pressure was typed."""
    typed = pressure == "station pressure"
    return Site(
        name="an invented kitchen",
        altitude_m=round(altitude_m + float(rng.uniform(-10.0, 10.0)), 0),
        altitude_uncertainty_m=10.0,
        pressure_source=pressure,
        barometer_checked_at=CHECKED_AT if pressure == "barometer" else None,
        station_pressure_kPa=round(read_kPa, 2) if typed else None,
        extra={"station_pressure_at": STARTED_AT.isoformat()} if typed else {},
    )


def stated_probe(probe: ProbeModel, check_U_K: float, apart_K: float = 0.0) -> Probe:
    """What the record says of a probe that was checked in ice and at the boil."""
    return Probe(
        channel="water",
        kind=probe.kind,
        converter=probe.converter,
        calibration=Calibration(
            offset_K=probe.offset_K,
            expanded_uncertainty_K=round(math.ceil(check_U_K * 100) / 100, 2),
            ice_offset_K=round(probe.offset_K + apart_K, 2),
            boil_offset_K=probe.offset_K,
            at=CHECKED_AT,
            method="ice and boiling points",
        ),
    )


def _errors_within(
    rng: np.random.Generator, sensor: str, check_U_K: float, weather: Weather
) -> tuple[float, float, float, float]:
    """(bias, plume, barometer error, U): the errors' sum stays within ±U, in a boil and out of one.

    [K], [K], [kPa], [K].

    The check at the boil took part of the plume out; what is left of it then stands against the reading
    when no bubbles rise.
    """
    slope = boiling_slope_K_per_kPa(weather.pressure_kPa(0.0))
    half_K = (DRIFT_K, COLD_JUNCTION_K[sensor], 0.1, 0.05, BAROMETER_KPA * slope)
    variance = (check_U_K / 2) ** 2 + sum(half**2 for half in half_K) / 3.0
    variance += STEP_K[sensor] ** 2 / 12.0 + SCATTER_K**2
    expanded_K = 2.0 * math.sqrt(variance)
    while True:
        check_K = float(np.clip(rng.normal(0.0, check_U_K / 2), -check_U_K, check_U_K))
        drift_K = float(rng.uniform(-DRIFT_K, DRIFT_K))
        barometer_kPa = float(rng.uniform(-BAROMETER_KPA, BAROMETER_KPA))
        plume_at_check_K = float(rng.uniform(0.0, 0.30))
        plume_K = max(0.0, plume_at_check_K + float(rng.uniform(-0.1, 0.1)))
        bias_K = check_K + drift_K - plume_at_check_K * float(rng.uniform(0.5, 1.0))
        in_boil_K = bias_K + plume_K - barometer_kPa * slope
        at_rest_K = bias_K - barometer_kPa * slope
        if abs(in_boil_K) <= expanded_K and at_rest_K <= expanded_K:
            return bias_K, plume_K, barometer_kPa, expanded_K


def local_time(hours: float = -6.0) -> datetime:
    """The start of an invented run with a fixed offset from UTC."""
    return STARTED_AT.astimezone(timezone(timedelta(hours=hours)))
