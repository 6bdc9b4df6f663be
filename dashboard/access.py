"""Who may change something: anybody on this machine, and on the home network whoever knows the passcode."""

from __future__ import annotations

import time

import streamlit as st

from dashboard import kept_passcode, look, settings
from dashboard.components import mount

_OPENED = "passcode_given"
_WORD = "passcode_word"


def who(label: str = "Who is speaking") -> str:
    """Ask once for the name that entries carry; it stays for this visit, page after page."""
    st.session_state["who"] = st.text_input(label, value=st.session_state.get("who", ""), max_chars=60)
    return str(st.session_state["who"]).strip()


def who_speaks() -> None:
    """As :func:`who`, where nothing waits for a name: what is urgent is written down without one."""
    if not who("Your name, for the record"):
        look.page(
            '<p class="bw-note">No name yet: what you mark, confirm or acknowledge is written down all the same, '
            "with “not said” for the name.</p>"
        )


def may_change() -> bool:
    """Whether this viewer may change something now."""
    passcode = settings.current().passcode
    if passcode is None or st.session_state.get(_OPENED):
        return True
    # A device that gave it before, within the last hours.
    if kept_passcode.good(passcode, st.context.cookies.get(kept_passcode.COOKIE), time.time()):
        st.session_state[_OPENED] = True
        return True
    return False


def ask(where: str) -> bool:
    """As :func:`may_change`; where not yet, show the form that asks for the passcode. ``where`` is a key."""
    passcode = settings.current().passcode
    if passcode is None or may_change():
        # Drawn again with every run of the page, for it may be gone before the browser has read it; used once.
        if word := st.session_state.get(_WORD):
            mount.keep(word, kept_passcode.PATH)
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
            st.session_state[_WORD] = kept_passcode.WORDS.give(time.monotonic())
            st.rerun()
        else:
            st.error("That is not the passcode.")
    return False
