"""One jar: what a person did with it on top of what the table says of it, its deadline and its use-by date. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from monitor.jars.again import Again, gone_on
from monitor.jars.disposition import Decision, Status
from monitor.jars.rows import Row, days_after, local_date, months_after
from monitor.jars.seals import Seal, SealResult
from monitor.jars.state import JarState
from monitor.jars.times import Child, Times
from monitor.record.model import Run

#: A refrigerated jar at most a week, a frozen one at most a year, a shelf jar best within a year, a curd within
#: four months (guidance G54, G55, G64).
REFRIGERATED_DAYS, FROZEN_MONTHS, SHELF_MONTHS, CURD_MONTHS = 7, 12, 12, 4

_LOST = {
    "lost_seal": (
        "its seal was found lost on the shelf",
        "Discard; do not taste. Look at the other jars of the batch.",
    ),
    "bulge": (
        "its lid was found bulging",
        "Do not open, do not taste. Bag and bin it; look at the other jars of the batch. An open or leaking jar is "
        "boiled under water for 30 minutes first.",
    ),
}
_DO = {
    Status.REFRIGERATE: ("Keep at 4 °C or below; use within a few days, at most one week.", ("G55",)),
    Status.FROZEN: ("Leave 1-1/2 inches (4 cm) of headspace; use within a year.", ("G54",)),
    Status.DISCARDED: ("Discard; do not taste.", ("G56", "G66")),
}
_NEXT = {
    Status.REFRIGERATE: frozenset({Status.FROZEN, Status.DISCARDED}),
    Status.FROZEN: frozenset({Status.DISCARDED}),
    Status.ON_HOLD: frozenset({Status.REFRIGERATE, Status.DISCARDED}),
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
    """``placing`` is the last allowed placing; ``child`` the run that reprocesses it, ``again`` what became of that."""

    run: Run
    times: Times
    rows: Sequence[Row]
    jar: int
    placing: Placing | None
    child: Child | None
    again: Again | None

    def state(self, decision: Decision, seal: SealResult, now: datetime) -> JarState:
        """The jar as it stands at ``now``."""
        recheck = self._recheck()
        due = self._due(decision)
        child = self.child if self.child and not self._too_late(self.child.began, decision) else None
        placed = False
        if seal.seal is not Seal.BROKEN:
            if child is not None and self._may_go_on(decision):
                on = gone_on(decision, child, self.again)
                decision, due, placed = on.decision, on.due, on.placed
            elif self.placing is not None:
                decision, due = self._placed(self.placing, decision, due, now)
        if recheck in _LOST and decision.status is Status.SHELF:
            why, do = _LOST[recheck]
            decision = Decision(Status.ON_HOLD, _ONLY_DISCARD, why, do, (*decision.guidance, "G66", "G67"))
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
            found=recheck or "",
            child_jar=child.jar if child else None,
            child_placed=placed,
        )

    def _recheck(self) -> str | None:
        looks = [
            r.body.get("found")
            for r in self.rows
            if r.kind == "jar_recheck" and r.body.get("jar") == self.jar
        ]
        return str(looks[-1]) if looks and looks[-1] != "fine" else None

    def _due(self, decision: Decision) -> datetime | None:
        if decision.status not in (Status.ON_HOLD, Status.WAITING) or decision.clock is None:
            return None
        return self.times.two_hours if decision.clock == "two_hours" else self.times.day

    def _too_late(self, at: datetime, decision: Decision) -> bool:
        """A reprocessing begun after the clock had closed is none."""
        limit = self.times.two_hours if decision.clock == "two_hours" else self.times.day
        return decision.clock is not None and limit is not None and at > limit

    def _may_go_on(self, decision: Decision) -> bool:
        """A run that reprocesses the jar says where it is, unless somebody has put it elsewhere since."""
        placed = status_of(self.placing.row.body.get("to")) if self.placing else None
        return decision.status is not Status.SHELF and placed in (None, Status.REPROCESS)

    def _placed(
        self, placing: Placing, decision: Decision, due: datetime | None, now: datetime
    ) -> tuple[Decision, datetime | None]:
        status = status_of(placing.row.body.get("to")) or decision.status
        then = placing.decision
        why = f"placed by {placing.row.by or 'somebody'}: {then.why}"
        if status is Status.REPROCESS:
            if due is not None and now > due:
                late = "it was to be reprocessed, and the time has passed"
                return Decision(
                    Status.ON_HOLD, _ONLY_DISCARD, late, "Discard; do not taste.", decision.guidance
                ), due
            do = "Reprocess it now: new lid, hot pack, the full time, in a run of its own."
            return Decision(status, _SALVAGE_NEXT, why, do, (*decision.guidance, "G51", "G52")), due
        do, cited = _DO.get(status, ("", ()))
        guidance = tuple(dict.fromkeys((*cited, *then.guidance)))
        return Decision(status, _NEXT.get(status, frozenset()), why, do, guidance), None

    def _use_by(self, status: Status) -> date | None:
        """Calendar dates in the site's zone; a person may shorten one, never lengthen it."""
        if status is Status.SHELF:
            day = local_date(self.times.processed, self.run.zone)
            curd = "curd" in (self.run.batch.food or "").lower()
            return months_after(day, CURD_MONTHS if curd else SHELF_MONTHS)
        if self.placing is None or status not in (Status.REFRIGERATE, Status.FROZEN):
            return None
        day = local_date(self.placing.row.at, self.run.zone)
        cold = status is Status.REFRIGERATE
        latest = days_after(day, REFRIGERATED_DAYS) if cold else months_after(day, FROZEN_MONTHS)
        try:
            wished = date.fromisoformat(str(self.placing.row.body.get("use_by")))
        except ValueError:
            return latest
        return min(max(wished, day), latest)
