"""What a person says was right of a run's header, as the change that is appended: food, jar, time, altitude, pressure.

What hung on the old value goes with it, and is unknown until somebody says it anew: a pressure that was brought up to
another altitude, the table's words about another time. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from monitor.errors import UsageError
from monitor.plan.containers import parse_jar, parse_pack
from monitor.plan.pressure import STATION, PressureGiven, station_pressure
from monitor.plan.refusal import Refusal
from monitor.record.changes import laid_over
from monitor.tables.foods import food_of_id

_Found = TypeVar("_Found")

#: As long as the field of a start takes.
LONGEST_FOOD = 100
#: A process of the cook's own says so in its food's name, on every page, label and proof.
_OWN = " (own process)"
#: What the table said of the time that is replaced.
_OF_THE_TIME = ("evidence", "printed_minutes", "low_pressure")


@dataclass(frozen=True, slots=True)
class Said:
    """What a person says was right; None where it stands as it is. Altitudes in m, the time in minutes."""

    food: str | None = None
    food_id: str | None = None
    pack: str | None = None
    jar: str | None = None
    minutes: float | None = None
    source: str | None = None
    altitude_m: float | None = None
    altitude_uncertainty_m: float | None = None
    pressure: PressureGiven | None = None


def correction(header: Mapping[str, Any], said: Said) -> dict[str, Any]:
    """The body of the ``header_changed`` entry that lays ``said`` over ``header``.

    Raises
    ------
    UsageError
        Something is not usable as given, or nothing differs.
    """
    body = {
        name: part
        for name, part in (
            ("batch", _batch(header, said)),
            ("required", _required(header, said)),
            ("site", _site(header, said)),
        )
        if part
    }
    if not body or laid_over(header, body) == dict(header):
        raise UsageError("nothing of this differs from what stands there.", "Nothing was written down.")
    return body


def _part(header: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    part = header.get(name)
    return part if isinstance(part, Mapping) else {}


def _batch(header: Mapping[str, Any], said: Said) -> dict[str, Any]:
    changes: dict[str, Any] = {}
    if said.food is not None:
        changes["food"] = _food(str(_part(header, "batch").get("food") or ""), said.food)
    if said.food_id is not None:
        if food_of_id(said.food_id) is None:
            raise UsageError(f"the table of times has no food {said.food_id!r}.", "Leave its id out.")
        changes["food_id"] = said.food_id
    if said.pack is not None:
        changes["pack"] = _or_trouble(parse_pack(said.pack))
    if said.jar is not None:
        jar = _or_trouble(parse_jar(said.jar))
        changes |= {"jar": jar.name, "jar_mL": jar.volume_mL}
    return changes


def _food(before: str, words: str) -> str:
    food = " ".join(words.split())
    if not 0 < len(food) <= LONGEST_FOOD:
        raise UsageError(f"say what is in the jars in 1 to {LONGEST_FOOD} characters.")
    return food + _OWN if before.endswith(_OWN) and not food.endswith(_OWN) else food


def _required(header: Mapping[str, Any], said: Said) -> dict[str, Any]:
    if said.minutes is None and said.source is None:
        return {}
    source = (said.source or "").strip()
    if not source:
        # The old source speaks of the old time.
        raise UsageError("say where the corrected time was read.", "Name book or page with the minutes.")
    changes: dict[str, Any] = {"source": source}
    if said.minutes is not None:
        if not 0.1 <= said.minutes <= 1440.0:
            raise UsageError(f"{said.minutes:g} min is no processing time.", "Give minutes from 0.1 to 1440.")
        changes["minutes"] = float(said.minutes)
    return changes | {key: None for key in _OF_THE_TIME if key in _part(header, "required")}


def _site(header: Mapping[str, Any], said: Said) -> dict[str, Any]:
    site, changes = _part(header, "site"), dict[str, Any]()
    altitude_m, sure_m = site.get("altitude_m"), site.get("altitude_uncertainty_m")
    if said.altitude_m is not None:
        if not -500.0 <= said.altitude_m <= 6000.0:
            raise UsageError(f"{said.altitude_m:g} m is no kitchen's altitude.", "Give -500 to 6000 m.")
        altitude_m, sure_m = float(said.altitude_m), None
        # How sure the old one was says nothing of this one: unknown is taken at its widest.
        changes |= {"altitude_m": altitude_m, "altitude_uncertainty_m": None, "altitude_found_by": "other"}
    if said.altitude_uncertainty_m is not None:
        if not 0.0 <= said.altitude_uncertainty_m <= 6000.0:
            raise UsageError(f"± {said.altitude_uncertainty_m:g} m says nothing of an altitude.")
        sure_m = float(said.altitude_uncertainty_m)
        changes["altitude_uncertainty_m"] = sure_m
    if said.pressure is not None:
        return changes | _pressure(site, said.pressure, altitude_m, sure_m)
    if said.altitude_m is not None and site.get("station_pressure_kind") not in (None, STATION):
        # It was worked out for the altitude that was wrong.
        source = site.get("pressure_source")
        changes |= {"station_pressure_kPa": None, "station_pressure_kind": None, "station_pressure_at": None}
        changes["pressure_source"] = "altitude" if source == "station pressure" else source
    return changes


def _pressure(site: Mapping[str, Any], given: PressureGiven, altitude_m: Any, sure_m: Any) -> dict[str, Any]:
    if not isinstance(altitude_m, int | float):
        raise UsageError("a pressure needs the kitchen's altitude beside it.", "Give both.")
    sure = float(sure_m) if isinstance(sure_m, int | float) else None
    # How old it was during the hold is the judge's to say.
    found = _or_trouble(station_pressure(given, float(altitude_m), sure, given.at))
    changes: dict[str, Any] = {
        "station_pressure_kPa": round(found.pressure_kPa, 4),
        "station_pressure_kind": given.kind,
        "station_pressure_at": given.at.isoformat(),
    }
    if site.get("pressure_source") != "barometer":  # that comes first whatever was typed
        changes["pressure_source"] = "station pressure"
    return changes


def _or_trouble(found: _Found | Refusal) -> _Found:
    if isinstance(found, Refusal):
        raise UsageError(found.reason, found.instead)
    return found
