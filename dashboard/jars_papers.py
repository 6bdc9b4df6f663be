"""The papers of a batch: deviations, review, labels."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from dashboard import batches, data, figures, look, number_field, settings
from dashboard.batches import Batch
from monitor.jars import SHEETS, BatchState, html_sheet, labels, plain_text
from monitor.jars.deviations import Deviation
from monitor.jars.disposition import Basis
from monitor.jars.labels import PAGES, opens_here_alone
from monitor.store.together import Saying

#: Set once a deviation was opened, until its form is empty again.
_OPENED = "dev_opened"
_MARKS = {
    True: ("✔", "held", "holds"),
    False: ("▼", "alarm", "does not hold"),
    None: ("·", "quiet", "does not apply"),
}

#: By run, what a reviewer was shown last; nobody signs what came after it.
_DRAWN = "review_drawn"


def deviations_table(state: BatchState, batch: Batch) -> None:
    """Every departure: how found, when, how low, which jars, and how it was closed."""
    if not state.deviations:
        look.page('<h2>Deviations</h2><p class="bw-note">None.</p>')
        return
    rows = [
        (
            f"<strong>{look.esc(_short(one))}</strong>",
            look.esc(one.what),
            look.esc(one.how_found + _span(one, batch)),
            look.named("lowest", figures.temperature(one.lowest_C)) if one.lowest_C is not None else "",
            look.esc(f"jars {', '.join(map(str, one.jars))}" if one.jars else ""),
            look.esc(f"closed by {one.closed_by}: {one.cause}; {one.action}")
            if one.closed_by
            else '<span class="bw-sign bw-tone-alarm">▼ open</span>',
        )
        for one in state.deviations
    ]
    heads = ("No.", "What", "How found", "Lowest", "Jars", "State")
    look.page("<h2>Deviations</h2>" + look.table(heads, rows, "Deviations"))


def _short(one: Deviation) -> str:
    """Its number without the run's: ``D2``."""
    return one.number.rpartition("-")[2]


def _span(one: Deviation, batch: Batch) -> str:
    if one.start_s is None:
        return ""
    since = look.when(one.start_s, batch.run)
    return f", at {since}" + (f" to {look.when(one.end_s, batch.run)}" if one.end_s is not None else "")


def close_deviation(state: BatchState) -> bool:
    """Close one: cause, action, name; whether it was closed."""
    still = {one.key: f"{_short(one)}: {one.what}" for one in state.deviations if one.is_open}
    if not still:
        return False
    with st.expander("Close a deviation"), st.form("close", border=False, enter_to_submit=False):
        key = st.selectbox("Which", list(still), format_func=still.__getitem__)
        cause = st.text_input("Cause", max_chars=300)
        action = st.text_input("What was done about it", max_chars=300)
        if not st.form_submit_button("Close it"):
            return False
        if not (cause.strip() and action.strip() and data.speaker()):
            st.error("A deviation is closed with a cause, an action and a name.")
            return False
        body = {"deviation": key, "cause": cause.strip(), "action": action.strip()}
        data.say("deviation_closed", body, run_id=state.run_id)
        return True


def open_deviation(batch: Batch) -> bool:
    """Open one by hand, here and where the same probe may have done the same; whether it was opened."""
    state = batch.state
    if st.session_state.pop(_OPENED, False):
        st.session_state.update(dev_what="", dev_jars=[], dev_shared=False)
    with st.expander("Write down a deviation that the record does not show"):
        what = st.text_input("What departed from the procedure", key="dev_what", max_chars=300).strip()
        jars = st.pills(
            "Jars it touches (none: all)",
            [jar.jar for jar in state.jars],
            selection_mode="multi",
            key="dev_jars",
        )
        shared = st.checkbox(
            "It may touch other runs of this probe, since its last good check", key="dev_shared"
        )
        others = batches.touched_too(state.run_id, batch.now) if shared else []
        if shared:
            look.page(
                f'<p class="bw-note">It is opened in: {look.esc(", ".join(others) or "no other run")}.</p>'
            )
        if not st.button("Open it", key="dev_open"):
            return False
        if not what:
            st.error("Say what departed.")
            return False
        touched = tuple(sorted(jars))
        if already := _open_already(state, what, touched):
            st.error(f"That deviation is open already: {already}. Close it above, or say what else departed.")
            return False
        body = {"what": what} | ({"jars": list(touched)} if touched else {})
        there = {"what": what, "how_found": f"later, in run {state.run_id}"}
        data.say_together(
            [
                Saying("deviation_opened", body, run_id=state.run_id),
                *(Saying("deviation_opened", there, run_id=run_id) for run_id in others),
            ]
        )
        st.session_state[_OPENED] = True
        return True


