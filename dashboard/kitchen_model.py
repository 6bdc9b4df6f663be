"""The kitchen as a page knows it: altitude, zone, and how today's air is measured. Pure.

Every decision is ``monitor.plan``'s; this module only brings a form's words into its types, and back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from monitor.judge.pressure import TYPED_LASTS_S
from monitor.physics.units import m_to_ft
from monitor.plan import pressure as air
from monitor.plan.place import ALTITUDE_FOUND_M, BoilingToday, boiling_today, site_of
from monitor.plan.pressure import PressureGiven, StationPressure, heard_pressure, station_pressure
from monitor.plan.refusal import OUT_OF_RANGE, Refusal
from monitor.record.model import Site

#: How the boiling point is to be known: the words for it, and the kind of pressure that is typed then.
BAROMETER = "The node has a barometer"
ALTIMETER = "An altimeter setting (QNH) from an airport near by"
FORECAST = "The sea-level pressure of a forecast"
STATION = "A barometer in this kitchen, read by you"
ALTITUDE = "From the altitude alone"
TYPED_KINDS = {ALTIMETER: air.ALTIMETER, FORECAST: air.SEA_LEVEL, STATION: air.STATION}
PRESSURE_WAYS = (BAROMETER, ALTIMETER, FORECAST, STATION, ALTITUDE)
#: Where the standard air and the saturation line are known. [m]
ALTITUDE_BETWEEN_M = (-500.0, 6000.0)


@dataclass(frozen=True, slots=True)
class Kitchen:
    """The place as it was filled in; lengths in m, ``zone`` "" where nobody said one.

    ``compared_at``: the node's barometer beside an airport's. ``unread`` and ``pressure_unread``: why something that
    stands in a field of the place, or of the pressure, cannot be read; "" where all can.
    """

    name: str = "home kitchen"
    altitude_m: float | None = None
    uncertainty_m: float | None = None
    found_by: str = "other"
    zone: str = ""
    way: str = ALTITUDE
    typed: PressureGiven | None = None
    compared_at: datetime | None = None
    unread: str = ""
    pressure_unread: str = ""

    @property
    def words(self) -> str:
        """``home kitchen, 1650 ± 10 m (5,413 ft), America/Denver``."""
        height = "altitude not given"
        if self.altitude_m is not None:
            sure = "" if self.uncertainty_m is None else f" ± {self.uncertainty_m:.0f}"
            height = f"{self.altitude_m:.0f}{sure} m ({m_to_ft(self.altitude_m):,.0f} ft)"
        return ", ".join(filter(None, (self.name, height, self.zone)))

    @property
    def is_read(self) -> bool:
        """Whether all that stands in the fields was understood: nothing else is kept for the next visit."""
        return not (self.unread or self.pressure_unread)

    def as_json(self) -> dict[str, Any]:
        """Body of a ``settings`` entry; a typed pressure is good for six hours."""
        typed = self.typed
        return {
            "kitchen": self.name,
            "altitude_m": self.altitude_m,
            "altitude_uncertainty_m": self.uncertainty_m,
            "altitude_found_by": self.found_by,
            "zone": self.zone or None,
            "pressure_way": self.way,
            "pressure": None
            if typed is None
            else {"kind": typed.kind, "value": typed.value, "unit": typed.unit, "at": typed.at.isoformat()},
        }


def kitchen_of(told: Mapping[str, Any], now: datetime) -> Kitchen:
    """The kitchen of earlier ``settings``; a pressure that is too old is forgotten."""
    way = told.get("pressure_way")
    found_by = str(told.get("altitude_found_by") or "other")
    return Kitchen(
        name=str(told.get("kitchen") or "home kitchen"),
        altitude_m=told.get("altitude_m"),
        uncertainty_m=told.get("altitude_uncertainty_m"),
        found_by=found_by if found_by in ALTITUDE_FOUND_M else "other",
        zone=str(told.get("zone") or ""),
        way=str(way) if way in PRESSURE_WAYS else ALTITUDE,
        typed=_typed(told.get("pressure"), now),
        compared_at=_moment(told.get("barometer_checked_at")),
    )


def _typed(form: Any, now: datetime) -> PressureGiven | None:
    if not isinstance(form, Mapping):
        return None
    at = _moment(form.get("at"))
    if at is None or not timedelta(0) <= now - at <= timedelta(seconds=TYPED_LASTS_S):
        return None
    return PressureGiven(str(form.get("kind")), float(form.get("value") or 0.0), str(form.get("unit")), at)


def _moment(text: Any) -> datetime | None:
    return datetime.fromisoformat(text) if isinstance(text, str) else None


def pressure_of(kitchen: Kitchen, heard_kPa: float | None, now: datetime) -> StationPressure | Refusal | None:
    """Today's air in the kitchen: typed, or heard from the node; ``None`` where nothing says it."""
    if kitchen.altitude_m is None:
        return None
    if kitchen.way == BAROMETER:
        if heard_kPa is None:
            return Refusal(OUT_OF_RANGE, air.NOT_SENT, air.SENT_INSTEAD)
        return heard_pressure(heard_kPa, kitchen.altitude_m, kitchen.uncertainty_m, now, kitchen.compared_at)
    if kitchen.pressure_unread:
        return Refusal(OUT_OF_RANGE, f"No pressure counts: {kitchen.pressure_unread}", "Type it again.")
    if kitchen.typed is None or kitchen.typed.kind != TYPED_KINDS.get(kitchen.way):
        return None
    return station_pressure(kitchen.typed, kitchen.altitude_m, kitchen.uncertainty_m, now)


def site(kitchen: Kitchen, pressure: StationPressure | None) -> Site:
    """The record's site."""
    if kitchen.altitude_m is None:
        return Site(name=kitchen.name)
    return site_of(
        kitchen.name,
        kitchen.altitude_m,
        kitchen.uncertainty_m,
        found_by=kitchen.found_by,
        pressure=pressure,
        barometer=kitchen.way == BAROMETER,
        barometer_checked_at=kitchen.compared_at,
    )


def today(kitchen: Kitchen, pressure: StationPressure | None) -> BoilingToday | None:
    """Where water boils in this kitchen today, and what the day does to it; None without an altitude."""
    return None if kitchen.altitude_m is None else boiling_today(kitchen.altitude_m, pressure)
