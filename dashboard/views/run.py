"""One run: verdict, advice, trace, events, budget, marks; by deep link ``?run=ID``; with ``&jar=N``, as a label's code
has it, that jar first."""

from __future__ import annotations

import math
from typing import Any

import streamlit as st

from dashboard import (
    by_hand,
    charts,
    correct_form,
    figures,
    look,
    run_data,
    run_model,
    run_sections,
    settings,
    strip_model,
    words,
)
from dashboard.live_model import batch_words
from dashboard.trace import Trace, between, frame
from dashboard.units import fahrenheit
from monitor.errors import MonitorError
from monitor.jars import BatchState

LONGEST_ID = 200
_WHOLE, _NEAR = "All temperatures", "Near the boiling point"


def main() -> None:
    run_id = st.query_params.get("run", "")[:LONGEST_ID]
    try:
        found = run_data.one_run(settings.current().data_dir, run_id) if run_id else None
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
    if found.verdict is None:
        verdict = _judged_in_sight(found)
    else:
        verdict = found.verdict
    state = run_sections.state_of(found, verdict)
    asked = st.query_params.get("jar", "")
    run_sections.one_jar(state, asked)
    _head(found, verdict)
    correct_form.told(found)
    _advice(verdict, state)
    _trace(found, verdict)
    by_hand.section(found)
    look.page(
        "<h2>What happened</h2>"
        + look.events_table(
            verdict.get("events") or (), found.run, newest_first=False, over=not found.row.is_on
        )
    )
    _kettle(verdict)
    run_sections.jars(found, state, asked)
    run_sections.deviations(found, state)
    _foundations(verdict, found.run.required.read_from)
    run_sections.alarms(found)
    run_sections.said(found)
    correct_form.section(found)
    correct_form.call_off(found)
    run_sections.take_along(found, verdict)
    look.page(f'<p class="bw-caution">{look.esc(run_model.LIMITS)}</p>')


def _judged_in_sight(found: run_data.OneRun) -> dict[str, Any]:
    """Judge a run that was never judged here; its trace can be looked at meanwhile."""
    meanwhile = st.empty()
    with meanwhile.container():
        _batch_line(found)
        look.page(
            '<h1 class="bw-verdict">Not judged yet</h1><p class="bw-lead" role="status">'
            f"The record came from elsewhere; its {len(found.run.samples):,} samples are being judged.</p>"
        )
        if len(found.whole.t_s):
            drawn = frame(found.whole, 1500, fahrenheit=fahrenheit())
            spec = charts.temperature_chart(drawn, {}, look.tones(), fahrenheit=fahrenheit(), zoom=True)
            st.echarts_chart(spec, height=440, key="trace_unjudged", alt="The trace, not judged yet")
    verdict = run_data.verdict_of(found)
    meanwhile.empty()
    return verdict


def _batch_line(found: run_data.OneRun) -> None:
    row = found.row
    simulated = ' <span class="bw-simulated">simulated: invented data</span>' if row.simulated else ""
    batch = batch_words(row.food, row.pack, row.jar, row.jars) or "batch not described"
    started = figures.local_day(found.run.started_at, found.run.zone)
    look.page(
        f'<p><span class="bw-batch">{look.esc(batch)}'
        f" · {look.esc(row.canner or 'canner not named')} · {look.esc(started)}</span>{simulated}"
        f' <span class="bw-note">{look.esc(row.run_id)}</span></p>'
    )


def _head(found: run_data.OneRun, verdict: dict[str, Any]) -> None:
    _batch_line(found)
    reasons = "".join(
        f"<li>{look.esc(figures.days_in_words(reason))}</li>" for reason in verdict.get("reasons") or ()
    )
    look.page(
        f'<h1 class="bw-verdict">{look.sign(words.verdict_sign(verdict.get("verdict")), big=True)}</h1>'
        f'<p class="bw-lead">{look.esc(run_model.headline(verdict))}</p>'
        + look.came(found.run.taken_in)
        + (f"<ul>{reasons}</ul>" if reasons else "")
    )


