"""Whether the hour of a mark that ends a run can be meant: it is asked about first where it costs what is proven."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from monitor.errors import MonitorError
from monitor.jars import BatchState
from monitor.jars.rows import local_time
from monitor.judge import judge
from monitor.judge.verdict import BROKEN, HELD, UNPROVEN
from monitor.record.model import ENDS, Mark, Run

#: A kind of mark, and when it was (aware).
Said = tuple[str, datetime]
#: From the best on.
_RANKED = (HELD, UNPROVEN, BROKEN)


def mark_doubt(
    run: Run,
    state: BatchState,
    verdict: Mapping[str, Any],
    marks: Sequence[Said],
    instead: Sequence[Said] = (),
) -> str:
    """Why these marks are asked about before they are written down, in whole sentences; "" where they are not.

    ``verdict`` is that of the run so far (JSON form). ``instead`` are the marks that the record itself suggests, where
    nobody has made them: what is said is held against a run that has these.
    """
    found = [_too_early(run, state, kind, at) for kind, at in marks]
    return " ".join(filter(None, (*found, _loses(run, verdict, marks, instead))))


def _too_early(run: Run, state: BatchState, kind: str, at: datetime) -> str:
    """An end that lies before what it should end."""
    when, off = local_time(at, run.zone), state.heat_off
    loaded = [mark.t_s for mark in run.marks if mark.kind == "jars_in"]
    began = run.started_at + timedelta(seconds=max(loaded, default=0.0))
    if kind in ENDS and at < began:
        what = "the jars went in" if loaded else "the run began"
        return f"{when}: that was before {what}, at {local_time(began, run.zone)}."
    if kind == "jars_lifted" and off is not None and not off.how and at < off.at:
        return f"{when}: that was before the heat was off, at {local_time(off.at, run.zone)}."
    return ""


def _loses(run: Run, verdict: Mapping[str, Any], marks: Sequence[Said], instead: Sequence[Said]) -> str:
    """What the verdict loses by these marks."""
    try:
        now = _verdict(run, instead) if instead else verdict.get("verdict")
        then = _verdict(run, marks)
    except MonitorError:
        # Of a record that cannot be judged its own page says what is wrong; nothing is lost by a mark.
        return ""
    if _rank(then) <= _rank(now):
        return ""
    return f"With that hour the run is {then or 'open'}; without it, {now}."


def _rank(verdict: str | None) -> int:
    return _RANKED.index(verdict) if verdict in _RANKED else len(_RANKED) - 1


def _verdict(run: Run, marks: Sequence[Said]) -> str | None:
    """The verdict on the run with these marks."""
    more = [Mark((at - run.started_at).total_seconds(), kind) for kind, at in marks]
    # In time order, as they are read from the store.
    return judge(replace(run, marks=tuple(sorted([*run.marks, *more], key=lambda mark: mark.t_s)))).verdict
