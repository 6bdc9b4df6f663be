"""One run: verdict, advice, trace, events, budget, marks; by deep link ``?run=ID``."""

from __future__ import annotations

from typing import Any

import streamlit as st

from dashboard import charts, data, figures, look, run_model, settings, strip_model, words
from dashboard.live_model import batch_words
from dashboard.trace import frame, trace
from dashboard.units import fahrenheit
from monitor.errors import MonitorError
from monitor.record import Run

LONGEST_ID = 200
_WHOLE, _NEAR = "Whole run", "Near the boiling point"


def main() -> None:
    run_id = st.query_params.get("run", "")[:LONGEST_ID]
    try:
        found = data.one_run(settings.current().data_dir, run_id) if run_id else None
    except MonitorError as trouble:
        look.page(f'<p class="bw-big">This run cannot be shown.</p><p>{look.esc(trouble)}</p>')
        return
    if found is None:
        name = f" {look.esc(run_id)}" if run_id else ""
        look.page(
            f'<p class="bw-big">There is no run{name} in this store.</p>'
            '<p><a href="/runs" target="_self">Past runs</a></p>'
        )
        return
    _head(found)
    _advice(found.verdict)
    _trace(found)
    look.page(
        "<h2>What happened</h2>"
        + look.events_table(found.verdict.get("events") or (), found.run, newest_first=False)
    )
    _foundations(found)
    _said(found)
    look.page(f'<p class="bw-caution">{look.esc(run_model.LIMITS)}</p>')


def _head(found: data.OneRun) -> None:
    row, verdict = found.row, found.verdict
    simulated = ' <span class="bw-simulated">simulated: invented data</span>' if row.simulated else ""
    batch = batch_words(row.food, row.pack, row.jar, row.jars) or "batch not described"
    started = figures.local_day(found.run.started_at, found.run.zone)
    reasons = "".join(f"<li>{look.esc(reason)}</li>" for reason in verdict.get("reasons") or ())
    look.page(
        f'<p><span class="bw-batch">{look.esc(batch)}'
        f" · {look.esc(row.canner or 'canner not named')} · {look.esc(started)}</span>{simulated}</p>"
        f'<h1 class="bw-verdict">{look.sign(words.verdict_sign(verdict.get("verdict")), big=True)}</h1>'
        f'<p class="bw-lead">{look.esc(run_model.headline(verdict))}</p>'
        + (f"<ul>{reasons}</ul>" if reasons else "")
    )


def _advice(verdict: dict[str, Any]) -> None:
    advice = verdict.get("advice") or {}
    until = f" By {look.esc(str(advice['until']))}." if advice.get("until") else ""
    action = words.action_words(str(advice.get("action") or ""))
    cited = run_model.guidance(list(advice.get("guidance") or ()))
    lines = "".join(
        f"<li>{look.esc(text)} <span class='bw-note'>{look.esc(source)} ({look.esc(number)})</span></li>"
        for number, text, source in cited
    )
    look.page(
        f"<h2>What to do now</h2><p><strong>{look.esc(action.capitalize())}.</strong>"
        f" {look.esc(advice.get('text') or '')}{until}</p>"
        + (f"<details><summary>The guidance behind it</summary><ul>{lines}</ul></details>" if lines else "")
    )


def _trace(found: data.OneRun) -> None:
    look.page("<h2>The trace</h2>")
    run: Run = found.run
    calibration = run.probe.calibration
    whole = trace(run.samples, calibration.offset_K if calibration else 0.0)
    pieces = strip_model.pieces(found.verdict.get("stretches") or ())
    label = "The run: " + "; ".join(piece.words for piece in pieces)
    look.page(look.strip([(piece.share, piece.tone, piece.words) for piece in pieces], label) + look.KEY)
    if len(whole.t_s) == 0:
        look.page('<p class="bw-note">The record holds no sample.</p>')
        return
    drawn = frame(whole, 1500, fahrenheit=fahrenheit())
    marks = [(mark.t_s, mark.kind) for mark in run.marks]
    sight = st.segmented_control(
        "Trace", [_WHOLE, _NEAR], default=_WHOLE, key="sight", label_visibility="collapsed"
    )
    spec = charts.temperature_chart(
        drawn,
        found.verdict,
        look.tones(),
        marks=marks,
        fahrenheit=fahrenheit(),
        zoom=True,
        near=sight == _NEAR,
    )
    st.echarts_chart(spec, height=440, key="trace", alt=label)
    cut = f"{len(whole.t_s):,} samples" + (
        ", drawn by their least and greatest" if len(drawn) < len(whole.t_s) else ""
    )
    look.page(f'<p class="bw-note">{cut}. Drag the slider, or Ctrl and the wheel, to look closer.</p>')
    with st.expander("The stretches as a list"):
        states = "".join(f"<li>{look.esc(piece.words)}</li>" for piece in pieces)
        look.page(f"<ul>{states}</ul>")


def _foundations(found: data.OneRun) -> None:
    verdict = found.verdict
    budget = verdict.get("budget") or {}
    left, right = st.columns([2, 3], gap="large")
    with left:
        look.page(
            "<h2>What it rests on</h2>"
            + look.facts_table(run_model.verdict_facts(verdict, fahrenheit()), "What the verdict rests on")
        )
    with right:
        rows = [tuple(look.esc(cell) for cell in row) for row in run_model.budget_rows(budget)]
        notes = "".join(f"<li>{look.esc(note)}</li>" for note in budget.get("notes") or ())
        look.page(
            "<h2>Uncertainty budget</h2>"
            + look.table(("Term", "Value", "Standard", "Source"), rows, "Uncertainty budget", numbers=(2,))
            + (f"<ul class='bw-note'>{notes}</ul>" if notes else "")
        )


def _said(found: data.OneRun) -> None:
    rows = [
        (
            look.esc(look.when(mark.t_s, found.run)),
            look.esc(words.MARKS.get(mark.kind, mark.kind)),
            look.esc(mark.by or ""),
            look.esc(mark.text or ""),
        )
        for mark in found.run.marks
    ]
    if rows:
        look.page(
            "<h2>What people said</h2>"
            + look.table(("Since the start", "Mark", "Who", "Words"), rows, "Marks")
        )


main()