def _advice(verdict: dict[str, Any], state: BatchState | None) -> None:
    if state is not None and (instead := state.instead_of_advice):
        look.page(f"<h2>What to do now</h2><p>{look.esc(instead)}</p>")
        return
    advice = verdict.get("advice") or {}
    action = words.action_words(str(advice.get("action") or ""))
    cited = run_model.guidance(list(advice.get("guidance") or ()))
    lines = "".join(
        f"<li>{look.esc(text)} <span class='bw-note'>{look.esc(source)} ({look.esc(number)})</span></li>"
        for number, text, source in cited
    )
    look.page(
        f"<h2>What to do now</h2><p><strong>{look.esc(action.capitalize())}.</strong>"
        f" {look.esc(figures.days_in_words(advice.get('text') or ''))}</p>"
        + (f"<details><summary>The guidance behind it</summary><ul>{lines}</ul></details>" if lines else "")
    )


def _trace(found: run_data.OneRun, verdict: dict[str, Any]) -> None:
    look.page("<h2>The trace</h2>")
    whole = found.whole
    pieces = strip_model.pieces(verdict.get("stretches") or ())
    label = "The run: " + "; ".join(piece.words for piece in pieces)
    look.page(look.strip([(piece.share, piece.tone, piece.words) for piece in pieces], label) + look.KEY)
    if len(whole.t_s) == 0:
        look.page('<p class="bw-note">The record holds no sample.</p>')
        return
    near, shown = _sight(whole)
    drawn = frame(shown, 1500, fahrenheit=fahrenheit())
    spec = charts.temperature_chart(
        drawn,
        verdict,
        look.tones(),
        marks=[(mark.t_s, mark.kind) for mark in found.run.marks],
        by_hand=by_hand.points(found.by_hand),
        fahrenheit=fahrenheit(),
        zoom=True,
        near=near,
    )
    st.echarts_chart(spec, height=440, key="trace", alt=label)
    cut = f"{len(shown.t_s):,} of {len(whole.t_s):,} samples"
    if len(drawn) < len(shown.t_s):
        cut += ", drawn by the least and greatest of each handful; fewer minutes show each one"
    look.page(
        f'<p class="bw-note">{cut}. Ctrl and the wheel, or the bar under the trace, look closer too.</p>'
    )
    with st.expander("The stretches as a list"):
        states = "".join(f"<li>{look.esc(piece.words)}</li>" for piece in pieces)
        look.page(f"<ul>{states}</ul>")


def _sight(whole: Trace) -> tuple[bool, Trace]:
    """Near the boiling point or not, and the minutes that a person wants to see, each sample of them."""
    left, right = st.columns([2, 3], gap="large", vertical_alignment="bottom")
    sight = left.segmented_control(
        "Trace", [_WHOLE, _NEAR], default=_WHOLE, key="sight", label_visibility="collapsed"
    )
    last_min = max(1, math.ceil(float(whole.t_s[-1]) / 60.0))
    low, high = right.slider("Minutes shown", 0, last_min, (0, last_min), key="minutes")
    shown = whole if (low, high) == (0, last_min) else between(whole, low * 60.0, high * 60.0)
    return sight == _NEAR, shown if len(shown.t_s) else whole


def _kettle(verdict: dict[str, Any]) -> None:
    """How fast this canner warms and cools, where the run has shown it. Verdicts of older versions say nothing."""
    kettle = verdict.get("kettle") or {}
    rates = [(kettle.get(name) or {}).get("K_per_min") for name in ("heating", "cooling")]
    if told := run_model.kettle_words(str(kettle.get("text") or ""), rates, fahrenheit()):
        look.page(f'<p class="bw-note" data-kettle>{look.esc(told)}</p>')


def _foundations(verdict: dict[str, Any], read_from: str | None) -> None:
    budget = verdict.get("budget") or {}
    left, right = st.columns([2, 3], gap="large")
    with left:
        look.page(
            "<h2>What it rests on</h2>"
            + look.facts_table(
                run_model.verdict_facts(verdict, fahrenheit(), read_from), "What the verdict rests on"
            )
        )
    with right:
        rows = [tuple(look.esc(cell) for cell in row) for row in run_model.budget_rows(budget)]
        notes = "".join(f"<li>{look.esc(note)}</li>" for note in budget.get("notes") or ())
        look.page(
            "<h2>Uncertainty budget</h2>"
            + look.table(("Term", "Value", "Standard", "Source"), rows, "Uncertainty budget", numbers=(2,))
            + (f"<ul class='bw-note'>{notes}</ul>" if notes else "")
        )


main()
