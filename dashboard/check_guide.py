"""The guided check of a probe: ice point, boiling point, live readings, and what follows from them."""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import quote

import streamlit as st

from dashboard import access, check_model, data, figures, kitchen_data, kitchen_form, kitchen_model, look
from dashboard.check_model import Check
from dashboard.kitchen_form import Place
from dashboard.units import fahrenheit, told
from monitor.judge.calibration import CORRECTIONS_DIFFER_K
from monitor.plan.check import (
    BOIL,
    BOIL_PREPARE,
    BOIL_SETTLING,
    ICE,
    ICE_PREPARE,
    ICE_SETTLING,
    STABLE_S,
)
from monitor.plan.outcome import Outcome
from monitor.plan.refusal import Refusal
from monitor.plan.registration import ProbeRegistration
from monitor.store.together import Saying

STEPS = (
    (ICE, "1. Ice point", (ICE_PREPARE, ICE_SETTLING)),
    (BOIL, "2. Boiling point", (BOIL_PREPARE, BOIL_SETTLING)),
)
KEY = "probe_check"


def draw(probe: ProbeRegistration, place: Place) -> None:
    """The check of this probe: begin it, go through it, keep its result."""
    check = st.session_state.get(KEY)
    if not isinstance(check, Check) or not check.is_of(probe):
        if isinstance(check, Check) and check.probe.probe_id == probe.probe_id:
            look.page(
                '<p class="bw-caution">The probe was registered anew as another while it was checked: what was taken '
                "counts for nothing.</p>"
            )
        _begin(probe, place)
    elif check.done:
        _result(check)
    else:
        _watch()


def _begin(probe: ProbeRegistration, place: Place) -> None:
    look.page(
        "<p>Two points: a stirred ice bath, and the canner at a full rolling boil. Each is taken when the reading "
        f"has stood still for {STABLE_S:.0f} s; then the two corrections are compared.</p>"
    )
    lacks = (
        "Choose the node that the probe hangs on, among the kitchen's fields." if place.node is None else ""
    )
    if place.kitchen.altitude_m is None:
        lacks = "Give the kitchen's altitude: without it nothing says where water boils."
    if place.doubt:
        lacks = lacks or "First clear up what is said of the kitchen above: open its fields."
    if lacks:
        look.page(f'<p class="bw-caution">{look.esc(lacks)}</p>')
        return
    if st.button("Begin the check", type="primary", key="check_begin") and place.node is not None:
        kitchen_form.remember(place.kitchen)
        site = kitchen_model.site(place.kitchen, place.pressure)
        node = place.node.node
        begun = check_model.begin(
            probe, node, site, kitchen_data.newest_s(node), datetime.now(UTC), place.node.pressure_kPa
        )
        if isinstance(begun, Refusal):
            look.page(look.refused(told(begun.reason), told(begun.instead)))
            return
        st.session_state[KEY] = begun
        st.rerun()


@st.fragment(run_every=1)
def _watch() -> None:
    """Ticks each second: takes in the node's readings, says where the check stands, offers the next step."""
    check = st.session_state.get(KEY)
    if not isinstance(check, Check):
        st.rerun(scope="app")
    check.feed(kitchen_data.after(check.node, check.after_s), datetime.now(UTC))
    if check.done:
        st.rerun(scope="app")
    now = check.session.progress()
    caution = f'<p class="bw-caution">{look.esc(told(now.caution))}</p>' if now.caution else ""
    look.page(_steps(check) + f'<p class="bw-lead">{look.esc(told(now.prompt))}</p>{caution}')
    if check.session.state in (ICE_SETTLING, BOIL_SETTLING):
        _reading(check, now.last_C, now.still_s, now.why)
    _moves(check)


def _steps(check: Check) -> str:
    """Which point is taken, which is on, which is still to come: word and sign."""
    lines = []
    for point, name, states in STEPS:
        taken = check.session.points.get(point)
        if taken is not None:
            told = f'<span class="bw-tone-held bw-sign">✔ taken</span> {_degrees(taken.mean_C)}'
        elif check.session.state in states:
            told = '<span class="bw-tone-boil bw-sign">● now</span>'
        else:
            told = '<span class="bw-tone-quiet">○ to come</span>' if point == BOIL else "left out"
        lines.append((look.esc(name), told))
    return look.table(("Point", "State"), lines, "The points of the check")


