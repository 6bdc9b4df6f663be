"""The alarm that is sounded before a batch, to be heard where the cook will be.

The page's one sound, above, plays it (see :mod:`dashboard.on_now`): a second one would be a second alarm.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import streamlit as st

from dashboard import look

#: A test alarm must be confirmed within this. [s]
HEARD_WITHIN_S = 60.0
_SOUNDED, _HEARD = "alarm_sounded_at", "alarm_heard"


def heard() -> bool:
    """Whether somebody said that the alarm was heard."""
    return bool(st.session_state.get(_HEARD))


def forget() -> None:
    """The next batch has its own."""
    for key in (_SOUNDED, _HEARD):
        st.session_state.pop(key, None)


def sounding() -> bool:
    """Whether it should sound now: it was asked for, nobody has confirmed it, and the minute is not over."""
    at = st.session_state.get(_SOUNDED)
    return at is not None and not heard() and datetime.now(UTC) - at < timedelta(seconds=HEARD_WITHIN_S)


def ask() -> bool:
    """Draw it; returns whether the alarm was heard."""
    look.page("<p><strong>The alarm: sound it, and hear it in the room where you will be</strong></p>")
    _buttons()
    return heard()


@st.fragment(run_every=2)
def _buttons() -> None:
    now_sounding = sounding()
    with st.container(horizontal=True, vertical_alignment="center"):
        # A tap on it also turns the sound on in this browser: ``sound.js`` knows its key.
        if st.button("Sound the alarm", key="sound_alarm"):
            st.session_state[_SOUNDED] = datetime.now(UTC)
            st.session_state[_HEARD] = False
            st.rerun(scope="fragment")
        if now_sounding and st.button("I heard it where I will be", type="primary", key="heard_alarm"):
            st.session_state[_HEARD] = True
            st.rerun(scope="app")
    if heard():
        look.page('<p><span class="bw-tone-held" aria-hidden="true">✔</span> The alarm was heard.</p>')
    elif st.session_state.get(_SOUNDED) is not None and not now_sounding:
        look.page("<p>Nobody confirmed it within a minute: sound it again.</p>")
