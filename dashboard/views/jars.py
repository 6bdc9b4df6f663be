"""After the heat is off: lift, wait, judge each seal, give each jar its place, review, label."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from importlib import resources

import streamlit as st

from dashboard import (
    access,
    batches,
    data,
    jars_lift,
    jars_model,
    jars_papers,
    jars_places,
    jars_rest,
    jars_round,
    look,
    runs_model,
    settings,
    words,
)
from dashboard.batches import Batch
from monitor.errors import MonitorError, StoreError
from monitor.jars import BatchState
from monitor.jars.alike import alike
from monitor.jars.disposition import Basis
from monitor.jars.state import Clock
from monitor.store.reader import RunRow

#: The clocks are drawn anew this often. [s]
CLOCKS_EVERY_S = 15.0
#: The newest entry about the run that the page knows of.
_DRAWN_TO = "jars_drawn_to"
#: Whose jars the forms were last drawn for, and what their fields are when nothing is said.
_FORMS_OF = "jars_forms_of"
_OF_ONE_RUN: dict[str, object] = {"lift_broken": [], "dev_jars": [], "dev_what": "", "dev_shared": False}


def main() -> None:
    st.html(f"<style>{_sheet()}</style>")
    run_id = jars_round.run_id() or st.query_params.get("run", "")[:200] or None
    batch = _load(run_id) if run_id is not None else None
    if batch is not None and jars_round.is_on(batch) and access.may_change():
        jars_round.screen(batch)
        return
    st.title("After the heat is off", anchor=False)
    try:
        run_id = _which()
    except StoreError as trouble:
        look.nothing_yet(trouble)
        return
    if run_id is None:
        look.page("<p>No run has jars to follow yet.</p>")
        return
    if batch is None or batch.run.run_id != run_id:
        batch = _load(run_id)
    if batch is not None:
        _page(batch)


def _load(run_id: str) -> Batch | None:
    try:
        # First: what is said meanwhile is rather told twice than not at all.
        st.session_state[_DRAWN_TO] = batches.newest_said(run_id)
        batch = batches.load(run_id, datetime.now(UTC))
    except MonitorError as trouble:
        look.page(f"<p>{look.esc(trouble)}</p>")
        return None
    if batch is None:
        look.page(f"<p>There is no run {look.esc(run_id)} in this store.</p>")
    return batch


def _page(batch: Batch) -> None:
    state = batch.state
    _leave_other_run(state.run_id)
    _head(batch)
    jars_places.linked(batch)
    may = access.ask("jars")
    if may and state.jars:
        left, _ = st.columns([2, 5])
        with left:
            access.who()
        _said(jars_lift.ask(batch))
        jars_round.offer(batch)
    _table(state, batch.now)
    if may:
        for form in (
            jars_places.place,
            jars_places.take_back,
            jars_places.reprocess,
            jars_places.own_timing,
            jars_places.evaluation,
        ):
            _said(form(batch))
    jars_rest.show(batch)
    if state.standing.basis is not Basis.OPEN:
        _papers(batch, may)
    jars_papers.label_sheet(state)
    _guidance(state)


def _leave_other_run(run_id: str) -> None:
    """What was chosen or typed for one run's jars is not said of another's."""
    if st.session_state.get(_FORMS_OF, run_id) != run_id:
        for key, empty in _OF_ONE_RUN.items():
            if key in st.session_state:
                st.session_state[key] = empty
    st.session_state[_FORMS_OF] = run_id


def _papers(batch: Batch, may: bool) -> None:
    state = batch.state
    jars_papers.deviations_table(state, batch)
    if may:
        _said(jars_papers.close_deviation(state))
        _said(jars_papers.open_deviation(batch))
    jars_papers.review_table(state, batch.now)
    if may:
        _said(jars_papers.sign_review(state))


def _said(written: bool) -> None:
    """Draw the page anew once something was written down."""
    if written:
        batches.forget()
        st.rerun()


@cache
def _sheet() -> str:
    return resources.files("dashboard").joinpath("assets/jars.css").read_text(encoding="utf-8")


def _which() -> str | None:
    rows = data.runs(settings.current().data_dir)
    ids = [row.run_id for row in rows]
    asked = st.query_params.get("run", "")[:200]
    if not ids:
        return asked or None
    if asked and asked not in ids:
        return asked
    lines = words.told_apart({row.run_id: _line(row) for row in rows})
    chosen = st.selectbox(
        "Run",
        ids,
        index=ids.index(asked) if asked in ids else 0,
        format_func=lines.__getitem__,
        key="jars_run",
    )
    if chosen != asked:
        st.query_params["run"] = chosen
    return chosen


def _line(row: RunRow) -> str:
    told = runs_model.line(row)
    return f"{told.started}, {told.batch}, {told.canner}"


def _head(batch: Batch) -> None:
    state = batch.state
    look.page(f'<p class="bw-big">{look.esc(jars_model.headline(state, batch.now))}</p>')
    look.page(look.came(batch.run.taken_in))
    if batch.clock_doubt:
        look.page(f'<p class="bw-caution">{look.esc(batch.clock_doubt)}</p>')
    _clocks(batch)
    if state.standing.basis is Basis.OWN_TIMING:
        look.page(
            '<p class="bw-caution"><strong>On the cook\'s own timing.</strong> The record does not prove it.</p>'
        )
    elif state.standing.basis is Basis.EVALUATED:
        look.page(f'<p class="bw-caution"><strong>{look.esc(state.standing.words)}</strong></p>')
    jars_lift.told(batch)


@st.fragment(run_every=CLOCKS_EVERY_S)
def _clocks(batch: Batch) -> None:
    """The salvage clocks and the way to the seal round, counted down."""
    now, state = datetime.now(UTC), batch.state
    if batches.newest_said(state.run_id) > st.session_state.get(_DRAWN_TO, 0):
        look.page(
            '<p class="bw-caution" role="alert">More was said of this run since this page was drawn: reload it before '
            "you go by it, or print from it.</p>"
        )
    drawn = "".join(_clock(clock, now, state) for clock in state.clocks)
    seals = ""
    if state.standing.basis is not Basis.FAILED and state.jars:
        seals = f"<p>{look.esc(jars_model.seal_round_words(state, now))}</p>"
    look.page(drawn + seals)


def _clock(clock: Clock, now: datetime, state: BatchState) -> str:
    tone = "bw-alarm" if clock.left_s(now) < 3600.0 else "bw-caution"
    sources = "; ".join(f"{number} {source}" for number, _, source in jars_model.cited(clock.guidance))
    told = jars_model.clock_words(clock, now, state.zone)
    return (
        f'<div class="{tone}" role="timer"><p><strong>{look.esc(told)}</strong></p>'
        f'<p class="bw-note">{look.esc(sources)}</p></div>'
    )


def _table(state: BatchState, now: datetime) -> None:
    if not state.jars:
        return
    rows = []
    for group in alike(state.jars):
        _, seal, place, why, do = jars_model.jar_cells(group.shown, state.zone, now)
        cited = ", ".join(dict.fromkeys(group.shown.guidance))
        told = f"{look.esc(do)} <span class='bw-note'>{look.esc(cited)}</span>"
        numbers = f"<strong>{', '.join(map(str, group.numbers))}</strong>"
        rows.append((numbers, look.sign(seal), look.esc(place), look.esc(why), told))
    # Of jars whose hold failed nobody asks for the seals: good or bad, they go the same way.
    quiet = state.standing.basis is Basis.FAILED and state.sums.not_judged
    problem = (
        f'<p class="bw-caution">{look.esc(state.sums.problem)}</p>'
        if state.sums.problem and not quiet
        else ""
    )
    refused = "".join(f'<p class="bw-note">Refused: {look.esc(text)}.</p>' for text in state.refused)
    differ = "".join(
        f'<p class="bw-caution">{look.esc(jars_model.said_of(jar.seal, state.zone))}</p>'
        for jar in state.disputed()
    )
    heads = ("Jars", "Seal", "Place", "Why", "What to do")
    look.page("<h2>Each jar</h2>" + problem + differ + look.table(heads, rows, "Jars") + refused)


def _guidance(state: BatchState) -> None:
    """What is published, by number and source."""
    lines = "".join(
        f'<li><strong>{look.esc(number)}</strong> {look.esc(told)} <span class="bw-note">{look.esc(source)}</span></li>'
        for number, told, source in jars_model.cited(state.cited())
    )
    if lines:
        look.page(
            f"<details><summary>The published guidance behind these decisions</summary><ul>{lines}</ul></details>"
            '<p class="bw-caution">Local codes and licensed practice come first. A seal proves a vacuum and nothing '
            "about the process; nothing here says that food may be eaten.</p>"
        )


main()
