"""The batch and the room: jars, temperatures at loading, the checklist, the alarm that must have been heard."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import access, draft, look, sound_test
from dashboard.units import fahrenheit
from monitor.physics.units import c_to_f, f_to_c, in_to_mm
from monitor.plan.model import Plan
from monitor.plan.needs import acid_statement
from monitor.plan.steps import BEFORE_HEAT, Step

#: Ticked elsewhere: the alarm has buttons of its own, the acid its own line.
ELSEWHERE = ("sound_heard", "acid")


def draw(plan: Plan, zone: str) -> dict[str, Any]:
    """Draw the fields; returns what was said. What was not said is missing or False."""
    form: dict[str, Any] = {}
    first, second, third = st.columns(3)
    jars = first.number_input("Jars", value=None, min_value=1, max_value=60, step=1, key="jars")
    if jars:
        first.caption(f"They are numbered 1 to {jars}.")
    form["jars"] = jars
    form["coldest_jar_C"] = _temperature(second, "Coldest filled jar", "coldest_jar")
    form["loading_water_C"] = _temperature(third, "Water when the jars go in", "loading_water")
    form["headspace_mm"] = _headspace(second, plan)
    with first:
        form["who"] = access.who("Who starts")
    with third:
        form |= _ph()
    look.page("<h2>5. The checklist</h2>")
    form["all_ticked"] = _checklist(plan)
    form["rims"] = bool(st.session_state.get("step_jars_and_lids"))
    if plan.acid is not None:
        said = acid_statement(plan.acid)
        form["acid"] = st.checkbox(look.plain(said[:1].upper() + said[1:]), key="acid")
    form["sound"] = sound_test.ask()
    now = datetime.now(UTC).astimezone(ZoneInfo(zone))
    form["clock"] = st.checkbox(look.plain(f"It is {now:%H:%M} here, and that is right"), key="clock_ok")
    form["power"] = st.checkbox(
        "Node and computer run on mains, or on a battery for three times the time", key="power"
    )
    form["probe_seen"] = st.checkbox("I have seen what the probe can prove today (3)", key="probe_seen")
    form["already_boiling"] = st.checkbox("The jars are already in boiling water", key="already")
    return form


def done_steps(plan: Plan) -> list[str]:
    """Ids of the checklist's steps that were ticked."""
    done = [step.id for step in plan.checklist if st.session_state.get(f"step_{step.id}")]
    if st.session_state.get("acid"):
        done.append("acid")
    return [*done, *(["sound_heard"] if sound_test.heard() else [])]


def _headspace(column: st.delta_generator.DeltaGenerator, plan: Plan) -> float | None:
    """The recipe's, in the unit in which this reader's recipes give it; [mm] out."""
    inches = fahrenheit()
    mm_each = in_to_mm(1.0) if inches else 1.0
    usual = plan.headspace_in if inches else plan.headspace_mm
    low, high, step = (0.1, 2.0, 0.125) if inches else (1.0, 60.0, 1.0)
    unit, other = ("in", "mm") if inches else ("mm", "in")
    key, former = f"headspace_{unit}_{plan.food_id}", f"headspace_{other}_{plan.food_id}"
    former_usual = plan.headspace_mm if inches else plan.headspace_in
    draft.convert(
        former,
        key,
        lambda typed: (
            None if typed == former_usual else round(typed / mm_each if inches else in_to_mm(typed), 2)
        ),
    )
    value = column.number_input(
        f"Headspace [{unit}]",
        value=None if usual is None else float(usual),
        min_value=low,
        max_value=high,
        step=step,
        format="%g",
        key=key,
    )
    return plan.headspace_mm if value == usual else None if value is None else float(value) * mm_each


def _temperature(column: st.delta_generator.DeltaGenerator, label: str, key: str) -> float | None:
    unit, other, worked_out = ("°F", "°C", c_to_f) if fahrenheit() else ("°C", "°F", f_to_c)
    draft.convert(f"{key}_{other}", f"{key}_{unit}", lambda typed: round(worked_out(typed), 1))
    value = column.number_input(f"{label} [{unit}]", value=None, key=f"{key}_{unit}")
    return None if value is None else f_to_c(value) if fahrenheit() else float(value)


def _ph() -> dict[str, Any]:
    """A pH, where somebody measured one; it is no substitute for the recipe's acid."""
    with st.expander("A pH was measured"):
        value = st.number_input("pH", value=None, min_value=0.0, max_value=14.0, step=0.01, key="ph")
        if value is None:
            return {}
        return {
            "ph": value,
            "ph_sure": st.number_input("Sure to ±", value=0.1, min_value=0.0, step=0.01, key="ph_sure"),
            "ph_meter": st.text_input("Name of the meter", key="ph_meter", max_chars=40),
            "ph_buffers": st.checkbox("Checked against two buffers today", key="ph_buffers"),
            "ph_strip": st.checkbox("It was a paper strip", key="ph_strip"),
            "ph_age_h": st.number_input("Hours since processing", value=None, min_value=0.0, key="ph_age"),
        }


def _checklist(plan: Plan) -> bool:
    """The steps of this batch and no other; True when all are ticked."""
    ticked = True
    for title, steps in _grouped(plan):
        note = (
            ""
            if title == "Before the heat"
            else '<p class="bw-note">What is to be marked is marked on the page Now, once the run is on.</p>'
        )
        look.page(f"<p><strong>{title}</strong></p>{note}")
        for step in steps:
            caution = f" :small[{look.plain(step.caution)}]" if step.caution else ""
            ticked &= st.checkbox(look.plain(step.text) + caution, key=f"step_{step.id}")
    return ticked


def _grouped(plan: Plan) -> list[tuple[str, list[Step]]]:
    steps = [step for step in plan.checklist if step.id not in ELSEWHERE]
    before = [step for step in steps if step.when == BEFORE_HEAT]
    return [("Before the heat", before), ("Loading", [step for step in steps if step not in before])]
