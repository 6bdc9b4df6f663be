"""Before the heat goes on: what, where, with which probe, with whom; then start."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo, available_timezones

import streamlit as st

from dashboard import access, data, figures, look, plan_model, settings
from dashboard.components import mount
from monitor.errors import StoreError
from monitor.plan.containers import JAR_NAMES
from monitor.plan.header import header_json, header_of
from monitor.plan.model import Plan
from monitor.plan.place import ALTITUDE_FOUND_M
from monitor.plan.pressure import StationPressure
from monitor.plan.refusal import Refusal
from monitor.plan.registration import PLACES, ProbeRegistration
from monitor.plan.search import find_food
from monitor.plan.setup import what_it_proves
from monitor.plan.start import StartFacts, decide_start
from monitor.tables.foods import Food
from monitor.tables.probes import converters, probe_kinds
from monitor.tables.processes import packs_and_jars

ELSE = "Something else"


def main() -> None:
    st.title("Before the heat goes on", anchor=False)
    if not access.ask("plan"):
        return
    kitchen = _kitchen()
    pressure = plan_model.pressure_of(kitchen, datetime.now(UTC))
    if isinstance(pressure, Refusal):
        _refused(pressure)
    found = pressure if isinstance(pressure, StationPressure) else None
    plan = _food(kitchen, found)
    facts = StartFacts(
        plan=plan,
        site=plan_model.site(kitchen, found),
        site_doubt=pressure.reason if isinstance(pressure, Refusal) else "",
        zone=kitchen.zone,
    )
    facts = _probe(facts)
    if plan is not None:
        _batch(facts, plan)


def _kitchen() -> plan_model.Kitchen:
    look.page("<h2>1. The kitchen</h2>")
    known = plan_model.kitchen_of(data.household())
    first, second, third = st.columns(3)
    unit = first.segmented_control("Altitude in", ["m", "ft"], default="m", key="altitude_unit") or "m"
    feet = unit == "ft"
    scale = 0.3048 if feet else 1.0
    shown = None if known.altitude_m is None else round(known.altitude_m / scale)
    height = first.number_input(
        f"Altitude of the kitchen [{unit}]", value=shown, step=1, key=f"altitude_{unit}"
    )
    ways = list(ALTITUDE_FOUND_M)
    found_by = second.selectbox("Found by", ways, index=ways.index(known.found_by), key="found_by")
    sure_m = (
        known.uncertainty_m
        if found_by == known.found_by and known.uncertainty_m
        else ALTITUDE_FOUND_M[found_by]
    )
    sure = second.number_input(
        f"Sure to ± [{unit}]", value=round(sure_m / scale), min_value=1, step=1, key=f"sure_{unit}_{found_by}"
    )
    zones = sorted(available_timezones())
    zone = third.selectbox(
        "Time zone", zones, index=zones.index(known.zone) if known.zone in zones else None, key="zone"
    )
    choices = list(plan_model.PRESSURE_WAYS)
    way = third.selectbox("Air pressure", choices, index=choices.index(known.way), key="pressure_way")
    typed = None
    if way in (plan_model.ALTIMETER, plan_model.STATION):
        typed = third.number_input(
            "Read just now [hPa]", value=None, min_value=500.0, max_value=1100.0, key="typed_hPa"
        )
    altitude_m = None if height is None else height * scale
    kitchen = plan_model.Kitchen(altitude_m, sure * scale, found_by, zone or "UTC", way, typed)
    units = "°F" if data.household().get("units") == "F" else "°C"
    chosen = third.segmented_control("Temperatures in", ["°C", "°F"], default=units, key="units") or units
    told = kitchen.as_json() | {"units": chosen[1]}
    changed = any(data.household().get(key) != value for key, value in told.items())
    if altitude_m is not None and changed and st.button("Remember this kitchen", key="remember"):
        data.say("settings", told)
        data.forget()
        st.toast("Remembered.")
    return kitchen


def _food(kitchen: plan_model.Kitchen, pressure: StationPressure | None) -> Plan | None:
    look.page("<h2>2. The food</h2>")
    text = st.text_input(
        "What is in the jars", key="food", placeholder="pears, crushed tomatoes, corn relish", max_chars=100
    )
    if not text:
        return None
    food = find_food(text)
    if isinstance(food, Refusal):
        _refused(food)
        for suggestion in food.suggestions:
            st.button(
                suggestion.food,
                key=f"food_{suggestion.food_id}",
                on_click=_take_food,
                args=(suggestion.food_id,),
            )
        return None
    pack, jar = _pack_and_jar(food)
    if pack is None or jar is None:
        return None
    plan = plan_model.plan_of(food.food_id, pack, jar, kitchen, pressure)
    if plan is None:
        look.page("<p>Enter the altitude first: the time depends on it.</p>")
        return None
    if isinstance(plan, Refusal):
        _refused(plan)
        return None
    _show_plan(plan)
    return plan


def _take_food(food_id: str) -> None:
    st.session_state["food"] = food_id


def _pack_and_jar(food: Food) -> tuple[str | None, str | None]:
    listed = packs_and_jars(food.food_id)
    packs = list(dict.fromkeys(pack for pack, _ in listed))
    left, right = st.columns(2)
    pack = left.segmented_control(
        "Pack", packs, default=packs[0] if len(packs) == 1 else None, key=f"pack_{food.food_id}"
    )
    jars = [jar for one, jar in listed if one == pack]
    jar = right.segmented_control(
        "Jar",
        jars,
        format_func=lambda name: JAR_NAMES.get(name, name),
        default=jars[0] if len(jars) == 1 else None,
        key=f"jar_{food.food_id}_{pack}",
    )
    return pack, jar


def _show_plan(plan: Plan) -> None:
    why = "".join(f"<li>{look.esc(text)}</li>" for text in plan_model.why_this_time(plan))
    look.page(
        f'<p class="bw-big">{look.esc(figures.minutes(plan.minutes * 60.0))} at a full boil, without a break.</p>'
        + (f"<ul>{why}</ul>" if why else "")
        + look.facts_table(plan_model.plan_facts(plan), "The plan")
        + "".join(f'<p class="bw-caution">{look.esc(text)}</p>' for text in plan.cautions)
    )


def _probe(facts: StartFacts) -> StartFacts:
    look.page("<h2>3. The probe</h2>")
    known = plan_model.probes(data.entries(("probe_registered", "probe_checked")))
    names = [item.registration.probe_id for item in known]
    chosen = st.selectbox("Water probe", [*names, ELSE], key="probe") if names else ELSE
    if chosen == ELSE:
        _register()
        return facts
    item = known[names.index(chosen)]
    facts = replace(facts, probe=item.registration, calibration=item.calibration, probe_blocked=item.blocked)
    lines = [f"{item.registration.kind}; {item.registration.converter}.", item.words]
    if facts.plan is not None:
        answer = what_it_proves(header_of(facts, "plan", datetime.now(UTC)))
        mark = {"proves": ("held", "✔"), "proves_if_seen": ("boil", "●"), "cannot": ("alarm", "▼")}[
            answer.answer
        ]
        sign = f'<span class="bw-tone-{mark[0]}" aria-hidden="true">{mark[1]}</span> '
        rest = "".join(f"<li>{look.esc(text)}</li>" for text in answer.text)
        look.page(f'<p class="bw-lead">{sign}{look.esc(answer.sentence)}</p><ul>{rest}</ul>')
    look.page("".join(f"<p>{look.esc(text)}</p>" for text in lines))
    look.page(
        '<p class="bw-note">Check a probe at the ice point and the boiling point with '
        "<code>boilwitness calibrate</code>.</p>"
    )
    return facts


def _register() -> None:
    with st.form("register", border=False):
        name = st.text_input("Name written on the probe", max_chars=40)
        kind = st.selectbox("Kind", list(probe_kinds()))
        converter = st.selectbox("Converter", list(converters()))
        place = st.selectbox("Where it sits", list(PLACES))
        if st.form_submit_button("Register this probe") and name.strip():
            body = ProbeRegistration(name.strip(), kind, converter, place).as_json()
            data.say("probe_registered", body)
            data.forget()
            st.rerun()


def _batch(facts: StartFacts, plan: Plan) -> None:
    look.page("<h2>4. The batch</h2>")
    node, canner, reading_C, age_s = _node()
    form: dict[str, object] = {}
    first, second, third = st.columns(3)
    form["jars"] = first.number_input("Jars", value=None, min_value=1, max_value=60, step=1, key="jars")
    form["coldest_jar_C"] = second.number_input("Coldest filled jar [°C]", value=None, key="coldest_jar")
    form["loading_water_C"] = third.number_input(
        "Water when the jars go in [°C]", value=None, key="loading_water"
    )
    with first:
        form["who"] = access.who("Who starts")
    look.page("<h2>5. The checklist</h2>")
    ticks = [
        st.checkbox(_step_words(step.text, step.caution), key=f"step_{step.id}") for step in plan.checklist
    ]
    form["rims"] = st.session_state.get("step_jars_and_lids", False)
    form["sound"] = st.session_state.get("step_sound_heard", False)
    mount.sound(None)
    if plan.acid is not None:
        form["acid"] = st.checkbox(f"The acid is in each jar: {_plain(str(plan.acid['text']))}", key="acid")
    now = datetime.now(UTC).astimezone(ZoneInfo(facts.zone or "UTC"))
    form["clock"] = st.checkbox(f"It is {now:%H:%M} here, and that is right", key="clock_ok")
    form["power"] = st.checkbox(
        "Node and computer run on mains, or on a battery for three times the time", key="power"
    )
    form["probe_seen"] = st.checkbox("I have seen what the probe can prove today (3)", key="probe_seen")
    form["already_boiling"] = st.checkbox("The jars are already in boiling water", key="already")
    free = shutil.disk_usage(settings.current().data_dir).free
    whole = replace(
        facts, node=node, canner=canner, reading_C=reading_C, reading_age_s=age_s, free_bytes=float(free)
    )
    _decide(plan_model.with_batch(whole, form), all(ticks), plan)


def _step_words(text: str, caution: str) -> str:
    return _plain(text) + (f" :small[{_plain(caution)}]" if caution else "")


def _plain(text: str) -> str:
    """Our own sentences as a label takes them: markdown's signs would format."""
    return "".join(f"\\{sign}" if sign in "*_[]$`#~:<>" else sign for sign in text)


