"""The pieces that run in the browser: the boards with their clock, the alarm's sound, the passcode and the words that
are kept."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib import resources
from itertools import count
from typing import Any

import streamlit as st

from dashboard.live_model import PATIENCE_S, Board
from dashboard.strip_model import Piece

_ticks = count(1)


@cache
def _boards() -> Any:
    return st.components.v2.component(
        "boilwitness_boards", html=_BOARDS_HTML, js=_script("boards.js"), isolate_styles=False
    )


@cache
def _sound() -> Any:
    return st.components.v2.component(
        "boilwitness_sound", html=_SOUND_HTML, js=_script("sound.js"), isolate_styles=False
    )


@cache
def _keep() -> Any:
    return st.components.v2.component("boilwitness_keep", html=_KEEP_HTML, js=_script("keep.js"))


@cache
def _cookie() -> Any:
    return st.components.v2.component("boilwitness_cookie", html=_KEEP_HTML, js=_script("cookie.js"))


# Several lines on purpose: a single line with a slash in it would be taken for a path.
_BOARDS_HTML = """
<div class="bw-boards">
</div>
"""
_KEEP_HTML = """
<span>
</span>
"""
_SOUND_HTML = """
<div class="bw-sound" data-armed="no">
  <span class="bw-sound-words"></span>
  <button type="button"></button>
</div>
"""


def _script(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text(encoding="utf-8")


def show_boards(boards: Sequence[Board], strips: Sequence[Sequence[Piece]] = (), *, form: str = "") -> None:
    """Draw the boards, in this order. Each call counts as a sign of life of the server.

    ``form``: ``""`` for whole boards, ``far`` across the room, ``line`` for a line each.
    """
    told = [item.as_json() for item in boards]
    for item, strip in zip(told, strips, strict=False):
        item["strip"] = [{"share": p.share, "tone": p.tone, "words": p.words} for p in strip]
    data = {"tick": next(_ticks), "boards": told, "form": form, "server_patience_s": PATIENCE_S}
    _boards()(key=f"boards_{form}", data=data)


def keep(word: str, path: str) -> None:
    """Hand a word of one use to the server at ``path``."""
    _keep()(key="keep_passcode", data={"word": word, "path": path})


def cookie(key: str, name: str, told: str) -> None:
    """Keep a word until this browser is closed; each ``key`` once a run of the script."""
    _cookie()(key=key, data={"cookie": name, "told": told})


def sound(wanted: str | None) -> None:
    """Arm or show the alarm's sound; ``wanted`` is ``high``, ``medium`` or ``None`` for silence."""
    _sound()(key="sound", data={"wanted": wanted})
