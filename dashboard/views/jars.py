"""After the heat is off: lift, wait, judge each seal, give each jar its place, review, label."""

from __future__ import annotations

from datetime import UTC, datetime

import streamlit as st

from dashboard import access, batches, data, figures, jars_model, look, runs_model, settings
from monitor.errors import MonitorError, StoreError
from monitor.jars import ASK, QUESTIONS, SHEETS, BatchState, Status, html_sheet, labels, plain_text
from monitor.jars.disposition import Basis
from monitor.jars.signed import own_timing_trouble


def main() -> None:
    st.title("After the heat is off", anchor=False)
    run_id = _which()
    if run_id is None:
        look.page("<p>No run has jars to follow yet.</p>")
        return
    try:
        batch = batches.load(run_id, datetime.now(UTC))
    except MonitorError as trouble:
        look.page(f"<p>{look.esc(trouble)}</p>")
        return
    if batch is None:
        look.page(f"<p>There is no run {look.esc(run_id)} in this store.</p>")
        return
    _head(batch)
    if access.ask("jars"):
        left, _ = st.columns([2, 5])
        with left:
            access.who()
        _lift(batch)
        _round(batch)
    _table(batch.state)
    if access.may_change():
        _place(batch)
        _own_timing(batch)
        _deviations(batch)
        _review(batch)
    _labels(batch.state)


def _which() -> str | None:
    try:
        rows = data.runs(settings.current().data_dir)
    except StoreError:
        # Nothing was ever recorded here.
        return None
    ids = [row.run_id for row in rows]
    asked = st.query_params.get("run", "")[:200]
    if not ids:
        return asked or None
    lines = {row.run_id: runs_model.line(row) for row in rows}
    chosen = st.selectbox(
        "Run",
        ids,
        index=ids.index(asked) if asked in ids else 0,
        format_func=lambda one: f"{lines[one].started}, {lines[one].batch}, {lines[one].canner}",
        key="jars_run",
    )
    if asked and asked not in ids:
        return asked
    return chosen


def _say(kind: str, body: dict[str, object], run_id: str) -> None:
    data.say(kind, body, run_id=run_id)
    batches.forget()
    st.rerun()


def _head(batch: batches.Batch) -> None:
    state = batch.state
    clocks = "".join(
        f'<p class="bw-caution">{look.esc(jars_model.clock_words(clock, batch.now, state.zone))} '
        f'<span class="bw-note">({look.esc(", ".join(clock.guidance))})</span></p>'
        for clock in state.clocks
    )
    signed = ""
    if state.standing.basis is Basis.OWN_TIMING:
        signed = '<p class="bw-caution"><strong>On the cook\'s own timing.</strong> The record does not prove it.</p>'
    look.page(
        f'<p class="bw-big">{look.esc(jars_model.headline(state))}</p>'
        f"<p>{look.esc(jars_model.seal_round_words(state, batch.now))}</p>{signed}{clocks}"
    )


def _lift(batch: batches.Batch) -> None:
    state, count = batch.state, len(batch.state.jars)
    if state.lifted is not None or state.standing.basis is Basis.OPEN or not count:
        return
    with st.form("lift"):
        st.markdown(
            "**The jars are out.** Wait 5 minutes with the heat and the lid off, then lift them level. "
            "Steam scalds; hot glass cracks on a cold surface."
        )
        broken = st.pills("Broken in the canner", [jar.jar for jar in state.jars], selection_mode="multi")
        if st.form_submit_button("They are out"):
            data.say("mark", {"kind": "jars_lifted"}, run_id=state.run_id)
            _say("jars_lifted_count", {"out": count - len(broken), "broken": broken}, state.run_id)


