"""Everything about a batch after the heat is off, derived from its run, verdict and entries. Pure.

``batch_state(run, verdict, entries, now)`` is a function of its arguments and nothing else: the same rows give
the same jars, deadlines and reasons on every machine.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from monitor.jars.deviations import Deviation, deviations
from monitor.jars.disposition import Basis, Case, Decision, Status, decide, refusal
from monitor.jars.review import Signature, check_list, content_hash, signature
from monitor.jars.rows import Row, days_after, local_date, months_after, rows_of
from monitor.jars.seals import FINAL_AFTER, Seal, SealResult, seal_results, sums
from monitor.jars.signed import Standing, standing
from monitor.jars.state import BatchState, Clock, JarState
from monitor.jars.times import Times, children, is_child, loaded, times_of
from monitor.judge.verdict import Verdict
from monitor.record.model import Run

#: A refrigerated jar at most a week, a frozen one at most a year, a shelf jar best within a year, a curd within
#: four months (guidance G54, G55, G64).
REFRIGERATED_DAYS, FROZEN_MONTHS, SHELF_MONTHS, CURD_MONTHS = 7, 12, 12, 4


def batch_state(
    run: Run, verdict: Verdict | Mapping[str, Any], entries: Iterable[Any], now: datetime
) -> BatchState:
    """The state of a batch at ``now``.

    Parameters
    ----------
    run : Run
        Header and marks; samples, if there, give the lowest temperature of a deviation.
    verdict : Verdict or mapping
        The engine's verdict, or its JSON.
    entries : iterable
        The store's entries of this run, and the ``run_started`` of runs that reprocess it; objects or dicts.
    now : datetime
        Aware.
    """
    form = verdict.as_json() if isinstance(verdict, Verdict) else verdict
    rows = rows_of(entries)
    own = [row for row in rows if not is_child(row, run.run_id)]
    known_until_now = [row for row in own if row.entered <= now]
    times = times_of(run, form)
    count = loaded(run, known_until_now)
    numbers = range(1, (count or 0) + 1)
    build = _Build(run, form, known_until_now, times, tuple(numbers), children(rows, run.run_id))
    return build.state(now, count)


class _Build:
    """One derivation; the jars' placings are replayed in order, each against the state at its own time."""

    def __init__(
        self,
        run: Run,
        verdict: Mapping[str, Any],
        rows: list[Row],
        times: Times,
        numbers: tuple[int, ...],
        children: Mapping[int, tuple[str, datetime]],
    ) -> None:
        self.run, self.verdict, self.rows, self.times = run, verdict, rows, times
        self.numbers, self.children = numbers, children
        self.parent = run.extra.get("reprocess_of")
        self.refused: list[str] = []

    def state(self, now: datetime, loaded: int | None) -> BatchState:
        rows = self.rows
        found = self._deviations(rows)
        results = seal_results(rows, self.numbers, self.times.lifted)
        out = [r.body.get("out") for r in rows if r.kind == "jars_lifted_count"]
        jar_sums = sums(loaded, results, out[-1] if out and isinstance(out[-1], int) else None)
        items = check_list(self.run, self.verdict, rows, jar_sums, found)
        content = content_hash(self.run, self.verdict, rows)
        operators = frozenset(
            str(r.by) for r in rows if r.by and r.kind in ("run_started", "mark", "jar_seal")
        )
        signed = signature(rows, items, content, operators)
        basis = standing(self.verdict, rows, self.times.two_hours)
        placed = self._placings()
        jars = tuple(self._jar(n, results[n], basis, found, signed, placed.get(n), now) for n in self.numbers)
        lifted = self.times.lifted
        return BatchState(
            run_id=self.run.run_id,
            zone=self.run.zone,
            food=self.run.batch.food or "food not named",
            pack=self.run.batch.pack or "",
            jar_size=self.run.batch.jar or "",
            processed_on=local_date(self.times.heat_off or lifted or self.times.jars_in, self.run.zone),
            standing=basis,
            jars=jars,
            clocks=self._clocks(basis, jars),
            sums=jar_sums,
            deviations=tuple(found),
            review_items=tuple(items),
            review=signed,
            review_due=self.times.day,
            content=content,
            lifted=lifted,
            seals_from=lifted + FINAL_AFTER if lifted else None,
            parent_run=str(self.parent) if self.parent else None,
            refused=tuple(self.refused),
        )

    def _deviations(self, rows: Sequence[Row]) -> list[Deviation]:
        noted = self.run.extra.get("deviations") or ()
        return deviations(
            self.run.run_id,
            self.verdict,
            rows,
            self.numbers,
            self.times.window_s,
            self.run.samples,
            [str(text) for text in noted],
        )

    def _case(
        self, jar: int, seal: Seal, basis: Basis, found: Sequence[Deviation], reviewed: bool, at: datetime
    ) -> Case:
        two, day = self.times.two_hours, self.times.day
        return Case(
            basis=basis,
            seal=seal,
            two_hours_open=two is not None and at <= two,
            day_open=day is None or at <= day,
            deviation_open=any(one.is_open and jar in one.jars for one in found),
            reviewed=reviewed,
            reprocessed_before=self.parent is not None,
        )

    def _placings(self) -> dict[int, Row]:
        """The last allowed placing of each jar; the refused ones are listed."""
        placed: dict[int, Row] = {}
        for number, row in enumerate(self.rows):
            jar = row.body.get("jar")
            if row.kind != "jar_disposition" or jar not in self.numbers:
                continue
            why = self._refusal(row, self.rows[:number], placed.get(jar))
            if why:
                self.refused.append(f"jar {jar} to '{row.body.get('to')}' at {row.at.isoformat()}: {why}")
            else:
                placed[jar] = row
        return placed

    def _refusal(self, row: Row, before: Sequence[Row], placed: Row | None) -> str:
        wanted = status_of(row.body.get("to"))
        if wanted is None:
            return "there is no such place"
        jar = int(row.body["jar"])
        found = self._deviations(before)
        result = seal_results(before, self.numbers, self.times.lifted)[jar]
        basis = standing(self.verdict, before, self.times.two_hours).basis
        signed = any(r.kind == "review" for r in before)
        decision = decide(self._case(jar, result.seal, basis, found, signed, row.at))
        current = status_of(placed.body.get("to")) if placed else decision.status
        return refusal(current or decision.status, wanted, decision)

    def _jar(
        self,
        jar: int,
        result: SealResult,
        basis: Standing,
        found: Sequence[Deviation],
        signed: Signature | None,
        placing: Row | None,
        now: datetime,
    ) -> JarState:
        reviewed = bool(signed and signed.valid)
        decision = decide(self._case(jar, result.seal, basis.basis, found, reviewed, now))
        recheck = self._recheck(jar)
        status, choices, why, do = decision.status, decision.choices, decision.why, decision.do
        due = self._due(basis.basis, decision)
        child = self.children.get(jar)
        if placing is not None and result.seal is not Seal.BROKEN:
            status, choices, why, do, due = self._placed(placing, decision, due, child, now)
        if recheck in ("lost_seal", "bulge") and status is Status.SHELF:
            status, choices = Status.ON_HOLD, frozenset({Status.DISCARDED})
            why, do = _LOST[recheck]
        return JarState(
            jar=jar,
            status=status,
            seal=result,
            choices=tuple(s for s in Status if s in choices),
            why=why,
            do=do,
            guidance=decision.guidance if recheck is None else (*decision.guidance, "G66", "G67"),
            due=due,
            use_by=self._use_by(status, placing),
            placed_by=placing.by if placing else None,
            placed_at=placing.at if placing else None,
            child_run=child[0] if child else None,
            gone=recheck if recheck in ("used", "given") else "",
        )

    def _recheck(self, jar: int) -> str | None:
        looks = [
            r.body.get("found") for r in self.rows if r.kind == "jar_recheck" and r.body.get("jar") == jar
        ]
        return str(looks[-1]) if looks and looks[-1] != "fine" else None

    def _due(self, basis: Basis, decision: Decision) -> datetime | None:
        if decision.status not in (Status.ON_HOLD, Status.WAITING) or basis is Basis.OPEN:
            return None
        return self.times.two_hours if basis is Basis.FAILED else self.times.day

    def _placed(
        self,
        placing: Row,
        decision: Decision,
        due: datetime | None,
        child: tuple[str, datetime] | None,
        now: datetime,
    ) -> tuple[Status, frozenset[Status], str, str, datetime | None]:
        status = status_of(placing.body.get("to")) or decision.status
        why = f"placed by {placing.by or 'somebody'}: {decision.why}"
        if status is Status.REPROCESS:
            if child is not None:
                return status, frozenset(), why, f"It goes on in run {child[0]}.", None
            if due is not None and now > due:
                late = "it was to be reprocessed, and the time has passed"
                return Status.ON_HOLD, frozenset({Status.DISCARDED}), late, "Discard; do not taste.", due
            do = "Reprocess it now: new lid, hot pack, the full time, in a run of its own."
            return status, frozenset({Status.REFRIGERATE, Status.FROZEN, Status.DISCARDED}), why, do, due
        return status, _NEXT.get(status, frozenset()), why, _DO.get(status, ""), None

    def _use_by(self, status: Status, placing: Row | None) -> date | None:
        """Calendar dates in the site's zone; a person may shorten one, never lengthen it."""
        if status is Status.SHELF:
            day = local_date(self.times.heat_off or self.times.jars_in, self.run.zone)
            curd = "curd" in (self.run.batch.food or "").lower()
            return months_after(day, CURD_MONTHS if curd else SHELF_MONTHS)
        if placing is None or status not in (Status.REFRIGERATE, Status.FROZEN):
            return None
        day = local_date(placing.at, self.run.zone)
        latest = (
            days_after(day, REFRIGERATED_DAYS)
            if status is Status.REFRIGERATE
            else months_after(day, FROZEN_MONTHS)
        )
        try:
            wished = date.fromisoformat(str(placing.body.get("use_by")))
        except ValueError:
            return latest
        return min(max(wished, day), latest)

    def _clocks(self, basis: Standing, jars: Sequence[JarState]) -> tuple[Clock, ...]:
        open_jars = [
            j
            for j in jars
            if j.status in (Status.WAITING, Status.ON_HOLD, Status.REPROCESS) and not j.child_run
        ]
        if not open_jars:
            return ()
        if basis.basis is Basis.FAILED and self.times.two_hours is not None:
            text = "2 h for jars whose hold is not proven; other guidance allows 24 h, the stricter is shown"
            return (Clock("failed process", self.times.two_hours, text, ("G58", "G57")),)
        if self.times.day is not None and any(j.seal.seal is not Seal.SEALED for j in open_jars):
            text = "24 h from the end of the hold for a jar that did not seal"
            return (Clock("unsealed jars", self.times.day, text, ("G51", "G56")),)
        return ()


_LOST = {
    "lost_seal": ("its seal was found lost on the shelf", "Discard; do not taste. Look at its siblings."),
    "bulge": (
        "its lid was found bulging",
        "Do not open, do not taste. Bag and bin it; look at its siblings. An open or leaking jar is boiled "
        "under water for 30 minutes first.",
    ),
}
_DO = {
    Status.REFRIGERATE: "Keep at 4 °C or below; use within a few days, at most one week.",
    Status.FROZEN: "Leave 1-1/2 inches (4 cm) of headspace; use within a year.",
    Status.DISCARDED: "Discard; do not taste.",
}
_NEXT = {
    Status.REFRIGERATE: frozenset({Status.FROZEN, Status.DISCARDED}),
    Status.FROZEN: frozenset({Status.DISCARDED}),
    Status.ON_HOLD: frozenset({Status.REFRIGERATE, Status.DISCARDED}),
}


def status_of(word: object) -> Status | None:
    """A status from an entry's word (``reprocess`` and ``freeze`` are understood too); None if there is none."""
    text = str(word or "").replace("_", " ").strip().lower()
    text = {"reprocess": "reprocess queued", "freeze": "frozen", "discard": "discarded"}.get(text, text)
    return next((status for status in Status if status.value == text), None)
