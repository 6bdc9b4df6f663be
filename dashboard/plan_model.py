"""From what was filled in on the plan page to the plan, the set-up's answer and the start. Pure.

Every decision is ``monitor.plan``'s; this module only brings a form's words into its types.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dashboard import figures
from dashboard.kitchen_model import Kitchen
from monitor.plan.history import standing_of
from monitor.plan.make import make_own_plan, make_plan
from monitor.plan.model import Plan
from monitor.plan.own import OwnProcess
from monitor.plan.ph import PhMeasured
from monitor.plan.pressure import StationPressure
from monitor.plan.refusal import Refusal
from monitor.plan.registration import ProbeRegistration
from monitor.plan.search import find_food
from monitor.plan.start import StartFacts
from monitor.plan.water import loading_limit_words
from monitor.record.model import Calibration
from monitor.tables.foods import Food, foods


def plan_of(
    food: str,
    pack: str,
    jar: str,
    kitchen: Kitchen,
    pressure: StationPressure | None,
    *,
    take_longer: bool = False,
) -> Plan | Refusal | None:
    """The plan, why there is none, or ``None`` while the altitude is missing."""
    if kitchen.altitude_m is None:
        return None
    return make_plan(
        food,
        pack,
        jar,
        kitchen.altitude_m,
        kitchen.uncertainty_m,
        station_pressure_kPa=pressure.pressure_kPa if pressure else None,
        take_longer=take_longer,
    )


def typed_food(food_id: str) -> str:
    """A food as a person would type it: its name, or the first word that finds it and no other."""
    food = foods()[food_id]
    for words in (food.name, food.name.partition(" (")[0], *food.words):
        found = find_food(words)
        if isinstance(found, Food) and found.food_id == food_id:
            return words
    return food_id.replace("_", " ")


def own_plan_of(own: OwnProcess, kitchen: Kitchen) -> Plan | Refusal | None:
    """The plan of a process that the cook brings, marked as theirs."""
    if kitchen.altitude_m is None:
        return None
    return make_own_plan(own, kitchen.altitude_m, kitchen.uncertainty_m)


@dataclass(frozen=True, slots=True)
class KnownProbe:
    """A registered probe with its last good check, and why it is blocked if it is."""

    registration: ProbeRegistration
    calibration: Calibration | None
    blocked: str
    said: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What its last check says, in one sentence."""
        if self.blocked:
            return "Its earlier check does not count." if self.calibration else "It has no check that counts."
        if self.calibration is None and self.said:
            return "No check of it counts: its kind's published tolerance is taken instead."
        if self.calibration is None:
            return "Never checked: its kind's published tolerance is taken instead."
        found = self.calibration
        when = f" on {found.at:%Y-%m-%d}" if found.at else ""
        return (
            f"Checked{when} ({found.method or 'method not said'}): add {figures.signed(found.offset_K)}, "
            f"± {found.expanded_uncertainty_K:.2f} K."
        )


def named(registered: Iterable[ProbeRegistration], probe_id: str) -> ProbeRegistration | None:
    """The probe registered by a name; None where none is."""
    return next((item for item in registered if item.probe_id == probe_id), None)


def known_probes(
    registered: Iterable[ProbeRegistration], checks: Sequence[Mapping[str, Any]]
) -> list[KnownProbe]:
    """Registered probes with what their checks, oldest first, say of them."""
    found = []
    for item in registered:
        standing = standing_of(checks, item.probe_id)
        found.append(KnownProbe(item, standing.calibration, standing.blocked, standing.said))
    return found


def proved_by(checks: Iterable[Mapping[str, Any]], probe_id: str) -> tuple[str, ...]:
    """What the last accepted check proves and for how long, in its own sentences; oldest check first."""
    told: tuple[str, ...] = ()
    for body in checks:
        if body.get("probe_id") == probe_id and (body.get("calibration") or body.get("ended")):
            told = tuple(str(text) for text in body.get("text") or ())
    return told


def plan_facts(plan: Plan) -> list[tuple[str, str]]:
    """Name and value of what a plan says, in the order a cook asks for it."""
    rows = [
        ("Food", plan.food),
        ("Pack and jar", f"{plan.pack} pack, {plan.jar_words}"),
        ("Read from", plan.source + (f" ({plan.caveat})" if plan.caveat else "")),
        ("Water over the lids", f"{plan.water_over_lids.inches} in ({plan.water_over_lids.millimetres} mm)"),
        ("Water at loading", f"at most {loading_limit_words(plan.pack)}"),
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
    return [text for text in (plan.straddle, *plan.disagreements) if text]


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
        headspace_mm=form.get("headspace_mm"),
        ph=ph_of(form),
        unread=tuple(form.get("unread") or ()),
        who=str(form.get("who") or ""),
        already_boiling=bool(form.get("already_boiling")),
    )


def ph_of(form: Mapping[str, Any]) -> PhMeasured | None:
    """The pH that was measured, where one was."""
    value = form.get("ph")
    if value is None:
        return None
    return PhMeasured(
        float(value),
        float(form.get("ph_sure") or 0.0),
        "strip" if form.get("ph_strip") else "meter",
        str(form.get("ph_meter") or "").strip(),
        bool(form.get("ph_buffers")),
        form.get("ph_age_h"),
    )
