"""The probe: what its check proves and for how long, the guided check, and its drift over the seasons."""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import quote

import streamlit as st

from dashboard import (
    access,
    check_guide,
    data,
    drift_figure,
    figures,
    kitchen_data,
    kitchen_form,
    kitchen_model,
    look,
    plan_model,
    probe_form,
)
from dashboard.plan_model import KnownProbe
from dashboard.units import fahrenheit, told
from monitor.plan.drift import drift_chart, next_check
from monitor.plan.outcome import knocked


def main() -> None:
    st.title("The probe", anchor=False)
    if not access.ask("probe"):
        return
    item = probe_form.choose()
    if item is None:
        return
    _state(item)
    look.page("<h2>Check it</h2>")
    known = kitchen_model.kitchen_of(data.household(), datetime.now(UTC))
    with st.expander(f"The kitchen: {look.plain(known.words)}", expanded=known.altitude_m is None):
        place = kitchen_form.draw()
    check_guide.draw(item.registration, place)
    _knocked(item)
    _history(item)


def _state(item: KnownProbe) -> None:
    probe_form.describe(item)
    proves = plan_model.proved_by(kitchen_data.known().past.checks, item.registration.probe_id)
    if proves and not item.blocked:
        lines = "".join(f"<li>{look.esc(told(text))}</li>" for text in proves)
        look.page(f"<p><strong>What its check proves</strong></p><ul>{lines}</ul>")
    kept = st.session_state.pop("check_kept", None)
    if isinstance(kept, dict):
        word = "Kept." if kept.get("calibration") else "Kept as a check that was not accepted."
        look.page(f'<p class="bw-lead">{word}</p>' + check_guide.touched_markup(kept["batches_touched"]))


def _knocked(item: KnownProbe) -> None:
    """After a shock or a repair nothing that it reads counts, until it was checked."""
    with st.expander("It was knocked, repaired, or used elsewhere"), st.form("knocked", border=False):
        what = st.text_input("What happened", max_chars=120, placeholder="a fall from the stove")
        who = access.who("Who says so")
        if st.form_submit_button("It must be checked before it counts") and who:
            kind, body = knocked(item.registration.probe_id, datetime.now(UTC), what)
            data.say(kind, body)
            kitchen_data.forget()
            st.rerun()


def _history(item: KnownProbe) -> None:
    """Each finished hold as a point, with control limits, and when to check again."""
    probe_id = item.registration.probe_id
    checked_at = None if item.calibration is None else item.calibration.at
    chart = drift_chart(kitchen_data.plateaus(probe_id), checked_at)
    due = next_check(item.calibration, chart, datetime.now(UTC), item.blocked)
    now = '<span class="bw-tone-alarm" aria-hidden="true">▲</span> ' if due.due_at is None else ""
    look.page(f'<h2>Over the seasons</h2><p class="bw-lead">{now}{look.esc(told(due.text))}</p>')
    if not chart.points:
        look.page("<p>No finished hold names this probe yet; each one becomes a point here.</p>")
        return
    if due.text != chart.text:
        look.page(f"<p>{look.esc(told(chart.text))}</p>")
    st.echarts_chart(
        drift_figure.drift_figure(chart, look.tones(), checked_at, fahrenheit=fahrenheit()),
        height=320,
        key=f"drift_{probe_id}",
        alt="Each hold's plateau over its boiling point, by day, with control limits; the table below says the same.",
    )
    rows = [
        (
            look.esc(f"{point.at:%Y-%m-%d}"),
            look.esc(figures.signed(point.plateau_minus_boiling_K, fahrenheit())),
            '<span class="bw-tone-alarm bw-sign">◆ beyond the limits</span>'
            if point.run_id in chart.beyond
            else "within",
            "pressure" if point.measured else "altitude alone",
            f'<a href="/run?run={quote(point.run_id, safe="")}" target="_self">{look.esc(point.run_id)}</a>',
        )
        for point in reversed(chart.points)
    ]
    look.page(
        look.table(
            ("Day", "Plateau over boiling point", "Limits", "Boiling point from", "Run"),
            rows,
            "Holds",
        )
    )


main()
