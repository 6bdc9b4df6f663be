"""What is on the stove now: alarms, a board a canner, the trace, what happened."""

from __future__ import annotations

from urllib.parse import quote

import streamlit as st

from dashboard import (
    access,
    alarm_model,
    charts,
    data,
    figures,
    live_model,
    look,
    marks_form,
    on_now,
    run_model,
    settings,
    strip_model,
)
from dashboard.components import mount
from dashboard.trace import frame, trace
from dashboard.units import fahrenheit
from monitor.alarms.machine import SILENCE_LIMIT_S
from monitor.errors import StoreError
from monitor.store.reader import LiveRow

FAR = st.query_params.get("far") == "1"
#: The chart shows this much of a run that is on; the run's own page shows all of it. [s]
WINDOW_S = 3600.0
#: More alarms than this would push the boards out of sight; the rest wait behind a line.
SHOWN_ALARMS = 2
#: The collector raises every alarm, so that it is gone no alarm of its own can say.
UNWATCHED = (
    '<div class="bw-alarm" role="alert" data-priority="high" data-known="no" data-over="no"><p class="bw-headline">'
    '<span aria-hidden="true">▲</span> Nobody watches: the collector has stopped</p><p class="bw-do">'
    "Look at the canner. Until the collector runs again no alarm can be raised.</p></div>"
)


def main() -> None:
    try:
        moment = data.house_now()
    except StoreError as trouble:
        look.nothing_yet(trouble)
        return
    st.session_state["live_ids"] = _ids(moment)
    # What it is for is plain to whoever sees it; whoever hears it is told.
    look.page('<h1 class="bw-unseen">What is on the stove now</h1>')
    if not moment.live:
        _nothing_on(moment)
    _watch()
    if not access.may_change() and (moment.live or alarm_model.standing(moment.alarms)):
        with st.expander("Give the passcode to answer an alarm or to say what you did", key="passcode_line"):
            access.ask("live")
    if FAR:
        return
    if access.may_change() and (moment.live or alarm_model.standing(moment.alarms)):
        with st.columns([2, 5])[0]:
            access.who_speaks()
    if not moment.live:
        return
    if access.may_change():
        for row in moment.live:
            marks_form.draw(row)
    _details()


def _ids(moment: data.House) -> tuple[str, ...]:
    return tuple(sorted(row.run_id for row in moment.live))


@st.fragment(run_every=1)
def _watch() -> None:
    """Ticks each second: alarms, sound, boards. A run that comes or goes redraws the page."""
    moment = data.house_now()
    if _ids(moment) != st.session_state.get("live_ids"):
        st.rerun(scope="app")
    banners = alarm_model.standing(moment.alarms)
    on_now.sound(moment, banners)
    _alarms(banners, unwatched=_unwatched(moment))
    if moment.live:
        pairs = on_now.boards(moment)
        strips = [strip_model.pieces((row.verdict or {}).get("stretches") or ()) for _, row in pairs]
        mount.show_boards([item for item, _ in pairs], strips, form="far" if FAR else "")
        if not FAR:
            look.page(look.KEY + '<p><a href="?far=1" target="_self">Show this across the room</a></p>')


def _unwatched(moment: data.House) -> bool:
    """Whether runs are on and nothing is written of any of them."""
    on = [row for row in moment.live if row.view.get("phase") != "ended"]
    return live_model.nobody_watches([data.age_s(moment, row.updated_utc) for row in on])


def _alarms(banners: list[alarm_model.Banner], *, unwatched: bool) -> None:
    """What stands, the most urgent first; before all of it that no alarm can be raised, where that is so."""
    if unwatched:
        look.page(UNWATCHED)
    # Across the room what is over would hide that nobody watches.
    true = [item for item in banners if not (FAR and unwatched and item.over)]
    shown = alarm_model.across_the_room(true) if FAR else true[:SHOWN_ALARMS]
    quiet = next((item for item in banners if item.unacknowledged), None)
    rest = [item for item in banners if item not in shown]
    for place, banner in enumerate(shown):
        more = len(rest) if FAR and place == len(shown) - 1 else 0
        _alarm(banner, first=place == 0, quiet=banner is quiet, more=more)
    if rest and not FAR:
        with st.expander(alarm_model.others(len(rest)).removeprefix(", and ")):
            for banner in rest:
                _alarm(banner, first=False, quiet=banner is quiet)


def _alarm(banner: alarm_model.Banner, *, first: bool, quiet: bool, more: int = 0) -> None:
    """One alarm and what can be said to it: the first in full, the others in a line; ``more`` wait behind it."""
    if not banner.unacknowledged or not access.may_change():
        look.page(_alarm_markup(banner, first, more))
        return
    left, right = st.columns([7, 3], vertical_alignment="center")
    with left:
        look.page(_alarm_markup(banner, first, more))
    with right, st.container(horizontal=True):
        if st.button("I have seen it", key=f"ack_{banner.alarm_id}", type="primary"):
            data.say("alarm_acknowledged", {"alarm_id": banner.alarm_id}, run_id=banner.run_id)
            if data.speaker() is None:
                st.toast("Written down as seen, without a name: no name was given on this page.")
        # Whoever wants quiet wants it from all that stand; what is raised afterwards sounds all the same.
        if quiet and st.button(f"Quiet for {SILENCE_LIMIT_S / 60.0:.0f} minutes", key="quiet"):
            data.say("alarm_silenced", {"seconds_s": SILENCE_LIMIT_S}, run_id=banner.run_id)


