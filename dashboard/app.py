"""Navigation only: which pages there are. Each page is one file in ``views/``."""

from __future__ import annotations

from importlib import resources

import streamlit as st

from dashboard import access, draft, look, on_now
from monitor.errors import MonitorError

ICON = str(resources.files("dashboard").joinpath("assets/icon.png"))


def main() -> None:
    st.set_page_config(
        page_title="boilwitness", page_icon=ICON, layout="wide", initial_sidebar_state="collapsed"
    )
    look.put_on()
    pages = [
        st.Page("views/live.py", title="Now", default=True),
        st.Page("views/plan.py", title="Before the heat", url_path="plan"),
        st.Page("views/probe.py", title="Probe", url_path="probe"),
        st.Page("views/jars.py", title="After the heat", url_path="jars"),
        st.Page("views/pantry.py", title="Pantry", url_path="pantry"),
        st.Page("views/runs.py", title="Past runs", url_path="runs"),
        st.Page("views/compare.py", title="Compare", url_path="compare"),
        st.Page("views/nodes.py", title="Nodes", url_path="nodes"),
        st.Page("views/run.py", title="Run", url_path="run", visibility="hidden"),
    ]
    access.recall()
    far = st.query_params.get("far") == "1"
    page = st.navigation(pages, position="hidden" if far else "top")
    if page.title != "Now":
        on_now.line(test=page.title == "Before the heat")
    forms = page.title in ("Before the heat", "Probe")
    if forms:
        draft.again(page.title)
    else:
        draft.elsewhere()
    try:
        page.run()
    except MonitorError as trouble:
        # A full disk, a damaged store: what a person can do something about is told, not traced.
        look.page(look.refused(str(trouble)))
    finally:
        if forms:
            draft.keep()
    if forms:
        draft.hand_out()
    access.keep()


main()
