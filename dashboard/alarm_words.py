"""An alarm in words: whose it is, when it was raised, what it asks for now. Pure.

An alarm outlives its run until somebody has seen it, and by then the canner may boil for another batch.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime

from dashboard import figures, words
from dashboard.alarm_model import Banner
from monitor.alarms.rules import IF_JARS_WERE_OUT, JARS_UNMARKED
from monitor.judge import causes
from monitor.judge.words import NO_JARS
from monitor.store.reader import LiveRow, RunRow

#: What an alarm that is over says, by its kind: said in the present tense it would be taken for true.
WAS: dict[str, str] = {
    "boil_lost": "the boil was lost",
    "heater_off": "the heater had stopped",
    "node_silent": "no readings came in",
    "probe_fault": "the water probe was at fault",
    "reading_frozen": "the reading did not move",
    "probe_moved": "the probe may have been out of the water",
    "pressure_disagrees": "pressure and altitude disagreed",
    "reads_above_boiling": "the probe read hotter than water can boil here",
    "come_up_stalled": "the water had stopped warming",
    "hold_complete": "the processing time was complete",
    "overrun": "it boiled on past the processing time",
    "water_check_due": "it was time to look at the water level",
    "hold_not_held": "the record did not prove the hold",
    "seal_check_due": "the seals were to be judged",
    "seal_check_overdue": "the time to save an unsealed jar was running out",
    "reprocess_window_closing": "the time to save the jars was running out",
    "run_unwatched": "the run was not watched",
    "remote_path_lost": "a way by which alarms reach you elsewhere was down",
    "store_unwritable": "the record could not be written",
}
#: Causes that send somebody to the canner: not once the run is over.
WHILE_ON = frozenset({causes.BROKE_OFF, causes.BROKE_OFF_SEEN})
#: The same where the cause makes it another thing.
WAS_BY_CAUSE: dict[tuple[str, str], str] = {
    ("probe_fault", causes.TWO_VALUES): "one sample came with two values",
    ("probe_fault", causes.TWO_PROBES): "the two water probes disagreed",
    **{("node_restarted", cause): "the node restarted, and the time began again" for cause in WHILE_ON},
    **{("clock_stepped", cause): "times jumped, and the time began again" for cause in WHILE_ON},
}
#: What is asked for once the run is over, where the alarm as it was raised speaks of the heat.
AFTERWARDS: dict[str, str] = {
    "hold_not_held": "Reprocess in full, refrigerate or freeze every jar of it, sealed or not, before the time is up.",
    "verdict_revised": "Read again what its record proves before you decide about its jars.",
}
#: The same for a run that no mark says jars were in.
AFTERWARDS_IF_JARS = f"If jars were in it: {IF_JARS_WERE_OUT}"
#: Kinds about jars, a node's power or the house: they ask for the same whether their run is on or over.
WHENEVER = frozenset(
    {
        "jar_disturbed",
        "seal_check_due",
        "seal_check_overdue",
        "reprocess_window_closing",
        "remote_path_lost",
        "store_unwritable",
        "node_restarted",
    }
)
OF_AN_ENDED_RUN = "That run is over. Its own page says what to do with its jars."


@dataclass(frozen=True, slots=True)
class Said:
    """A banner in words. ``whose`` follows the headline; ``run_id`` only where its run is not on any more."""

    title: str
    whose: str
    do: str
    run_id: str | None


def on_now(live: Iterable[LiveRow]) -> frozenset[str]:
    """The runs that are on: one that has just ended stays on its board for a while."""
    return frozenset(row.run_id for row in live if row.view.get("phase") != "ended")


def said(
    banner: Banner,
    run: RunRow | None,
    on: frozenset[str],
    zone: str | None,
    now: datetime,
    rate: float = 1.0,
) -> Said:
    """In words; times of day are those of ``zone``, the site's; ``on`` are the runs that are on.

    ``rate``: of a demonstration faster than life, whose runs have a clock of their own.
    """
    ended = banner.run_id is not None and banner.run_id not in on
    canner = banner.canner or (run.canner if run else None)
    parts = [canner] if canner else []
    if ended:
        parts.append(_ended_run(banner, run, zone, now))
    started_utc = run.started_utc if run is not None else banner.raised_utc
    parts.append(_times(banner, zone, now, lambda utc: figures.by_run_clock(utc, started_utc, rate)))
    do = banner.do
    if ended and (banner.kind not in WHENEVER or banner.cause in WHILE_ON):
        do = AFTERWARDS_IF_JARS if _jars_unmarked(banner) else AFTERWARDS.get(banner.kind, OF_AN_ENDED_RUN)
    return Said(title(banner), ", ".join(parts), do, banner.run_id if ended else None)


def _jars_unmarked(banner: Banner) -> bool:
    """Journals written before the cause was kept tell it in their words alone."""
    return banner.kind == "hold_not_held" and (banner.cause == JARS_UNMARKED or NO_JARS in banner.what)


def title(banner: Banner) -> str:
    """The headline as it is now: across the room and above other pages there is no other line."""
    if not banner.over:
        return banner.headline
    was = WAS_BY_CAUSE.get((banner.kind, banner.cause)) or WAS.get(banner.kind)
    return f"Over: {was or (banner.headline[:1].lower() + banner.headline[1:])}"


def _ended_run(banner: Banner, run: RunRow | None, zone: str | None, now: datetime) -> str:
    """``its ended run of 22:15 (pears)``"""
    if run is None:
        return f"ended run {words.unturned(str(banner.run_id))}"
    food = f" ({run.food})" if run.food else ""
    return f"its ended run of {_at(run.started_utc, zone, now)}{food}"


def _times(banner: Banner, zone: str | None, now: datetime, clock: Callable[[datetime], datetime]) -> str:
    raised, until = (
        _at(clock(figures.parse_utc(utc)).isoformat(), zone, clock(now))
        for utc in (banner.raised_utc, banner.at_utc)
    )
    return f"{raised} to {until}" if banner.over else f"raised {raised}"


def _at(utc: str, zone: str | None, now: datetime) -> str:
    """``22:38`` at the site; with its day where that is another, and said to be UTC where no zone is known."""
    when = figures.parse_utc(utc).astimezone(figures.zone(zone))
    same = when.date() == now.astimezone(figures.zone(zone)).date()
    at = f"{when:%H:%M}" if same else figures.local_day(when, zone)
    return at if zone else f"{at} UTC"
