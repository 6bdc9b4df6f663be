"""Which probe, what its check says, and what today's set-up can prove with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

import streamlit as st

from dashboard import data, figures, kitchen_data, look, number_field, plan_model
from dashboard.plan_model import KnownProbe
from dashboard.units import fahrenheit, told
from monitor.plan.registration import PLACES, ProbeRegistration, registration_gaps, what_changed
from monitor.plan.setup import CANNOT, PROVES, PROVES_IF_SEEN, SetUp
from monitor.tables.probes import OTHER, converters, place_words, probe_kinds

ANOTHER = "Another probe"
#: Where a registration waits whose name is in use by another.
ASKED = "registered_already"
UNKNOWN = "I do not know, or none of these"
#: What the words of the closed lists mean, by how they begin.
KINDS = {
    "type": "thermocouple, ",
    "Pt100": "platinum resistance, ",
    "one-wire": "sensor with its own converter, ",
}
CONVERTERS = {
    "linearised": "thermocouple, fine: ",
    "straight-line": "thermocouple, coarse: ",
    "resistance": "for platinum resistance: ",
    "one-wire": "inside the sensor: ",
}
SIGNS = {PROVES: ("held", "✔"), PROVES_IF_SEEN: ("boil", "●"), CANNOT: ("alarm", "▼")}


def choose() -> KnownProbe | None:
    """Choose a registered probe, or register one; None until there is one."""
    known = plan_model.known_probes(kitchen_data.known().registered, kitchen_data.known().past.checks)
    names = [item.registration.probe_id for item in known]
    chosen = st.selectbox("Water probe", [*names, ANOTHER], key="probe") if names else ANOTHER
    if chosen != ANOTHER:
        st.session_state.pop(ASKED, None)
        return known[names.index(chosen)]
    _register([item.registration for item in known])
    _ask([item.registration for item in known])
    return None


def _unknown_first(names: Iterable[str]) -> list[str]:
    return [OTHER, *(name for name in names if name != OTHER)]


def _words(words: Mapping[str, str]) -> Callable[[str], str]:
    """How a word of a closed list is shown: with what it means before it."""

    def shown(name: str) -> str:
        if name == OTHER:
            return UNKNOWN
        before = next((said for begins, said in words.items() if name.startswith(begins)), "")
        return f"{before}{name}"

    return shown


def _register(known: Sequence[ProbeRegistration]) -> None:
    look.page(
        '<p class="bw-note">What you do not know is taken at its widest, and said; a check makes up for much of it. '
        "The order or the parts' data sheets tell kind and converter.</p>"
    )
    with st.form("register", border=False):
        left, right = st.columns(2)
        name = left.text_input("Name written on the probe", max_chars=40)
        kind = left.selectbox("Kind and class", _unknown_first(probe_kinds()), format_func=_words(KINDS))
        converter = right.selectbox(
            "Converter, the board between probe and node",
            _unknown_first(converters()),
            format_func=_words(CONVERTERS),
        )
        place = right.selectbox("Where it sits in the kettle", _unknown_first(PLACES), format_func=_words({}))
        response = number_field.ask(
            left,
            "Moved into stirred hot water, seconds until it shows two thirds of the change; empty: not known",
            "register_response",
            low=0.1,
            high=120.0,
            unit="s",
        )
        sent = st.form_submit_button("Register this probe")
        if sent and not name.strip():
            st.error("Give the probe a name, and write it on the probe: its checks go by that name.")
        elif sent and response.why:
            st.error(f"Not registered: {response.why}")
        elif sent:
            probe = ProbeRegistration(name.strip(), kind, converter, place, response_s=response.value)
            before = plan_model.named(known, probe.probe_id)
            # The form does not ask for the channel: a probe that has one keeps it.
            probe = probe if before is None else replace(probe, channel=before.channel)
            if before is None or not what_changed(before, probe):
                _say(probe)
            st.session_state[ASKED] = probe


def _ask(known: Sequence[ProbeRegistration]) -> None:
    """A name in use, and another probe: is it the same one changed? Its earlier check is at stake."""
    probe = st.session_state.get(ASKED)
    before = plan_model.named(known, probe.probe_id) if isinstance(probe, ProbeRegistration) else None
    if before is None or not isinstance(probe, ProbeRegistration):
        return
    look.page(
        f'<p class="bw-caution">A probe “{look.esc(probe.probe_id)}” is registered already, and this is another: '
        f"{look.esc(what_changed(before, probe))}. Registered anew, its earlier check ends, and until the next one its "
        "class's tolerance is taken. A probe of its own has a name of its own.</p>"
    )
    with st.container(horizontal=True):
        if st.button("It was changed: register it anew", key="register_anew"):
            _say(probe)
        if st.button("Leave it as it is registered", key="register_not"):
            del st.session_state[ASKED]
            st.rerun()


def _say(probe: ProbeRegistration) -> None:
    st.session_state.pop(ASKED, None)
    data.say("probe_registered", probe.as_json())
    kitchen_data.forget()
    st.rerun()


def describe(item: KnownProbe) -> None:
    """What it is, what its last check says and what stands beside that, and what its registration lacks."""
    probe = item.registration
    quick = "" if probe.response_s is None else f"; {probe.response_s:g} s to 63 % in stirred water"
    gaps, said = (
        "".join(f'<p class="bw-caution">{look.esc(told(text))}</p>' for text in texts)
        for texts in (registration_gaps(probe), item.said)
    )
    look.page(
        f"<p>{look.esc(probe.kind)}; {look.esc(probe.converter)}; {look.esc(place_words(probe.place))}"
        f"{look.esc(quick)}.</p>"
        f"<p>{look.esc(told(item.words))}</p>{said}{gaps}"
    )


def show_set_up(answer: SetUp) -> None:
    """What today's set-up can prove, why not more, and what would help; the budget on request."""
    tone, glyph = SIGNS[answer.answer]
    sign = f'<span class="bw-tone-{tone}" aria-hidden="true">{glyph}</span> '
    why = f"<p>{look.esc(told(answer.why_altitude))}</p>" if answer.why_altitude else ""
    ways = "".join(f"<li>{look.esc(told(way.text))}</li>" for way in answer.ways)
    helps = f"<p><strong>What helps</strong></p><ul>{ways}</ul>" if ways else ""
    rest = "".join(f"<li>{look.esc(told(text))}</li>" for text in answer.text)
    rows = [
        (
            look.esc(row.term),
            look.esc(told(f"{row.value} {row.unit}")),
            figures.difference(2.0 * row.standard_K, fahrenheit()),
            look.esc(row.source),
        )
        for row in answer.budget.rows
    ]
    budget = look.table(
        ("Term", "Half-width or step", "Its part of ±", "From"), rows, "The uncertainty budget"
    )
    look.page(
        f'<p class="bw-lead">{sign}{look.esc(told(answer.sentence))}</p>{why}{helps}<ul>{rest}</ul>'
        f"<details><summary>The uncertainty, term by term</summary>{budget}</details>"
    )
