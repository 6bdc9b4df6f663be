"""°C and m, or °F and ft, as the household chose once (a ``settings`` entry), or this viewer for this visit."""

from __future__ import annotations

import streamlit as st

from dashboard import data, draft, figures


def fahrenheit() -> bool:
    """Whether temperatures are shown in °F."""
    chosen = st.session_state.get("units") or draft.value("units")
    if chosen is not None:
        return bool(chosen == "°F")
    return data.household().get("units") == "F"


def told(text: str) -> str:
    """A sentence of the engine in the units that this reader chose."""
    return figures.in_units(text, fahrenheit())
