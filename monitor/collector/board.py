"""The runs that are on: each has its engine, fed with what was stored, and its way into the alarms."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Iterable
from dataclasses import replace
from functools import partial
from typing import Any

from monitor.alarms import Context, RunWatch, Stage
from monitor.collector.liverun import LiveRun, Teller, Told, clock_of
from monitor.collector.resting import say_over, settle, write_verdict
from monitor.errors import RecordError
from monitor.judge import Event, LiveView, Session, Verdict
from monitor.judge.heat import Heat
from monitor.judge.verdict import UNKNOWN
from monitor.judge.view import AHEAD_S
from monitor.judge.words import exact
from monitor.record import Mark, Sample
from monitor.record.model import ENDS
from monitor.store.merge import spans_of, stands_beside
from monitor.store.reader import run_samples
from monitor.store.runs import FOREVER_S, House, RunFacts
from monitor.store.samples import Row, row_sample

#: The whole verdict is written down at most so often while nothing happens. [s]
VERDICT_EVERY_S = 1.0
#: A run whose judging ended in an error is judged anew from the store after so long, each time after twice as long, up
#: to the second of these. [s] Chosen: to judge a run of a week anew takes seconds in which no other is watched.
AGAIN_S, AGAIN_MOST_S = 10.0, 600.0


class Board:
    """All runs that are on. Works in house time; writes nothing itself.

    ``unwritten``: rows that came and that the store does not hold yet, since the disk refuses them.
    """

    def __init__(
        self,
        conn: sqlite3.Connection,
        teller: Teller,
        unwritten: Callable[[], Iterable[Row]] = tuple,
    ) -> None:
        self._conn = conn
        self._teller = teller
        self._unwritten = unwritten
        self._runs: dict[str, LiveRun] = {}
        self._refused: dict[str, str] = {}
        self._house = House({}, ())
        #: Runs that are on and not watched: when that is tried again, and how long was waited. [s]
        self._again: dict[str, tuple[float, float]] = {}

    @property
    def house(self) -> House:
        """The runs and assignments as they were last taken up."""
        return self._house

    @property
    def unwatched(self) -> Collection[str]:
        """Runs, on or over, whose judging ended in an error."""
        return self._teller.unwatched.keys()

    @property
    def any_open(self) -> bool:
        """Whether a run is on."""
        return bool(self._runs or self._again)

    @property
    def hold_owed(self) -> bool:
        """Whether some run is in its hold, or may be."""
        return bool(self._again) or any(run.watch.hold_owed for run in self._runs.values())

    @property
    def in_hold(self) -> bool:
        """Whether it boils in some run, by what its page says."""
        return any(run.phase == "hold" for run in self._runs.values())

    # --- what people said -----------------------------------------------------------------------------

    def refresh(self, house: House) -> None:
        """Take up what the entries now say: runs begun, marked, corrected, ended."""
        before, self._house = self._house, house
        open_ids = {facts.run_id for facts in house.open_runs()}
        for run_id in [one for one in self._runs if one not in open_ids]:
            over = self._runs.pop(run_id)
            self._teller.survives(over.facts, partial(self._end, over, house), over.watch.context)
        for run_id in [one for one in self._again if one not in open_ids]:
            del self._again[run_id]
            facts = house.runs.get(run_id)
            if facts is not None:
                self._teller.survives(facts, partial(self._end_unwatched, facts, house))
        for facts in house.open_runs():
            live = self._runs.get(facts.run_id)
            if live is not None:
                self._guarded(live, partial(self._update, live, facts))
            elif facts.run_id not in self._again or facts != before.runs.get(facts.run_id):
                self._try(facts)

    def _guarded(self, live: LiveRun, work: Callable[[], None]) -> None:
        """Work on one run: what goes wrong in it is this run's alone."""
        if not self._teller.survives(live.facts, work, live.watch.context):
            self._runs.pop(live.facts.run_id, None)
            self._again[live.facts.run_id] = (self._teller.moment().at_s + AGAIN_S, AGAIN_S)

    def _try(self, facts: RunFacts) -> None:
        """Take up a run, for the first time or again."""
        if self._teller.survives(facts, partial(self._take_up, facts)):
            return
        self._runs.pop(facts.run_id, None)
        _, waited_s = self._again.get(facts.run_id, (0.0, AGAIN_S / 2.0))
        wait_s = min(2.0 * waited_s, AGAIN_MOST_S)
        self._again[facts.run_id] = (self._teller.moment().at_s + wait_s, wait_s)

    def _take_up(self, facts: RunFacts) -> None:
        self._open(facts)
        live = self._runs.get(facts.run_id)
        if live is not None:
            # All that is asked of it, at once: else it would be lost again at the next moment.
            live.session.view()
            live.session.verdict()
            self._again.pop(facts.run_id, None)
            self._teller.watched(facts)

    def _open(self, facts: RunFacts) -> None:
        live = self._build(facts)
        if live is None:
            return
        self._runs[facts.run_id] = live
        if not any(mark.kind in ENDS for mark in facts.marks):
            # Perhaps while nobody collected.
            self._end_taken_back(live)
        self.settle(facts.run_id)
        invented = " (simulated)" if facts.simulated else ""
        serving = self._house.serving(facts.canner, facts.started_s, FOREVER_S)
        served = "" if serving else f"; no node serves {facts.canner} yet"
        self._teller.say(facts, f"run {facts.run_id} is on{invented}{served}")

    def _build(self, facts: RunFacts, before: Session | None = None) -> LiveRun | None:
        """The engine of a run, fed with all the store holds of it; ``before``: the one it takes the place of."""
        try:
            run = facts.as_run()
        except RecordError as trouble:
            if self._refused.get(facts.run_id) != str(trouble):
                self._refused[facts.run_id] = str(trouble)
                self._teller.say(facts, f"run {facts.run_id} cannot be judged: {trouble}")
            return None
        context = Context(scope=facts.run_id, canner=facts.canner, started_at=run.started_at)
        live = LiveRun(facts, Session(run), RunWatch(self._teller.machine, context))
        self._serve(live)
        samples = run_samples(self._conn, self._house, facts)
        samples += self._joined(live, list(self._unwritten()))
        live.session.feed(samples)
        if before is not None:
            live.session.take_over(before)
        live.last = samples[-1] if samples else None
        live.told = self._teller.told(facts.run_id)
        # What is new comes after what was told, as urgent as it is where that left off.
        newest_s = max((raised_s for _, _, raised_s in live.told), default=float("-inf"))
        live.watch.context = _as_it_went(live, newest_s)
        self._take_events(live, revised=True)
        for mark in live.facts.marks:
            # Perhaps made while nobody collected, or not heard of yet: what it ends is over.
            self._teller.ring(live.watch.mark(mark.kind, mark.t_s, self._teller.moment()))
        self._teller.ring(live.watch.follow(_as_it_went(live).stage, self._teller.moment()))
        return live

    def _serve(self, live: LiveRun) -> None:
        facts = live.facts
        end_s = FOREVER_S if facts.ended_s is None else facts.ended_s
        serving = self._house.serving(facts.canner, facts.started_s, end_s)
        live.spans = spans_of(self._conn, serving, remembered=live.ranks)

    def _update(self, live: LiveRun, facts: RunFacts) -> None:
        before, spans = live.facts, live.spans
        live.facts = facts
        self._serve(live)
        if facts.entry_ids == before.entry_ids and facts.marks == before.marks and live.spans == spans:
            return
        fresh = facts.marks[len(before.marks) :]
        appended = facts.marks[: len(before.marks)] == before.marks
        if not appended or facts.header != before.header or live.spans != spans:
            # Said of the past, or changed: the run is judged anew from the store.
            self._rebuild(live)
            return
        for mark in fresh:
            self._mark(live, mark)
        if live.session.needs_rebuild:
            self._rebuild(live)

    def _end_taken_back(self, live: LiveRun) -> None:
        """What rang because of an end that counts no more is over."""
        scope = live.watch.context.scope
        self._teller.ring(self._teller.machine.triggers(scope, ["end_taken_back"], self._teller.moment()))

    def _rebuild(self, live: LiveRun) -> None:
        rebuilt = self._build(live.facts, live.session)
        if rebuilt is not None:
            ends = sum(mark.kind in ENDS for mark in live.facts.marks)
            rebuilt.closed_for, rebuilt.phase = live.closed_for, live.phase
            self._runs[live.facts.run_id] = rebuilt
            if ends < live.closed_for:
                # It may come again, and is told again then.
                rebuilt.closed_for = ends
                self._teller.say(live.facts, "an end was taken back: it counts no more")
                self._end_taken_back(rebuilt)

    def _mark(self, live: LiveRun, mark: Mark) -> None:
        live.session.mark(mark)
        self._take_events(live, revised=True)
        self._teller.ring(live.watch.mark(mark.kind, mark.t_s, self._teller.moment()))
        self._teller.say(live.facts, f"marked: {mark.kind} at {clock_of(mark.t_s)}")
        live.changed = True
        live.verdict_s = float("-inf")

    def _end(self, live: LiveRun, house: House) -> None:
        """A run that is over: its last verdict from all the store holds of it."""
        facts = house.runs.get(live.facts.run_id)
        if facts is None or facts.ended_s is None:
            return
        end_s = round(facts.ended_s - facts.started_s, 3)
        live.session.settle()
        self._teller.take_events(live, revised=True, only=("verdict_revised",))
        verdict = write_verdict(self._conn, self._teller, house, facts)
        if verdict is not None:
            say_over(self._teller, facts, verdict)
        self._teller.ring(live.watch.mark("run_ended", end_s, self._teller.moment()))
        if verdict is not None and not live.closed_for:
            self._teller.ring(live.watch.closed(verdict, end_s, self._teller.moment()))

    def _end_unwatched(self, facts: RunFacts, house: House) -> None:
        """A run that is over and was not watched to its end: judged all the same, if that goes."""
        if facts.ended_s is None:
            return
        moment, machine = self._teller.moment(), self._teller.machine
        self._teller.ring(machine.triggers(facts.run_id, ["run_ended"], moment))
        verdict = write_verdict(self._conn, self._teller, house, facts)
        if verdict is not None:
            say_over(self._teller, facts, verdict)
            context = Context(facts.run_id, facts.canner, started_at=facts.as_run().started_at)
            watch = RunWatch(machine, context.after("run_ended"))
            self._teller.ring(watch.closed(verdict, round(facts.ended_s - facts.started_s, 3), moment))
            self._teller.watched(facts)

    def settle(self, run_id: str) -> None:
        """Look whether the jars of a run that is on need nothing any more."""
        live = self._runs.get(run_id)
        if live is not None:
            self._guarded(live, partial(settle, self._conn, self._teller, live))

    # --- what the nodes said --------------------------------------------------------------------------

    def stored(self, rows: list[Row]) -> None:
        """These are in the store now, fed already or not: who leads a canner may be another."""
        for live in self._runs.values():
            live.ranks.stored(rows)

    def feed(self, rows: list[Row]) -> None:
        """Hand stored rows to the engines of the runs that are on."""
        self.stored(rows)
        for live in list(self._runs.values()):
            self._guarded(live, partial(self._feed_run, live, rows))

    def _feed_run(self, live: LiveRun, rows: list[Row]) -> None:
        if len(live.spans) > 1 and any(row[0] == span.node for span in live.spans for row in rows):
            # Another node's water may have come first: then the rows join otherwise.
            before_spans = live.spans
            self._serve(live)
            if live.spans != before_spans:
                self._rebuild(live)
                return
        samples = self._joined(live, rows)
        if not samples:
            return
        before = live.last
        live.session.feed(samples)
        newest = samples[-1]
        if not newest.late and (live.last is None or newest.t_s >= live.last.t_s):
            live.last = newest
        live.changed = True
        out_of_order = samples[0].late or (before is not None and samples[0].t_s < before.t_s)
        self._take_events(live, revised=out_of_order)
        if live.session.needs_rebuild:
            self._rebuild(live)

    @staticmethod
    def _joined(live: LiveRun, rows: list[Row]) -> list[Sample]:
        """The run's own among these rows, as its record has them."""
        found = []
        for row in rows:
            for span in live.spans:
                if span.node == row[0] and span.low_s <= row[3] <= span.high_s:
                    sample = row_sample(row, live.facts.started_s)
                    found.append((sample, span.auxiliary or stands_beside(sample)))
                    break
        found.sort(key=lambda item: item[0].t_s)
        return [row for sample, beside in found for row in live.merger.push(sample, auxiliary=beside)]

    def rebuild_node(self, node_id: int) -> None:
        """Rows of a node were moved in time: judge its open runs anew."""
        for live in list(self._runs.values()):
            live.ranks.forget()
            if any(span.node == node_id for span in live.spans):
                self._guarded(live, partial(self._rebuild, live))

    def canner_of(self, node: str) -> str | None:
        """What a node serves now."""
        return self._house.canner_of(node)

    def new_node(self) -> None:
        """A node was heard for the first time: a run may have been waiting for it."""
        for live in self._runs.values():
            self._serve(live)

    # --- time passes ----------------------------------------------------------------------------------

    def tick(self, now_s: float, listened_s: Callable[[float, float], float]) -> None:
        """Let every engine know the time, so that silence is noticed.

        ``listened_s``: for how long between two times a node could have been heard. [s]
        """
        for live in list(self._runs.values()):
            self._guarded(live, partial(self._tick_run, live, now_s, listened_s))
        for run_id, (due_s, _) in list(self._again.items()):
            if now_s >= due_s:
                self._try(self._house.runs[run_id])
        self._teller.ring(self._teller.machine.tick(self._teller.moment()))

    def _tick_run(self, live: LiveRun, now_s: float, listened_s: Callable[[float, float], float]) -> None:
        started_s = live.facts.started_s
        heard_s = started_s + live.last.t_s if live.last else started_s
        live.session.tick(heard_s + listened_s(heard_s, now_s) - started_s)
        self._take_events(live)
        live.changed = True

    def publish(self, now_s: float) -> None:
        """Put the live views into the outbox, and the verdicts when something happened or a second passed."""
        for live in list(self._runs.values()):
            if live.changed:
                self._guarded(live, partial(self._publish_run, live, now_s))
        for run_id in self._again:
            # Last: what was put there before the error is no more true.
            facts = self._house.runs[run_id]
            self._teller.outbox.live[run_id] = (facts.canner, _unwatched_view(facts, now_s), None)

    def _publish_run(self, live: LiveRun, now_s: float) -> None:
        t_s = now_s - live.facts.started_s
        is_before = live.last is not None and t_s < live.last.t_s - AHEAD_S
        # Its last state is not known to be the state of now.
        view = live.session.view(t_s if is_before else None)
        self._teller.ring(live.watch.view(view, self._teller.moment()))
        verdict = None
        if now_s - live.verdict_s >= VERDICT_EVERY_S:
            live.verdict_s = now_s
            whole = live.session.verdict()
            self._follow_owed(live, whole)
            self._perhaps_taken_back(live, whole)
            self._perhaps_closed(live, whole)
            verdict = whole.as_json()
        form = view.as_json() | {"simulated": live.facts.simulated}
        self._teller.outbox.live[live.facts.run_id] = (live.facts.canner, form, verdict)
        if view.phase != live.phase:
            live.phase = view.phase
            self._teller.say(live.facts, view.sentence)
        live.changed = False

    def _follow_owed(self, live: LiveRun, verdict: Verdict) -> None:
        """A hold that was told complete may be owed again, and held after all: the alarms go by what it is now."""
        between = (Stage.HOLD, Stage.COMPLETE)
        if live.watch.context.stage not in between or not _holds(live):
            return
        stage = _as_it_went(live, verdict=verdict).stage
        if stage in between and stage is not live.watch.context.stage:
            self._teller.ring(live.watch.follow(stage, self._teller.moment()))

    def _perhaps_taken_back(self, live: LiveRun, verdict: Verdict) -> None:
        """A hold that was told complete and is proven no more is told of as loudly, whatever took it back.

        Not where the jars went in again since: that begins the time anew, and whoever marks it is told so.
        """
        holds = _holds(live)
        if not holds or verdict.proven_s >= live.session.asked_s:
            return
        _, onset_s, raised_s = holds[-1]
        if any(kind == "verdict_revised" and told_s == onset_s for kind, told_s, _ in live.told):
            return
        now_s = max(raised_s, live.last.t_s if live.last else raised_s)
        text = (
            "The hold that was told complete is proven no more: by what is known now the record proves "
            f"{exact(verdict.proven_s)} of {exact(live.session.asked_s)}. {verdict.advice.text}"
        )
        self._teller.tell(live, [Event("verdict_revised", onset_s, now_s, text)])

    def _perhaps_closed(self, live: LiveRun, verdict: Verdict) -> None:
        """After heat_off or jars_lifted the verdict is due, while the jars may still be in the canner."""
        closing = [mark for mark in live.facts.marks if mark.kind in ENDS]
        if len(closing) <= live.closed_for or verdict.verdict is None:
            return
        live.closed_for = len(closing)
        self._teller.say(live.facts, f"verdict: {verdict.verdict}. {verdict.advice.text}")
        # An end that is marked later is of the same hold.
        at_s = Heat.of(live.facts.marks).over_s
        at_s = closing[-1].t_s if at_s is None else at_s
        self._teller.ring(live.watch.closed(verdict, at_s, self._teller.moment()))

    def _take_events(self, live: LiveRun, *, revised: bool = False) -> None:
        if live.watch.context.stage is Stage.COMPLETE and not live.session.is_complete:
            # Before anything is rung for: a boil lost in a hold that this took back is lost in a hold.
            self._follow_owed(live, live.session.verdict())
        if self._teller.take_events(live, revised=revised):
            live.verdict_s = float("-inf")


