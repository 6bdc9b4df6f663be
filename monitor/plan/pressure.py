"""The air's pressure in the kitchen: typed by a person, or heard from the node's barometer.

Three pressures are told apart. *Station pressure* is that of the air in the room. An *altimeter setting*
(QNH, from an airport's report) can be brought up to the kitchen exactly. The *sea-level pressure* of a
forecast cannot, except near sea level: it was worked out with the day's real temperature.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite

from monitor.errors import PhysicsRangeError
from monitor.judge.pressure import (
    ALTIMETER_SETTING,
    ALTITUDE_KPA_PER_M,
    BAROMETER_CHECKED_KPA,
    BAROMETER_UNCHECKED_KPA,
    HIGHEST_AIR_KPA,
    LOWEST_AIR_KPA,
    READ_BY_HAND,
    SEA_LEVEL_PRESSURE,
    SEASON_M,
    SEASON_SPREAD_KPA,
    TYPED_LASTS_S,
    altitude_within_m,
    disagreement,
)
from monitor.judge.yearly import is_within_a_year
from monitor.physics.altimeter import station_pressure_kPa
from monitor.physics.units import KPA_PER_INHG
from monitor.plan.refusal import OUT_OF_RANGE, Refusal
from monitor.record.model import Required, Run, Site

STATION = READ_BY_HAND
ALTIMETER = ALTIMETER_SETTING
SEA_LEVEL = SEA_LEVEL_PRESSURE
PRESSURE_KINDS = (STATION, ALTIMETER, SEA_LEVEL)
#: Not typed: what the node's own barometer says.
BAROMETER = "barometer"

#: Millimetre of mercury 133.3224 Pa (NIST SP 811, table B.8). [kPa]
PRESSURE_UNITS_KPA: Mapping[str, float] = {"hPa": 0.1, "kPa": 1.0, "inHg": KPA_PER_INHG, "mmHg": 0.1333224}

#: Up to here a sea-level pressure may be brought up with the standard column. [m] Season moves the true
#: result by at most 1 hPa per 100 m (hypsometric equation, columns of -10 to 35 °C).
SEA_LEVEL_UP_TO_M = 100.0
SEASON_KPA_PER_M = 0.001
#: With air of -10 °C at 1650 m the kitchen's pressure lies so far below what the standard column gives, with air of
#: 35 °C ``SEASON_SPREAD_KPA`` above it. [kPa] Hypsometric equation with the standard lapse.
COLD_SPREAD_KPA = 0.9

#: What to do about a barometer that cannot be right here.
HEARD_INSTEAD = "Check the altitude first, then the barometer and its unit."

#: A typed pressure may be dated ahead of the clock by this much. [s] Our choice.
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
    if not LOWEST_AIR_KPA <= typed_kPa <= HIGHEST_AIR_KPA:
        meant = other_unit_meant(given.value, given.unit) or "Read it again."
        return _refuse(f"A pressure of {given.value:g} {given.unit} is the air of no kitchen.", meant)
    try:
        found = _converted(given.kind, typed_kPa, altitude_m)
    except PhysicsRangeError as trouble:
        return _refuse(
            _sentence(str(trouble.args[0]).rstrip(".")),
            _other_kind_meant(given, altitude_m) or trouble.advice or "",
        )
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
        return typed_kPa, BAROMETER_UNCHECKED_KPA, "as typed"
    if kind == ALTIMETER:
        brought = station_pressure_kPa(typed_kPa, altitude_m)
        return brought, BAROMETER_CHECKED_KPA, f"from the altimeter setting {typed_kPa * 10:.1f} hPa"
    if abs(altitude_m) <= SEA_LEVEL_UP_TO_M:
        brought = station_pressure_kPa(typed_kPa, altitude_m)
        half = BAROMETER_CHECKED_KPA + SEASON_KPA_PER_M * abs(altitude_m)
        return brought, half, f"from the sea-level pressure {typed_kPa * 10:.1f} hPa"
    low_hPa, high_hPa = (
        10.0 * spread * altitude_m / SEASON_M for spread in (-COLD_SPREAD_KPA, SEASON_SPREAD_KPA)
    )
    return _refuse(
        f"A forecast's sea-level pressure ({typed_kPa * 10:.0f} hPa) cannot be turned back into that of a "
        f"kitchen at {altitude_m:.0f} m: it was worked out with the day's temperature, and without that "
        f"the true one lies {low_hPa:+.0f} to {high_hPa:+.0f} hPa from the result.",
        _what_then(kind),
    )


def _other_kind_meant(given: PressureGiven, altitude_m: float) -> str:
    """That what cannot be a station's setting or a forecast's pressure would do for the kitchen's own, or ""."""
    own_kPa = given.value * PRESSURE_UNITS_KPA[given.unit]
    if given.kind == STATION or disagreement(_header(altitude_m, None, given.at), own_kPa):
        return ""
    return (
        f"{given.value:g} {given.unit} would do for the air in a kitchen at {altitude_m:.0f} m itself: if a barometer "
        "there reads it, enter it as that (station pressure); an altimeter setting is near 1013 hPa or 29.92 inHg."
    )


