"""The place: how high the kitchen is, and at what temperature water boils there today."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.physics.altimeter import pressure_altitude_m
from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C
from monitor.physics.units import c_to_f, m_to_ft
from monitor.plan.pressure import BAROMETER, StationPressure
from monitor.record.model import Site

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


@dataclass(frozen=True, slots=True)
class BoilingToday:
    """Where water boils here today, against an average day: a sentence, and what is behind it. [°C], [K], [m]"""

    boil_C: float
    average_C: float
    shift_K: float
    as_at_m: float | None
    sentence: str
    text: str


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
            f"Water boils at about {average_C:.1f} °C ({c_to_f(average_C):.1f} °F) here.",
            f"That is an average day at {altitude_m:.0f} m; weather and season move it by up to about 1 K, and "
            "nothing says how far.",
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
        f"Water boils at {boil_C:.1f} °C ({c_to_f(boil_C):.1f} °F) here today.",
        f"{pressure.text}: {abs(shift_K):.1f} K {direction} the average for {altitude_m:.0f} m, as on an average day "
        f"at {as_at_m:.0f} m ({m_to_ft(as_at_m):,.0f} ft).",
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
    """The record's ``site``: a node's barometer wins over a typed pressure, that over the altitude.

    What a barometer was heard to say is not kept: its readings come with the samples.
    """
    if pressure is not None and pressure.kind == BAROMETER:
        pressure, barometer = None, True
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
