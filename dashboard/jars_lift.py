"""Heat off, rest, lifting: what was marked, what the record shows, and the way to say it."""

from __future__ import annotations

import streamlit as st

from dashboard import jars_doubt, jars_model, jars_when, look
from dashboard.batches import Batch
from monitor.errors import UsageError
from monitor.jars.disposition import Basis
from monitor.store.together import Saying

CAUTION = (
    "Heat off, canner lid off with its underside away from you, 5 minutes of rest; then lift the jars level, "
    "straight onto a dry towel or board, an inch apart, out of draughts. Steam and water scald; hot glass cracks "
    "on a cold or wet surface. Do not tilt, retighten, cover or fan them."
)

DRY, COLD = ("a dry towel", "a dry board", "a rack"), ("stone or metal", "something wet")


def lifted_by_mark(batch: Batch) -> bool:
    """Whether a person marked the lifting."""
    return batch.state.lifting is not None and not batch.state.lifting.how


def told(batch: Batch) -> None:
    """When the heat was off and the jars out, and which of the two it was."""
    state = batch.state
    lines = [
        jars_model.moment_words(what, moment, state.zone)
        for what, moment in (("Heat off", state.heat_off), ("Jars out", state.lifting))
        if moment is not None
    ]
    if state.heat_off is not None and state.lifting is None:
        lines.append(jars_model.rest_words(state.heat_off, batch.now, state.zone))
    if state.rest_note:
        lines.append(f"{state.rest_note[0].upper()}{state.rest_note[1:]}.")
    if lines:
        look.page("".join(f'<p class="bw-note">{look.esc(line)}</p>' for line in lines))


def ask(batch: Batch) -> bool:
    """The form for whatever of the two nobody has marked; whether something was written down."""
    state = batch.state
    if not state.jars or lifted_by_mark(batch):
        jars_doubt.forget()
        return False
    try:
        if jars_doubt.ask_again(batch):
            return True
        return _heat_off(batch) if state.standing.basis is Basis.OPEN else _lifting(batch)
    except UsageError as trouble:
        st.error(look.plain(str(trouble)))
        return False


def _heat_off(batch: Batch) -> bool:
    seen = batch.state.heat_off
    if seen is None or not seen.how:
        look.page(f'<p class="bw-caution">{look.esc(CAUTION)}</p>')
        return False
    with st.container(key="heat_off_seen", border=True):
        st.markdown(
            "**The record shows that the heat went off**, and nobody marked it. Unmarked, the run stays open."
        )
        when = jars_when.ask("heat_off", batch.state.zone, batch.now, seen.late)
        if not st.button("The heat is off", type="primary", key="mark_heat_off"):
            return False
        if when.trouble:
            st.error(when.trouble)
            return False
        as_seen = Saying("mark", {"kind": "heat_off"}, happened=seen.late)
        return jars_doubt.say(batch, [_mark("heat_off", when, batch)], [as_seen])


def _lifting(batch: Batch) -> bool:
    state = batch.state
    with st.container(key="lift", border=True):
        look.page(f'<h2>The jars are out</h2><p class="bw-caution">{look.esc(CAUTION)}</p>')
        numbers = [jar.jar for jar in state.jars]
        broken = st.pills("Broken in the canner, if any", numbers, selection_mode="multi", key="lift_broken")
        surface = st.selectbox("They stand on", [*DRY, *COLD], key="lift_surface")
        when = jars_when.ask("lift", state.zone, batch.now, state.lifting.late if state.lifting else None)
        if surface in COLD:
            st.warning(
                "Hot glass cracks on a cold or wet surface: a dry towel or board next time; do not move the jars now."
            )
        out = len(numbers) - len(broken)
        if not st.button(f"{out} of {len(numbers)} jars are out, whole", type="primary", key="say_lifted"):
            return False
        if when.trouble:
            st.error(when.trouble)
            return False
        body = {"out": out, "broken": broken, "surface": surface}
        count = Saying(
            "jars_lifted_count", body, run_id=state.run_id, happened=when.happened, reason=when.reason
        )
        return jars_doubt.say(batch, [*_heat_off_too(batch, when), _mark("jars_lifted", when, batch), count])


def _heat_off_too(batch: Batch, when: jars_when.When) -> list[Saying]:
    """Where only the record knows when the heat went off, the person who lifted the jars confirms it."""
    off = batch.state.heat_off
    if off is None or not off.how:
        return []
    happened = min(off.late, when.happened or batch.now)
    return [
        Saying(
            "mark",
            {"kind": "heat_off"},
            run_id=batch.state.run_id,
            happened=happened,
            reason=jars_when.CONFIRMED,
        )
    ]


def _mark(kind: str, when: jars_when.When, batch: Batch) -> Saying:
    return Saying(
        "mark", {"kind": kind}, run_id=batch.state.run_id, happened=when.happened, reason=when.reason
    )
