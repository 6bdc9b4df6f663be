"""Everything about a batch after the heat is off, derived from its run, verdict and entries. Pure.

``batch_state(run, verdict, entries, now)`` is a function of its arguments and nothing else: the same rows give
the same jars, deadlines and reasons on every machine.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from monitor.jars.again import TAKEN_TO_BE_ON, Again
from monitor.jars.deviations import Deviation, deviations
from monitor.jars.disposition import STEPS, Basis, Case, Decision, Status, decide, refusal
from monitor.jars.header_changes import HeaderChange, changed_after
from monitor.jars.one_jar import (
    OneJar,
    Placing,
    cold_until,
    held_back_choices,
    is_past,
    overruled,
    status_of,
)
from monitor.jars.review import Item, Signature, check_list, content_hash, signature
from monitor.jars.rows import Row, all_rows, local_date, local_time, without_corrected
from monitor.jars.seals import FINAL_AFTER, Seal, SealResult, Sums, contradicted, seal_results, sums
from monitor.jars.shelf import on_shelf
from monitor.jars.signed import Bounds, Standing, bounds_of, refused_timings, standing
from monitor.jars.state import BatchState, Clock, JarState
from monitor.jars.times import Child, Times, children, is_child, loaded, times_of
from monitor.jars.window import Before, Window, window_of, window_words, within
from monitor.judge.salvage import UNSEALED_WINDOW_S
from monitor.judge.verdict import Verdict
from monitor.record.model import Run
from monitor.tables.guidance import NOT_CHECKED

#: Waiting so long with the lid off before lifting is suggested; less costs some seals, not safety (G42).
REST = timedelta(minutes=5)
#: Where a jar stays: of one that is there nobody asks for the seal any more.
PLACES = frozenset({Status.REFRIGERATE, Status.FROZEN, Status.DISCARDED, Status.BROKEN})


def batch_state(
    run: Run,
    verdict: Verdict | Mapping[str, Any],
    entries: Iterable[Any],
    now: datetime,
    again: Mapping[str, Again] | None = None,
    before: Before | None = None,
) -> BatchState:
    """The state of a batch at ``now``.

    Parameters
    ----------
    run : Run
        Header and marks; samples, if there, give the lowest temperature of a deviation.
    verdict : Verdict or mapping
        The engine's verdict, or its JSON.
    entries : iterable
        The store's entries of this run, and those of runs that reprocess it which tell which jars these are and when
        they went in; objects or dicts.
    now : datetime
        Aware.
    again : mapping, optional
        By their ids, what became of the runs that reprocess it: one that is missing here gives its jars no place.
        Left out by those who only ask what the alarms ask: such runs then are taken to be on.
    before : Before, optional
        Of a run that reprocesses: what the run says that its jars come from. Left out where nobody has looked.
    """
    form = verdict.as_json() if isinstance(verdict, Verdict) else verdict
    rows = [row for row in all_rows(entries) if row.entered <= now]
    ever = [row for row in rows if row.run_id in (None, run.run_id) and not is_child(row, run.run_id)]
    known_until_now = without_corrected(ever)
    times = times_of(run, form)
    count = loaded(run, known_until_now)
    numbers = range(1, (count or 0) + 1)
    over = run.ended_at_s is not None or form.get("verdict") is not None
    window = window_of(run, times, before, over)
    bounded = within(times, window, run, form)
    build = _Build(run, form, known_until_now, bounded, tuple(numbers), children(rows, run.run_id))
    build.again, build.window, build.sign_by = again, window, times.two_hours
    build.ever = ever
    build.changed = [one for one in changed_after(ever, run.run_id, _jars_in(run)) if one.at <= now]
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
        children: Mapping[int, tuple[Child, ...]],
    ) -> None:
        self.run, self.verdict, self.rows, self.times = run, verdict, rows, times
        self.numbers, self.children = numbers, children
        self.parent = run.extra.get("reprocess_of")
        self.again: Mapping[str, Again] | None = None
        #: Of a run that reprocesses: until when its jars had to be in.
        self.window: Window | None = None
        #: Until when an own timing may be signed: what was left before holds for the jars, not for a signature.
        self.sign_by = times.two_hours
        #: Every entry up to now, those too that a later one corrects.
        self.ever: list[Row] = []
        #: What was changed in the header after the jars were in.
        self.changed: list[HeaderChange] = []
        #: What an own timing must agree with.
        self.bounds: Bounds = bounds_of(run, verdict, times)
        #: Where nobody marked it, the bound that waits longest.
        self.lifted = times.lifted.late if times.lifted is not None else None
        self.refused: list[str] = []
        #: The run that reprocesses a jar now.
        self.going_on: Mapping[int, Child | None] = {}

    def state(self, now: datetime, loaded: int | None) -> BatchState:
        rows = self.rows
        basis = standing(self.verdict, rows, self.sign_by, self.bounds)
        times = replace(self.times, day=self._day(basis))
        alone = self._alone(basis, times)
        self.going_on = {n: jar.child() for n, jar in alone.items()}
        found = self._deviations(rows)
        results = seal_results(rows, self.numbers, self.lifted)
        jar_sums = self._sums(rows, results, loaded)
        items = self._items(rows, found, results, jar_sums)
        content = content_hash(self.run, self.verdict, rows)
        signed = self._signed(rows, items, content)
        self.refused += refused_timings(self.verdict, rows, self.sign_by, self.bounds)
        reviewed = bool(signed and signed.valid)
        decided = {n: decide(self._case(n, results[n], basis, found, reviewed, now)) for n in self.numbers}
        placed = self._placings(loaded)
        jars = tuple(
            replace(jar, placing=placed.get(n)).state(decided[n], results[n], now) for n, jar in alone.items()
        )
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
            sign_by=self.sign_by,
            window_words=window_words(self.window, now) if self.window is not None else "",
        )

    def _sums(self, rows: Sequence[Row], results: Mapping[int, SealResult], loaded: int | None) -> Sums:
        out = [r.body.get("out") for r in rows if r.kind == "jars_lifted_count"]
        counted = out[-1] if out and isinstance(out[-1], int) else None
        return sums(loaded, results, counted, self._settled_unjudged(rows, results))

    def _settled_unjudged(self, rows: Sequence[Row], results: Mapping[int, SealResult]) -> set[int]:
        """Of the jars that nobody judged those that were put where they stay, went on, or are gone."""
        unjudged = {n for n, result in results.items() if result.seal is Seal.NOT_JUDGED}
        # What is offered for such a jar hangs on no signature, which in turn hangs on these jars.
        placed, _ = self._replayed(
            rows, unjudged, lambda row, before: self._decision(row, before, reviewed=False)
        )
        stays = {n for n, one in placed.items() if status_of(one.row.body.get("to")) in PLACES}
        went_on = {n for n in unjudged if (child := self.going_on.get(n)) is not None and child.went_in}
        return stays | went_on | {n for n in unjudged if on_shelf(rows, n).gone}

    def _items(
        self,
        rows: Sequence[Row],
        found: Sequence[Deviation],
        results: Mapping[int, SealResult],
        jar_sums: Sums,
    ) -> list[Item]:
        newest = max((row.id for row in rows), default=0)
        ever = [row for row in self.ever if row.id <= newest]
        differ = contradicted(ever, results, self.lifted)
        return check_list(self.run, self.verdict, rows, jar_sums, found, differ)

    def _signed(self, rows: Sequence[Row], items: Sequence[Item], content: str) -> Signature | None:
        """The review that was signed, held against what these rows say."""
        operators = frozenset(
            str(r.by) for r in rows if r.by and r.kind in ("run_started", "mark", "jar_seal")
        )
        return signature(rows, items, content, operators)

    def _reviewed(self, rows: Sequence[Row], loaded: int | None) -> bool:
        """Whether a signature stood when only these rows were there."""
        if not any(row.kind == "review" for row in rows):
            return False
        results = seal_results(rows, self.numbers, self.lifted)
        items = self._items(rows, self._deviations(rows), results, self._sums(rows, results, loaded))
        signed = self._signed(rows, items, content_hash(self.run, self.verdict, rows))
        return bool(signed and signed.valid)

    def _alone(self, basis: Standing, times: Times) -> dict[int, OneJar]:
        """Each jar with the runs that reprocess it, before what people did with it is looked at."""
        closes = times.two_hours if basis.basis is Basis.FAILED else times.day
        shelved = self._shelved()
        found: dict[int, OneJar] = {}
        for n in self.numbers:
            runs = [self._with_marks(child) for child in self.children.get(n, ())]
            again = {child.run_id: self._again(child) for child in runs}
            found[n] = OneJar(
                self.run, times, self.rows, n, None, runs, again, closes, self.window, n in shelved
            )
        return found

    def _shelved(self) -> set[int]:
        """The jars that were sealed when somebody signed the review: they may stand on the shelf, whatever lapsed."""
        found: set[int] = set()
        for row in self.ever:
            if row.kind == "review" and row.by:
                then = without_corrected([one for one in self.ever if one.id <= row.id])
                results = seal_results(then, self.numbers, self.lifted)
                found |= {n for n, result in results.items() if result.seal is Seal.SEALED}
        return found

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
        self,
        jar: int,
        seal: SealResult,
        basis: Standing,
        found: Sequence[Deviation],
        reviewed: bool,
        at: datetime,
    ) -> Case:
        two, day = self.times.two_hours, self._day(basis)
        return Case(
            basis=basis.basis,
            seal=seal.seal,
            two_hours_open=two is not None and at <= two,
            day_open=day is None or at <= day,
            deviation_open=any(one.is_open and jar in one.jars for one in found),
            reviewed=reviewed,
            reprocessed_before=self.parent is not None,
            closed=seal.closed,
        )

    def _placings(self, loaded: int | None) -> dict[int, Placing]:
        """The last allowed placing of each jar, with what the table said at its time; the refused are listed."""
        placed, refused = self._replayed(
            self.rows,
            self.numbers,
            lambda row, before: self._decision(row, before, self._reviewed(before, loaded)),
        )
        self.refused += refused
        return placed

    def _replayed(
        self,
        rows: Sequence[Row],
        jars: Collection[int],
        decision_of: Callable[[Row, Sequence[Row]], Decision],
    ) -> tuple[dict[int, Placing], list[str]]:
        """The last allowed placing of each of these jars, and why the others are refused."""
        placed: dict[int, Placing] = {}
        refused: list[str] = []
        for number, row in enumerate(rows):
            jar = row.body.get("jar")
            if row.kind != "jar_disposition" or not isinstance(jar, int) or jar not in jars:
                continue
            decision = decision_of(row, rows[:number])
            before = placed.get(jar)
            if why := self._refusal(row, decision, before, self.going_on.get(jar)):
                refused.append(
                    f"jar {jar} to '{row.body.get('to')}' at {local_time(row.at, self.run.zone)}: {why}"
                )
            elif status_of(row.body.get("to")) is Status.WAITING:
                del placed[jar]
            else:
                placed[jar] = Placing(row, decision)
        return placed, refused

    def _refusal(self, row: Row, decision: Decision, before: Placing | None, child: Child | None) -> str:
        """Why a placing does not count; empty when it does."""
        wanted = status_of(row.body.get("to"))
        if wanted is None:
            return "there is no such place"
        if child is not None and child.told_in is not None and row.entered >= child.told_in:
            return f"it went on as jar {child.jar} of run {child.run_id}: say it there"
        if before is None:
            if wanted is Status.WAITING:
                return "nobody holds it back"
            return refusal(decision.status, wanted, decision)
        current = status_of(before.row.body.get("to")) or decision.status
        if current is Status.ON_HOLD and wanted is not Status.BROKEN:
            offered = held_back_choices(decision)
            return "" if wanted in offered else refusal(current, wanted, replace(decision, choices=offered))
        if wanted is Status.WAITING:
            return "nobody holds it back"
        leaves = (Status.DISCARDED, Status.BROKEN)
        if wanted not in leaves and wanted in STEPS[current]:
            if is_past(before.row, self.run, row.at):
                until = cold_until(before.row, self.run)
                return f"its date of {until} had passed: only '{Status.DISCARDED.value}' is left"
            if decision.choices <= {Status.DISCARDED} and decision.clock is None:
                return f"'{wanted.value}' is not offered: {decision.why}"
        return refusal(current, wanted, decision)

    def _decision(self, row: Row, before: Sequence[Row], reviewed: bool) -> Decision:
        """What the table said of a jar when this was entered about it, and what stood before the table."""
        jar = int(row.body["jar"])
        result = seal_results(before, self.numbers, self.lifted)[jar]
        basis = standing(self.verdict, before, self.sign_by, self.bounds)
        case = self._case(jar, result, basis, self._deviations(before), reviewed, row.at)
        decision, said = decide(case), on_shelf(before, jar)
        ruled = overruled(said, result, self.run.zone, self.window, jar, decision, row.at)
        return ruled or decision

    def _again(self, child: Child) -> Again | None:
        return TAKEN_TO_BE_ON if self.again is None else self.again.get(child.run_id)

    def _with_marks(self, child: Child) -> Child:
        """When its jars went in, where its own record tells: a record from elsewhere has marks without entries."""
        again = self.again.get(child.run_id) if self.again is not None else None
        if again is None or again.went_in is None:
            return child
        return replace(child, went_in=again.went_in, told_in=child.told_in or again.went_in)

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
            if j.status in (Status.WAITING, Status.ON_HOLD, Status.REPROCESS) and not j.child_in
        ]
        if not open_jars:
            return ()
        window = self.window
        if window is not None and window.went_in is None and window.until is not None:
            text = f"the time of run {window.parent} runs on until its jars are in the canner again"
            return (Clock("reprocessing", window.until, text, ("G58", "G57", "G51")),)
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
