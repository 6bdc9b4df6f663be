"""Whether the hour of a mark can be meant: it is asked about first where it costs what the run has proven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import streamlit as st

from dashboard import data, look
from dashboard.batches import Batch
from monitor.store.mark_doubt import Said, mark_doubt
from monitor.store.together import Saying

#: (run, what is to be written, why it is asked about), until a second word was given.
_WAITS = "mark_doubted"


def say(batch: Batch, sayings: Sequence[Saying], instead: Sequence[Saying] = ()) -> bool:
    """Write marks down with what belongs to them, or ask first; whether they were written.

    ``instead`` are the marks that the record itself suggests, where nobody has made them: what is said is held against
    a run that has these.
    """
    st.session_state.pop(_WAITS, None)
    if why := _costs(batch, sayings, instead):
        # Whenever the second word comes, what was just now is now.
        fixed = [replace(one, happened=one.happened or batch.now) for one in sayings]
        st.session_state[_WAITS] = (batch.state.run_id, fixed, why)
        st.rerun()
    data.say_together(sayings)
    return True


def ask_again(batch: Batch) -> bool:
    """What waits for a second word, and two ways on; whether it was written down."""
    run_id, sayings, why = st.session_state.get(_WAITS) or (None, [], "")
    if run_id != batch.state.run_id:
        return False
    look.page(f'<p class="bw-caution" role="alert">{look.esc(why)}</p>')
    with st.container(horizontal=True):
        sure = st.button("The hour is right: write it down", key="hour_right", type="primary")
        wrong = st.button("No, leave it as it is", key="hour_wrong")
    if sure:
        data.say_together(sayings)
    if sure or wrong:
        st.session_state.pop(_WAITS, None)
    if wrong:
        st.rerun()
    return sure


def forget() -> None:
    """Nothing waits any more: it was said by somebody."""
    st.session_state.pop(_WAITS, None)


def _costs(batch: Batch, sayings: Sequence[Saying], instead: Sequence[Saying]) -> str:
    """Why these are asked about first; empty where they are not."""
    marks, others = _marks(batch, sayings), _marks(batch, instead)
    if all(one.happened is None for one in sayings if one.kind == "mark"):
        return ""
    why = mark_doubt(batch.run, batch.state, batch.verdict, marks, others)
    return why and f"{why} Is the hour right?"


def _marks(batch: Batch, sayings: Sequence[Saying]) -> list[Said]:
    return [(str(one.body["kind"]), one.happened or batch.now) for one in sayings if one.kind == "mark"]
