"""The food: from ordinary words to a plan, or to a kind refusal; or a tested process of the cook's own."""

from __future__ import annotations

import streamlit as st

from dashboard import figures, look, number_field, plan_model
from dashboard.kitchen_form import Place
from dashboard.units import told
from monitor.plan.containers import JAR_NAMES
from monitor.plan.model import Plan
from monitor.plan.own import OwnProcess
from monitor.plan.refusal import AMBIGUOUS_FOOD, Refusal
from monitor.plan.search import find_food
from monitor.tables.foods import Food
from monitor.tables.processes import packs_and_jars

PACKS = ["hot", "raw"]
#: No table of altitudes goes higher. [ft] Chosen.
TOP_FT = 20000


def draw(place: Place) -> Plan | None:
    """Draw the fields; returns the plan once there is one."""
    own = st.toggle("I bring a tested process of my own", key="own_process")
    plan = _own(place) if own else _published(place)
    if plan is None:
        return None
    if isinstance(plan, Refusal):
        _refused(plan)
        return None
    _show(plan)
    return plan


def _published(place: Place) -> Plan | Refusal | None:
    text = st.text_input(
        "What is in the jars", key="food", placeholder="pears, crushed tomatoes, corn relish", max_chars=100
    )
    if not text:
        return None
    food = find_food(text)
    if isinstance(food, Refusal):
        return food
    pack, jar = _pack_and_jar(food)
    if pack is None or jar is None:
        look.page(f"<p>Choose the {'jar' if pack else 'pack'}: the time depends on it.</p>")
        return None
    if place.kitchen.altitude_m is None:
        look.page("<p>Enter the altitude first: the time depends on it.</p>")
        return None
    longer = bool(st.session_state.get("take_longer"))
    plan = plan_model.plan_of(food.food_id, pack, jar, place.kitchen, place.pressure, take_longer=longer)
    if isinstance(plan, Plan) and plan.offer is not None:
        look.page(f'<p class="bw-caution">{look.esc(told(plan.offer.text))}</p>')
        st.checkbox(
            f"Hold {plan.offer.minutes:g} min instead of the {plan.printed_minutes:g}", key="take_longer"
        )
    return plan


def _pack_and_jar(food: Food) -> tuple[str | None, str | None]:
    listed = packs_and_jars(food.food_id)
    packs = list(dict.fromkeys(pack for pack, _ in listed))
    left, right = st.columns(2)
    pack = _one_of(left, "Pack", packs, f"pack_{food.food_id}")
    jars = [jar for one, jar in listed if one == pack]
    jar = _one_of(right, "Jar", jars, f"jar_{food.food_id}_{pack}")
    return pack, jar


def _one_of(
    column: st.delta_generator.DeltaGenerator, label: str, choices: list[str], key: str
) -> str | None:
    """One of a few; the only one there is counts as chosen."""
    if len(choices) == 1:
        st.session_state.setdefault(key, choices[0])
    chosen = column.segmented_control(
        label, choices, format_func=lambda name: JAR_NAMES.get(name, name), key=key
    )
    return None if chosen is None else str(chosen)


def _own(place: Place) -> Plan | Refusal | None:
    """A process from a source that the tables do not carry: the cook answers for it, and it says so everywhere."""
    look.page(
        '<p class="bw-note">It is used as you enter it and marked as yours on every page, label and proof. '
        "Low-acid foods are refused here too.</p>"
    )
    left, middle, right = st.columns(3)
    food = left.text_input("Food", key="own_food", max_chars=100)
    source = left.text_input(
        "Where it is printed: book or page, publisher, edition", key="own_source", max_chars=200
    )
    acid = left.text_input("Acid it asks for, if any", key="own_acid", max_chars=120)
    pack = middle.segmented_control("Pack", PACKS, key="own_pack")
    jar = middle.selectbox(
        "Jar", list(JAR_NAMES), format_func=JAR_NAMES.__getitem__, index=None, key="own_jar"
    )
    headspace = number_field.ask(middle, "Headspace [in]", "own_headspace", low=0.1, high=2.0, unit="in")
    minutes = number_field.ask(right, "Processing time [min]", "own_minutes", low=1.0, high=600.0, unit="min")
    low = number_field.ask(
        right, "Printed for altitudes from [ft]", "own_from_ft", 0, low=0, high=TOP_FT, unit="ft"
    )
    high = number_field.ask(
        right, "to [ft]; empty: no upper end", "own_to_ft", 1000, low=0, high=TOP_FT, unit="ft"
    )
    says = st.checkbox(
        "I have read in it that it is a boiling-water process for an acid or acidified food (pH 4.6 or below)",
        key="own_says",
    )
    if any(field.why for field in (headspace, minutes, low, high)):
        look.page("<p>Something above cannot be read, so there is no plan.</p>")
        return None
    if not (food and pack and jar and minutes.value) or place.kitchen.altitude_m is None:
        look.page("<p>Food, pack, jar, time and the kitchen's altitude make a plan of it.</p>")
        return None
    own = OwnProcess(
        food,
        pack,
        jar,
        minutes.value,
        source,
        low.value or 0.0,
        high.value,
        says_boiling_water=says,
        acid_words=acid,
        headspace_in=headspace.value,
    )
    return plan_model.own_plan_of(own, place.kitchen)


def _refused(refusal: Refusal) -> None:
    # Nobody has to type what is one tap away.
    instead = (
        "Choose one of these:" if refusal.suggestions and refusal.kind == AMBIGUOUS_FOOD else refusal.instead
    )
    look.page(look.refused(told(refusal.reason), told(instead)))
    for suggestion in refusal.suggestions:
        st.button(
            look.plain(suggestion.food),
            key=f"food_{suggestion.food_id}",
            on_click=_take_food,
            args=(suggestion.food_id,),
        )


def _take_food(food_id: str) -> None:
    st.session_state["food"] = plan_model.typed_food(food_id)
    st.session_state["own_process"] = False


def _show(plan: Plan) -> None:
    why = "".join(f"<li>{look.esc(told(text))}</li>" for text in plan_model.why_this_time(plan))
    own = (
        '<p><span class="bw-simulated">your own process</span> not from the published table</p>'
        if plan.own
        else ""
    )
    look.page(
        f'<p class="bw-big">{look.esc(figures.minutes(plan.minutes * 60.0))} at a full boil, without a break.</p>'
        + own
        + (f"<ul>{why}</ul>" if why else "")
        + look.facts_table(plan_model.plan_facts(plan), "The plan")
        + "".join(f'<p class="bw-caution">{look.esc(told(text))}</p>' for text in plan.cautions)
    )
