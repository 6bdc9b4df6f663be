"""The window of a reprocessing, as the run that reprocesses knows it: until when its jars had to be in. Pure.

The clock of the run that the jars come from goes on until they are in the canner again, and a boil there only holds
it up: University of Nebraska Extension, 2 h for jars whose process failed; USDA Complete Guide, 24 h for one that did
not seal; Iowa State University Extension, discarded after that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from monitor.jars.disposition import Basis, Decision, Status
from monitor.jars.rows import instant, local_time
from monitor.jars.state import BatchState
from monitor.jars.times import Times
from monitor.judge.verdict import BOILING
from monitor.record.model import Run

#: The header's key: by when the jars must be in, as it stood when the run was begun.
UNTIL = "reprocess_until"
GUIDANCE = ("G58", "G57", "G51", "G56")
_ONLY_DISCARD = frozenset({Status.DISCARDED})


@dataclass(frozen=True, slots=True)
class Before:
    """What the run that the jars come from says now. ``until``: by when they must be in; None where it is not here.

    ``elsewhere``: jars (their numbers here) that it has put somewhere else since, and where.
    """

    until: datetime | None = None
    elsewhere: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Window:
    """``went_in`` is None while nobody marked the jars in. Times aware."""

    parent: str
    until: datetime | None
    went_in: datetime | None
    over: bool
    zone: str | None
    elsewhere: Mapping[int, str]

    @property
    def missed(self) -> bool:
        """Whether the jars went in too late, or nobody can tell whether they did."""
        return self.until is None or (self.went_in is not None and self.went_in > self.until)

    @property
    def waits(self) -> bool:
        """Whether the jars of a run that is on are still to go in."""
        return self.went_in is None and not self.over


def before_of(parent: BatchState, child_run: str) -> Before:
    """What ``parent`` says to the run that reprocesses its jars."""
    gone = (Status.REFRIGERATE, Status.FROZEN, Status.DISCARDED, Status.BROKEN)
    elsewhere = {
        jar.child_jar: jar.status.value
        for jar in parent.jars
        if jar.child_run == child_run and jar.child_jar is not None and jar.status in gone
    }
    return Before(window_end(parent), elsewhere)


def window_end(parent: BatchState) -> datetime | None:
    """By when jars of a batch must be in the canner again."""
    return parent.two_hours if parent.standing.basis is Basis.FAILED else parent.day


def window_of(run: Run, times: Times, before: Before | None, over: bool) -> Window | None:
    """The window of a run that reprocesses; None for one that does not, or where nothing tells of its window.

    ``before`` None: nobody has looked into the run before. What was told at the start counts then.
    """
    parent = run.extra.get("reprocess_of")
    known = [one for one in (_told(run), before.until if before is not None else None) if one is not None]
    if not parent or (before is None and not known):
        return None
    went_in = times.jars_in if any(mark.kind == "jars_in" for mark in run.marks) else None
    until = min(known, default=None)
    elsewhere = before.elsewhere if before is not None else {}
    return Window(str(parent), until, went_in, over, run.zone, elsewhere)


def _told(run: Run) -> datetime | None:
    try:
        return instant(str(run.extra.get(UNTIL)))
    except ValueError:
        return None


def within(times: Times, window: Window | None, run: Run, verdict: Mapping[str, Any]) -> Times:
    """The clocks of a run that reprocesses: never more than what was left before, held up while it boils here."""
    if window is None or window.until is None:
        return times
    ends = window.until
    for start_s, end_s in _boils(verdict.get("stretches", ()), run, times):
        if run.started_at + timedelta(seconds=start_s) >= ends:
            break
        ends += timedelta(seconds=end_s - start_s)
    two_hours = min(times.two_hours, ends) if times.two_hours is not None else None
    return replace(times, two_hours=two_hours)


def _boils(stretches: Sequence[Mapping[str, Any]], run: Run, times: Times) -> list[tuple[float, float]]:
    in_s = (times.jars_in - run.started_at).total_seconds()
    found = [
        (max(in_s, float(one["start_s"])), float(one["end_s"]))
        for one in stretches
        if one["state"] == BOILING
    ]
    return sorted((start_s, end_s) for start_s, end_s in found if end_s > start_s)


def decision_by(window: Window | None, jar: int, decision: Decision, now: datetime) -> Decision | None:
    """What the window says of a jar before anything else; None where it says nothing."""
    if window is None:
        return None
    guidance = tuple(dict.fromkeys((*GUIDANCE, *decision.guidance)))
    words = window_words(window, now)
    if window.went_in is None and window.over:
        do = f"Say in run {window.parent} where they go; its time counts."
        return Decision(Status.ON_HOLD, frozenset(), words, do, guidance)
    if window.until is None:
        do = f"Import run {window.parent} too; until then it is on no shelf."
        return Decision(Status.ON_HOLD, _ONLY_DISCARD, words, do, guidance)
    if window.missed or (window.waits and now > window.until):
        return Decision(Status.ON_HOLD, _ONLY_DISCARD, words, "Discard; do not taste.", guidance)
    if window.waits:
        do = "Mark the jars in when they go in, and hold the full time."
        return Decision(Status.WAITING, frozenset(), words, do, guidance, "window")
    where = window.elsewhere.get(jar)
    if where is None:
        return None
    why = f"run {window.parent} says that this jar is '{where}' there: one of the two was written down wrong"
    do = "Say which: take that place back there, or correct which jars went in here."
    return Decision(Status.ON_HOLD, _ONLY_DISCARD, why, do, guidance)


def window_words(window: Window, now: datetime) -> str:
    """What there is to say of the window: empty once the jars are in, and in time."""
    if window.went_in is None and window.over:
        return (
            f"this run is over, and nobody marked that jars went in: it gave them no time. They are jars of run "
            f"{window.parent} again"
        )
    if window.until is None:
        return (
            f"nothing tells by when these jars of run {window.parent} had to be in the canner again: that run is not "
            "here"
        )
    until = local_time(window.until, window.zone)
    if window.went_in is not None:
        if not window.missed:
            return ""
        went_in = local_time(window.went_in, window.zone)
        return f"the jars went in at {went_in}, and the time of run {window.parent} had closed at {until}"
    if now > window.until:
        return f"no jars were marked in, and the time of run {window.parent} closed at {until}"
    return f"no jars are marked in yet, and the time of run {window.parent} runs until {until}"