def _holds(live: LiveRun) -> list[Told]:
    """The holds that were told complete of the jars that are in."""
    loaded_s = max((mark.t_s for mark in live.facts.marks if mark.kind == "jars_in"), default=0.0)
    return [one for one in live.told if one[0] == "hold_complete" and one[2] >= loaded_s]


def _as_it_went(live: LiveRun, until_s: float = float("inf"), verdict: Verdict | None = None) -> Context:
    """What the alarms know of a run that is taken up again: what was told and marked, in the order of its happening.

    But for a hold that was told complete and by the verdict now is owed.
    """
    verdict = verdict or live.session.verdict()
    is_owed = verdict.proven_s < live.session.asked_s
    happened = [
        (raised_s, kind) for kind, _, raised_s in live.told if not (is_owed and kind == "hold_complete")
    ]
    happened += [(mark.t_s, mark.kind) for mark in live.facts.marks]
    context = replace(live.watch.context, stage=Stage.COME_UP)
    for at_s, kind in sorted(happened):
        context = context.after(kind) if at_s <= until_s else context
    return context


def _unwatched_view(facts: RunFacts, now_s: float) -> dict[str, Any]:
    """What a page shows of a run that is on and not watched: nothing is known."""
    required = facts.header.get("required")
    minutes = required.get("minutes") if isinstance(required, dict) else None
    view = LiveView(
        at_s=now_s - facts.started_s,
        state=UNKNOWN,
        phase="unknown",
        sentence="Not known whether it boils: this run is not watched any more.",
        reason="an error in this program ended its judging",
        water_C=None,
        boiling_point_C=None,
        boiling_point_from="",
        floor_C=None,
        expanded_uncertainty_K=None,
        held_s=0.0,
        proven_s=0.0,
        required_s=60.0 * minutes if isinstance(minutes, int | float) else 0.0,
        remaining_s=None,
        clock_started_s=None,
        last_sample_s=None,
    )
    return view.as_json() | {"simulated": facts.simulated}
