"""From what was filled in on the plan page to the plan, the set-up's answer and the start. Pure.

Every decision is ``monitor.plan``'s; this module only brings a form's words into its types.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from monitor.plan.history import blocked_since, last_good_check
from monitor.plan.make import make_plan
from monitor.plan.model import Plan
from monitor.plan.place import site_of
from monitor.plan.pressure import PressureGiven, StationPressure, station_pressure
from monitor.plan.refusal import Refusal
from monitor.plan.registration import ProbeRegistration
from monitor.plan.start import StartFacts
from monitor.record.model import Calibration, Site
from monitor.store.entries import Entry

#: How the boiling point is to be known, and the words for it.
BAROMETER = "The node has a barometer"
ALTIMETER = "An altimeter setting (QNH) from an airport near by"
STATION = "A barometer in this kitchen, read by you"
ALTITUDE = "From the altitude alone"
PRESSURE_WAYS = (BAROMETER, ALTIMETER, STATION, ALTITUDE)


@dataclass(frozen=True, slots=True)
class Kitchen:
    """The place as it was filled in; lengths in m."""

    altitude_m: float | None = None
    uncertainty_m: float | None = None
    found_by: str = "other"
    zone: str = "UTC"
    way: str = ALTITUDE
    typed_hPa: float | None = None

    def as_json(self) -> dict[str, Any]:
        """Body of a ``settings`` entry: what stays the same from batch to batch."""
        return {
            "altitude_m": self.altitude_m,
            "altitude_uncertainty_m": self.uncertainty_m,
            "altitude_found_by": self.found_by,
            "zone": self.zone,
            "pressure_way": self.way,
        }


def kitchen_of(told: Mapping[str, Any]) -> Kitchen:
    """The kitchen of earlier ``settings``."""
    way = told.get("pressure_way")
    return Kitchen(
        told.get("altitude_m"),
        told.get("altitude_uncertainty_m"),
        str(told.get("altitude_found_by") or "other"),
        str(told.get("zone") or "UTC"),
        str(way) if way in PRESSURE_WAYS else ALTITUDE,
    )


def pressure_of(kitchen: Kitchen, now: datetime) -> StationPressure | Refusal | None:
    """What was typed, brought up to the kitchen; ``None`` where nothing is typed."""
    kinds = {ALTIMETER: "altimeter_setting", STATION: "station"}
    if kitchen.way not in kinds or not kitchen.typed_hPa or kitchen.altitude_m is None:
        return None
    given = PressureGiven(kinds[kitchen.way], kitchen.typed_hPa, "hPa", now)
    return station_pressure(given, kitchen.altitude_m, kitchen.uncertainty_m, now)


def site(kitchen: Kitchen, pressure: StationPressure | None) -> Site:
    """The record's site."""
    if kitchen.altitude_m is None:
        return Site()
    return site_of(
        "home kitchen",
        kitchen.altitude_m,
        kitchen.uncertainty_m,
        found_by=kitchen.found_by,
        pressure=pressure,
        barometer=kitchen.way == BAROMETER,
    )


def plan_of(
    food: str, pack: str, jar: str, kitchen: Kitchen, pressure: StationPressure | None
) -> Plan | Refusal | None:
    """The plan, why there is none, or ``None`` while the altitude is missing."""
    if kitchen.altitude_m is None:
        return None
    pressure_kPa = pressure.pressure_kPa if pressure else None
    return make_plan(
        food, pack, jar, kitchen.altitude_m, kitchen.uncertainty_m, station_pressure_kPa=pressure_kPa
    )


@dataclass(frozen=True, slots=True)
class KnownProbe:
    """A registered probe with its last good check, and why it is blocked if it is."""

    registration: ProbeRegistration
    calibration: Calibration | None
    blocked: str

    @property
    def words(self) -> str:
        """What its last check says, in one sentence."""
        if self.blocked:
            return f"Blocked: {self.blocked}"
        if self.calibration is None:
            return "Never checked: its kind's published tolerance is taken instead."
        found = self.calibration
        when = f" on {found.at:%Y-%m-%d}" if found.at else ""
        return (
            f"Checked{when} ({found.method or 'method not said'}): add {found.offset_K:+.2f} K, "
            f"± {found.expanded_uncertainty_K:.2f} K."
        )


def probes(entries: Iterable[Entry]) -> list[KnownProbe]:
    """Registered probes, each by its newest registration; from ``probe_*`` entries, oldest first."""
    registered: dict[str, ProbeRegistration] = {}
    bodies: list[Mapping[str, Any]] = []
    for entry in entries:
        if entry.kind == "probe_registered":
            registration = ProbeRegistration.from_json(entry.body)
            registered.pop(registration.probe_id, None)
            registered[registration.probe_id] = registration
        elif entry.kind == "probe_checked":
            bodies.append(entry.body)
    return [
        KnownProbe(item, last_good_check(bodies, name), blocked_since(bodies, name))
        for name, item in reversed(registered.items())
    ]


def plan_facts(plan: Plan) -> list[tuple[str, str]]:
    """Name and value of what a plan says, in the order a cook asks for it."""
    rows = [
        ("Food", plan.food),
        ("Pack and jar", f"{plan.pack} pack, {plan.jar_words}"),
        ("Read from", plan.source + (f" ({plan.caveat})" if plan.caveat else "")),
        ("Water over the lids", f"{plan.water_over_lids.inches} in ({plan.water_over_lids.millimetres} mm)"),
        ("Water at loading", f"at most {plan.loading_water_max_C:.0f} °C"),
    ]
    if plan.headspace_in is not None:
        rows.insert(3, ("Headspace", f"{plan.headspace_in:g} in ({plan.headspace_mm:.0f} mm)"))
    if plan.acid is not None:
        rows.append(("Acid", str(plan.acid["text"])))
    if plan.sterilise_jars:
        rows.append(("Sterilise the empty jars", f"{plan.sterilise_minutes} min in boiling water"))
    return rows


def why_this_time(plan: Plan) -> list[str]:
    """What moved the time, or speaks against it."""
    offer = [plan.offer.text] if plan.offer else []
    return [text for text in (plan.straddle, *plan.disagreements, *offer) if text]


def with_batch(facts: StartFacts, form: Mapping[str, Any]) -> StartFacts:
    """The facts with what was said of the batch and of the room. Missing stays missing."""
    jars = form.get("jars")
    return replace(
        facts,
        jars=jars,
        jar_numbers=tuple(range(1, (jars or 0) + 1)),
        rims_and_lids_checked=bool(form.get("rims")),
        coldest_jar_C=form.get("coldest_jar_C"),
        loading_water_C=form.get("loading_water_C"),
        acid_confirmed=bool(form.get("acid")),
        sound_heard=bool(form.get("sound")),
        power_ok=True if form.get("power") else None,
        clock_ok=True if form.get("clock") else None,
        calibration_seen=bool(form.get("probe_seen")),
        who=str(form.get("who") or ""),
        already_boiling=bool(form.get("already_boiling")),
    )


def free_run_id(day: str, canner: str, taken: Sequence[str]) -> str:
    """A run id of the day and the canner that is not taken yet."""
    stem = f"{day}-{canner}"
    letters = "abcdefghijklmnopqrstuvwxyz"
    names = (f"{stem}-{first}{second}" for first in ("", *letters) for second in letters)
    return next(name for name in names if name not in taken)
