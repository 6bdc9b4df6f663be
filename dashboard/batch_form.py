"""The batch and the room: jars, temperatures at loading, the checklist, the alarm that must have been heard."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import access, look, sound_test
from dashboard.units import fahrenheit
from monitor.physics.units import f_to_c
from monitor.plan.model import Plan
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
    form["headspace_mm"] = second.number_input(
        "Headspace [mm]",
        value=None if plan.headspace_mm is None else float(plan.headspace_mm),
        min_value=1.0,
        max_value=60.0,
        step=1.0,
        key=f"headspace_{plan.food_id}",
    )
    with first:
        form["who"] = access.who("Who starts")
    with third:
        form |= _ph()
    look.page("<h2>5. The checklist</h2>")
    form["all_ticked"] = _checklist(plan)
    form["rims"] = bool(st.session_state.get("step_jars_and_lids"))
    if plan.acid is not None:
        form["acid"] = st.checkbox(
            f"The acid is in each jar: {look.plain(str(plan.acid['text']))}", key="acid"
        )
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


def _temperature(column: st.delta_generator.DeltaGenerator, label: str, key: str) -> float | None:
    unit = "°F" if fahrenheit() else "°C"
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
        look.page(f"<p><strong>{title}</strong></p>")
        for step in steps:
            caution = f" :small[{look.plain(step.caution)}]" if step.caution else ""
            ticked &= st.checkbox(look.plain(step.text) + caution, key=f"step_{step.id}")
    return ticked


def _grouped(plan: Plan) -> list[tuple[str, list[Step]]]:
    steps = [step for step in plan.checklist if step.id not in ELSEWHERE]
    before = [step for step in steps if step.when == BEFORE_HEAT]
    return [("Before the heat", before), ("Loading", [step for step in steps if step not in before])]
