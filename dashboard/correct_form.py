"""What was written down wrongly of a run is corrected here; what that made of the verdict stays to be seen."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from math import inf
from pathlib import Path
from typing import TypedDict

import streamlit as st

from dashboard import access, data, figures, jars_when, kitchen_model, look, number_field, run_data, settings
from dashboard.kitchen_model import ALTITUDE_BETWEEN_M
from dashboard.units import fahrenheit
from monitor.errors import MonitorError
from monitor.jars.revisions import Revision, revisions
from monitor.judge import judge
from monitor.judge.pressure import HIGHEST_AIR_KPA, LOWEST_AIR_KPA
from monitor.physics.units import ft_to_m
from monitor.plan.containers import JAR_NAMES
from monitor.plan.correction import LONGEST_FOOD, Said
from monitor.plan.pressure import PRESSURE_UNITS_KPA, PressureGiven
from monitor.store.corrections import (
    Corrected,
    call_off_reprocessing,
    calling_off_trouble,
    correct_header,
)
from monitor.store.entries import as_taken_in
from monitor.store.runs import read_house

_ALTITUDE, _JAR, _FOOD, _TIME, _PRESSURE = "Altitude", "Jar size", "Food", "Processing time", "Pressure"
#: Set once a correction was written down, until the form is empty again.
_DONE = "correct_done"


def told(found: run_data.OneRun) -> None:
    """Each correction that moved the verdict, with the verdict before and after it."""
    if not any(entry.kind in ("header_changed", "correction") for entry in found.entries):
        return
    newest = max(entry.id for entry in found.entries)
    rows = _revisions(settings.current().data_dir, found.row.run_id, newest, len(found.run.samples), found)
    if not rows:
        return
    lines = "".join(
        f"<li>{look.esc(one.sentences(lambda at: figures.local_day(at, found.run.zone)))}</li>"
        for one in rows
    )
    look.page('<h2>Corrected after the jars were in</h2><ul class="bw-corrections">' + lines + "</ul>")


@st.cache_resource(max_entries=8, show_spinner="The verdict before the correction is looked up …")
def _revisions(
    data_dir: Path, run_id: str, newest: int, samples: int, _found: run_data.OneRun
) -> list[Revision]:
    own = [entry for entry in _found.entries if entry.run_id == run_id]
    with data.store_in(data_dir) as conn:
        began = as_taken_in(conn, run_id, own)
    own = own if began is None else [began, *own]
    on = _found.row.ended_utc is None and not _found.row.imported
    until_s = (datetime.now(UTC) - _found.run.started_at).total_seconds() if on else inf
    return revisions(_found.run, own, lambda one: judge(one, until_s=until_s))


def section(found: run_data.OneRun) -> None:
    """The form, closed until somebody wants it."""
    with st.expander("Something was written down wrongly"):
        if not access.ask("correct"):
            return
        if st.session_state.pop(_DONE, False):
            st.session_state.update(correct_what=None, correct_why="")
        look.page(
            '<p class="bw-note">What stands there now is kept, with the verdict that it led to. A correction after the '
            "jars went in opens a deviation, and the review is signed anew.</p>"
        )
        what = st.pills("What was wrong", list(_FIELDS), key="correct_what")
        if what is None:
            return
        said, trouble = _FIELDS[what](found)
        by, why = _who_and_why("correct", "Who corrects it")
        if not st.button("Write the correction down", key="correct_say", type="primary"):
            return
        if trouble or said is None:
            st.error(trouble or "Fill in what is right.")
            return
        made = _write(found.row.run_id, said, by, why)
        if made is not None:
            st.toast(f"Written down: {'; '.join(made.told)}.")
            st.rerun()


def _who_and_why(key: str, label: str) -> tuple[str, str]:
    left, right = st.columns([2, 3])
    with left:
        by = access.who(label)
    return by, right.text_input("Why, and where the right value comes from", max_chars=200, key=f"{key}_why")


def _write(run_id: str, said: Said, by: str, why: str) -> Corrected | None:
    try:
        made = correct_header(settings.current().data_dir, run_id, said, by=by, reason=why)
    except MonitorError as trouble:
        st.error(look.plain(str(trouble)))
        return None
    data.forget()
    st.session_state[_DONE] = True
    return made


_Asked = tuple[Said | None, str]


class _Limits(TypedDict):
    """Of a field for a number."""

    low: float
    high: float
    unit: str


def _altitude(found: run_data.OneRun) -> _Asked:
    unit, metres = ("ft", ft_to_m(1.0)) if fahrenheit() else ("m", 1.0)
    _stands(None if found.run.site.altitude_m is None else f"{found.run.site.altitude_m / metres:.0f} {unit}")
    left, right = st.columns(2)
    low, high = (limit_m / metres for limit_m in ALTITUDE_BETWEEN_M)
    height = number_field.ask(
        left, f"Right altitude [{unit}]", f"correct_altitude_{unit}", low=low, high=high, unit=unit
    )
    sure = number_field.ask(
        right, f"Sure to ± [{unit}]", f"correct_sure_{unit}", low=1.0, high=high, unit=unit
    )
    if height.value is None or sure.why:
        return None, height.why or sure.why or "Give the altitude."
    sure_m = None if sure.value is None else sure.value * metres
    return Said(altitude_m=height.value * metres, altitude_uncertainty_m=sure_m), ""


def _jar(found: run_data.OneRun) -> _Asked:
    _stands(JAR_NAMES.get(found.run.batch.jar or "", found.run.batch.jar))
    jar = st.selectbox(
        "Right jar size", list(JAR_NAMES), format_func=JAR_NAMES.__getitem__, index=None, key="correct_jar"
    )
    return (Said(jar=jar), "") if jar else (None, "Choose the jar size.")


def _food(found: run_data.OneRun) -> _Asked:
    _stands(found.run.batch.food)
    food = st.text_input("What is in the jars", max_chars=LONGEST_FOOD, key="correct_food").strip()
    return (Said(food=food), "") if food else (None, "Say what is in the jars.")


def _time(found: run_data.OneRun) -> _Asked:
    _stands(f"{found.run.required.minutes:g} min; {found.run.required.source or 'no source'}")
    left, right = st.columns([1, 3])
    minutes = number_field.ask(left, "Right time [min]", "correct_minutes", low=1.0, high=600.0, unit="min")
    source = right.text_input("Where it was read", max_chars=200, key="correct_source").strip()
    if minutes.value is None or not source:
        return None, minutes.why or "Give the time, and where it was read."
    return Said(minutes=minutes.value, source=source), ""


def _pressure(found: run_data.OneRun) -> _Asked:
    site = found.run.site
    _stands(None if site.station_pressure_kPa is None else f"{site.station_pressure_kPa * 10:.1f} hPa here")
    kinds = kitchen_model.TYPED_KINDS
    left, middle, right = st.columns(3)
    way = left.selectbox("Where it was read", list(kinds), index=None, key="correct_kind")
    unit = right.selectbox("in", list(PRESSURE_UNITS_KPA), index=None, key="correct_unit")
    value = number_field.ask(middle, "Pressure", "correct_pressure", **_air_in(unit))
    at, trouble = jars_when.moment("correct_at", "Read", found.run.zone, found.run.started_at)
    if way is None or value.value is None or unit is None:
        return None, value.why or "Say where the pressure was read, the value and its unit."
    if trouble or at is None:
        return None, trouble
    if at > datetime.now(UTC):
        return None, "That time is still to come."
    return Said(pressure=PressureGiven(kinds[way], value.value, unit, at)), ""


def _air_in(unit: str | None) -> _Limits:
    """What the air can be in a unit; in whichever it will be, where none is chosen yet."""
    units = PRESSURE_UNITS_KPA.values() if unit is None else [PRESSURE_UNITS_KPA[unit]]
    return {"low": LOWEST_AIR_KPA / max(units), "high": HIGHEST_AIR_KPA / min(units), "unit": unit or ""}


def _stands(now: str | None) -> None:
    look.page(f'<p class="bw-note">It stands there as: {look.esc(now or "nothing")}</p>')


_FIELDS: dict[str, Callable[[run_data.OneRun], _Asked]] = {
    _ALTITUDE: _altitude,
    _JAR: _jar,
    _FOOD: _food,
    _TIME: _time,
    _PRESSURE: _pressure,
}


def call_off(found: run_data.OneRun) -> None:
    """A reprocessing begun in error, into which no jar went, is ended so that it does not count."""
    if not found.run.extra.get("reprocess_of") or found.row.ended_utc is not None:
        return
    own = [entry for entry in found.entries if entry.run_id == found.row.run_id]
    with data.store() as conn:
        if calling_off_trouble(read_house(conn).run(found.row.run_id), own):
            return
    with st.expander("This reprocessing was begun in error"):
        if not access.ask("call_off"):
            return
        look.page(
            '<p class="bw-note">Only where no jar went in. The run ends, and does not count as the one reprocessing of '
            f"its jars; their time in run {look.esc(found.run.extra['reprocess_of'])} went on all the while.</p>"
        )
        by, why = _who_and_why("call_off", "Who calls it off")
        if not st.button("Call it off", key="call_off"):
            return
        try:
            call_off_reprocessing(settings.current().data_dir, found.row.run_id, by=by, reason=why)
        except MonitorError as trouble:
            st.error(look.plain(str(trouble)))
            return
        data.forget()
        st.rerun()
