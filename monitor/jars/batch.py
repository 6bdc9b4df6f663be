"""Everything about a batch after the heat is off, derived from its run, verdict and entries. Pure.

``batch_state(run, verdict, entries, now)`` is a function of its arguments and nothing else: the same rows give
the same jars, deadlines and reasons on every machine.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from monitor.jars.again import TAKEN_TO_BE_ON, Again
from monitor.jars.deviations import Deviation, deviations
from monitor.jars.disposition import Basis, Case, Decision, Status, decide, refusal
from monitor.jars.header_changes import HeaderChange, changed_after
from monitor.jars.one_jar import OneJar, Placing, status_of
from monitor.jars.review import Item, Signature, check_list, content_hash, signature
from monitor.jars.rows import Row, all_rows, local_date, local_time, rows_of
from monitor.jars.seals import FINAL_AFTER, Seal, SealResult, contradicted, seal_results, sums
from monitor.jars.signed import Bounds, Standing, bounds_of, refused_timings, standing
from monitor.jars.state import BatchState, Clock, JarState
from monitor.jars.times import Child, Times, children, is_child, loaded, times_of
from monitor.judge.salvage import UNSEALED_WINDOW_S
from monitor.judge.verdict import Verdict
from monitor.record.model import Run
from monitor.tables.guidance import NOT_CHECKED

#: Waiting so long with the lid off before lifting is suggested; less costs some seals, not safety (G42).
REST = timedelta(minutes=5)


def batch_state(
    run: Run,
    verdict: Verdict | Mapping[str, Any],
    entries: Iterable[Any],
    now: datetime,
    again: Mapping[str, Again] | None = None,
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
    again : mapping, optional
        By their ids, what became of the runs that reprocess it: one that is missing here gives its jars no place.
        Left out by those who only ask what the alarms ask: such runs then are taken to be on.
    """
    form = verdict.as_json() if isinstance(verdict, Verdict) else verdict
    entries = list(entries)
    rows = rows_of(entries)
    own = [row for row in rows if not is_child(row, run.run_id)]
    known_until_now = [row for row in own if row.entered <= now]
    times = times_of(run, form)
    count = loaded(run, known_until_now)
    numbers = range(1, (count or 0) + 1)
    build = _Build(run, form, known_until_now, times, tuple(numbers), children(rows, run.run_id))
    build.again = again
    build.ever = [row for row in all_rows(entries) if row.entered <= now]
    build.changed = [one for one in changed_after(entries, run.run_id, _jars_in(run)) if one.at <= now]
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
        children: Mapping[int, Child],
    ) -> None:
        self.run, self.verdict, self.rows, self.times = run, verdict, rows, times
        self.numbers, self.children = numbers, children
        self.parent = run.extra.get("reprocess_of")
        self.again: Mapping[str, Again] | None = None
        #: Every entry up to now, those too that a later one corrects.
        self.ever: list[Row] = []
        #: What was changed in the header after the jars were in.
        self.changed: list[HeaderChange] = []
        #: What an own timing must agree with.
        self.bounds: Bounds = bounds_of(run, verdict, times)
        #: Where nobody marked it, the bound that waits longest.
        self.lifted = times.lifted.late if times.lifted is not None else None
        self.refused: list[str] = []

    def state(self, now: datetime, loaded: int | None) -> BatchState:
        rows = self.rows
        found = self._deviations(rows)
        results = seal_results(rows, self.numbers, self.lifted)
        out = [r.body.get("out") for r in rows if r.kind == "jars_lifted_count"]
        jar_sums = sums(loaded, results, out[-1] if out and isinstance(out[-1], int) else None)
        differ = contradicted(self.ever, results, self.lifted)
        items = check_list(self.run, self.verdict, rows, jar_sums, found, differ)
        content = content_hash(self.run, self.verdict, rows)
        signed = self._signed(items, content)
        basis = standing(self.verdict, rows, self.times.two_hours, self.bounds)
        self.refused += refused_timings(self.verdict, rows, self.times.two_hours, self.bounds)
        times = replace(self.times, day=self._day(basis))
        reviewed = bool(signed and signed.valid)
        decided = {
            n: decide(self._case(n, results[n].seal, basis, found, reviewed, now)) for n in self.numbers
        }
        jars = self._jars(decided, results, times, now)
        return BatchState(
            run_id=self.run.run_id,
            zone=self.run.zone,
            food=self.run.batch.food or "food not named",
            pack=self.run.batch.pack or "",
            jar_size=self.run.batch.jar or "",
            lot=str(self.run.batch.extra.get("lot_code") or ""),
            time_caveat=NOT_CHECKED if NOT_CHECKED in (self.run.required.read_from or "") else "",
            processed_on=local_date(self.times.processed, self.run.zone),
            standing=basis,
            jars=jars,
            clocks=self._clocks(basis, jars, times.day),
            sums=jar_sums,
            deviations=tuple(found),
            review_items=tuple(items),
            review=signed,
            review_due=times.day,
            content=content,
            heat_off=self.times.heat_off,
            lifting=self.times.lifted,
            rest_note=_rest_note(self.times),
            lifted=self.lifted,
            seals_from=self.lifted + FINAL_AFTER if self.lifted else None,
            two_hours=self.times.two_hours,
            day=times.day,
            parent_run=str(self.parent) if self.parent else None,
            parent_jars=_numbers(self.run.extra.get("reprocess_jars")),
            refused=tuple(self.refused),
        )

    def _signed(self, items: Sequence[Item], content: str) -> Signature | None:
        """The review that was signed, held against what is there now."""
        operators = frozenset(
            str(r.by) for r in self.rows if r.by and r.kind in ("run_started", "mark", "jar_seal")
        )
        return signature(self.rows, items, content, operators)

    def _jars(
        self, decided: Mapping[int, Decision], results: Mapping[int, SealResult], times: Times, now: datetime
    ) -> tuple[JarState, ...]:
        """Each jar: what the table decided, and what people did with it on top of that."""
        placed = self._placings()
        return tuple(
            OneJar(self.run, times, self.rows, n, placed.get(n), self.children.get(n), self._again(n)).state(
                decided[n], results[n], now
            )
            for n in self.numbers
        )

    def _deviations(self, rows: Sequence[Row]) -> list[Deviation]:
        noted = self.run.extra.get("deviations") or ()
        newest = max((row.id for row in rows), default=0)
        changed = [change for change in self.changed if change.entry_id <= newest]
        return deviations(
            self.run.run_id,
            self.verdict,
            rows,
            self.numbers,
            self.times.window_s,
            self.run.samples,
            self.run.probe.calibration.offset_K if self.run.probe.calibration is not None else 0.0,
            [str(text) for text in noted],
            [((change.at - self.run.started_at).total_seconds(), change) for change in changed],
        )

    def _case(
        self, jar: int, seal: Seal, basis: Standing, found: Sequence[Deviation], reviewed: bool, at: datetime
    ) -> Case:
        two, day = self.times.two_hours, self._day(basis)
        return Case(
            basis=basis.basis,
            seal=seal,
            two_hours_open=two is not None and at <= two,
            day_open=day is None or at <= day,
            deviation_open=any(one.is_open and jar in one.jars for one in found),
            reviewed=reviewed,
            reprocessed_before=self.parent is not None,
        )

    def _placings(self) -> dict[int, Placing]:
        """The last allowed placing of each jar, with what the table said at its time; the refused are listed."""
        placed: dict[int, Placing] = {}
        for number, row in enumerate(self.rows):
            jar = row.body.get("jar")
            if row.kind != "jar_disposition" or jar not in self.numbers:
                continue
            decision = self._decision(row, self.rows[:number])
            wanted = status_of(row.body.get("to"))
            before = placed.get(jar)
            current = status_of(before.row.body.get("to")) if before is not None else decision.status
            why = (
                refusal(current or decision.status, wanted, decision) if wanted else "there is no such place"
            )
            if why:
                self.refused.append(
                    f"jar {jar} to '{row.body.get('to')}' at {local_time(row.at, self.run.zone)}: {why}"
                )
            else:
                placed[jar] = Placing(row, decision)
        return placed

    def _decision(self, row: Row, before: Sequence[Row]) -> Decision:
        """What the table said of a jar when this was entered about it."""
        jar = int(row.body["jar"])
        result = seal_results(before, self.numbers, self.lifted)[jar]
        basis = standing(self.verdict, before, self.times.two_hours, self.bounds)
        signed = any(r.kind == "review" for r in before)
        return decide(self._case(jar, result.seal, basis, self._deviations(before), signed, row.at))

    def _again(self, jar: int) -> Again | None:
        if self.again is None:
            return TAKEN_TO_BE_ON
        child = self.children.get(jar)
        return self.again.get(child.run_id) if child is not None else None

    def _day(self, basis: Standing) -> datetime | None:
        """The end of the 24 h: from the hold that the record shows, or the one that was timed; the earlier counts."""
        ends = [self.times.day] if self.times.day is not None else []
        if basis.timed_to is not None:
            ends.append(basis.timed_to + timedelta(seconds=UNSEALED_WINDOW_S))
        return min(ends, default=None)

    def _clocks(self, basis: Standing, jars: Sequence[JarState], day: datetime | None) -> tuple[Clock, ...]:
        """The clock that runs; each says what else is published."""
        open_jars = [
            j
            for j in jars
            if j.status in (Status.WAITING, Status.ON_HOLD, Status.REPROCESS) and not j.child_run
        ]
        if not open_jars:
            return ()
        if basis.basis is Basis.FAILED and self.times.two_hours is not None:
            text = "2 h for jars whose hold is not proven; other published guidance allows 24 h, the stricter counts"
            return (Clock("failed process", self.times.two_hours, text, ("G58", "G57")),)
        if day is not None and any(j.seal.seal is not Seal.SEALED for j in open_jars):
            text = "24 h from the end of the hold for a jar that did not seal"
            return (Clock("unsealed jars", day, text, ("G51", "G56")),)
        return ()


def _jars_in(run: Run) -> datetime | None:
    """When the jars first went in."""
    marked = [mark.t_s for mark in run.marks if mark.kind == "jars_in"]
    return run.started_at + timedelta(seconds=min(marked)) if marked else None


def _numbers(value: object) -> tuple[int, ...]:
    return tuple(one for one in value if isinstance(one, int)) if isinstance(value, list | tuple) else ()


def _rest_note(times: Times) -> str:
    """A short rest is a note about quality, never a deviation. Empty where not both were marked."""
    if times.heat_off is None or times.lifted is None or times.heat_off.how or times.lifted.how:
        return ""
    rest = times.lifted.at - times.heat_off.at
    if rest >= REST:
        return ""
    # Rounded down: "5 min, where 5 are suggested" would be no note at all.
    minutes = int(max(0.0, rest.total_seconds() / 60.0))
    return f"lifted {minutes} min after the heat was off; 5 min are suggested. A note on quality: some may not seal"
