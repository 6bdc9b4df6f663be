"""Whether the hour of a mark can be meant: it is asked about first where it costs what the run has proven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import streamlit as st

from dashboard import data, figures, look, words
from dashboard.batches import Batch
from monitor.errors import MonitorError
from monitor.judge import judge
from monitor.record.model import ENDS, Mark
from monitor.store.together import Saying

#: (run, what is to be written, why it is asked about), until a second word was given.
_WAITS = "mark_doubted"
#: The worse, the higher.
_RANK = {"held": 0, "unproven": 1, "broken": 2}


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
    marks = [one for one in sayings if one.kind == "mark"]
    if all(one.happened is None for one in marks):
        return ""
    found = [why for one in marks if one.happened and (why := _too_early(batch, one.body, one.happened))]
    return " ".join([*found, _loses(batch, marks, instead)]).strip()


def _too_early(batch: Batch, body: Any, happened: datetime) -> str:
    """An end that lies before what it should end."""
    kind, zone = str(body.get("kind")), batch.state.zone
    t_s = (happened - batch.run.started_at).total_seconds()
    name, at = words.MARKS[kind].capitalize(), figures.local_day(happened, zone)
    loaded = [mark.t_s for mark in batch.run.marks if mark.kind == "jars_in"]
    if kind in ENDS and t_s < max(loaded, default=0.0):
        since = "the jars went in" if loaded else "the run began"
        return f"{name}, {at}: that was before {since}."
    off = batch.state.heat_off
    if kind == "jars_lifted" and off is not None and not off.how and happened < off.at:
        return f"{name}, {at}: that was before the heat was off, {figures.local_day(off.at, zone)}."
    return ""


def _loses(batch: Batch, marks: Sequence[Saying], instead: Sequence[Saying]) -> str:
    """What the verdict loses by these marks."""
    try:
        now = _verdict(batch, instead) if instead else batch.verdict.get("verdict")
        then = _verdict(batch, marks)
    except MonitorError:
        # Of a record that cannot be judged its own page says what is wrong; nothing is lost by a mark.
        return ""
    if _rank(then) <= _rank(now):
        return ""
    sign = words.verdict_sign
    return (
        f"With that hour the run is {sign(then).word.lower()}; without it, {sign(now).word.lower()}. "
        "Is the hour right?"
    )


def _rank(verdict: str | None) -> int:
    return _RANK.get(verdict or "", max(_RANK.values()))


def _verdict(batch: Batch, marks: Sequence[Saying]) -> str | None:
    """The verdict on the run with these marks."""
    begun = batch.run.started_at
    more = [
        Mark(((one.happened or batch.now) - begun).total_seconds(), str(one.body["kind"])) for one in marks
    ]
    # In time order, as they are read from the store.
    own = sorted([*batch.run.marks, *more], key=lambda mark: mark.t_s)
    return judge(replace(batch.run, marks=tuple(own))).verdict
