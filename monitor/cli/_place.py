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
    place_m = altitude_m(args)
    for name, kind, unit, _ in _PRESSURES:
        value = getattr(args, name)
        if value is None or place_m is None:
            continue
        found = station_pressure(PressureGiven(kind, value, unit, now), place_m, uncertainty_m(args), now)
        if isinstance(found, Refusal):
            raise UsageError(found.reason, found.instead)
        return found
    return None
