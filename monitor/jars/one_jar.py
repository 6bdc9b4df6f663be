"""One jar: what a person did with it on top of what the table says of it, its deadline and its use-by date. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from monitor.jars.again import Again, came_too_late, contradicted, gone_on, to_go_on
from monitor.jars.disposition import Decision, Status
from monitor.jars.rows import Row, days_after, local_date, local_time, months_after
from monitor.jars.seals import Seal, SealResult
from monitor.jars.shelf import OnShelf, lost_decision, newest_look, on_shelf
from monitor.jars.state import JarState
from monitor.jars.times import Child, Times
from monitor.jars.window import Window, decision_by
from monitor.record.model import Run

#: A refrigerated jar at most a week, a frozen one at most a year, a shelf jar best within a year, a curd within
#: four months (guidance G54, G55, G64).
REFRIGERATED_DAYS, FROZEN_MONTHS, SHELF_MONTHS, CURD_MONTHS = 7, 12, 12, 4

_DO = {
    Status.REFRIGERATE: ("Keep at 4 °C or below; use within a few days, at most one week.", ("G55",)),
    Status.FROZEN: ("Leave 1-1/2 inches (4 cm) of headspace; use within a year.", ("G54",)),
    Status.DISCARDED: ("Discard; do not taste.", ("G56", "G66")),
}
_NEXT = {
    Status.REFRIGERATE: frozenset({Status.FROZEN, Status.DISCARDED}),
    Status.FROZEN: frozenset({Status.DISCARDED}),
}
_SALVAGE_NEXT = frozenset({Status.REFRIGERATE, Status.FROZEN, Status.DISCARDED})
_ONLY_DISCARD = frozenset({Status.DISCARDED})


def status_of(word: object) -> Status | None:
    """A status from an entry's word (``reprocess`` and ``freeze`` are understood too); None if there is none."""
    text = str(word or "").replace("_", " ").strip().lower()
    text = {"reprocess": "reprocess queued", "freeze": "frozen", "discard": "discarded"}.get(text, text)
    return next((status for status in Status if status.value == text), None)


@dataclass(frozen=True, slots=True)
class Placing:
    """What a person did with a jar, and what the table said of it then."""

    row: Row
    decision: Decision