def _alarm_markup(banner: alarm_model.Banner, first: bool, more: int) -> str:
    over, told = banner.over, on_now.alarm_in_words(data.house_now(), banner)
    due = f" The time to save the jars ends at {look.esc(_local(banner))}." if banner.due_utc else ""
    own = (
        f'<a href="/run?run={quote(told.run_id, safe="")}" target="_self">That run</a>' if told.run_id else ""
    )
    text = f'<p class="bw-do">{look.esc(told.do)}{due} {own}</p>'
    if over:
        text = f"<p>It waits to be seen. {own}</p>"
    elif (first or banner.news) and not FAR:
        text = f"<p>{look.esc(banner.what)}</p>{text}"
    glyph = "▲" if banner.priority == "high" else "△"
    behind = alarm_model.others(more)
    known = "no" if banner.unacknowledged else "yes"
    return (
        f'<div class="bw-alarm" role="alert" data-priority="{look.esc(banner.priority)}" '
        f'data-known="{known}" data-over="{"yes" if over else "no"}">'
        f'<p class="bw-headline"><span aria-hidden="true">{glyph}</span> '
        f'{look.esc(told.title)}<span class="bw-whose"> – {look.esc(told.whose)}</span>{behind}</p>{text}</div>'
    )


def _local(banner: alarm_model.Banner) -> str:
    """Until when, in the zone of the run's own kitchen; UTC, and said so, where nobody knows it."""
    zone = on_now.zone_of(data.house_now(), banner)
    at = figures.local_time(figures.parse_utc(str(banner.due_utc)), zone)[:5]
    return at if zone else f"{at} UTC"


@st.fragment(run_every=3)
def _details() -> None:
    """Ticks slowly: the figures, the trace and the events of each canner."""
    moment = data.house_now()
    for row in moment.live:
        _detail(row, several=len(moment.live) > 1)


def _detail(row: LiveRow, several: bool) -> None:
    verdict = row.verdict or {}
    if several:
        look.page(f'<h2 class="bw-lead">{look.esc(_named(row))}</h2>')
    since_s = max(0.0, float(row.view.get("at_s") or 0.0) - WINDOW_S)
    run, samples = data.live_trace(settings.current().data_dir, row.run_id, round(since_s, -1))
    offset_K = run.probe.calibration.offset_K if run and run.probe.calibration else 0.0
    left, right = st.columns([2, 3], gap="large")
    with left:
        seen_before = run is not None and any(mark.kind == "rolling_boil_seen" for mark in run.marks)
        shown = live_model.facts(row.view, fahrenheit(), seen_before=seen_before)
        figures_now = look.facts_table(shown, f"Figures now, {_named(row)}")
        rates = [row.view.get(f"{name}_K_per_min") for name in ("heating", "cooling")]
        told = run_model.kettle_words(str(row.view.get("kettle") or ""), rates, fahrenheit())
        kettle = f'<p class="bw-note" data-kettle>{look.esc(told)}</p>' if told else ""
        look.page(f'<div data-run="{look.esc(row.run_id)}">{figures_now}{kettle}</div>')
    with right:
        marks = [(mark.t_s, mark.kind) for mark in run.marks] if run else []
        spec = charts.temperature_chart(
            frame(trace(samples, offset_K), 500, fahrenheit=fahrenheit()),
            {
                **verdict,
                "boiling_point_C": row.view.get("boiling_point_C"),
                "floor_C": row.view.get("floor_C"),
            },
            look.tones(),
            marks=[item for item in marks if item[0] >= since_s],
            fahrenheit=fahrenheit(),
            near=row.view.get("phase") not in ("come_up", "cooling", "waiting"),
        )
        st.echarts_chart(
            spec,
            height=340,
            key=f"trace_{row.run_id}",
            alt=f"{_named(row)}: water temperature against the boiling point and the floor; the figures beside it say "
            "the same.",
        )
    look.page(look.events_table(verdict.get("events") or (), run, of=_named(row)))


def _named(row: LiveRow) -> str:
    return row.canner or "canner not named"


def _nothing_on(moment: data.House) -> None:
    heard = ""
    if moment.heard_s is not None:
        silent = figures.about(max(0.0, moment.heard_s))
        heard = f"<p>A node was last heard {look.esc(silent)} ago.</p>"
    ways = (
        ("plan", "Before the heat", "a new batch"),
        ("jars", "After the heat", "jars that rest, and their seals"),
    )
    links = "".join(
        f'<li><a href="/{page}" target="_self">{name}</a>: {what}</li>' for page, name, what in ways
    )
    look.page(f'<p class="bw-big">No canner is on.</p>{heard}<ul>{links}</ul>')


main()