def _node() -> tuple[str | None, str | None, float | None, float | None]:
    """Which node watches which canner, and what it reads now."""
    heard = data.nodes_now()
    left, right = st.columns(2)
    names = [item.name for item in heard]
    node = left.selectbox(
        "Node", names, index=0 if names else None, key="node", placeholder="no node heard yet"
    )
    serving = next((item.canner for item in heard if item.name == node), None)
    canner = right.text_input("Canner", value=serving or "canner-1", key="canner", max_chars=40)
    if node is None:
        return None, canner or None, None, None
    reading_C, age_s = data.last_reading(node)
    told = (
        f"{node} reads {figures.temperature(reading_C)}, {figures.about(age_s)} ago."
        if age_s is not None
        else f"{node} has said nothing yet."
    )
    look.page(f"<p>{look.esc(told)}</p>")
    return node, canner.strip() or None, reading_C, age_s


def _decide(facts: StartFacts, all_ticked: bool, plan: Plan) -> None:
    decision = decide_start(facts)
    notes = "".join(
        f'<p class="bw-caution">{look.esc(text)}</p>' for text in (*decision.deviations, *decision.cautions)
    )
    missing = "".join(f"<li>{look.esc(item.text)}</li>" for item in decision.missing)
    if decision.may_start and not all_ticked:
        look.page(
            f"{notes}<p class='bw-lead'>Tick what has been done; what was not done stays open in the record.</p>"
        )
    else:
        look.page(f'{notes}<p class="bw-lead">{look.esc(decision.sentence)}</p><ul>{missing}</ul>')
    if (decision.may_start and st.button("Start the run", type="primary", key="start")) or (
        decision.record_anyway and st.button("Record anyway, at most unproven", key="start_anyway")
    ):
        _start(facts, plan)


