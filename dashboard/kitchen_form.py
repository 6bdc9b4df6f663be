"""The kitchen's fields, as they stand on every page that needs them; what was said is remembered on request."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from zoneinfo import available_timezones

import streamlit as st

from dashboard import access, data, figures, kitchen_data, kitchen_model, look, number_field
from dashboard.kitchen_model import ALTITUDE_BETWEEN_M, Kitchen
from dashboard.nodes_model import FRESH_S
from dashboard.units import fahrenheit, told
from monitor.errors import PhysicsRangeError
from monitor.judge.pressure import FRESH_S as READ_ANEW_S
from monitor.judge.yearly import is_within_a_year
from monitor.physics.units import ft_to_m, m_to_ft
from monitor.plan.place import ALTITUDE_FOUND_M, site_changed
from monitor.plan.pressure import (
    ALTIMETER,
    PressureGiven,
    StationPressure,
    compare_barometer,
    other_unit_meant,
)
from monitor.plan.refusal import Refusal
from monitor.plan.typed import shown

#: By whether °F and ft were chosen.
PRESSURE_UNITS = ("hPa", "inHg")
PRESSURE_BETWEEN = {"hPa": (500.0, 1100.0), "inHg": (15.0, 33.0)}

#: How often this visitor compared a barometer.
COMPARED = "compared_times"
#: What is asked, where its name does not say it.
WHAT_IT_IS = {
    kitchen_model.ALTIMETER: "The altimeter setting (QNH) stands in an airport's weather report: “Q1013” is 1013 hPa, "
    "“A2992” is 29.92 inHg. Any airport near by will do, whatever its height.",
    kitchen_model.STATION: "Nothing compares it with an airport's altimeter setting, so it is taken as ±4 hPa; the "
    "setting itself, typed in its place, is surer.",
}


@dataclass(frozen=True, slots=True)
class Place:
    """What the fields add up to. ``doubt``: why the place must be looked at again, "" when it is clear."""

    kitchen: Kitchen
    pressure: StationPressure | None
    doubt: str
    node: kitchen_data.Heard | None
    canner: str | None


def draw() -> Place:
    """Draw the fields and say what they mean for water boiling here today."""
    now = datetime.now(UTC)
    known = kitchen_model.kitchen_of(data.household(), now)
    first, second, third = st.columns(3)
    # What is chosen counts for the fields that follow.
    units = _units(first)
    kitchen = _height(known, first, second)
    kitchen = _air(replace(kitchen, zone=_zone(known, third)), known, third, now)
    node, canner = _node(first, second)
    if data.speaker() is None:
        # What is confirmed and remembered here carries it; given once, it is not asked for again.
        with third:
            access.who_speaks()
    _offer_to_remember(kitchen, units)
    found = kitchen_model.pressure_of(kitchen, node.pressure_kPa if node else None, now)
    doubt = _told(kitchen, found)
    if kitchen.way == kitchen_model.BAROMETER and node and node.pressure_kPa and not doubt:
        _compare(kitchen, node.pressure_kPa, now)
    return Place(
        kitchen,
        found if isinstance(found, StationPressure) else None,
        doubt or _confirmed(kitchen),
        node,
        canner,
    )


def remember(kitchen: Kitchen) -> None:
    """Keep the kitchen for the next visit, where it is not kept already."""
    kept = kitchen.as_json() | {"units": "F" if fahrenheit() else "C"}
    if kitchen.altitude_m is None or not kitchen.is_read:
        return
    if any(data.household().get(key) != kept[key] for key in kept):
        data.say("settings", kept)
        kitchen_data.forget()


def _height(
    known: Kitchen, first: st.delta_generator.DeltaGenerator, second: st.delta_generator.DeltaGenerator
) -> Kitchen:
    name = first.text_input("Name of the place", value=known.name, key="kitchen_name", max_chars=60)
    unit, other = ("ft", "m") if fahrenheit() else ("m", "ft")
    metres = ft_to_m(1.0) if unit == "ft" else 1.0
    factor = m_to_ft(1.0) if unit == "ft" else ft_to_m(1.0)
    number_field.convert(f"altitude_{other}", f"altitude_{unit}", lambda typed: round(typed * factor))
    usual = None if known.altitude_m is None else round(known.altitude_m / metres)
    low, high = (limit_m / metres for limit_m in ALTITUDE_BETWEEN_M)
    height = number_field.ask(
        first,
        f"Altitude of the kitchen [{unit}]",
        f"altitude_{unit}",
        usual,
        low=math.ceil(low),
        high=math.floor(high),
        unit=unit,
    )
    ways = list(ALTITUDE_FOUND_M)
    found_by = second.selectbox("Found by", ways, index=ways.index(known.found_by), key="found_by")
    kept = known.uncertainty_m if found_by == known.found_by else None
    sure_m = ALTITUDE_FOUND_M[found_by] if kept is None else kept
    number_field.convert(
        f"sure_{other}_{found_by}", f"sure_{unit}_{found_by}", lambda typed: max(1, math.ceil(typed * factor))
    )
    sure = number_field.ask(
        second,
        f"Sure to ± [{unit}]",
        f"sure_{unit}_{found_by}",
        max(1, round(sure_m / metres)),
        low=1,
        high=math.floor(high),
        unit=unit,
    )
    return replace(
        known,
        name=name.strip() or known.name,
        altitude_m=None if height.value is None else height.value * metres,
        uncertainty_m=None if sure.value is None else sure.value * metres,
        found_by=found_by,
        unread=height.why or sure.why,
    )


def _zone(known: Kitchen, column: st.delta_generator.DeltaGenerator) -> str:
    """The kitchen's zone: as it is remembered, else as this browser's machine has it; "" until one is chosen."""
    zones = sorted(available_timezones())
    usual = known.zone or st.context.timezone
    index = zones.index(usual) if usual in zones else None
    return str(column.selectbox("Time zone", zones, index=index, key="zone", placeholder="choose it") or "")


def _air(
    kitchen: Kitchen, known: Kitchen, column: st.delta_generator.DeltaGenerator, now: datetime
) -> Kitchen:
    """How the air's pressure is known; what is typed keeps the moment at which it was typed."""
    choices = list(kitchen_model.PRESSURE_WAYS)
    usual_way = known.way
    if "pressure_way" not in data.household() and _barometer_heard():
        usual_way = kitchen_model.BAROMETER
    way = column.selectbox("Air pressure", choices, index=choices.index(usual_way), key="pressure_way")
    kind = kitchen_model.TYPED_KINDS.get(way)
    if kind is None:
        return replace(kitchen, way=way, typed=None)
    before = known.typed if known.typed is not None and known.typed.kind == kind else None
    usual = before.unit if before and before.unit in PRESSURE_UNITS else PRESSURE_UNITS[fahrenheit()]
    unit = (
        column.segmented_control("Pressure in", PRESSURE_UNITS, default=usual, key="pressure_unit") or usual
    )
    same = before if before is not None and before.unit == unit else None
    low, high = PRESSURE_BETWEEN[unit]
    said = number_field.ask(
        column,
        f"Read just now [{unit}]",
        f"typed_{kind}_{unit}",
        same.value if same else None,
        low=low,
        high=high,
        unit=unit,
        hint=lambda value: other_unit_meant(value, unit),
        show=_hundredths,
    )
    if way in WHAT_IT_IS:
        column.caption(look.plain(WHAT_IT_IS[way]))
    own = f"typed_at_{kind}_{unit}"
    if said.value is None:
        st.session_state.pop(own, None)
        return replace(kitchen, way=way, typed=None, pressure_unread=said.why)
    at = _typed_at(own, said.value, same, now)
    _age(column, own, said.value, (now - at).total_seconds())
    return replace(kitchen, way=way, typed=PressureGiven(kind, said.value, unit, at))


