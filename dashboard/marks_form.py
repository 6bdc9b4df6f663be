"""What the cook did or saw at a canner that is on: a tap a mark, said late where it must be, and taken back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import streamlit as st

from dashboard import data, figures, look, number_field, settings, words
from dashboard.compare_model import WATER_KEY
from monitor.errors import UsageError
from monitor.store.entries import LATE_ENTRY_S, Entry
from monitor.store.marking import ENDS_A_HOLD, Doubt, say_mark, standing_marks, take_back
from monitor.store.reader import LiveRow
from monitor.store.stamp import epoch_s, utc_text

OFFERED = (
    *("heat_on", "jars_in", "lid_on", "rolling_boil_seen", "boil_not_seen", "water_checked", "water_added"),
    *("heat_off", "lid_off", "jars_lifted"),
)
#: A mark said later than this belongs to a run's history, which the command line can write. [min] Chosen.
LONGEST_AGO_MIN = 600.0
#: Phases in which no time is owed.
NOTHING_OWED = ("waiting", "complete", "ended")


@dataclass(frozen=True, slots=True)
class Asked:
    """A mark that waits for a second word: what it costs, when it was where that was not now, what was asked so far."""

    kind: str
    why: str
    sure: str
    happened: datetime | None
    reason: str
    settled: frozenset[str]


def draw(row: LiveRow) -> None:
    with st.expander(f"Say what you did or saw at {_plain(row.canner)}", key=f"marks_{row.run_id}"):
        with st.container(horizontal=True):
            for kind in OFFERED:
                if st.button(words.MARKS[kind].capitalize(), key=f"mark_{row.run_id}_{kind}"):
                    _said(row, kind)
        _ask_again(row)
        look.page('<p class="bw-note">Steam and boiling water scald; glass breaks. Look, do not lean in.</p>')
        _earlier(row)
        _by_mistake(row)
        with st.form(f"water_{row.run_id}", border=False):
            left, right, _ = st.columns([2, 2, 3], vertical_alignment="bottom")
            water_L = number_field.ask(
                left, "Water in the canner, litres", f"litres_{row.run_id}", low=1.0, high=60.0, unit="L"
            ).value
            sent = right.form_submit_button("Write it down")
        if sent and water_L is not None:
            data.say("header_changed", {WATER_KEY: water_L}, run_id=row.run_id)
            st.toast(f"Written down: {water_L:g} L of water.")


def _earlier(row: LiveRow) -> None:
    """What happened some minutes ago; the checks are those of a tap."""
    own = _round("ago", row.run_id)
    with st.form(f"form_{own}", border=False):
        columns = st.columns([3, 2, 4, 2], vertical_alignment="bottom")
        kind = columns[0].selectbox(
            "It happened earlier", OFFERED, None, _named, key=f"kind_{own}", placeholder="what"
        )
        said = number_field.ask(
            columns[1], "Minutes ago", f"min_{own}", low=0.0, high=LONGEST_AGO_MIN, unit="min"
        )
        reason = columns[2].text_input(
            f"Why it is said late (beyond {LATE_ENTRY_S / 60.0:.0f} min)", key=f"why_{own}"
        )
        sent = columns[3].form_submit_button("Mark it")
    if not sent:
        return
    ago_min = said.value
    if kind is None or ago_min is None:
        look.page(
            look.refused(said.why or "Say what happened, and how many minutes ago.", "Nothing was marked.")
        )
    elif ago_min * 60.0 > LATE_ENTRY_S and not reason.strip():
        look.page(
            look.refused(
                f"This happened {ago_min:g} min ago: say why it is entered late.", "Nothing was marked."
            )
        )
    else:
        # In a demonstration faster than life the minutes are those of its own clock.
        ago = timedelta(minutes=ago_min) / data.house_now().rate
        _said(row, kind, datetime.now(UTC) - ago, reason.strip())
        _next_round("ago", row.run_id)
        st.rerun()


def _by_mistake(row: LiveRow) -> None:
    """The marks that stand: each can be taken back, with who and why."""
    with data.store() as conn:
        marks = {entry.id: entry for entry in standing_marks(conn, row.run_id)[::-1]}
    if not marks:
        return
    own = _round("back", row.run_id)
    with st.form(f"form_{own}", border=False):
        columns = st.columns([4, 4, 2], vertical_alignment="bottom")
        chosen = columns[0].selectbox(
            "Marked by mistake",
            list(marks),
            None,
            lambda number: _in_words(row, marks[number]),
            key=f"mark_{own}",
            placeholder="which mark",
        )
        reason = columns[1].text_input("Why it is taken back", key=f"why_{own}")
        sent = columns[2].form_submit_button("Take it back")
    if not sent:
        return
    if chosen is None:
        look.page(look.refused("Say which mark.", "Nothing was taken back."))
        return
    try:
        made = take_back(
            settings.current().data_dir, row.run_id, chosen, by=data.speaker() or "", reason=reason
        )
    except UsageError as trouble:
        look.page(look.refused(_capital(str(trouble))))
        return
    st.toast(
        f"Taken back: {_named(str(made.mark.body.get('kind')))}. It stays in the record and counts no more; "
        "what that changes is judged anew."
    )
    _next_round("back", row.run_id)
    st.rerun()


def _said(row: LiveRow, kind: str, happened: datetime | None = None, reason: str = "") -> None:
    """Write a mark down, unless it costs what was held or was said a moment ago: then it is asked about once more."""
    # With the heat off the jars of a canner are another matter: a jars in that follows is not asked about.
    _mark(row, kind, happened, reason, frozenset({"again"}))


def _mark(row: LiveRow, kind: str, happened: datetime | None, reason: str, settled: frozenset[str]) -> None:
    st.session_state.pop(_key(row.run_id), None)
    now = datetime.now(UTC)
    try:
        said = say_mark(
            settings.current().data_dir,
            row.run_id,
            kind,
            by=data.speaker(),
            happened_utc=utc_text(happened) if happened else None,
            reason=reason or None,
            owed_s=_owed_s(row, kind),
            even_so=settled,
        )
    except UsageError as trouble:
        look.page(look.refused(_capital(str(trouble))))
        return
    if isinstance(said, Doubt):
        # What ends a hold was when it was first said; what begins one, when it is sure.
        at = happened or (now if kind in ENDS_A_HOLD else None)
        why, sure = _asking(row, kind, said)
        st.session_state[_key(row.run_id)] = Asked(kind, why, sure, at, reason, settled | {said.about})
        return
    at_words = f", {_local(row, happened.timestamp())}" if happened else ""
    st.toast(f"Written down: {words.MARKS[kind]}{at_words}.")


def _owed_s(row: LiveRow, kind: str) -> float | None:
    """What is still to be held, as the engine last said; None where nothing can be lost. [s]"""
    phase = str(row.view.get("phase") or "unknown")
    if phase in NOTHING_OWED or (kind == "boil_not_seen" and phase not in ("hold", "unknown")):
        return None
    remaining_s = row.view.get("remaining_s")
    required_s = float(row.view.get("required_s") or 0.0)
    return required_s if remaining_s is None else float(remaining_s)


def _asking(row: LiveRow, kind: str, doubt: Doubt) -> tuple[str, str]:
    """What a mark would cost, and the words of the button that says it all the same."""
    name = _named(kind)
    at = "" if doubt.at_s is None else _local(row, doubt.at_s, house=True)
    if doubt.about == "held":
        return (
            f"Jars have been in since {at[:5]}. Only if jars went in just now: the time begins again from zero, and "
            "nothing that was held before counts."
        ), "Jars in now: the time begins again"
    if doubt.about == "twice":
        who = f" by {doubt.by}" if doubt.by else ""
        return f"{name} was marked already{who}, at {at}. Only if it happened twice: mark it again.", (
            f"{name} once more"
        )
    if doubt.about == "before":
        return (
            f"That was before the jars went in, at {at}: it ends nothing of this batch. Does it belong to another?",
            f"{name}, even so",
        )
    if doubt.about == "owed":
        end = "the time begins again" if kind == "boil_not_seen" else "the hold ends here"
        return _capital(doubt.why), f"{name}: {end}"
    return _capital(doubt.why), f"{name}, even so"


def _ask_again(row: LiveRow) -> None:
    """What waits for a second word: what it would cost, and two ways on."""
    asked: Asked | None = st.session_state.get(_key(row.run_id))
    if asked is None:
        return
    look.page(f'<p class="bw-caution" role="alert">{look.esc(asked.why)}</p>')
    with st.container(horizontal=True):
        sure = st.button(asked.sure, key=f"again_yes_{row.run_id}", type="primary")
        if sure or st.button("No, leave it as it is", key=f"again_no_{row.run_id}"):
            del st.session_state[_key(row.run_id)]
            if sure:
                _mark(row, asked.kind, asked.happened, asked.reason, asked.settled)
            st.rerun()


def _round(form: str, run_id: str) -> str:
    """A form's name: it is empty again once it was taken, and not when something was missing."""
    return f"{form}_{run_id}_{st.session_state.get(f'round_{form}_{run_id}', 0)}"


