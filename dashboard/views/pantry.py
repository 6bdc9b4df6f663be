"""What is on the shelf and in the cold, what to use first, and seals found lost."""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import quote

import streamlit as st

from dashboard import access, batches, data, look
from monitor.errors import MonitorError
from monitor.jars import lost_seals, pantry
from monitor.jars.pantry import PantryRow

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
        look.page(f'<p class="bw-big">There is nothing to show yet.</p><p>{look.esc(trouble)}</p>')
        return
    for lost in lost_seals(states):
        siblings = ", ".join(map(str, lost.siblings)) or "none"
        look.page(
            f'<div class="bw-alarm"><p class="bw-headline"><span aria-hidden="true">▲</span> {look.esc(lost.food)}, '
            f"jar {lost.jar}</p><p>{look.esc(lost.do)} Look at its siblings: {look.esc(siblings)}.</p></div>"
        )
    rows = pantry(states, now.astimezone().date())
    if not rows:
        look.page(
            '<p class="bw-big">The pantry is empty.</p><p>A jar comes here once its hold is proven, its seal '
            "is good, no deviation is open and the review is signed.</p>"
        )
        return
    count = sum(len(row.jars) for row in rows)
    look.page(f'<p class="bw-lead">{count} jars; what to use first is on top.</p>' + _table(rows))
    if access.ask("pantry"):
        _recheck({f"{row.food} ({row.run_id})": (row.run_id, row.jars) for row in rows})


def _table(rows: list[PantryRow]) -> str:
    cells = []
    for row in rows:
        left = "" if row.days_left is None else f"{row.days_left} days left"
        late = row.days_left is not None and row.days_left < 0
        told = '<span class="bw-sign bw-tone-alarm">▼ past its date</span>' if late else look.esc(left)
        link = f'<a href="/jars?run={quote(row.run_id, safe="")}" target="_self">{look.esc(row.food)}</a>'
        cells.append(
            (
                link,
                look.esc(row.place.value),
                look.esc(
                    f"{len(row.jars)} {row.jar_size.replace('_', '-')}: {', '.join(map(str, row.jars))}"
                ),
                look.esc(row.processed_on.isoformat()),
                look.esc(row.use_by.isoformat() if row.use_by else "–"),
                told,
                look.esc(row.words),
            )
        )
    heads = ("Food", "Where", "Jars", "Put up", "Use by", "Left", "")
    return look.table(heads, cells, "Pantry")


def _recheck(batch: dict[str, tuple[str, tuple[int, ...]]]) -> None:
    look.page("<h2>A jar was looked at, used or given away</h2>")
    left, middle, right = st.columns(3)
    name = left.selectbox("Batch", list(batch), key="recheck_batch")
    run_id, jars = batch[name]
    jar = middle.selectbox("Jar", list(jars), key="recheck_jar")
    found = right.selectbox("What was found", list(FOUND), key="recheck_found")
    with left:
        access.who()
    if st.button("Write it down", key="recheck"):
        data.say("jar_recheck", {"jar": jar, "found": FOUND[found]}, run_id=run_id)
        batches.forget()
        st.rerun()


main()
