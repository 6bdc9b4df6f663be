"""What was filled in before the heat, kept for this browser: another page, a link or a reload empties no field.

The page library forgets a field that a page does not draw, and all of them at a reload. A cookie that ends with the
browser carries a random word; what belongs to it stays in this server's memory, and is over some hours after its last
change: ticks are of one batch, and a typed pressure is of one day.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from time import monotonic
from typing import Any

import streamlit as st

from dashboard.components import mount

COOKIE = "boilwitness_draft"
#: After so long without a change a draft is nobody's any more. [s] Chosen.
KEPT_S = 3 * 3600.0
#: So many browsers; the oldest makes room.
MOST = 50

#: Fields of the place, the air, the probe and the food, by how their keys begin: the next batch has them too.
LASTING = (
    *("kitchen_name", "altitude_m", "altitude_ft", "altitude_unit", "sure_", "found_by", "zone", "units"),
    *("pressure_way", "pressure_unit", "typed_", "node", "canner", "probe", "food", "pack_", "jar_", "own_"),
)
#: Fields of one batch: gone once its run has started.
OF_ONE_BATCH = (
    *("jars", "coldest_jar", "loading_water", "headspace_", "ph", "step_", "acid", "clock_ok", "power"),
    *("probe_seen", "already", "take_longer"),
)
#: Keys that begin like a field and are none: buttons, and what is confirmed anew.
_NONE = ("food_", "probe_check")

_WORD, _OWN, _PAGE = "draft_word", "draft", "draft_page"


class Drafts:
    """Drafts of all browsers, in this process."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[float, dict[str, Any]]] = {}
        self._lock = threading.Lock()

    def take(self, word: str, now_s: float) -> dict[str, Any]:
        """The draft of a browser, empty where there is none; times from a monotonic clock. [s]"""
        with self._lock:
            changed_s, fields = self._kept.get(word, (float("-inf"), {}))
            return dict(fields) if now_s - changed_s < KEPT_S else {}

    def put(self, word: str, fields: dict[str, Any], now_s: float) -> None:
        """Keep it in place of the one before; untouched, it keeps its age."""
        with self._lock:
            if word in self._kept and self._kept[word][1] == fields:
                return
            self._kept.pop(word, None)
            self._kept[word] = (now_s, dict(fields))
            while len(self._kept) > MOST:
                del self._kept[next(iter(self._kept))]


_drafts = Drafts()


def _is_field(key: str, beginnings: tuple[str, ...]) -> bool:
    return key.startswith(beginnings) and not key.startswith(_NONE)


def again(page: str) -> None:
    """Fill the fields as they were; before a page of them is drawn."""
    if _OWN not in st.session_state:
        word = str(st.context.cookies.get(COOKIE, ""))
        found = _drafts.take(word, monotonic()) if word else {}
        st.session_state[_WORD] = word if found else secrets.token_urlsafe(16)
        st.session_state[_OWN] = found
    # A field of the page before stands under its key until this page has drawn its own.
    other_page = st.session_state.get(_PAGE) != page
    st.session_state[_PAGE] = page
    for key, value in st.session_state[_OWN].items():
        if other_page or key not in st.session_state:
            st.session_state[key] = value


def elsewhere() -> None:
    """On a page without these fields."""
    st.session_state.pop(_PAGE, None)


def keep() -> None:
    """Keep the fields as they are, and hand the word to the browser; after the page, however it ended."""
    if _OWN not in st.session_state:
        return
    own: dict[str, Any] = st.session_state[_OWN]
    for key in map(str, st.session_state):
        if _is_field(key, LASTING + OF_ONE_BATCH):
            own[key] = st.session_state[key]
    _drafts.put(st.session_state[_WORD], own, monotonic())


def hand_out() -> None:
    """Give the browser its word; once a run of the script, at its end."""
    if _WORD in st.session_state:
        mount.cookie("draft_kept", COOKIE, st.session_state[_WORD])


def started() -> None:
    """The batch is on: its ticks and temperatures are not the next one's."""
    own: dict[str, Any] = st.session_state.get(_OWN, {})
    for key in [*own, *map(str, st.session_state)]:
        if _is_field(key, OF_ONE_BATCH):
            own.pop(key, None)
            st.session_state.pop(key, None)


def convert(former: str, key: str, worked_out: Callable[[Any], Any]) -> None:
    """Another unit was chosen: the field ``key`` begins with what stood in ``former``, which is no field any more.

    Where ``worked_out`` gives None it begins as it would without.
    """
    own: dict[str, Any] = st.session_state.get(_OWN, {})
    typed = own.pop(former, None)
    st.session_state.pop(former, None)
    found = None if typed is None else worked_out(typed)
    if found is not None:
        own[key] = st.session_state[key] = found


def value(key: str) -> Any:
    """What a field of this browser's draft holds, None where nothing was filled in."""
    return st.session_state.get(_OWN, {}).get(key)