def other_unit_meant(value: float, unit: str) -> str:
    """What a figure that is the air of no kitchen would be in another unit, if it is air there; else ""."""
    for other, kPa in PRESSURE_UNITS_KPA.items():
        if other != unit and LOWEST_AIR_KPA <= value * kPa <= HIGHEST_AIR_KPA:
            there = value * kPa / PRESSURE_UNITS_KPA[unit]
            return f"{value:g} looks like {other}: {value:g} {other} are {there:.4g} {unit}."
    return ""


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


def heard_pressure(
    pressure_kPa: float,
    altitude_m: float,
    altitude_uncertainty_m: float | None,
    now: datetime,
    checked_at: datetime | None = None,
) -> StationPressure | Refusal:
    """What the node's barometer says now; refused where it cannot be this kitchen's air.

    ``checked_at``: when the barometer was last compared with a station's altimeter setting.
    """
    doubt = disagreement(_header(altitude_m, altitude_uncertainty_m, now), pressure_kPa)
    if doubt:
        return _refuse(_sentence(doubt), HEARD_INSTEAD)
    compared = checked_at is not None and is_within_a_year(checked_at, now)
    return StationPressure(
        pressure_kPa=pressure_kPa,
        half_width_kPa=BAROMETER_CHECKED_KPA if compared else BAROMETER_UNCHECKED_KPA,
        kind=BAROMETER,
        at=now,
        good_until=now,
        text=f"{pressure_kPa * 10:.1f} hPa in the kitchen, by the node's barometer",
    )


#: Said where a node is to tell the pressure and does not.
NOT_SENT = "The node sends no pressure, so its barometer is not there or not heard."
SENT_INSTEAD = "Choose a node that has one, or enter an altimeter setting."


def pressure_doubt(site: Site, heard_kPa: float | None, now: datetime) -> str:
    """Why the pressure that a site names cannot be this kitchen's, or is not heard, and what to do; or "".

    ``heard_kPa``: what the node's barometer says by now, None where it says nothing.
    """
    if site.pressure_source == BAROMETER and heard_kPa is None:
        return f"{NOT_SENT} {SENT_INSTEAD}"
    pressure_kPa = heard_kPa if site.pressure_source == BAROMETER else site.station_pressure_kPa
    if pressure_kPa is None:
        return ""
    doubt = disagreement(Run("", now, Required(minutes=1.0), site=site), pressure_kPa)
    if not doubt:
        return ""
    kind = BAROMETER if site.pressure_source == BAROMETER else STATION
    return f"{_sentence(doubt)} {HEARD_INSTEAD if kind == BAROMETER else _what_then(kind)}"


@dataclass(frozen=True, slots=True)
class BarometerCheck:
    """A barometer beside an altimeter setting. ``difference_kPa``: barometer less station. [kPa]"""

    difference_kPa: float
    accepted: bool
    text: str


def compare_barometer(
    heard_kPa: float,
    setting: PressureGiven,
    altitude_m: float,
    altitude_uncertainty_m: float | None,
    now: datetime,
) -> BarometerCheck | Refusal:
    """Whether a barometer agrees with the altimeter setting of an airport near by.

    It must agree within 1 hPa, which is how sure a compared barometer counts; the record knows no correction
    for it. How sure the altitude is goes into the setting's own result and is told.
    """
    if setting.kind != ALTIMETER:
        return _refuse(
            "A barometer is compared with an altimeter setting, not with another pressure.",
            _what_then(ALTIMETER),
        )
    station = station_pressure(setting, altitude_m, altitude_uncertainty_m, now)
    if isinstance(station, Refusal):
        return station
    apart_kPa = heard_kPa - station.pressure_kPa
    accepted = abs(apart_kPa) <= BAROMETER_CHECKED_KPA
    text = (
        f"The barometer reads {heard_kPa * 10:.1f} hPa; by the altimeter setting it is "
        f"{station.pressure_kPa * 10:.1f} hPa in this kitchen: {apart_kPa * 10:+.1f} hPa apart."
    )
    if accepted:
        text += " They agree within 1 hPa. Compare them again in 12 months."
    else:
        sure_m = altitude_within_m(altitude_uncertainty_m)
        text += (
            " More than 1 hPa: it counts as a barometer that was never compared (±4 hPa). An altitude that is "
            f"sure to ±{sure_m:.0f} m makes up to {10.0 * ALTITUDE_KPA_PER_M * sure_m:.1f} hPa of that."
        )
    return BarometerCheck(apart_kPa, accepted, text)


def _header(altitude_m: float, uncertainty_m: float | None, now: datetime) -> Run:
    """A run that is only its place, to ask the judge what it would think of a pressure there."""
    site = Site(altitude_m=altitude_m, altitude_uncertainty_m=uncertainty_m)
    return Run(run_id="", started_at=now, required=Required(minutes=1.0), site=site)


def _refuse(reason: str, instead: str) -> Refusal:
    return Refusal(OUT_OF_RANGE, reason, instead)


def _sentence(phrase: str) -> str:
    return phrase[:1].upper() + phrase[1:] + "."
