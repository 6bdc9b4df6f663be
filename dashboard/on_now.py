"""One line on every page: what is on now, and what was last said of it. It ticks each second."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import data, figures, look, settings, words
from monitor.errors import StoreError
from monitor.store.entries import read_entries


@st.cache_resource(ttl=data.SHARED_FOR_S, show_spinner=False)
def _last_said(data_dir: Path, run_ids: tuple[str, ...]) -> dict[str, tuple[str, str]]:
    """Run id to (kind, when) of the newest mark of each run that is on."""
    found = {}
    with data.store() as conn:
        for run_id in run_ids:
            for entry in read_entries(conn, run_id, ["mark"])[-1:]:
                found[run_id] = (str(entry.body.get("kind")), entry.happened_utc)
    return found


@st.fragment(run_every=1)
def line(*, status: bool) -> None:
    """Draw it; nothing where nothing is on. ``status``: with the state, which the page Now shows in full anyway."""
    try:
        moment = data.house_now()
        said = _last_said(settings.current().data_dir, tuple(row.run_id for row in moment.live))
    except StoreError:
        # No store yet, so nothing is on.
        return
    parts = []
    for row in moment.live:
        run = moment.runs.get(row.run_id)
        parts.append(
            _words(row.run_id, row.canner, row.view, said.get(row.run_id), run.zone if run else None, status)
        )
    if parts:
        look.page(f'<p class="bw-on-now" role="status">{"<br>".join(parts)}</p>')


def _words(
    run_id: str,
    canner: str | None,
    view: Mapping[str, Any],
    said: tuple[str, str] | None,
    zone: str | None,
    status: bool,
) -> str:
    told = ""
    if said is not None:
        kind, utc = said
        at = figures.local_time(figures.parse_utc(utc), zone)
        told = f"last said: {look.esc(words.MARKS.get(kind, words.plain(kind)))}, {at}"
    if not status:
        return told
    sign = words.phase_sign(str(view.get("phase", "unknown")))
    left_s = view.get("remaining_s")
    left = f", {figures.clock(float(left_s))} to hold" if left_s is not None else ""
    name = look.esc(canner or "canner not named")
    return (
        f'<a href="/" target="_self">{name}</a> <span class="bw-sign bw-tone-{sign.tone}">'
        f"{look.esc(sign.word)}</span>{left}" + (f"; {told}" if told else "")
    )
