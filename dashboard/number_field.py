"""A field for a number, as text: what a person writes arrives as it was written.

The page library's own number field hands on the value before it when what stands in it is out of range, and drops a
decimal comma on the way. Here nothing that cannot be read becomes a number, and it is said at the field.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from typing import Any

import streamlit as st

from dashboard import draft, look
from monitor.plan.typed import Unread, number_typed, shown


@dataclass(frozen=True, slots=True)
class Number:
    """What a field says: ``value`` None where it is empty or cannot be read; ``why`` says the latter, else ""."""

    value: float | None
    why: str = ""


def ask(
    column: st.delta_generator.DeltaGenerator,
    label: str,
    key: str,
    usual: float | None = None,
    *,
    low: float = -inf,
    high: float = inf,
    unit: str = "",
    whole: bool = False,
    hint: Callable[[float], str] | None = None,
    show: Callable[[float], str] = shown,
    help: str | None = None,
) -> Number:
    """Draw the field; ``usual`` stands in it at first.

    Parameters
    ----------
    hint : callable, optional
        What a number that the field cannot hold may have been meant for, "" where nothing is known of it.
    show : callable
        How a number stands in the field once it was read: so a person sees how it was understood.
    """
    if key not in st.session_state:
        st.session_state[key] = "" if usual is None else show(usual)
    said = _read(str(st.session_state[key] or ""), low, high, unit, whole, hint)
    if said.value is not None and st.session_state[key] != show(said.value):
        # Only then: what is written into a field takes away what somebody is typing there.
        st.session_state[key] = show(said.value)
    column.text_input(label, key=key, max_chars=20, autocomplete="off", help=help)
    if said.why:
        with column:
            look.page(f'<p class="bw-caution">{look.esc(said.why)}</p>')
    return said


def _read(
    text: str, low: float, high: float, unit: str, whole: bool, hint: Callable[[float], str] | None
) -> Number:
    if not text.strip():
        return Number(None)
    found = number_typed(text, low, high, unit=unit, whole=whole)
    if not isinstance(found, Unread):
        return Number(found)
    meant = number_typed(text, unit=unit)
    more = "" if hint is None or isinstance(meant, Unread) else hint(meant)
    return Number(None, f"{found.why} {more}".strip())


def convert(former: str, key: str, worked_out: Callable[[float], float | None]) -> None:
    """Another unit was chosen: the field ``key`` begins with what stood in ``former``, brought over.

    What could not be read there is not there afterwards either. Where ``worked_out`` gives None the field begins as it
    would without.
    """

    def text(typed: Any) -> str | None:
        if not str(typed).strip():
            return None
        found = number_typed(str(typed))
        if isinstance(found, Unread):
            return ""
        made = worked_out(found)
        return None if made is None else shown(made)

    draft.convert(former, key, text)
