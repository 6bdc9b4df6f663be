"""°C or °F, as the household chose once (a ``settings`` entry), or this viewer for this visit."""

from __future__ import annotations

import streamlit as st

from dashboard import data, draft


def fahrenheit() -> bool:
    """Whether temperatures are shown in °F."""
    chosen = st.session_state.get("units") or draft.value("units")
    if chosen is not None:
        return bool(chosen == "°F")
    return data.household().get("units") == "F"