def _next_round(form: str, run_id: str) -> None:
    name = f"round_{form}_{run_id}"
    st.session_state[name] = st.session_state.get(name, 0) + 1


def _key(run_id: str) -> str:
    return f"asked_again_{run_id}"


def _named(kind: str) -> str:
    return words.MARKS.get(kind, words.plain(kind)).capitalize()


def _in_words(row: LiveRow, entry: Entry) -> str:
    """``Heat off, 21:43:05, Ann``"""
    by = f", {_plain(entry.by)}" if entry.by else ""
    return f"{_named(str(entry.body.get('kind')))}, {_local(row, epoch_s(entry.happened_utc))}{by}"


def _local(row: LiveRow, at_s: float, *, house: bool = False) -> str:
    """A time of day in the run's kitchen; in a demonstration faster than life by the run's own clock.

    ``house``: ``at_s`` is house time already, which runs at that pace.
    """
    moment = data.house_now()
    run = moment.runs.get(row.run_id)
    when = datetime.fromtimestamp(at_s, UTC)
    if run is not None and not house:
        when = figures.by_run_clock(when, run.started_utc, moment.rate)
    return figures.local_time(when, data.zone_of(run))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _plain(name: str | None) -> str:
    """A name as a widget's label takes it: markdown's signs would format, so they go."""
    return "".join(sign for sign in (name or "the canner") if sign.isalnum() or sign in " -_.")[:60]