def _start(facts: StartFacts, plan: Plan) -> None:
    now = datetime.now(UTC).astimezone(ZoneInfo(facts.zone or "UTC"))
    try:
        taken = [row.run_id for row in data.runs(settings.current().data_dir)]
    except StoreError:
        # The first run of a new store.
        taken = []
    run_id = plan_model.free_run_id(f"{now:%Y-%m-%d}", str(facts.canner), taken)
    if next((item.canner for item in data.nodes_now() if item.name == facts.node), None) != facts.canner:
        data.say("node_assigned", {"node": facts.node, "canner": facts.canner})
    data.say("run_started", header_json(facts, run_id, now), run_id=run_id)
    data.say("plan", plan.as_json(), run_id=run_id)
    done = [step.id for step in plan.checklist if st.session_state.get(f"step_{step.id}")]
    data.say("checklist", {"done": done, "all": [step.id for step in plan.checklist]}, run_id=run_id)
    data.say(
        "loading",
        {"coldest_jar_C": facts.coldest_jar_C, "water_C": facts.loading_water_C, "jars": facts.jars},
        run_id=run_id,
    )
    data.forget()
    st.switch_page("views/live.py")


def _refused(refusal: Refusal) -> None:
    look.page(
        f'<div class="bw-alarm" data-priority="medium"><p class="bw-headline">{look.esc(refusal.reason)}</p>'
        f"<p>{look.esc(refusal.instead)}</p></div>"
    )


main()
