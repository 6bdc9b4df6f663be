"""From the facts of a start to the header of its run: what is not known is left out, never made up."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import count
from string import ascii_lowercase
from typing import Any

from monitor.plan.lot import lot_code
from monitor.plan.model import Plan
from monitor.plan.start import StartFacts, decide_start
from monitor.record.model import Batch, Probe, Required, Run, Site
from monitor.record.write import header_to_json


def header_of(facts: StartFacts, run_id: str, started_at: datetime) -> Run:
    """The run's header from the facts of a start; what is not known is left out, never made up.

    Raises ValueError without a plan: a run always says which time it holds.
    """
    if facts.plan is None:
        raise ValueError("a run needs a plan")
    plan, decision = facts.plan, decide_start(facts)
    extra: dict[str, Any] = {"started_by": facts.who} if facts.who else {}
    if decision.deviations:
        extra["deviations"] = list(decision.deviations)
    if decision.cautions:
        extra["cautions"] = list(decision.cautions)
    if confirmed := _confirmed(facts):
        extra["confirmed_at_start"] = confirmed
    if decision.record_anyway:
        extra["capped_at_unproven"] = list(decision.cap_reasons)
    return Run(
        run_id=run_id,
        started_at=started_at,
        required=_required(plan),
        canner=facts.canner,
        zone=facts.zone,
        site=facts.site or Site(),
        batch=_batch(facts, plan, run_id, started_at),
        probe=_probe(facts),
        extra=extra,
    )


def _confirmed(facts: StartFacts) -> list[str]:
    """What a person looked at before the start, beside the checklist."""
    looked = (
        ("clock", facts.clock_ok),
        ("power", facts.power_ok),
        ("alarm heard", facts.sound_heard),
        ("probe's state", facts.calibration_seen),
    )
    return [name for name, yes in looked if yes]


def header_json(facts: StartFacts, run_id: str, started_at: datetime) -> dict[str, Any]:
    """The body of a ``run_started`` entry: the same as ``run.json``."""
    return header_to_json(header_of(facts, run_id, started_at))


def free_run_id(started_at: str, canner: str, taken: Collection[str]) -> str:
    """A run's id: the day of ``started_at`` (ISO 8601), the canner, and the first letter that is free."""
    base = f"{started_at[:10]}-{canner}"
    names = (f"{base}-{letter}{number or ''}" for number in count() for letter in ascii_lowercase)
    return next(name for name in names if name not in taken)


def start_entries(
    facts: StartFacts, run_id: str, started_at: datetime, done: Sequence[str]
) -> tuple[tuple[str, dict[str, Any]], ...]:
    """(kind, body) of all that a start keeps: the run, its plan, the ticked steps, the temperatures at loading."""
    plan = facts.plan
    if plan is None:
        raise ValueError("a run needs a plan")
    loading = {"coldest_jar_C": facts.coldest_jar_C, "water_C": facts.loading_water_C, "jars": facts.jars}
    return (
        ("run_started", header_json(facts, run_id, started_at)),
        ("plan", plan.as_json()),
        ("checklist", {"done": list(done), "all": [step.id for step in plan.checklist]}),
        ("loading", loading),
    )


def _required(plan: Plan) -> Required:
    extra: dict[str, Any] = {"evidence": plan.evidence, "printed_minutes": plan.printed_minutes}
    if plan.offer is not None:
        extra["low_pressure"] = plan.offer.as_json()
    if plan.caveat:
        extra["caveat"] = plan.caveat
    return Required(minutes=plan.minutes, source=plan.source, extra=extra)


def _batch(facts: StartFacts, plan: Plan, run_id: str, started_at: datetime) -> Batch:
    extra: dict[str, Any] = {
        "jar_mL": plan.jar_mL,
        "headspace_mm": plan.headspace_mm if facts.headspace_mm is None else facts.headspace_mm,
        "lot_code": lot_code(run_id, started_at.date(), facts.lots_taken),
        "jar_numbers": list(facts.jar_numbers),
        "coldest_jar_C": facts.coldest_jar_C,
        "loading_water_C": facts.loading_water_C,
    }
    if plan.acid is not None:
        extra["acid"] = plan.acid["text"]
        extra["acid_confirmed"] = facts.acid_confirmed
    if facts.ph is not None:
        extra["ph"] = facts.ph.as_json()
    kept = {key: value for key, value in extra.items() if value not in (None, [])}
    # A process of the cook's own carries that in its food's name: so it stands on every page, label and proof.
    food = f"{plan.food} (own process)" if plan.own else plan.food
    return Batch(food=food, food_id=plan.food_id, pack=plan.pack, jar=plan.jar, jars=facts.jars, extra=kept)


def _probe(facts: StartFacts) -> Probe:
    if facts.probe is None:
        return Probe(calibration=None)
    probe = Probe(
        channel=facts.probe.channel,
        kind=facts.probe.kind,
        converter=facts.probe.converter,
        extra={"probe_id": facts.probe.probe_id, "place": facts.probe.place},
    )
    return replace(probe, calibration=None if facts.probe_blocked else facts.calibration)