def _round(batch: batches.Batch) -> None:
    """One jar a screen: press, look, tap, lift."""
    state = batch.state
    if state.lifted is None or not state.jars:
        return
    look.page("<h2>The seal round</h2>")
    numbers = [jar.jar for jar in state.jars]
    following = state.next_jar()
    st.session_state.setdefault("jar", following or numbers[0])
    if st.session_state.get("jar") not in numbers:
        st.session_state["jar"] = following or numbers[0]
    jar = st.segmented_control("Jar", numbers, key="jar") or following or numbers[0]
    given: dict[str, object] = {"jar": jar}
    for question, answers in QUESTIONS.items():
        with st.container(key=f"ask_{question}"):
            given[question] = st.segmented_control(
                ASK[question], list(answers), key=f"answer_{state.run_id}_{jar}_{question}"
            )
    with st.container(horizontal=True, key="seal_buttons"):
        keep = st.button(f"Keep this answer for jar {jar}", type="primary", key="keep_seal")
        broken = st.button(f"Jar {jar} is broken", key="broken_seal")
    if all(given[question] is None for question in QUESTIONS):
        look.page(
            '<p class="bw-note">What is left unanswered counts as unsealed. To undo an answer, choose the '
            "jar and answer again: the old answer stays in the record.</p>"
        )
    if keep or broken:
        body = {"jar": jar, "broken": True} if broken else given
        data.say("jar_seal", body, run_id=state.run_id)
        batches.forget()
        again = batches.load(state.run_id, datetime.now(UTC))
        st.session_state["next_jar"] = again.state.next_jar() if again else None
        st.session_state.pop("jar", None)
        st.rerun()


def _table(state: BatchState) -> None:
    if not state.jars:
        return
    rows = []
    for jar in state.jars:
        number, seal, place, why, do = jars_model.jar_cells(jar, state.zone)
        told = f"{look.esc(do)} <span class='bw-note'>{look.esc(', '.join(jar.guidance))}</span>"
        rows.append((f"<strong>{number}</strong>", look.sign(seal), look.esc(place), look.esc(why), told))
    problem = f'<p class="bw-caution">{look.esc(state.sums.problem)}</p>' if state.sums.problem else ""
    look.page(
        "<h2>Each jar</h2>"
        + problem
        + look.table(("Jar", "Seal", "Place", "Why", "What to do"), rows, "Jars")
    )


def _place(batch: batches.Batch) -> None:
    state = batch.state
    open_jars = [jar for jar in state.jars if any(one in jars_model.PLACES for one in jar.choices)]
    if not open_jars:
        return
    look.page("<h2>Give a jar its place</h2>")
    left, right = st.columns(2, vertical_alignment="bottom")
    numbers = left.pills("Jars", [jar.jar for jar in open_jars], selection_mode="multi", key="place_jars")
    offered = [
        status
        for status in jars_model.PLACES
        if numbers and all(status in jar.choices for jar in open_jars if jar.jar in numbers)
    ]
    wanted = right.selectbox(
        "Place", offered, format_func=lambda one: jars_model.PLACES[one], key="place_to", index=None
    )
    if numbers and wanted is not None and st.button("Place them", key="place"):
        _placed(batch, numbers, wanted)


def _placed(batch: batches.Batch, numbers: list[int], wanted: Status) -> None:
    by = str(st.session_state.get("who") or "") or None
    for number in numbers:
        body: dict[str, object] = {"jar": number, "to": wanted.value}
        if why := batch.refusal_of("jar_disposition", body, by):
            st.error(f"Jar {number}: {why}.")
            return
    for number in numbers:
        data.say("jar_disposition", {"jar": number, "to": wanted.value}, run_id=batch.state.run_id)
    batches.forget()
    st.rerun()


def _own_timing(batch: batches.Batch) -> None:
    state = batch.state
    if state.standing.basis is not Basis.FAILED or not any(
        clock.left_s(batch.now) > 0 for clock in state.clocks
    ):
        return
    with st.expander("Sign your own timing of this hold"), st.form("own", border=False):
        st.markdown(
            "Only if you timed the full boil yourself, for the whole time, without a break. The jars are "
            "then *on the cook's own timing*, on every page, label and proof, and never proven."
        )
        how = st.text_input("What you timed it with, and where you stood")
        first, second = st.columns(2)
        since = first.text_input("From (such as 2026-08-14T09:40:00-06:00)")
        until = second.text_input("To")
        if st.form_submit_button("Sign"):
            body = {"how": how, "from_utc": since, "to_utc": until}
            by = str(st.session_state.get("who") or "") or None
            if why := own_timing_trouble(body, by, batch.verdict):
                st.error(f"{why}.")
            else:
                _say("own_timing", dict(body), state.run_id)


