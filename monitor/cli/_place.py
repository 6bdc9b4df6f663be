"""The options that say where the kitchen lies and what today's air is: shared by the verbs that ask for it."""

from __future__ import annotations

import argparse
from datetime import datetime
from difflib import get_close_matches
from zoneinfo import available_timezones

from monitor.cli._numbers import number
from monitor.errors import UsageError
from monitor.judge.pressure import HIGHEST_AIR_KPA, LOWEST_AIR_KPA
from monitor.physics.units import ft_to_m, m_to_ft
from monitor.plan.pressure import (
    ALTIMETER,
    PRESSURE_UNITS_KPA,
    SEA_LEVEL,
    STATION,
    PressureGiven,
    StationPressure,
    station_pressure,
)
from monitor.plan.refusal import Refusal

#: Where a kitchen lies. [m], [ft]
ALTITUDE_M = (-500.0, 6000.0)
ALTITUDE_FT = (m_to_ft(-500.0), m_to_ft(6000.0))
#: No altitude that is worth giving is less sure. [m]
LEAST_SURE_M = 500.0
#: Names of the zone tables that are an offset and no place, and a place that is meant by each.
FIXED_OFFSETS = {"EST": "America/New_York", "MST": "America/Denver", "HST": "Pacific/Honolulu"}

#: Option, kind of pressure, unit, help.
_PRESSURES = (
    (
        "station_pressure_hPa",
        STATION,
        "hPa",
        "what a barometer in this kitchen reads today (taken as ±4 hPa)",
    ),
    (
        "altimeter_hPa",
        ALTIMETER,
        "hPa",
        "today's altimeter setting (QNH) of an airport near by: “Q1013” in its weather report is 1013",
    ),
    ("altimeter_inHg", ALTIMETER, "inHg", "the same in inches of mercury: “A2992” is 29.92"),
    ("sea_level_hPa", SEA_LEVEL, "hPa", "a forecast's sea-level pressure; it serves near sea level only"),
)


# A group of a parser has no public type of its own.
def add_place_arguments(parser: argparse._ActionsContainer) -> None:
    """Add altitude, how sure it is, and the four kinds of pressure."""
    height = parser.add_mutually_exclusive_group()
    metres, feet = number(*ALTITUDE_M), number(*ALTITUDE_FT)
    height.add_argument("--altitude-m", type=metres, metavar="M", help="the kitchen's altitude in metres")
    height.add_argument("--altitude-ft", type=feet, metavar="FT", help="the kitchen's altitude in feet")
    sure = parser.add_mutually_exclusive_group()
    sure.add_argument(
        "--altitude-uncertainty-m",
        type=number(0.0, LEAST_SURE_M),
        metavar="M",
        help="how sure that is, ± metres",
    )
    sure.add_argument(
        "--altitude-uncertainty-ft",
        type=number(0.0, m_to_ft(LEAST_SURE_M)),
        metavar="FT",
        help="how sure that is, ± feet",
    )
    pressure = parser.add_mutually_exclusive_group()
    for name, _, unit, words in _PRESSURES:
        option = f"--{name.replace('_', '-')}"
        low, high = (limit / PRESSURE_UNITS_KPA[unit] for limit in (LOWEST_AIR_KPA, HIGHEST_AIR_KPA))
        pressure.add_argument(option, type=number(low, high), metavar=unit.upper(), help=words)


def zone_named(text: str) -> str:
    """A time zone's own name, however its letters are written. Raises UsageError where there is none, or no place."""
    names = {name.casefold(): name for name in sorted(available_timezones())}
    name = names.get(text.strip().casefold().replace(" ", "_"), "")
    if name in FIXED_OFFSETS:
        raise UsageError(
            f"{name} is a zone without summer time.", f"Name a place, such as {FIXED_OFFSETS[name]}."
        )
    if name:
        return name
    last = text.strip().casefold().replace(" ", "_").rpartition("/")[2]
    near = [name for key, name in names.items() if last and key.rpartition("/")[2] == last]
    near = near or get_close_matches(text, names.values(), n=1, cutoff=0.75)
    meant = f"Did you mean {' or '.join(near[:3])}?" if near else "Write a name such as America/Denver."
    raise UsageError(f"there is no zone {text!r}.", meant)


def altitude_m(args: argparse.Namespace) -> float | None:
    """The kitchen's altitude, None where none was given. [m]"""
    return args.altitude_m if args.altitude_ft is None else ft_to_m(args.altitude_ft)


def uncertainty_m(args: argparse.Namespace) -> float | None:
    """How sure the altitude is, None where nobody says. [m]"""
    feet = args.altitude_uncertainty_ft
    return args.altitude_uncertainty_m if feet is None else ft_to_m(feet)


def typed_pressure(args: argparse.Namespace, now: datetime) -> StationPressure | None:
    """Today's pressure in the kitchen from whichever option gave one.

    Raises
    ------
    UsageError
        It cannot be that of this kitchen, or cannot be brought up to it; says what to give instead.
    """
    place_m, given = altitude_m(args), _given(args, now)
    if given is None or place_m is None:
        return None
    found = station_pressure(given, place_m, uncertainty_m(args), now)
    if isinstance(found, Refusal):
        raise UsageError(found.reason, found.instead)
    return found


def given_pressure(args: argparse.Namespace, at: datetime | None) -> PressureGiven | None:
    """The pressure that one of the options gave, read at ``at``. Raises UsageError for one without the other."""
    given = _given(args, at) if at is not None else None
    if given is not None:
        return given
    typed = any(getattr(args, name) is not None for name, *_ in _PRESSURES)
    if typed:
        raise UsageError("say when that pressure was read.", "Give --pressure-at; it counts for 6 h.")
    if at is not None:
        raise UsageError("--pressure-at dates a pressure, and none was given.")
    return None


def _given(args: argparse.Namespace, at: datetime) -> PressureGiven | None:
    for name, kind, unit, _ in _PRESSURES:
        value = getattr(args, name)
        if value is not None:
            return PressureGiven(kind, value, unit, at)
    return None
