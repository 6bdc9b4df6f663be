"""Runs that are over and whose jars are not: their clocks go on, and what is due is said, whoever is asleep."""

from __future__ import annotations

import sqlite3
from functools import partial

from monitor.alarms import Context, RunWatch
from monitor.collector.liverun import LiveRun, Teller
from monitor.errors import RecordError
from monitor.jars import batch_state
from monitor.judge import Session, Verdict, judge
from monitor.record.model import ENDS
from monitor.store.entries import read_entries, reprocessings
from monitor.store.handover import JudgedWith
from monitor.store.merge import spans_of
from monitor.store.reader import load_run, run_samples, whole_run
from monitor.store.runs import House, RunFacts

#: What may still fall due after a run's end.
DEADLINES = ("seal_check_due", "seal_check_overdue", "reprocess_window_closing")
#: So long after its end a run is watched: the longest salvage clock is 24 h. [s]
WATCHED_S = 48 * 3600.0
#: Deadlines are hours apart; looking this often is enough. [s]
LOOK_EVERY_S = 5.0
#: Entries that can settle a jar.
JAR_ENTRIES = frozenset(
    {
        "jar_seal",
        "jar_disposition",
        "jars_lifted_count",
        "own_timing",
        "evaluation",
        "loading",
        "deviation_closed",
        "run_started",
        "correction",
    }
)


class Resting:
    """The runs that ended within the last two days."""

    def __init__(self, conn: sqlite3.Connection, teller: Teller) -> None:
        self._conn = conn
        self._teller = teller
        self._runs: dict[str, LiveRun] = {}
        self._seen: set[str] = set()
        self._house = House({}, ())
        self._looked_s = float("-inf")

    def refresh(self, house: House, now_s: float) -> None:
        """Take up the runs that are over now."""
        self._house = house
        for facts in house.runs.values():
            if facts.ended_s is None and facts.run_id in self._seen:
                # Its end was taken back: it is on, and watched there.
                self._seen.discard(facts.run_id)
                self._runs.pop(facts.run_id, None)
            if facts.imported or facts.ended_s is None or facts.run_id in self._seen:
                continue
            self._seen.add(facts.run_id)
            # Perhaps it ended while nobody collected: what asks for a boil, or for the heat, is over with it.
            moment = self._teller.moment()
            self._teller.ring(self._teller.machine.triggers(facts.run_id, ["run_ended"], moment))
            self._try(facts, now_s)

    def anew(self, house: House, facts: RunFacts) -> None:
        """More was said of a run that is over, or came: what is due for its jars goes by all of it from now on."""
        self._house = house
        self._try(facts, self._teller.moment().at_s)

    def _try(self, facts: RunFacts, now_s: float) -> None:
        """Take up a run that is over, for the first time or again, unless it is long over."""
        if facts.ended_s is None or now_s - facts.ended_s > WATCHED_S:
            return
        if not self._teller.survives(facts, partial(self._begin, facts, now_s)):
            self._runs.pop(facts.run_id, None)

    def _begin(self, facts: RunFacts, now_s: float) -> None:
        live = self._build(facts)
        if live is not None:
            self._runs[facts.run_id] = live
            settle(self._conn, self._teller, live)
            self._take_up(live, now_s)

    def _build(self, facts: RunFacts) -> LiveRun | None:
        try:
            run = facts.as_run()
        except RecordError:
            return None  # said when it was judged
        context = Context(scope=facts.run_id, canner=facts.canner, started_at=run.started_at)
        live = LiveRun(facts, Session(run), RunWatch(self._teller.machine, context))
        live.session.feed(run_samples(self._conn, self._house, facts))
        live.told = self._teller.told(facts.run_id)
        return live

    def _take_up(self, live: LiveRun, now_s: float) -> None:
        """What fell due while nobody watched is said now."""
        for kind in (
            *(kind for kind, _, _ in live.told),
            *(mark.kind for mark in live.facts.marks),
            "run_ended",
        ):
            live.watch.context = live.watch.context.after(kind)
        live.session.tick(now_s - live.facts.started_s)
        self._teller.take_events(live, revised=True, only=DEADLINES)

    def tick(self, now_s: float) -> None:
        """Say what has fallen due; let go of what is long over."""
        if abs(now_s - self._looked_s) < LOOK_EVERY_S:
            return
        self._looked_s = now_s
        for run_id, live in list(self._runs.items()):
            if live.facts.ended_s is not None and now_s - live.facts.ended_s > WATCHED_S:
                del self._runs[run_id]
                continue
            if not self._teller.survives(live.facts, partial(self._say_due, live, now_s), live.watch.context):
                del self._runs[run_id]

    def _say_due(self, live: LiveRun, now_s: float) -> None:
        live.session.tick(now_s - live.facts.started_s)
        self._teller.take_events(live, only=DEADLINES)

    def settle(self, run_id: str) -> None:
        """Look whether the jars of a run need nothing any more: then its reminders end."""
        live = self._runs.get(run_id)
        if live is not None:
            work = partial(settle, self._conn, self._teller, live)
            self._teller.survives(live.facts, work, live.watch.context)

    def live_of(self, run_id: str) -> LiveRun | None:
        """A run that is still watched."""
        return self._runs.get(run_id)


