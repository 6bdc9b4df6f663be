"""What a correction of header or marks made of the verdict: the one before stays beside the one after. Pure.

Both are judged from all the samples there are and all else that was said, so that they differ by the correction alone;
neither hangs on whether a collector was on when it was made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from monitor.errors import RecordError
from monitor.jars.header_changes import HeaderChange, changed_after
from monitor.judge import judge
from monitor.judge.verdict import BROKEN, HELD, UNPROVEN, Verdict
from monitor.judge.words import asked, exact
from monitor.record.header import header_from_json
from monitor.record.model import Run

#: What is said of one whose header nobody can read, or did not come along.
NOT_HERE = "not in this record"
_MILDNESS = {BROKEN: 0, UNPROVEN: 1, None: 1, HELD: 2}


@dataclass(frozen=True, slots=True)
class Outcome:
    """A verdict in three numbers. [s]"""

    verdict: str | None
    proven_s: float
    required_s: float

    @property
    def words(self) -> str:
        """``held, 30 min 33 s of 30 min proven``."""
        return f"{self.verdict or 'open'}, {exact(self.proven_s)} of {asked(self.required_s)} proven"


@dataclass(frozen=True, slots=True)
class Revision:
    """One correction, and the verdict without and with it; ``before`` is None where nothing tells of it."""

    entry: int
    at: datetime
    by: str | None
    reason: str | None
    what: str
    before: Outcome | None
    after: Outcome | None

    @property
    def milder(self) -> bool:
        """Whether more is said of the jars after it than before."""
        if self.after is None or self.before is None:
            return self.after is not None and self.after.verdict == HELD
        return _MILDNESS[self.after.verdict] > _MILDNESS[self.before.verdict]

    @property
    def moved(self) -> bool:
        """Whether the verdict's word is another one after it."""
        return (self.before and self.before.verdict) != (self.after and self.after.verdict)

    @property
    def calls_labels_back(self) -> bool:
        """Whether labels that were printed before it no longer hold."""
        before = self.before is None or self.before.verdict == HELD
        return before and (self.after is None or self.after.verdict != HELD)

    def sentences(self, when: Callable[[datetime], str]) -> str:
        """All of it for a person; ``when`` writes a time."""
        why = f" (reason: {self.reason})" if self.reason else " (no reason given)"
        told = [f"Entry {self.entry}, {when(self.at)}, {self.by or 'nobody named'}: {self.what}{why}."]
        told.append(f"Verdict before: {_words(self.before)}. Verdict after: {_words(self.after)}.")
        if self.milder:
            told.append(
                "It says more after the correction than before: look at what the correction rests on."
            )
        if self.calls_labels_back:
            told.append("Labels printed before it no longer hold: take them off.")
        return " ".join(told)

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "entry": self.entry,
            "at": self.at.isoformat(),
            "by": self.by,
            "reason": self.reason,
            "what": self.what,
            "before": _form(self.before),
            "after": _form(self.after),
            "milder": self.milder,
        }


def revisions(
    run: Run, entries: Iterable[Any], judged: Callable[[Run], Verdict] = judge, *, every: bool = False
) -> list[Revision]:
    """Each correction of the header or of a mark that was made after the jars were in, in order.

    ``run`` is the record as it stands, samples and all; ``judged`` judges one. Without ``every``, only those that
    moved the verdict or what is proven of it.
    """
    jars_in = [mark.t_s for mark in run.marks if mark.kind == "jars_in"]
    since = run.started_at + timedelta(seconds=min(jars_in)) if jars_in else None
    changes = changed_after(entries, run.run_id, since)
    if not changes:
        return []
    now = _outcome(judged(run))
    headers = _of_headers(run, [one for one in changes if one.mark is None], now, judged)
    marks = _of_marks(run, [one for one in changes if one.mark is not None], now, judged)
    found = sorted([*headers, *marks], key=lambda one: one.entry)
    return [one for one in found if every or one.before != one.after or one.after is None]


def _of_headers(
    run: Run, changes: Sequence[HeaderChange], now: Outcome, judged: Callable[[Run], Verdict]
) -> list[Revision]:
    found: list[Revision] = []
    for number, change in enumerate(changes):
        last = number + 1 == len(changes)
        after = now if last else _judged(run, change.after, judged)
        before = found[-1].after if found and _goes_on(changes[number - 1], change) else None
        before = before or _judged(run, change.before, judged)
        found.append(_revision(change, before, after))
    return found


def _of_marks(
    run: Run, changes: Sequence[HeaderChange], now: Outcome, judged: Callable[[Run], Verdict]
) -> list[Revision]:
    """From the marks as they stand back to those that stood before the first of these."""
    found: list[Revision] = []
    after, marks = now, run.marks
    for change in reversed(changes):
        if change.mark is None:
            continue
        marks = change.mark.undone(marks, run.started_at)
        before = _outcome(judged(replace(run, marks=marks)))
        found.append(_revision(change, before, after))
        after = before
    return found[::-1]


def _goes_on(earlier: HeaderChange, later: HeaderChange) -> bool:
    return earlier.after is not None and earlier.after == later.before


def _revision(change: HeaderChange, before: Outcome | None, after: Outcome | None) -> Revision:
    return Revision(change.entry_id, change.at, change.by, change.reason, change.what, before, after)


def _judged(run: Run, header: Mapping[str, Any] | None, judged: Callable[[Run], Verdict]) -> Outcome | None:
    """The same samples and marks under another header."""
    if header is None:
        return None
    try:
        other = header_from_json(dict(header))
    except RecordError:
        return None
    other = replace(other, run_id=run.run_id, started_at=run.started_at, ended_at_s=run.ended_at_s)
    return _outcome(judged(replace(other, marks=run.marks, samples=run.samples)))


def _outcome(verdict: Verdict) -> Outcome:
    return Outcome(verdict.verdict, verdict.proven_s, verdict.required_s)


def _words(outcome: Outcome | None) -> str:
    return NOT_HERE if outcome is None else outcome.words


def _form(outcome: Outcome | None) -> dict[str, Any] | None:
    if outcome is None:
        return None
    return {
        "verdict": outcome.verdict,
        "proven_s": outcome.proven_s,
        "required_s": outcome.required_s,
    }
