"""What is on now, on every page: a line a canner, and the alarm that waits to be seen. It ticks each second.

The lines count down in the browser and give way to "no data" as the whole boards do; an alarm sounds on every page.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import streamlit as st

from dashboard import (
    alarm_model,
    alarm_words,
    batches,
    data,
    figures,
    live_model,
    look,
    settings,
    sound_test,
    steady,
    words,
)
from dashboard.components import mount
from monitor.errors import StoreError
from monitor.store.marking import standing_marks
from monitor.store.reader import LiveRow
from monitor.store.stamp import utc_text

#: What the boards of this server said is held.
_HELD = steady.HighestHeld()


@st.cache_resource(ttl=data.SHARED_FOR_S, show_spinner=False)
def _last_said(data_dir: Path, run_ids: tuple[str, ...]) -> dict[str, tuple[str, str]]:
    """Run id to (kind, when) of the newest mark of each run that is on, those taken back left out."""
    found = {}
    with data.store_in(data_dir) as conn:
        for run_id in run_ids:
            for entry in standing_marks(conn, run_id)[-1:]:
                found[run_id] = (str(entry.body.get("kind")), entry.happened_utc)
    return found


def boards(moment: data.House) -> list[tuple[live_model.Board, LiveRow]]:
    """A board for each run that is on, the most urgent first, with the row it comes from."""
    said = _last_said(settings.current().data_dir, tuple(row.run_id for row in moment.live))
    rows = {row.run_id: row for row in moment.live}
    _HELD.keep(rows)
    made = [_board(moment, row, said.get(row.run_id)) for row in moment.live]
    return [(item, rows[item.run_id]) for item in live_model.most_urgent_first(made)]


def _board(moment: data.House, row: LiveRow, said: tuple[str, str] | None) -> live_model.Board:
    run = moment.runs.get(row.run_id)
    told = ""
    if said is not None:
        when = figures.parse_utc(said[1])
        if run is not None:
            # As its events are listed.
            when = figures.by_run_clock(when, run.started_utc, moment.rate)
        at = figures.local_time(when, data.zone_of(run))
        told = f"{words.MARKS.get(said[0], words.plain(said[0]))}, {at}"
    return live_model.board(
        row.run_id,
        row.canner,
        row.view,
        row_age_s=data.age_s(moment, row.updated_utc),
        batch=live_model.batch_words(run.food, run.pack, run.jar, run.jars) if run else "",
        simulated=bool(run and run.simulated),
        spacing_s=data.spacing_s(row.run_id, float(row.view.get("at_s") or 0.0)),
        rate=moment.rate,
        said=told,
        verdict=row.verdict,
        held_s=_HELD.held_s(row.run_id, row.view),
        placed=row.view.get("phase") == "ended" and batches.all_placed(row.run_id, datetime.now(UTC)),
    )


def sound(moment: data.House | None, banners: list[alarm_model.Banner], *, test: bool = False) -> None:
    """The alarm's sound on this device, or in words that it is off; nothing while nothing could sound.

    It is the only one on its page. With ``test`` the alarm that is sounded before a batch sounds here too.
    """
    wanted = None
    if moment is not None:
        now_utc = utc_text(moment.now_utc)
        wanted = next((item.priority for item in banners if item.sounds(now_utc)), None)
    if test and sound_test.sounding():
        wanted = "high"
    if test or banners or (moment is not None and moment.live):
        with st.container(key="sound_line"):
            mount.sound(wanted)


def alarm_in_words(moment: data.House, banner: alarm_model.Banner) -> alarm_words.Said:
    """Whose alarm it is and when it was raised, by the clock of its own kitchen."""
    run = moment.runs.get(banner.run_id or "")
    on = alarm_words.on_now(moment.live)
    return alarm_words.said(banner, run, on, zone_of(moment, banner), moment.now_utc, moment.rate)


def zone_of(moment: data.House, banner: alarm_model.Banner) -> str | None:
    """The zone of an alarm's kitchen; of one of the house that of whatever is on, else of the newest run."""
    run = moment.runs.get(banner.run_id or "")
    if found := data.zone_of(run):
        return found
    if run is not None:
        return None
    return next((one.zone for one in moment.runs.values() if one.zone), None) or data.zone()


@st.fragment(run_every=1)
def line(*, test: bool = False) -> None:
    """Draw it on a page that is not the page of what is on; nothing where nothing is on.

    ``test``: the page has the alarm that is sounded before a batch, so that its sound must be there.
    """
    try:
        moment = data.house_now()
        shown = boards(moment)
    except StoreError:
        # No store yet, so nothing is on.
        sound(None, [], test=test)
        return
    banners = [item for item in alarm_model.standing(moment.alarms) if item.unacknowledged]
    sound(moment, banners, test=test)
    for banner in banners[:1]:
        more = alarm_model.others(len(banners) - 1)
        told = alarm_in_words(moment, banner)
        look.page(
            f'<div class="bw-alarm" role="alert" data-priority="{look.esc(banner.priority)}" '
            f'data-over="{"yes" if banner.over else "no"}"><p class="bw-headline">'
            f'<span aria-hidden="true">▲</span> {look.esc(told.title)}'
            f'<span class="bw-whose"> – {look.esc(told.whose)}</span>{more}: '
            '<a href="/" target="_self">what to do</a></p></div>'
        )
    if shown:
        mount.show_boards([item for item, _ in shown], form="line")
