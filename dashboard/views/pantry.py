"""What is on the shelf and in the cold, what to use first, seals found lost, and one jar by its code."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from urllib.parse import quote

import streamlit as st

from dashboard import access, batches, data, figures, look, words
from monitor.errors import MonitorError, UsageError
from monitor.jars import BatchState, Status, lost_seals, pantry, read_code
from monitor.jars.pantry import BEFORE_OPENING, STORE_TEXT, PantryRow, story, today_of
from monitor.store.corrections import gone_entry
from monitor.store.entries import read_entries

FOUND = {
    "It was used": "used",
    "It was given away": "given",
    "It is fine": "fine",
    "Its seal is lost": "lost_seal",
    "Its lid bulges": "bulge",
}
FOUND_WORDS = {"used": "used", "given": "given away"}
#: Set once something was written down, until its form is empty again.
_SAID, _BACK = "recheck_done", "gone_done"


def main() -> None:
    st.title("Pantry", anchor=False)
    now = datetime.now(UTC)
    try:
        states = batches.kept(now)
    except MonitorError as trouble:
        look.nothing_yet(trouble)
        return
    _lost(states)
    rows = pantry(states, today_of(states, now))
    if not rows:
        look.page(
            '<p class="bw-big">The pantry is empty.</p><p>A jar comes here once its hold is proven, its seal '
            "is good, no deviation is open and the review is signed.</p>"
        )
    else:
        kept = [row for row in rows if not row.held_back]
        count = sum(len(row.jars) for row in kept)
        noun = "jar" if count == 1 else "jars"
        if kept:
            look.page(f'<p class="bw-lead">{count} {noun}; what to use first is on top.</p>' + _table(kept))
        _held([row for row in rows if row.held_back])
        look.page(
            f'<p class="bw-note">{look.esc(STORE_TEXT)}</p><p class="bw-caution">{look.esc(BEFORE_OPENING)}</p>'
        )
        if access.ask("pantry"):
            _recheck(rows)
    _gone(states)
    if lost_seals(states) and access.may_change():
        _fine_after_all(states)
    _by_code(now)


def _lost(states: Sequence[BatchState]) -> None:
    bulging = {
        (state.run_id, jar.jar)
        for state in states
        for jar in state.jars
        if jar.lost == "bulge" or jar.seal.bulging
    }
    for lost in lost_seals(states):
        siblings = ", ".join(map(str, lost.siblings)) or "none left"
        do = f"{lost.do} Other jars of the batch, to be looked at: {siblings}."
        found = "the lid bulges" if (lost.run_id, lost.jar) in bulging else "the seal is lost"
        look.page(
            '<div class="bw-alarm"><p class="bw-headline"><span aria-hidden="true">▲</span> '
            f"{look.esc(lost.food)}, jar {lost.jar}: {found}</p><p>{look.esc(do)} "
            f"{_link(lost.run_id, 'Say where it went')}</p></div>"
        )


def _held(rows: Sequence[PantryRow]) -> None:
    """Jars that may stand on the shelf and are not to be used now, each with the reason."""
    if not rows:
        return
    cells = [
        (_link(row.run_id, row.food), look.esc(", ".join(map(str, row.jars))), look.esc(row.held_back))
        for row in rows
    ]
    look.page(
        "<h2>Held back, not to be used now</h2>" + look.table(("Food", "Jars", "Why"), cells, "Held back")
    )


def _fine_after_all(states: Sequence[BatchState]) -> None:
    """A lid that was called bad and is not: by whoever has read what was said of it, with the reason."""
    bad = {f"{one.food}, jar {one.jar} ({one.run_id})": one for one in lost_seals(states)}
    found = {
        name: (state, jar)
        for name, one in bad.items()
        for state in states
        for jar in state.jars
        if state.run_id == one.run_id and jar.jar == one.jar and jar.lost
    }
    if not found:
        return
    with st.expander("A lid that was called bad is fine after all"):
        name = st.selectbox("Which jar", list(found), key="fine_jar")
        state, jar = found[name]
        look.page(f"<p>So far: {look.esc(jar.why)}.</p>")
        # What others say while this is open, this viewer has not read.
        shown = f"fine_seen_{state.run_id}_{jar.jar}"
        seen = st.session_state.setdefault(shown, jar.lost_entry)
        access.who("Who looked at it")
        why = st.text_input("Look at it again; why is it fine?", max_chars=200, key="fine_why").strip()
        if not st.button("I have read this, and it is fine", key="fine"):
            return
        if not why or not data.speaker():
            st.error("That takes a name and a reason.")
            return
        body = {"jar": jar.jar, "found": "fine", "seen": seen}
        data.say("jar_recheck", body, run_id=state.run_id, reason=why)
        del st.session_state[shown]
        batches.forget()
        st.rerun()


def _link(run_id: str, words: str) -> str:
    return f'<a href="/jars?run={quote(run_id, safe="")}" target="_self">{look.esc(words)}</a>'


def _table(rows: Sequence[PantryRow]) -> str:
    cells: list[tuple[str, ...]] = []
    heads: tuple[str, ...]
    for row in rows:
        left = "" if row.days_left is None else f"{row.days_left} days left"
        late = row.days_left is not None and row.days_left < 0
        told = '<span class="bw-sign bw-tone-alarm">▼ past its date</span>' if late else look.esc(left)
        until = "best by" if row.place is Status.SHELF else "use by"
        use_by = f"{until} {row.use_by.isoformat()}" if row.use_by else figures.MISSING
        cells.append(
            (
                _link(row.run_id, row.food),
                look.esc(row.place.value),
                look.esc(
                    f"{len(row.jars)} {row.jar_size.replace('_', '-')}: no. {', '.join(map(str, row.jars))}"
                ),
                look.esc(f"put up {row.processed_on.isoformat()}, {_age(row.age_days)}"),
                look.esc(use_by),
                told,
                look.esc(row.words),
            )
        )
    heads = ("Food", "Where", "Jars", "Age", "Until", "Left", "Process")
    if not any(cell[-1] for cell in cells):
        heads, cells = heads[:-1], [cell[:-1] for cell in cells]
    return look.table(heads, cells, "Pantry")


def _age(days: int) -> str:
    return "today" if days == 0 else "1 day old" if days == 1 else f"{days} days old"


def _recheck(rows: Sequence[PantryRow]) -> None:
    """Nothing is chosen beforehand: one press must not take a jar off the shelf."""
    # Jars of one batch in one place may still be two lots: put there on two days, or with dates of their own.
    batch = {f"{row.run_id}/{row.place.value}/{row.use_by}/{row.held_back}": row for row in rows}
    names = words.told_apart(
        {key: f"{row.food}, {row.place.value} ({row.run_id})" for key, row in batch.items()},
        {key: f"no. {', '.join(map(str, row.jars))}" for key, row in batch.items()},
    )
    if st.session_state.pop(_SAID, False):
        st.session_state.update(recheck_jar=None, recheck_found=None)
    with st.expander("A jar was looked at, used or given away"):
        left, middle, right = st.columns(3)
        name = left.selectbox(
            "Batch",
            list(batch),
            index=0 if len(batch) == 1 else None,
            format_func=names.__getitem__,
            key="recheck_batch",
        )
        row = batch[name] if name else None
        jar = middle.selectbox("Jar", list(row.jars) if row else [], index=None, key="recheck_jar")
        found = right.selectbox("What was found", list(FOUND), index=None, key="recheck_found")
        with left:
            access.who()
        if not st.button("Write it down", key="recheck"):
            return
        if row is None or jar is None or found is None:
            st.error("Say which jar of which batch, and what was found.")
            return
        data.say("jar_recheck", {"jar": jar, "found": FOUND[found]}, run_id=row.run_id)
        batches.forget()
        st.session_state[_SAID] = True
        st.rerun()


def _gone(states: Sequence[BatchState]) -> None:
    """Jars that were used or given away, newest batch first, and the way back where that was said wrongly."""
    gone = {
        f"{state.food}, jar {jar.jar}: {FOUND_WORDS[jar.gone]} ({state.run_id})": (state.run_id, jar.jar)
        for state in sorted(states, key=lambda one: one.processed_on, reverse=True)
        for jar in state.jars
        if jar.gone
    }
    if not gone or not access.ask("gone"):
        return
    if st.session_state.pop(_BACK, False):
        st.session_state.update(gone_jar=None, gone_why="")
    with st.expander("A jar was called used or given away by mistake"):
        left, right = st.columns([2, 3])
        name = left.selectbox("Which", list(gone), index=None, key="gone_jar")
        why = right.text_input("Why it is taken back", max_chars=200, key="gone_why").strip()
        with left:
            access.who("Who takes it back")
        if not st.button("Take it back", key="gone_back"):
            return
        if name is None or not why:
            st.error("Say which jar, and why it is taken back.")
            return
        run_id, jar = gone[name]
        with data.store() as conn:
            entry = gone_entry(read_entries(conn, run_id, ("jar_recheck", "correction")), jar)
        try:
            if entry is not None:
                data.say(
                    "correction",
                    {"withdrawn": True, "of": "jar_recheck"},
                    run_id=run_id,
                    corrects=entry,
                    reason=why,
                )
        except UsageError as trouble:
            st.error(look.plain(str(trouble)))
            return
        batches.forget()
        st.session_state[_BACK] = True
        st.rerun()


def _by_code(now: datetime) -> None:
    """From the code on a label to the jar, its siblings and the runs before and after it."""
    code = st.text_input("A jar by the code on its label", key="jar_code", max_chars=200).strip()
    if not code:
        return
    try:
        run_id, jar = read_code(code)
        batch = batches.load(run_id, now)
    except MonitorError as trouble:
        look.page(f'<p class="bw-caution">{look.esc(trouble)}</p>')
        return
    if batch is None:
        look.page(f'<p class="bw-caution">There is no run {look.esc(run_id)} in this store.</p>')
        return
    lines = "".join(f"<p>{look.esc(line)}</p>" for line in story(batch.state, jar))
    record = f'<a href="/run?run={quote(run_id, safe="")}" target="_self">Its record</a>'
    look.page(f"{lines}<p>{_link(run_id, 'Its batch')} · {record}</p>")


main()