def _deviations(batch: batches.Batch) -> None:
    state = batch.state
    if not state.deviations:
        return
    rows = [
        (
            look.esc(one.number),
            look.esc(one.what),
            look.esc(figures.temperature(one.lowest_C)),
            look.esc(", ".join(map(str, one.jars))),
            look.esc(f"closed by {one.closed_by}: {one.cause}; {one.action}" if one.closed_by else "open"),
        )
        for one in state.deviations
    ]
    look.page(
        "<h2>Deviations</h2>" + look.table(("Number", "What", "Lowest", "Jars", "State"), rows, "Deviations")
    )
    still = {one.key: one.number for one in state.deviations if one.is_open}
    if not still:
        return
    with st.expander("Close a deviation"), st.form("close", border=False):
        key = st.selectbox("Which", list(still), format_func=lambda one: still[one])
        cause = st.text_input("Cause")
        action = st.text_input("What was done about it")
        if st.form_submit_button("Close it"):
            if cause and action and st.session_state.get("who"):
                _say("deviation_closed", {"deviation": key, "cause": cause, "action": action}, state.run_id)
            st.error("A deviation is closed with a cause, an action and a name.")


def _review(batch: batches.Batch) -> None:
    state = batch.state
    if state.lifted is None:
        return
    marks = {
        True: ("✔", "held", "holds"),
        False: ("▼", "alarm", "does not hold"),
        None: ("·", "quiet", "does not apply"),
    }
    rows = []
    for item in state.review_items:
        glyph, tone, word = marks[item.ok]
        rows.append(
            (
                f'<span class="bw-sign bw-tone-{tone}">{glyph} {word}</span>',
                look.esc(item.title),
                look.esc(item.evidence),
            )
        )
    signed = ""
    if state.review is not None:
        when = figures.local_day(state.review.at, state.zone)
        own = " (reviewed by the one who did it)" if state.review.self_review else ""
        lapsed = f" It has lapsed: {state.review.lapsed}." if not state.review.valid else ""
        signed = f"<p>Signed by {look.esc(state.review.by)}, {look.esc(when)}{own}.{look.esc(lapsed)}</p>"
    look.page("<h2>Review</h2>" + look.table(("", "Line", "Evidence"), rows, "Review") + signed)
    if state.review is not None and state.review.valid:
        return
    bare = [item for item in state.review_items if item.ok is False]
    with st.form("review", border=False):
        reasons = {item.key: st.text_input(f"Why it is accepted: {item.title}") for item in bare}
        if st.form_submit_button("Sign the review"):
            _sign(state, reasons)


def _sign(state: BatchState, reasons: dict[str, str]) -> None:
    if not st.session_state.get("who"):
        st.error("A review is signed with a name.")
    elif not all(reasons.values()):
        st.error("Give a reason for each line that does not hold.")
    elif state.sums.problem:
        st.error(f"{state.sums.problem}. Account for every jar first.")
    else:
        body: dict[str, object] = {"content": state.content, "meaning": "reviewed", "reasons": reasons}
        _say("review", body, state.run_id)


def _labels(state: BatchState) -> None:
    found = labels(state, settings.current().base_url or "http://127.0.0.1")
    if not found:
        return
    look.page(f"<h2>Labels</h2><p>{len(found)} jars are on the shelf list.</p>")
    sheet = st.selectbox("Label sheet", sorted(SHEETS), key="sheet")
    with st.container(horizontal=True):
        st.download_button(
            "Sheet to print",
            html_sheet(found, sheet),
            f"labels-{state.run_id}.html",
            "text/html",
            on_click="ignore",
        )
        st.download_button(
            "Plain text", plain_text(found), f"labels-{state.run_id}.txt", "text/plain", on_click="ignore"
        )


if "next_jar" in st.session_state:
    # Set before the control is drawn: the round moves on to the next jar.
    following = st.session_state.pop("next_jar")
    if following is not None:
        st.session_state["jar"] = following
main()
