"""Past runs: what needs doing first, then a season's list with its verdicts."""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import quote

import streamlit as st

from dashboard import batches, data, figures, judging, look, runs_model, settings
from monitor.errors import StoreError
from monitor.store.reader import RunRow

A_PAGE = 50
TO_DO_HEADS = ("Verdict", "Started", "Batch", "Proven", "To do", "Canner")
#: What became of the jars since is told on the run's page: for a season's list each batch would have to be read.
HEADS = ("Verdict", "Started", "Batch", "Proven", "Advised then", "Canner")
VERDICT_CHOICES = {"All": "", "Held": "held", "Broken": "broken", "Unproven": "unproven", "Open": "open"}


def main() -> None:
    st.title("Past runs", anchor=False)
    try:
        rows = data.runs(settings.current().data_dir)
    except StoreError as trouble:
        look.nothing_yet(trouble)
        return
    now, zones = datetime.now(UTC), runs_model.several_zones(rows)
    urgent = [row for row in runs_model.needs_doing(rows, now) if not batches.all_placed(row.run_id, now)]
    if urgent:
        look.page(
            '<p class="bw-lead"><span class="bw-tone-alarm" aria-hidden="true">▲</span> To do first</p>'
            + look.table(TO_DO_HEADS, [_cells(row, zones) for row in urgent[:20]], "To do first")
        )
    wanted = _filters(rows)
    found = runs_model.chosen(rows, wanted)
    look.page(f'<p class="bw-lead">{look.esc(runs_model.season(found))}</p>')
    if not found:
        return
    with st.expander("The season by month"):
        look.page(_months(found))
    _still_judging()
    pages = -(-len(found) // A_PAGE)
    page = st.pagination(pages, key="runs_page") if pages > 1 else 1
    look.page(_table(found[(page - 1) * A_PAGE : page * A_PAGE], "Runs", zones))


def _still_judging() -> None:
    """While records from elsewhere are being judged, say so, and draw the list anew as they are."""
    left = judging.unfinished(settings.current().data_dir)
    if not left:
        return

    @st.fragment(run_every=2)
    def waiting() -> None:
        now = judging.unfinished(settings.current().data_dir)
        noun = "record" if now == 1 else "records"
        look.page(f'<p class="bw-note">{now:,} {noun} from elsewhere still to be judged.</p>')
        if now < left:
            st.rerun(scope="app")

    waiting()


def _filters(rows: list[RunRow]) -> runs_model.Wanted:
    left, middle, right = st.columns([3, 3, 2])
    verdict = left.segmented_control("Verdict", list(VERDICT_CHOICES), default="All", key="runs_verdict")
    text = middle.text_input("Food, jar, canner or run id", key="runs_words", max_chars=80)
    years = runs_model.years(rows)
    year = right.selectbox("Year", ["All", *years], key="runs_year") if len(years) > 1 else "All"
    return runs_model.Wanted(
        VERDICT_CHOICES.get(verdict or "All", ""), text or "", "" if year == "All" else year
    )


def _months(rows: list[RunRow]) -> str:
    cells = [
        (
            item.name,
            f"{item.runs:,}",
            f"✔ {item.held:,}",
            _count("✖", item.broken),
            _count("◇", item.unproven),
            f"{item.jars:,}",
        )
        for item in runs_model.months(rows)
    ]
    heads = ("Month", "Runs", "Held", "Broken", "Unproven", "Jars held")
    return look.table(heads, cells, "The season by month", numbers=(1, 2, 3, 4, 5))


def _count(glyph: str, count: int) -> str:
    return f"{glyph} {count:,}" if count else figures.MISSING


def _table(rows: list[RunRow], label: str, zones: bool) -> str:
    return look.table(HEADS, [_cells(row, zones, then=True) for row in rows], label)


def _cells(row: RunRow, zones: bool, *, then: bool = False) -> tuple[str, ...]:
    """``zones``: runs of several zones stand in the list.

    ``then``: the advice is what the verdict said when it was given; on a phone no head says so.
    """
    item = runs_model.line(row, zone_named=zones)
    advised = '<span class="bw-narrow">advised then: </span>' if then and item.action else ""
    link = f'<a href="/run?run={quote(item.run_id, safe="")}" target="_self">{look.esc(item.batch)}</a>'
    simulated = ' <span class="bw-simulated">simulated</span>' if item.simulated else ""
    return (
        look.sign(item.sign) + look.unsealed(row.taken_in),
        look.esc(item.started),
        f'{link}{simulated} <span class="bw-note">{look.esc(item.run_id)}</span>',
        look.esc(item.proven),
        advised + look.esc(item.action),
        look.esc(item.canner),
    )


main()
