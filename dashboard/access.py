"""Who may change something: anybody on this machine, and on the home network whoever knows the passcode."""

from __future__ import annotations

import time
from urllib.parse import unquote

import streamlit as st

from dashboard import kept_passcode, look, settings
from dashboard.components import mount

NAME_COOKIE = "boilwitness_name"
LONGEST_NAME = 60
#: How long after a field was filled in a browser may still send what stood there before. [s] Chosen.
STALE_S = 3.0

#: Which passcode was given here, by its digest: one chosen since asks again.
_OPENED = "passcode_given"
_WORD = "passcode_word"


def who(label: str = "Who is speaking") -> str:
    """Ask once for the name that entries carry; it stays in this browser until it is closed, page after page.

    What was typed here last counts; where nothing was, the field shows what was typed elsewhere.
    """
    field, shown, filled = f"who_{label}", f"who_shown_{label}", f"who_filled_{label}"
    told = str(st.session_state.get("who", ""))
    typed = st.session_state.get(field)
    before, at_s = st.session_state.get(filled, (None, float("-inf")))
    # A browser that was quicker than the page sends the field as it was before the page filled it in.
    stale = typed == before and time.monotonic() - at_s < STALE_S
    if typed != told and (typed is None or stale or typed == st.session_state.get(shown)):
        st.session_state[field] = told
        st.session_state[filled] = (typed or "", time.monotonic())
    st.session_state["who"] = st.session_state[shown] = st.text_input(
        label, key=field, max_chars=LONGEST_NAME
    )
    return str(st.session_state["who"]).strip()


def recall() -> None:
    """The name that was given before in this browser: a link between pages begins a session of its own."""
    if "who" not in st.session_state:
        kept = unquote(str(st.context.cookies.get(NAME_COOKIE, ""))).strip()[:LONGEST_NAME]
        if kept:
            st.session_state["who"] = kept


def keep() -> None:
    """Hand the name to the browser, and the word of a passcode that was given; once a run of the script, at its end."""
    if "who" in st.session_state:
        mount.cookie("name_kept", NAME_COOKIE, str(st.session_state["who"]).strip())
    # Whatever page asked for it; drawn again with every run, for it may be gone before the browser has read it. It is
    # used once.
    if word := st.session_state.get(_WORD):
        mount.keep(word, kept_passcode.PATH)


def who_speaks() -> None:
    """As :func:`who`, where nothing waits for a name: what is urgent is written down without one."""
    if not who("Your name, for the record"):
        look.page(
            '<p class="bw-note">No name yet: what you mark, confirm or acknowledge is written down all the same, '
            "with “not said” for the name.</p>"
        )


def may_change() -> bool:
    """Whether this viewer may change something now."""
    passcode = settings.passcode()
    if passcode is None or st.session_state.get(_OPENED) == passcode.digest:
        return True
    # A device that gave it before, within the last hours.
    if kept_passcode.good(passcode, st.context.cookies.get(kept_passcode.COOKIE), time.time()):
        st.session_state[_OPENED] = passcode.digest
        return True
    return False


def ask(where: str) -> bool:
    """As :func:`may_change`; where not yet, show the form that asks for the passcode. ``where`` is a key."""
    passcode = settings.passcode()
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
        # None on the machine itself.
        sender = st.context.ip_address or ""
        wait_s = passcode.wait_s(time.monotonic(), sender)
        if wait_s > 0:
            st.error(f"Too many wrong passcodes. Try again in {wait_s:.0f} s.")
        elif passcode.check(words, time.monotonic(), sender):
            st.session_state[_OPENED] = passcode.digest
            st.session_state[_WORD] = kept_passcode.WORDS.give(time.monotonic())
            st.rerun()
        else:
            st.error("That is not the passcode.")
    return False