def settle(conn: sqlite3.Connection, teller: Teller, live: LiveRun) -> None:
    """End the reminders of a run whose seals are judged (``seals_judged``), whose jars have their places
    (``jars_decided``), as far as the entries say so."""
    run_id = live.facts.run_id
    children = reprocessings(conn, run_id)
    own = read_entries(conn, run_id)
    if not children and not any(entry.kind in JAR_ENTRIES - {"run_started"} for entry in own):
        return
    now = teller.moment()
    run = live.facts.as_run()
    if not set(ENDS) <= {mark.kind for mark in run.marks}:
        run = load_run(conn, run_id)  # the samples may show what nobody marked
    state = batch_state(run, live.session.verdict(), [*own, *children], now.at_utc)
    live.watch.settled_still(state.settled())
    for word in sorted(state.settled()):
        teller.ring(live.watch.mark(word, now.at_s - live.facts.started_s, now))


def judge_whole(conn: sqlite3.Connection, house: House, facts: RunFacts) -> Verdict:
    """The verdict on a run from all the store holds of it. Raises RecordError for an unusable header."""
    return judge(whole_run(conn, house, facts))


def write_verdict(conn: sqlite3.Connection, teller: Teller, house: House, facts: RunFacts) -> Verdict | None:
    """Judge a run that is over from all the store holds of it, and put the verdict down; says nothing of it."""
    try:
        verdict = judge_whole(conn, house, facts)
    except RecordError as trouble:
        teller.say(facts, f"run {facts.run_id} cannot be judged: {trouble}")
        return None
    teller.outbox.live.pop(facts.run_id, None)
    teller.outbox.verdicts[facts.run_id] = verdict.as_json()
    teller.outbox.judged_with[facts.run_id] = _judged_with(conn, house, facts)
    return verdict


def say_over(teller: Teller, facts: RunFacts, verdict: Verdict) -> None:
    """A run's end is said once; what changes its verdict afterwards is an event of its own."""
    teller.say(facts, f"run {facts.run_id} is over: {verdict.verdict}. {verdict.advice.text}")


def _judged_with(conn: sqlite3.Connection, house: House, facts: RunFacts) -> list[JudgedWith]:
    """The raw readings stay as they came; this keeps what they were corrected by."""
    calibration = facts.as_run().probe.calibration
    offset_K = calibration.offset_K if calibration is not None else 0.0
    end_s = facts.started_s if facts.ended_s is None else facts.ended_s
    spans = spans_of(conn, house.serving(facts.canner, facts.started_s, end_s))
    return [JudgedWith(span.node, span.low_s, span.high_s, offset_K) for span in spans]
