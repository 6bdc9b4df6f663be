"""The place: how high the kitchen is, what the air pressure is, and at what temperature water boils today.

Three pressures are told apart. *Station pressure* is that of the air in the room. An *altimeter setting*
(QNH, from an airport's report) can be brought up to the kitchen exactly. The *sea-level pressure* of a
forecast cannot, except near sea level: it was worked out with the day's real temperature.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite
from typing import Any

from monitor.errors import PhysicsRangeError
from monitor.judge.pressure import BAROMETER_CHECKED_KPA, TYPED_LASTS_S, disagreement
from monitor.physics.altimeter import pressure_altitude_m, station_pressure_kPa
from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C
from monitor.physics.units import KPA_PER_INHG, c_to_f, m_to_ft
from monitor.plan.refusal import OUT_OF_RANGE, Refusal
from monitor.record.model import Required, Run, Site

#: How an altitude is found, and how sure it then is when nobody says. [m] Our judgement: a contour map is
#: good to half its interval, a receiver in the open to tens of metres, a town's sign says little of a house.
ALTITUDE_FOUND_M: Mapping[str, float] = {
    "survey or topographic map": 10.0,
    "web map or address look-up": 15.0,
    "satellite receiver in the open": 20.0,
    "phone": 30.0,
    "town sign": 100.0,
    "other": 100.0,
}

STATION = "station"
ALTIMETER = "altimeter_setting"
SEA_LEVEL = "sea_level"
PRESSURE_KINDS = (STATION, ALTIMETER, SEA_LEVEL)

PRESSURE_UNITS_KPA: Mapping[str, float] = {"hPa": 0.1, "kPa": 1.0, "inHg": KPA_PER_INHG, "mmHg": 0.1333224}

#: Up to here a sea-level pressure may be brought up with the standard column. [m] Season moves the true
#: result by at most 1 hPa per 100 m (hypsometric equation, columns of -10 to 35 °C).
SEA_LEVEL_UP_TO_M = 100.0
SEASON_KPA_PER_M = 0.001

#: A typed pressure may be dated ahead of the clock by this much. [s]
CLOCK_SLACK_S = 600.0


@dataclass(frozen=True, slots=True)
class PressureGiven:
    """A pressure as a person typed it: what kind, which unit, read when (with its UTC offset)."""

    kind: str
    value: float
    unit: str
    at: datetime


@dataclass(frozen=True, slots=True)
class StationPressure:
    """Pressure of the air in the kitchen. ``half_width_kPa`` is its rectangular half-width. [kPa]"""

    pressure_kPa: float
    half_width_kPa: float
    kind: str
    at: datetime
    good_until: datetime
    text: str


@dataclass(frozen=True, slots=True)
class BoilingToday:
    """Where water boils here today, against an average day. [°C], [K], [m]"""

    boil_C: float
    average_C: float
    shift_K: float
    as_at_m: float | None
    text: str


def station_pressure(
    given: PressureGiven, altitude_m: float, altitude_uncertainty_m: float | None, now: datetime
) -> StationPressure | Refusal:
    """The pressure in the kitchen from what was typed, or why it cannot be had from that.

    Parameters
    ----------
    given : PressureGiven
        One of the three kinds; a typed pressure is good for 6 h.
    altitude_m, altitude_uncertainty_m : float
        The kitchen's altitude and how sure it is. [m]
    now : datetime
        Aware.

    Returns
    -------
    StationPressure or Refusal
        A refusal names the usual mistake: a sea-level value taken for a station pressure.
    """
    if given.kind not in PRESSURE_KINDS or given.unit not in PRESSURE_UNITS_KPA or not isfinite(given.value):
        return _refuse(
            f"A pressure of {given.value:g} {given.unit} ({given.kind}) is not usable.",
            f"Give a number in {', '.join(PRESSURE_UNITS_KPA)} and say which kind of pressure it is.",
        )
    if (stale := _stale(given.at, now)) is not None:
        return stale
    typed_kPa = given.value * PRESSURE_UNITS_KPA[given.unit]
    try:
        found = _converted(given.kind, typed_kPa, altitude_m)
    except PhysicsRangeError as trouble:
        return _refuse(_sentence(str(trouble.args[0]).rstrip(".")), trouble.advice or "Read it again.")
    if isinstance(found, Refusal):
        return found
    pressure_kPa, half_width_kPa, how = found
    doubt = disagreement(_header(altitude_m, altitude_uncertainty_m, now), pressure_kPa)
    if doubt:
        return _refuse(_sentence(doubt), _what_then(given.kind))
    return StationPressure(
        pressure_kPa=pressure_kPa,
        half_width_kPa=half_width_kPa,
        kind=given.kind,
        at=given.at,
        good_until=given.at + timedelta(seconds=TYPED_LASTS_S),
        text=f"{pressure_kPa * 10:.1f} hPa in the kitchen, {how}",
    )


def _converted(kind: str, typed_kPa: float, altitude_m: float) -> tuple[float, float, str] | Refusal:
    """Station pressure, half-width and how it was had. [kPa]"""
    if kind == STATION:
        return typed_kPa, BAROMETER_CHECKED_KPA, "as typed"
    if kind == ALTIMETER:
        brought = station_pressure_kPa(typed_kPa, altitude_m)
        return brought, BAROMETER_CHECKED_KPA, f"from the altimeter setting {typed_kPa * 10:.1f} hPa"
    if abs(altitude_m) <= SEA_LEVEL_UP_TO_M:
        brought = station_pressure_kPa(typed_kPa, altitude_m)
        half = BAROMETER_CHECKED_KPA + SEASON_KPA_PER_M * abs(altitude_m)
        return brought, half, f"from the sea-level pressure {typed_kPa * 10:.1f} hPa"
    low_hPa, high_hPa = -9.0 * altitude_m / 1650.0, 16.0 * altitude_m / 1650.0
    return _refuse(
        f"A forecast's sea-level pressure ({typed_kPa * 10:.0f} hPa) cannot be turned back into that of a "
        f"kitchen at {altitude_m:.0f} m: it was worked out with the day's temperature, and without that "
        f"the result is wrong by {low_hPa:+.0f} to {high_hPa:+.0f} hPa.",
        _what_then(kind),
    )


def _what_then(kind: str) -> str:
    if kind == STATION:
        return (
            "If it came from a forecast or a weather page, enter it as what it is; else check the altitude."
        )
    return (
        "Use an airport's altimeter setting (QNH, “Q1013” or “A2992” in its report), a barometer in the "
        "kitchen, or a barometer on the node."
    )


def _stale(at: datetime, now: datetime) -> Refusal | None:
    if at.tzinfo is None or now.tzinfo is None:
        return _refuse("The pressure's time has no offset from UTC.", "Say when it was read, with its zone.")
    age_s = (now - at).total_seconds()
    if age_s > TYPED_LASTS_S:
        return _refuse(
            f"The pressure was read {age_s / 3600.0:.1f} h ago; a typed pressure is good for 6 h.",
            "Read it again.",
        )
    if age_s < -CLOCK_SLACK_S:
        return _refuse("The pressure is dated in the future.", "Check its time, or the clock here.")
    return None


def boiling_today(altitude_m: float, pressure: StationPressure | None) -> BoilingToday:
    """Today's boiling point, and what the day's pressure does to it.

    Without a pressure the average of the altitude is told, with what weather may do to it. Raises
    PhysicsRangeError outside -500 to 6000 m.
    """
    average_C = boiling_point_C(standard_pressure_kPa(altitude_m))
    if pressure is None:
        return BoilingToday(
            average_C,
            average_C,
            0.0,
            None,
            f"On an average day water boils at {average_C:.1f} °C ({c_to_f(average_C):.1f} °F) at "
            f"{altitude_m:.0f} m; weather and season move that by up to about 1 K, and nothing says how far.",
        )
    boil_C = boiling_point_C(pressure.pressure_kPa)
    shift_K = boil_C - average_C
    as_at_m = pressure_altitude_m(pressure.pressure_kPa)
    direction = "above" if shift_K >= 0 else "below"
    return BoilingToday(
        boil_C,
        average_C,
        shift_K,
        as_at_m,
        f"Water boils at {boil_C:.1f} °C ({c_to_f(boil_C):.1f} °F) here today ({pressure.text}), "
        f"{abs(shift_K):.1f} K {direction} the average for {altitude_m:.0f} m; as on an average day at "
        f"{as_at_m:.0f} m ({m_to_ft(as_at_m):,.0f} ft).",
    )


def site_of(
    name: str,
    altitude_m: float,
    altitude_uncertainty_m: float | None,
    *,
    found_by: str = "other",
    pressure: StationPressure | None = None,
    barometer: bool = False,
    barometer_checked_at: datetime | None = None,
) -> Site:
    """The record's ``site``: a node's barometer wins over a typed pressure, that over the altitude."""
    source = "barometer" if barometer else "altitude" if pressure is None else "station pressure"
    extra: dict[str, Any] = {"altitude_found_by": found_by if found_by in ALTITUDE_FOUND_M else "other"}
    if pressure is not None:
        extra |= {"station_pressure_kind": pressure.kind, "station_pressure_at": pressure.at.isoformat()}
    return Site(
        name=name,
        altitude_m=altitude_m,
        altitude_uncertainty_m=altitude_uncertainty_m,
        pressure_source=source,
        barometer_checked_at=barometer_checked_at,
        station_pressure_kPa=None if pressure is None else round(pressure.pressure_kPa, 4),
        extra=extra,
    )


def site_changed(before: Site | None, now: Site) -> str:
    """Why the altitude must be confirmed again: another place than last time; "" when it is the same."""
    if before is None:
        return "This is a new place: confirm its altitude."
    if (before.name or "") != (now.name or ""):
        return f"The last run was at “{before.name or 'no name'}”: confirm the altitude of this place."
    if before.altitude_m is not None and now.altitude_m is not None:
        apart_m = abs(before.altitude_m - now.altitude_m)
        if apart_m > max(before.altitude_uncertainty_m or 0.0, now.altitude_uncertainty_m or 0.0, 1.0):
            return (
                f"“{now.name}” was at {before.altitude_m:.0f} m last time and is at {now.altitude_m:.0f} m "
                "now: confirm which is right."
            )
    return ""


def _header(altitude_m: float, uncertainty_m: float | None, now: datetime) -> Run:
    """A run that is only its place, to ask the judge what it would think of a pressure there."""
    site = Site(altitude_m=altitude_m, altitude_uncertainty_m=uncertainty_m)
    return Run(run_id="", started_at=now, required=Required(minutes=1.0), site=site)


def _refuse(reason: str, instead: str) -> Refusal:
    return Refusal(OUT_OF_RANGE, reason, instead)


def _sentence(phrase: str) -> str:
    return phrase[:1].upper() + phrase[1:] + "."