def _hundredths(value: float) -> str:
    """As barometers and reports give it; what was typed finer stays so."""
    text = f"{value:.2f}"
    return text if float(text) == value else shown(value)


def _age(column: st.delta_generator.DeltaGenerator, own: str, value: float, age_s: float) -> None:
    """How old what is typed is; and the way to say that the same was read again, which typing it anew cannot."""
    when = "just now" if age_s < 60.0 else f"{figures.about(age_s)} ago"
    column.caption(f"Typed {when}; good for 6 hours.")
    if age_s > READ_ANEW_S:
        column.button(
            "I have read it again: it is the same", key="reread", on_click=_reread, args=(own, value)
        )


def _reread(own: str, value: float) -> None:
    st.session_state[own] = (value, datetime.now(UTC))


def _barometer_heard() -> bool:
    """Whether the node that is chosen, or would be, has a barometer."""
    names = [item.name for item in data.nodes_now()]
    chosen = st.session_state.get("node")
    node = chosen if chosen in names else next(iter(names), None)
    return node is not None and kitchen_data.heard(node).pressure_kPa is not None


def _typed_at(own: str, value: float, before: PressureGiven | None, now: datetime) -> datetime:
    """When this value was typed: the page runs again at every click, the reading grows no younger by it.

    Nor does it when the field is left and comes back, or when what is remembered of it is over.
    """
    kept = st.session_state.get(own)
    if kept is None and before is not None:
        kept = (before.value, before.at)
    if kept is None or kept[0] != value:
        kept = (value, now)
    st.session_state[own] = kept
    at: datetime = kept[1]
    return at


