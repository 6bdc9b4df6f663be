"""Runs laid over each other from the start of the boil, and a season's figures with what they suggest."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

import streamlit as st

from dashboard import (
    charts,
    compare_model,
    data,
    figures,
    look,
    run_data,
    runs_model,
    season,
    settings,
    units,
    words,
)
from dashboard.trace import Trace
from dashboard.units import fahrenheit
from monitor.errors import MonitorError, UsageError
from monitor.store.reader import RunRow

MOST = 5
SEASON = 60


def main() -> None:
    st.title("Compare runs", anchor=False)
    try:
        rows = [row for row in data.runs(settings.current().data_dir) if row.verdict is not None]
    except MonitorError as trouble:
        look.nothing_yet(trouble)
        return
    if not rows:
        look.page('<p class="bw-big">No finished run yet.</p>')
        return
    zones = runs_model.several_zones(rows)
    lines = {row.run_id: runs_model.line(row, zone_named=zones) for row in rows}
    named = words.told_apart(
        {run_id: f"{one.sign.glyph} {one.started}, {one.batch}" for run_id, one in lines.items()}
    )
    chosen = st.multiselect(
        "Runs",
        list(lines),
        default=list(lines)[:2],
        max_selections=MOST,
        key="compared",
        format_func=named.__getitem__,
    )
    _overlay(chosen, lines)
    _season(rows[:SEASON], zones)


@st.cache_resource(max_entries=16, show_spinner=False)
def _trace_of(data_dir: Path, run_id: str, _verdict: str | None) -> tuple[Trace, float | None]:
    """The trace and the start of the boil of a finished run; kept while its verdict stays."""
    found = run_data.one_run(data_dir, run_id)
    if found is None:
        raise UsageError(f"there is no run {run_id!r} in this store.")
    return found.whole, compare_model.boil_start_s(run_data.verdict_of(found))


def _overlay(chosen: list[str], lines: dict[str, runs_model.Line]) -> None:
    traces = []
    without = []
    for place, run_id in enumerate(chosen):
        try:
            whole, start_s = _trace_of(settings.current().data_dir, run_id, lines[run_id].sign.word)
        except MonitorError:
            # Its own page says what is wrong with the record.
            start_s = None
        if start_s is None:
            without.append(lines[run_id].started)
        else:
            traces.append((f"{place + 1}: {lines[run_id].started}", whole, start_s))
    if traces:
        drawn = compare_model.laid_over(traces)
        spec = charts.overlay_chart(drawn, look.tones(), fahrenheit=fahrenheit())
        st.echarts_chart(
            spec,
            height=400,
            key="overlay",
            alt="Water temperature of the chosen runs from the start of the boil",
        )
    if without:
        look.page(f'<p class="bw-note">Never at a boil, so not drawn: {look.esc("; ".join(without))}.</p>')


def _cells(item: compare_model.RunFigures, row: RunRow, zones: bool) -> tuple[str, ...]:
    started = runs_model.line(row, zone_named=zones).started
    plateau = figures.MISSING if item.plateau_K is None else figures.signed(item.plateau_K, fahrenheit())
    return (
        f'<a href="/run?run={quote(item.run_id, safe="")}" target="_self">{look.esc(started)}</a>',
        look.esc(item.canner),
        look.sign(words.verdict_sign(row.verdict)) + look.unsealed(row.taken_in),
        look.named("come-up", figures.held(item.come_up_s)),
        look.named("per litre", figures.held(item.per_litre_s)),
        look.named("boil lost, times:", str(item.restarts)),
        look.named("boil against boiling point", plateau),
    )


def _season(rows: list[RunRow], zones: bool) -> None:
    newest_first = season.figures(settings.current().data_dir, rows)
    told = compare_model.suggestions(newest_first[::-1])
    look.page(
        "<h2>What the season suggests</h2>"
        + (
            "<ul>" + "".join(f"<li>{look.esc(units.told(text))}</li>" for text in told) + "</ul>"
            if told
            else f'<p class="bw-note">Nothing yet. A canner needs {compare_model.ENOUGH} finished runs before its '
            "first and its last are set against each other.</p>"
        )
    )
    by_id = {row.run_id: row for row in rows}
    cells = [_cells(item, by_id[item.run_id], zones) for item in newest_first]
    heads = (
        "Started",
        "Canner",
        "Verdict",
        "Come-up",
        "Per litre",
        "Boil lost",
        "Boil against boiling point",
    )
    look.page(look.table(heads, cells, "The season", numbers=(3, 4, 5, 6)))


main()