def _reading(check: Check, last_C: float | None, still_s: float, why: str) -> None:
    boil = check.session.state == BOIL_SETTLING
    expected = f"expected here now: {_degrees(check.basis.boil_C if boil else 0.0)}"
    state = told(why) or f"Still for {still_s:.0f} of {STABLE_S:.0f} s."
    shown = "no reading yet" if last_C is None else _degrees(last_C)
    look.page(
        f'<p class="bw-digits bw-reading">{look.esc(shown)}</p>'
        f'<p class="bw-label">{look.esc(expected)}{look.esc(f" ({told(check.basis.text)})") if boil else ""}</p>'
        f"<p>{look.esc(state)}</p>"
    )
    st.progress(min(1.0, still_s / STABLE_S))


def _moves(check: Check) -> None:
    state = check.session.state
    with st.container(horizontal=True):
        if state == ICE_PREPARE:
            st.button(
                "The ice bath is stirred and ready",
                type="primary",
                key="ice_ready",
                on_click=_move,
                args=(state, "ready"),
            )
            st.button("Leave the ice point out", key="ice_skip", on_click=_move, args=(state, "skip"))
        elif state == BOIL_PREPARE:
            st.button(
                "It is at a full rolling boil",
                type="primary",
                key="boil_ready",
                on_click=_move,
                args=(state, "ready"),
            )
        else:
            st.button("Go back a step", key=f"again_{state}", on_click=_move, args=(state, "again"))
        if st.button("Give the check up", key="check_leave"):
            del st.session_state[KEY]
            st.rerun(scope="app")


def _move(shown: str, what: str) -> None:
    """What a button asks, where the check still stands at the step that was shown: a second click asks nothing."""
    check = st.session_state.get(KEY)
    if not isinstance(check, Check) or check.session.state != shown:
        return
    if what == "ready":
        # What was read before the bath was ready does not count.
        check.after_s = kitchen_data.newest_s(check.node)
        check.session.ready(stirred=True)
    elif what == "skip":
        check.session.skip()
    else:
        check.session.again()


def _result(check: Check) -> None:
    """Both corrections side by side, what they prove, and which batches a failure touches."""
    check.done_at = check.done_at or datetime.now(UTC)
    outcome = check.outcome(check.done_at, kitchen_data.known().past)
    # On a phone the heads are gone, so each figure says what it is.
    rows = [
        (
            look.esc(row.name),
            f"expected {_degrees(row.expected_C)}",
            "left out" if row.read_C is None else f"read {_degrees(row.read_C)}",
            ""
            if row.correction_K is None
            else look.esc(f"correction {figures.signed(row.correction_K, fahrenheit())}"),
        )
        for row in check_model.compared(check)
    ]
    look.page(
        look.table(("Point", "Expected", "Read", "Correction"), rows, "The two corrections")
        + _apart(check)
        + _verdict(outcome)
    )
    if not access.ask("check"):
        return
    who = access.who("Who made the check")
    with st.container(horizontal=True):
        if st.button("Keep this check", type="primary", key="check_keep", disabled=not who):
            data.say_together([Saying(kind, body, run_id=run_id) for kind, body, run_id in outcome.entries])
            kitchen_data.forget()
            del st.session_state[KEY]
            st.session_state["check_kept"] = outcome.as_json()
            st.rerun()
        if st.button("Throw it away", key="check_drop"):
            del st.session_state[KEY]
            st.rerun()
    if not who:
        look.page('<p class="bw-note">Say who made the check, then keep it.</p>')


def _apart(check: Check) -> str:
    found = [row.correction_K for row in check_model.compared(check) if row.correction_K is not None]
    if len(found) < 2:
        return ""
    apart_K = abs(found[0] - found[1])
    apart, allowed = (figures.difference(span_K, fahrenheit()) for span_K in (apart_K, CORRECTIONS_DIFFER_K))
    return f"<p>The two corrections are {look.esc(apart)} apart; {look.esc(allowed)} is allowed.</p>"


def _verdict(outcome: Outcome) -> str:
    result = outcome.result
    lines = "".join(f"<li>{look.esc(told(text))}</li>" for text in result.text)
    if result.calibration is not None:
        head = '<p class="bw-lead"><span class="bw-tone-held" aria-hidden="true">✔</span> The check is accepted.</p>'
    else:
        head = look.refused(told(result.refused))
    return head + (f"<ul>{lines}</ul>" if lines else "") + touched_markup(outcome.touched)


def touched_markup(touched: tuple[str, ...] | list[str]) -> str:
    """The batches that a failed check puts in doubt, each with a link."""
    if not touched:
        return ""
    links = "".join(
        f'<li><a href="/run?run={quote(run_id, safe="")}" target="_self">{look.esc(run_id)}</a></li>'
        for run_id in touched
    )
    return (
        "<p><strong>These batches were judged by it since its last good check.</strong> A deviation is opened for "
        f"each, and none goes to the shelf while it is open:</p><ul>{links}</ul>"
    )


def _degrees(value_C: float) -> str:
    return look.esc(figures.temperature(value_C, fahrenheit()))