@dataclass(frozen=True, slots=True)
class OneJar:
    """``placing`` is the last allowed placing; ``children`` the runs that reprocess it, ``again`` what became of them.

    ``closes``: when the time to reprocess it ends. ``window``: the run's own, where that reprocesses jars itself.
    """

    run: Run
    times: Times
    rows: Sequence[Row]
    jar: int
    placing: Placing | None
    children: Sequence[Child]
    again: Mapping[str, Again | None]
    closes: datetime | None
    window: Window | None
    was_shelved: bool = False

    def state(self, decision: Decision, seal: SealResult, now: datetime) -> JarState:
        """The jar as it stands at ``now``."""
        said = on_shelf(self.rows, self.jar)
        child = self.child()
        due, placed = self._due(decision), False
        if seal.seal is not Seal.BROKEN:
            decision, due, placed = self._where(decision, due, seal, child, now)
        if (ruled := overruled(said, seal, self.run.zone, self.window, self.jar, decision, now)) is not None:
            decision, due = ruled, self.window.until if self.window is not None and ruled.clock else None
        return JarState(
            jar=self.jar,
            status=decision.status,
            seal=seal,
            choices=tuple(s for s in Status if s in decision.choices),
            why=decision.why,
            do=decision.do,
            guidance=decision.guidance,
            due=due,
            use_by=self._use_by(decision.status),
            placed_by=self.placing.row.by if self.placing else None,
            placed_entry=self.placing.row.id if self.placing else None,
            child_run=child.run_id if child else None,
            found=said.gone or said.lost,
            child_jar=child.jar if child else None,
            child_placed=placed,
            lost=said.lost,
            lost_entry=newest_look(self.rows, self.jar),
            child_in=child is not None and child.went_in is not None,
            was_shelved=self.was_shelved,
        )

    def child(self) -> Child | None:
        """The run that reprocesses it now: with its jars in in time, or still to take them.

        One that ended without them gives no time and takes no jar; one that came too late is none.
        """
        able = [one for one in self.children if not self._is_late(one) and not self._is_empty(one)]
        return next((one for one in able if one.went_in is not None), able[-1] if able else None)

    def _is_late(self, child: Child) -> bool:
        return self.closes is not None and (child.went_in or child.began) > self.closes

    def _is_empty(self, child: Child) -> bool:
        """It is over, and no jars were marked in."""
        again = self.again.get(child.run_id)
        return child.went_in is None and (child.over or (again is not None and again.over))

    def _where(
        self, decision: Decision, due: datetime | None, seal: SealResult, child: Child | None, now: datetime
    ) -> tuple[Decision, datetime | None, bool]:
        """Where it is, by the run that has it or by whoever put it somewhere; by when; whether that is a place."""
        placed = status_of(self.placing.row.body.get("to")) if self.placing else None
        if placed not in (None, Status.REPROCESS) and self.placing is not None:
            return *self._placed(self.placing, decision, due, now), False
        if child is not None:
            if seal.seal is Seal.SEALED and (seal.entry or 0) > child.entry > 0:
                return contradicted(child, seal.seal.value), None, False
            again = self.again.get(child.run_id)
            if child.went_in is None:
                on = to_go_on(decision, child, again, self.closes, now)
            else:
                on = gone_on(decision, child, again)
            return on.decision, on.due, on.placed
        late = next((one for one in self.children if self._is_late(one)), None)
        if late is not None and late.went_in is not None and self.closes is not None:
            return came_too_late(decision, late, self.closes, self._when), None, False
        if self.placing is not None:
            return *self._placed(self.placing, decision, due, now), False
        return decision, due, False

    def _when(self, moment: datetime) -> str:
        return local_time(moment, self.run.zone)

    def _due(self, decision: Decision) -> datetime | None:
        if decision.status not in (Status.ON_HOLD, Status.WAITING) or decision.clock is None:
            return None
        return self.times.two_hours if decision.clock == "two_hours" else self.times.day

    def _placed(
        self, placing: Placing, decision: Decision, due: datetime | None, now: datetime
    ) -> tuple[Decision, datetime | None]:
        status = status_of(placing.row.body.get("to")) or decision.status
        then = placing.decision
        by = placing.row.by or "somebody"
        why = f"placed by {by}: {then.why}"
        if status is Status.REPROCESS:
            if due is not None and now > due:
                late = "it was to be reprocessed, and the time has passed"
                return Decision(
                    Status.ON_HOLD, _ONLY_DISCARD, late, "Discard; do not taste.", decision.guidance
                ), due
            do = "Reprocess it now: new lid, hot pack, the full time, in a run of its own."
            return Decision(status, _SALVAGE_NEXT, why, do, (*decision.guidance, "G51", "G52")), due
        if status is Status.ON_HOLD:
            return self._held_back(by, decision), due
        if is_past(placing.row, self.run, now):
            why = f"{why}; its date has passed"
            guidance = tuple(dict.fromkeys(("G55", "G54", *then.guidance)))
            return Decision(status, _ONLY_DISCARD, why, "Discard; do not taste.", guidance), None
        do, cited = _DO.get(status, ("", ()))
        guidance = tuple(dict.fromkeys((*cited, *then.guidance)))
        return Decision(status, _NEXT.get(status, frozenset()), why, do, guidance), None

    def _held_back(self, by: str, decision: Decision) -> Decision:
        """A person holds it back: that never offers more than the table does."""
        why = f"held back by {by}; without that: {decision.why}"
        do = "Look at it, then say where it goes."
        if decision.status is not Status.ON_HOLD:
            do += f" '{Status.WAITING.value}' ends its being held back."
        elif decision.clock is not None:
            do += f" {decision.do}"
        return Decision(
            Status.ON_HOLD, held_back_choices(decision), why, do, decision.guidance, decision.clock
        )

    def _use_by(self, status: Status) -> date | None:
        """Calendar dates in the site's zone; a person may shorten one, never lengthen it."""
        if status is Status.SHELF:
            day = local_date(self.times.processed, self.run.zone)
            curd = "curd" in (self.run.batch.food or "").lower()
            return months_after(day, CURD_MONTHS if curd else SHELF_MONTHS)
        if self.placing is None or status not in (Status.REFRIGERATE, Status.FROZEN):
            return None
        return cold_until(self.placing.row, self.run)


def overruled(
    said: OnShelf,
    seal: SealResult,
    zone: str | None,
    window: Window | None,
    jar: int,
    decision: Decision,
    at: datetime,
) -> Decision | None:
    """What stands before table and placing, but for a jar that is gone: a bad lid, then a reprocessing's window."""
    if decision.status in (Status.DISCARDED, Status.BROKEN):
        return None
    return lost_decision(said, seal, decision.guidance, zone) or decision_by(window, jar, decision, at)


def held_back_choices(decision: Decision) -> frozenset[Status]:
    """What is offered for a jar that a person holds back, beside what the table says of it."""
    return (decision.choices - {Status.ON_HOLD, Status.REPROCESS}) | {Status.WAITING, Status.DISCARDED}


def cold_until(row: Row, run: Run) -> date | None:
    """Until when a jar keeps where a placing put it in the cold; None for another place."""
    status = status_of(row.body.get("to"))
    if status not in (Status.REFRIGERATE, Status.FROZEN):
        return None
    day = local_date(row.at, run.zone)
    cold = status is Status.REFRIGERATE
    latest = days_after(day, REFRIGERATED_DAYS) if cold else months_after(day, FROZEN_MONTHS)
    try:
        wished = date.fromisoformat(str(row.body.get("use_by")))
    except ValueError:
        return latest
    return min(max(wished, day), latest)


def is_past(row: Row, run: Run, at: datetime) -> bool:
    """Whether a jar that a placing put in the cold was past its date at ``at``."""
    until = cold_until(row, run)
    return until is not None and local_date(at, run.zone) > until
