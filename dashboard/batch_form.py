"""The batch and the room: jars, temperatures at loading, the checklist, the alarm that must have been heard."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import access, look, number_field, sound_test
from dashboard.units import fahrenheit
from monitor.physics.units import c_to_f, f_to_c, in_to_mm
from monitor.plan.model import Plan
from monitor.plan.needs import acid_statement
from monitor.plan.start import HEADSPACE_MM, MOST_JARS, PLAUSIBLE_C
from monitor.plan.steps import BEFORE_HEAT, Step
from monitor.plan.water import fahrenheit_meant

#: Ticked elsewhere: the alarm has buttons of its own, the acid its own line.
ELSEWHERE = ("sound_heard", "acid")
NO_PH_SURE = "Say how sure the pH is."


def draw(plan: Plan, zone: str | None) -> dict[str, Any]:
    """Draw the fields; returns what was said. What was not said, or cannot be read, is missing or False."""
    form: dict[str, Any] = {}
    first, second, third = st.columns(3)
    jars = number_field.ask(first, "Jars", "jars", low=1, high=MOST_JARS, whole=True).value
    if jars:
        first.caption(f"They are numbered 1 to {jars:.0f}.")
    form["jars"] = None if jars is None else round(jars)
    form["coldest_jar_C"] = _temperature(second, "Coldest filled jar", "coldest_jar")
    form["loading_water_C"] = _temperature(third, "Water when the jars go in", "loading_water")
    unread = [_headspace(second, plan, form)]
    with first:
        form["who"] = access.who("Who starts")
    with third:
        form |= _ph(unread)
    form["unread"] = tuple(filter(None, unread))
    look.page("<h2>5. The checklist</h2>")
    form["all_ticked"] = _checklist(plan)
    form["rims"] = bool(st.session_state.get("step_jars_and_lids"))
    if plan.acid is not None:
        said = acid_statement(plan.acid)
        form["acid"] = st.checkbox(look.plain(said[:1].upper() + said[1:]), key="acid")
    form["sound"] = sound_test.ask()
    now = datetime.now(UTC).astimezone(ZoneInfo(zone or "UTC"))
    here = "here" if zone else "UTC"
    form["clock"] = st.checkbox(look.plain(f"It is {now:%H:%M} {here}, and that is right"), key="clock_ok")
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


def _headspace(column: st.delta_generator.DeltaGenerator, plan: Plan, form: dict[str, Any]) -> str:
    """The recipe's, in the unit in which this reader's recipes give it; why it cannot be read, or ""."""
    inches = fahrenheit()
    mm_each = in_to_mm(1.0) if inches else 1.0
    usual = plan.headspace_in if inches else plan.headspace_mm
    low, high = (limit_mm / mm_each for limit_mm in HEADSPACE_MM)
    unit, other = ("in", "mm") if inches else ("mm", "in")
    key, former = f"headspace_{unit}_{plan.food_id}", f"headspace_{other}_{plan.food_id}"
    former_usual = plan.headspace_mm if inches else plan.headspace_in
    number_field.convert(
        former,
        key,
        lambda typed: (
            None if typed == former_usual else round(typed / mm_each if inches else in_to_mm(typed), 2)
        ),
    )
    said = number_field.ask(
        column,
        f"Headspace [{unit}]",
        key,
        None if usual is None else float(usual),
        low=round(low, 2),
        high=round(high, 2),
        unit=unit,
    )
    form["headspace_mm"] = (
        plan.headspace_mm if said.value == usual else None if said.value is None else said.value * mm_each
    )
    # Else what is typed and cannot be read would be taken for the table's.
    return said.why


def _temperature(column: st.delta_generator.DeltaGenerator, label: str, key: str) -> float | None:
    unit, other, worked_out = ("°F", "°C", c_to_f) if fahrenheit() else ("°C", "°F", f_to_c)
    number_field.convert(f"{key}_{other}", f"{key}_{unit}", lambda typed: round(worked_out(typed), 1))
    low, high = (c_to_f(limit_C) if fahrenheit() else limit_C for limit_C in PLAUSIBLE_C)
    said = number_field.ask(
        column,
        f"{label} [{unit}]",
        f"{key}_{unit}",
        low=low,
        high=high,
        unit=unit,
        hint=None if fahrenheit() else fahrenheit_meant,
    )
    return None if said.value is None else f_to_c(said.value) if fahrenheit() else said.value


def _ph(unread: list[str]) -> dict[str, Any]:
    """A pH, where somebody measured one; it is no substitute for the recipe's acid."""
    with st.expander("A pH was measured"):
        place = st.container()
        value = number_field.ask(place, "pH", "ph", low=0.0, high=14.0)
        unread.append(value.why)
        if value.value is None:
            return {}
        sure = number_field.ask(place, "Sure to ±", "ph_sure", 0.1, low=0.0, high=14.0)
        age_h = number_field.ask(place, "Hours since processing", "ph_age", low=0.0)
        unread += [sure.why or ("" if sure.value is not None else NO_PH_SURE), age_h.why]
        return {
            "ph": value.value,
            "ph_sure": sure.value,
            "ph_meter": st.text_input("Name of the meter", key="ph_meter", max_chars=40),
            "ph_buffers": st.checkbox("Checked against two buffers today", key="ph_buffers"),
            "ph_strip": st.checkbox("It was a paper strip", key="ph_strip"),
            "ph_age_h": age_h.value,
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
