"""The options that say where the kitchen lies and what today's air is: shared by ``plan`` and ``calibrate``."""

from __future__ import annotations

import argparse
from datetime import datetime

from monitor.errors import UsageError
from monitor.physics.units import ft_to_m
from monitor.plan.pressure import (
    ALTIMETER,
    SEA_LEVEL,
    STATION,
    PressureGiven,
    StationPressure,
    station_pressure,
)
from monitor.plan.refusal import Refusal

#: Option, kind of pressure, unit, help.
_PRESSURES = (
    ("station_pressure_hPa", STATION, "hPa", "today's pressure of the air in this kitchen"),
    ("altimeter_hPa", ALTIMETER, "hPa", "today's altimeter setting (QNH) of an airport near by"),
    ("altimeter_inHg", ALTIMETER, "inHg", "the same in inches of mercury, near 29.92"),
    ("sea_level_hPa", SEA_LEVEL, "hPa", "a forecast's sea-level pressure; it serves near sea level only"),
)


# A group of a parser has no public type of its own.
def add_place_arguments(parser: argparse._ActionsContainer) -> None:
    """Add altitude, how sure it is, and the four kinds of pressure."""
    height = parser.add_mutually_exclusive_group()
    height.add_argument("--altitude-m", type=float, metavar="M", help="the kitchen's altitude in metres")
    height.add_argument("--altitude-ft", type=float, metavar="FT", help="the kitchen's altitude in feet")
    sure = parser.add_mutually_exclusive_group()
    sure.add_argument("--altitude-uncertainty-m", type=float, metavar="M", help="how sure that is, ± metres")
    sure.add_argument("--altitude-uncertainty-ft", type=float, metavar="FT", help="how sure that is, ± feet")
    pressure = parser.add_mutually_exclusive_group()
    for name, _, unit, words in _PRESSURES:
        option = f"--{name.replace('_', '-')}"
        pressure.add_argument(option, type=float, metavar=unit.upper(), help=words)


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
