"""What the cook did or saw at a canner that is on: a tap a mark, and the water that is in it."""

from __future__ import annotations

from datetime import timedelta

import streamlit as st

from dashboard import data, figures, look, settings, words
from dashboard.compare_model import WATER_KEY
from monitor.record.model import jars_held
from monitor.store.reader import LiveRow

OFFERED = (
    *("heat_on", "jars_in", "lid_on", "rolling_boil_seen", "boil_not_seen", "water_checked", "water_added"),
    *("heat_off", "lid_off", "jars_lifted"),
)


def draw(row: LiveRow) -> None:
    with st.expander(f"Say what you did or saw at {_plain(row.canner)}", key=f"marks_{row.run_id}"):
        with st.container(horizontal=True):
            for kind in OFFERED:
                if st.button(words.MARKS[kind].capitalize(), key=f"mark_{row.run_id}_{kind}"):
                    _tapped(row.run_id, kind)
        _ask_again(row.run_id)
        look.page('<p class="bw-note">Steam and boiling water scald; glass breaks. Look, do not lean in.</p>')
        with st.form(f"water_{row.run_id}", border=False):
            left, right, _ = st.columns([2, 2, 3], vertical_alignment="bottom")
            water_L = left.number_input(
                "Water in the canner, litres", 1.0, 60.0, None, 0.5, key=f"litres_{row.run_id}"
            )
            sent = right.form_submit_button("Write it down")
        if sent and water_L is not None:
            data.say("header_changed", {WATER_KEY: water_L}, run_id=row.run_id)
            st.toast(f"Written down: {water_L:g} L of water.")


def _tapped(run_id: str, kind: str) -> None:
    """Every mark is written at once but one: a second *jars in* takes back all that was held."""
    in_since = _in_since(run_id) if kind == "jars_in" else ""
    if in_since:
        st.session_state[_key(run_id)] = in_since
        return
    st.session_state.pop(_key(run_id), None)
    _mark(run_id, kind)


def _mark(run_id: str, kind: str) -> None:
    data.say("mark", {"kind": kind}, run_id=run_id)
    st.toast(f"Written down: {words.MARKS[kind]}.")


def _ask_again(run_id: str) -> None:
    """Where jars were in already: what a second mark does, and two ways on."""
    since = st.session_state.get(_key(run_id))
    if not since:
        return
    look.page(
        f'<p class="bw-caution" role="alert">Jars have been in since {look.esc(since)}. Only if jars went in just now: '
        "the time begins again from zero, and nothing that was held before counts.</p>"
    )
    with st.container(horizontal=True):
        sure = st.button("Jars in now: the time begins again", key=f"again_yes_{run_id}", type="primary")
        if sure or st.button("No, leave it as it is", key=f"again_no_{run_id}"):
            del st.session_state[_key(run_id)]
            if sure:
                _mark(run_id, "jars_in")
            st.rerun()


def _key(run_id: str) -> str:
    return f"jars_in_again_{run_id}"


def _in_since(run_id: str) -> str:
    """Since when jars are in and the heat is on, as a time of day; empty where they are not. Read anew each time."""
    with data.store() as conn:
        facts = data.told(conn, settings.current().data_dir).runs.get(run_id)
    run = None if facts is None else facts.as_run()
    mark = None if run is None else jars_held(run.marks)
    if run is None or mark is None:
        return ""
    return figures.local_time(run.started_at + timedelta(seconds=mark.t_s), run.zone)[:5]


def _plain(name: str | None) -> str:
    """A name as a widget's label takes it: markdown's signs would format, so they go."""
    return "".join(sign for sign in (name or "the canner") if sign.isalnum() or sign in " -_.")[:60]
