"""What is on the shelf and in the cold, what to use first, seals found lost, and one jar by its code."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from urllib.parse import quote

import streamlit as st

from dashboard import access, batches, data, figures, look
from monitor.errors import MonitorError
from monitor.jars import BatchState, lost_seals, pantry, read_code
from monitor.jars.pantry import BEFORE_OPENING, STORE_TEXT, PantryRow, story, today_of

FOUND = {
    "It was used": "used",
    "It was given away": "given",
    "It is fine": "fine",
    "Its seal is lost": "lost_seal",
    "Its lid bulges": "bulge",
}


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
        count = sum(len(row.jars) for row in rows)
        noun = "jar" if count == 1 else "jars"
        look.page(f'<p class="bw-lead">{count} {noun}; what to use first is on top.</p>' + _table(rows))
        look.page(
            f'<p class="bw-note">{look.esc(STORE_TEXT)}</p><p class="bw-caution">{look.esc(BEFORE_OPENING)}</p>'
        )
        if access.ask("pantry"):
            _recheck({f"{row.food}, {row.place.value} ({row.run_id})": row for row in rows})
    _by_code(now)


def _lost(states: Sequence[BatchState]) -> None:
    for lost in lost_seals(states):
        siblings = ", ".join(map(str, lost.siblings)) or "none left"
        do = f"{lost.do} They are: {siblings}."
        look.page(
            '<div class="bw-alarm"><p class="bw-headline"><span aria-hidden="true">▲</span> '
            f"{look.esc(lost.food)}, jar {lost.jar}: the seal is lost</p><p>{look.esc(do)} "
            f"{_link(lost.run_id, 'Say where it went')}</p></div>"
        )


def _link(run_id: str, words: str) -> str:
    return f'<a href="/jars?run={quote(run_id, safe="")}" target="_self">{look.esc(words)}</a>'


def _table(rows: Sequence[PantryRow]) -> str:
    cells: list[tuple[str, ...]] = []
    heads: tuple[str, ...]
    for row in rows:
        left = "" if row.days_left is None else f"{row.days_left} days left"
        late = row.days_left is not None and row.days_left < 0
        told = '<span class="bw-sign bw-tone-alarm">▼ past its date</span>' if late else look.esc(left)
        use_by = f"use by {row.use_by.isoformat()}" if row.use_by else figures.MISSING
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
    heads = ("Food", "Where", "Jars", "Age", "Best by", "Left", "Process")
    if not any(cell[-1] for cell in cells):
        heads, cells = heads[:-1], [cell[:-1] for cell in cells]
    return look.table(heads, cells, "Pantry")


def _age(days: int) -> str:
    return "today" if days == 0 else "1 day old" if days == 1 else f"{days} days old"


def _recheck(batch: dict[str, PantryRow]) -> None:
    with st.expander("A jar was looked at, used or given away"):
        left, middle, right = st.columns(3)
        name = left.selectbox("Batch", list(batch), key="recheck_batch")
        row = batch[name]
        jar = middle.selectbox("Jar", list(row.jars), key="recheck_jar")
        found = right.selectbox("What was found", list(FOUND), key="recheck_found")
        with left:
            access.who()
        if st.button("Write it down", key="recheck"):
            data.say("jar_recheck", {"jar": jar, "found": FOUND[found]}, run_id=row.run_id)
            batches.forget()
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