def _open_already(state: BatchState, what: str, jars: tuple[int, ...]) -> str:
    """The number of an open deviation in the same words, of the same jars; empty where there is none."""
    every = tuple(jar.jar for jar in state.jars)
    for one in state.deviations:
        if one.is_open and one.what == what and (tuple(sorted(one.jars)) or every) == (jars or every):
            return _short(one)
    return ""


def review_table(state: BatchState, now: datetime) -> None:
    """The built check list with the evidence beside each line, and who signed it."""
    rows = []
    for item in state.review_items:
        glyph, tone, word = _MARKS[item.ok]
        sign = f'<span class="bw-sign bw-tone-{tone}">{glyph} {word}</span>'
        rows.append((sign, look.esc(item.title), look.esc(item.evidence)))
    due = ""
    if state.review_due is not None:
        word = "It is overdue since" if now > state.review_due else "It is due by"
        due = f" {word} {figures.local_day(state.review_due, state.zone)}."
    signed = f'<p class="bw-note">Not signed.{look.esc(due)}</p>'
    if state.review is not None:
        when = figures.local_day(state.review.at, state.zone)
        own = " (reviewed by one who did the work)" if state.review.self_review else ""
        lapsed = f" It has lapsed: {state.review.lapsed}." if not state.review.valid else ""
        meaning = f"{state.review.meaning}, by {state.review.by}, {when}{own}.{lapsed}"
        signed = f"<p>{look.esc(meaning[0].upper() + meaning[1:])}</p>"
    look.page("<h2>Review</h2>" + look.table(("", "Line", "Evidence"), rows, "Review") + signed)


def sign_review(state: BatchState) -> bool:
    """Sign it, with a reason for each line that does not hold; whether it was signed."""
    if state.review is not None and state.review.valid:
        return False
    if state.standing.basis is Basis.FAILED:
        look.page('<p class="bw-note">The hold is not proven: a signature would release nothing.</p>')
        return False
    bare = [item for item in state.review_items if item.ok is False and item.key != "sums"]
    # What stood on the page before this press.
    drawn = st.session_state.get(_DRAWN, {}).get(state.run_id, state.content)
    st.session_state[_DRAWN] = {state.run_id: state.content}
    with st.form("review", border=False, enter_to_submit=False):
        reasons = {
            item.key: st.text_input(f"Why it is accepted: {item.title}", max_chars=300).strip()
            for item in bare
        }
        if not st.form_submit_button("Sign the review", type="primary"):
            return False
        if drawn != state.content:
            st.error(
                "More was said of this run while you looked. Look at its jars and the list above anew, then sign."
            )
        elif state.sums.problem:
            st.error(f"{state.sums.problem[0].upper()}{state.sums.problem[1:]}. Account for every jar first.")
        elif not data.speaker():
            st.error("A review is signed with a name.")
        elif not all(reasons.values()):
            st.error("Give a reason for each line that does not hold.")
        else:
            body = {"content": state.content, "meaning": "reviewed", "reasons": reasons}
            data.say("review", body, run_id=state.run_id)
            return True
    return False


def label_sheet(state: BatchState) -> None:
    """Labels for the jars on the shelf list, and for no other."""
    base = settings.current().base_url or PAGES
    found = labels(state, base)
    if not found:
        return
    noun = "jar is" if len(found) == 1 else "jars are"
    look.page(f"<h2>Labels</h2><p>{len(found)} {noun} on the shelf list.</p>")
    if opens_here_alone(base):
        look.page(
            '<p class="bw-caution">The code on the labels opens these pages on this machine alone. For a phone to read '
            "it, start the dashboard for the home network first, then print.</p>"
        )
    left, right = st.columns([3, 2])
    sheet = left.selectbox("Sheet: paper and label", list(SHEETS), format_func=_sheet_words, key="sheet")
    form = SHEETS[sheet]
    most = form.across * form.down - 1
    gone = number_field.ask(
        right, "Labels already gone from it", "sheet_skip", 0, low=0, high=most, whole=True
    )
    if gone.why:
        # Taken as none, the first labels would be printed where none is left.
        return
    skip = round(gone.value or 0)
    with st.container(horizontal=True):
        page = html_sheet(found, sheet, skip=skip)
        st.download_button(
            "Sheet to print",
            page,
            f"labels-{state.run_id}.html",
            "text/html",
            on_click="ignore",
            type="primary",
        )
        st.download_button(
            "Plain text", plain_text(found), f"labels-{state.run_id}.txt", "text/plain", on_click="ignore"
        )


def _sheet_words(name: str) -> str:
    form = SHEETS[name]
    paper = "A4" if name.startswith("a4") else "US letter"
    kind = "plain paper to cut" if form.cut else "labels"
    return f"{paper}, {form.across * form.down} {kind} of {form.label[0]:g} × {form.label[1]:g} mm"