def _node(
    first: st.delta_generator.DeltaGenerator, second: st.delta_generator.DeltaGenerator
) -> tuple[kitchen_data.Heard | None, str | None]:
    """Which node watches which canner, and what it reads now."""
    rows = data.nodes_now()
    names = [item.name for item in rows]
    node = second.selectbox(
        "Node", names, index=0 if names else None, key="node", placeholder="no node heard yet"
    )
    serving = next((item.canner for item in rows if item.name == node), None)
    canner = (
        first.text_input("Canner", value=serving or "canner-1", key="canner", max_chars=40).strip() or None
    )
    if node is None:
        return None, canner
    heard = kitchen_data.heard(node)
    said = f"{node} has said nothing yet."
    if heard.age_s is not None:
        said = f"{node} reads {figures.temperature(heard.water_C, fahrenheit())}, {figures.about(heard.age_s)} ago."
        if heard.pressure_kPa is not None:
            reads = figures.pressure(heard.pressure_kPa, fahrenheit())
            said += f" Its barometer reads {reads}{_ago(heard.pressure_age_s)}."
    second.caption(look.plain(said))
    return heard, canner


def _ago(age_s: float | None) -> str:
    """Nothing for what was said just now."""
    return f", {figures.about(age_s)} ago" if age_s is not None and age_s > FRESH_S else ""


def _units(column: st.delta_generator.DeltaGenerator) -> str:
    kept = "°F" if data.household().get("units") == "F" else "°C"
    names = {"°C": "°C and m", "°F": "°F and ft"}
    chosen = column.segmented_control(
        "Units", list(names), default=kept, format_func=names.__getitem__, key="units"
    )
    return str(chosen or kept)


def _offer_to_remember(kitchen: Kitchen, units: str) -> None:
    kept = kitchen.as_json() | {"units": units[1]}
    if kitchen.altitude_m is None or not kitchen.is_read:
        return
    if any(data.household().get(key) != kept[key] for key in kept) and st.button(
        "Remember this kitchen", key="remember"
    ):
        data.say("settings", kept)
        kitchen_data.forget()
        st.rerun()


def _told(kitchen: Kitchen, found: StationPressure | Refusal | None) -> str:
    """Say where water boils today; returns what speaks against the pressure, or ""."""
    if isinstance(found, Refusal):
        look.page(look.refused(told(found.reason), told(found.instead)))
        return found.reason
    try:
        today = kitchen_model.today(kitchen, found)
    except PhysicsRangeError as trouble:
        look.page(look.refused(str(trouble.args[0]), trouble.advice or ""))
        return str(trouble.args[0])
    if today is not None:
        look.page(
            f'<p class="bw-lead">{look.esc(told(today.sentence))}</p><p>{look.esc(told(today.text))}</p>'
        )
    return ""


def _confirmed(kitchen: Kitchen) -> str:
    """Another place than last time, or another height: the altitude is confirmed before anything starts."""
    if kitchen.altitude_m is None:
        return ""
    why = site_changed(kitchen_data.known().last_site, kitchen_model.site(kitchen, None))
    if not why:
        return ""
    right = f"{kitchen.altitude_m:.0f} m is the altitude of {kitchen.name}"
    if data.household().get("place_confirmed") == right:
        return ""
    look.page(f'<p class="bw-caution">{look.esc(told(why))}</p>')
    height = figures.height(kitchen.altitude_m, fahrenheit())
    if st.checkbox(look.plain(f"{height} is the altitude of {kitchen.name}"), key=f"place_{right}"):
        data.say("settings", {"place_confirmed": right})
        kitchen_data.forget()
        st.rerun()
    return why


def _compare(kitchen: Kitchen, heard_kPa: float, now: datetime) -> None:
    """The node's barometer beside an airport's altimeter setting, once a year."""
    kept = kitchen.compared_at
    fresh = kept is not None and is_within_a_year(kept, now)
    state = f"compared {kept:%Y-%m-%d}" if kept is not None else "never compared"
    with st.expander(f"The barometer: {state}", expanded=not fresh), st.form("compare", border=False):
        unit = PRESSURE_UNITS[fahrenheit()]
        low, high = PRESSURE_BETWEEN[unit]
        value = number_field.ask(
            st.container(),
            f"Altimeter setting (QNH) now [{unit}]",
            # A setting that was compared is of that hour: the next one is typed anew.
            f"compare_{unit}_{st.session_state.get(COMPARED, 0)}",
            low=low,
            high=high,
            unit=unit,
            hint=lambda typed: other_unit_meant(typed, unit),
            help=look.plain(WHAT_IT_IS[kitchen_model.ALTIMETER]),
        ).value
        if not st.form_submit_button("Compare it") or value is None or kitchen.altitude_m is None:
            return
        setting = PressureGiven(ALTIMETER, value, unit, now)
        found = compare_barometer(heard_kPa, setting, kitchen.altitude_m, kitchen.uncertainty_m, now)
        if isinstance(found, Refusal):
            look.page(look.refused(told(found.reason), told(found.instead)))
            return
        st.session_state[COMPARED] = st.session_state.get(COMPARED, 0) + 1
        look.page(f"<p>{look.esc(told(found.text))}</p>")
        if found.accepted:
            data.say("settings", {"barometer_checked_at": now.isoformat()})
            kitchen_data.forget()
