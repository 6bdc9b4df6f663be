"""Which probe, what its check says, and what today's set-up can prove with it."""

from __future__ import annotations

import streamlit as st

from dashboard import data, kitchen_data, look, plan_model
from dashboard.plan_model import KnownProbe
from monitor.plan.registration import PLACES, ProbeRegistration, registration_gaps
from monitor.plan.setup import CANNOT, PROVES, PROVES_IF_SEEN, SetUp
from monitor.tables.probes import converters, probe_kinds

ANOTHER = "Another probe"
SIGNS = {PROVES: ("held", "✔"), PROVES_IF_SEEN: ("boil", "●"), CANNOT: ("alarm", "▼")}


def choose() -> KnownProbe | None:
    """Choose a registered probe, or register one; None until there is one."""
    known = plan_model.known_probes(kitchen_data.known().registered, kitchen_data.known().past.checks)
    names = [item.registration.probe_id for item in known]
    chosen = st.selectbox("Water probe", [*names, ANOTHER], key="probe") if names else ANOTHER
    if chosen != ANOTHER:
        return known[names.index(chosen)]
    _register()
    return None


def _register() -> None:
    with st.form("register", border=False):
        left, right = st.columns(2)
        name = left.text_input("Name written on the probe", max_chars=40)
        kind = left.selectbox("Kind and class", list(probe_kinds()))
        converter = right.selectbox("Converter", list(converters()))
        place = right.selectbox("Where it sits in the kettle", list(PLACES))
        response = left.number_input(
            "Response in stirred water, 63 % [s]; empty: not known",
            value=None,
            min_value=0.1,
            max_value=120.0,
        )
        if st.form_submit_button("Register this probe") and name.strip():
            probe = ProbeRegistration(name.strip(), kind, converter, place, response_s=response)
            data.say("probe_registered", probe.as_json())
            kitchen_data.forget()
            st.rerun()


def describe(item: KnownProbe) -> None:
    """What it is, what its last check says, and what its registration lacks."""
    probe = item.registration
    quick = "" if probe.response_s is None else f"; {probe.response_s:g} s to 63 % in stirred water"
    gaps = "".join(f'<p class="bw-caution">{look.esc(gap)}</p>' for gap in registration_gaps(probe))
    look.page(
        f"<p>{look.esc(probe.kind)}; {look.esc(probe.converter)}; {look.esc(probe.place)}{look.esc(quick)}.</p>"
        f"<p>{look.esc(item.words)}</p>{gaps}"
    )


def show_set_up(answer: SetUp) -> None:
    """What today's set-up can prove, why not more, and what would help; the budget on request."""
    tone, glyph = SIGNS[answer.answer]
    sign = f'<span class="bw-tone-{tone}" aria-hidden="true">{glyph}</span> '
    why = f"<p>{look.esc(answer.why_altitude)}</p>" if answer.why_altitude else ""
    ways = "".join(f"<li>{look.esc(way.text)}</li>" for way in answer.ways)
    helps = f"<p><strong>What helps</strong></p><ul>{ways}</ul>" if ways else ""
    rest = "".join(f"<li>{look.esc(text)}</li>" for text in answer.text)
    rows = [
        (
            look.esc(row.term),
            look.esc(f"{row.value} {row.unit}"),
            f"{2.0 * row.standard_K:.2f} K",
            look.esc(row.source),
        )
        for row in answer.budget.rows
    ]
    budget = look.table(
        ("Term", "Half-width or step", "Its part of ±", "From"), rows, "The uncertainty budget"
    )
    look.page(
        f'<p class="bw-lead">{sign}{look.esc(answer.sentence)}</p>{why}{helps}<ul>{rest}</ul>'
        f"<details><summary>The uncertainty, term by term</summary>{budget}</details>"
    )
