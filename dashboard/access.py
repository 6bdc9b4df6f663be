"""Who may change something: anybody on this machine, and on the home network whoever knows the passcode."""

from __future__ import annotations

import time

import streamlit as st

from dashboard import settings

_OPENED = "passcode_given"


def who(label: str = "Who is speaking") -> str:
    """Ask once for the name that entries carry; it stays for this visit, page after page."""
    st.session_state["who"] = st.text_input(label, value=st.session_state.get("who", ""), max_chars=60)
    return str(st.session_state["who"]).strip()


def may_change() -> bool:
    """Whether this viewer may change something now."""
    return settings.current().passcode is None or bool(st.session_state.get(_OPENED))


def ask(where: str) -> bool:
    """As :func:`may_change`; where not yet, show the form that asks for the passcode. ``where`` is a key."""
    passcode = settings.current().passcode
    if passcode is None or may_change():
        return True
    with st.form(f"passcode_{where}", border=False):
        st.markdown(
            "Looking is free. **To change something, give the passcode** that was set where the "
            "dashboard was started."
        )
        words = st.text_input("Passcode", type="password", autocomplete="current-password")
        sent = st.form_submit_button("Give the passcode")
    if sent:
        wait_s = passcode.wait_s(time.monotonic())
        if wait_s > 0:
            st.error(f"Too many wrong passcodes. Try again in {wait_s:.0f} s.")
        elif passcode.check(words, time.monotonic()):
            st.session_state[_OPENED] = True
            st.rerun()
        else:
            st.error("That is not the passcode.")
    return False
