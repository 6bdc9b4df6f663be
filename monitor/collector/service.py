"""The collector: one process, one writer, any number of ways in.

Source threads only put bytes on a bounded queue. Everything else happens here, in one thread, in this order:
gather, decode, commit, acknowledge, judge, tell. What is told (an acknowledgement, ``stored``, a verdict) has
always been stored before.
"""

from __future__ import annotations

import sqlite3
import time as wait
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from queue import Empty, Queue
from threading import Event

from monitor.alarms import AlarmMachine, Moment, Priority, State
from monitor.alarms.channels import Channel
from monitor.collector.board import Board
from monitor.collector.clock import HouseClock
from monitor.collector.ingest import LATE_S, Ingest, NodeState
from monitor.collector.liverun import Teller
from monitor.collector.lock import only_collector
from monitor.collector.memory import recall
from monitor.collector.outward import SCOPE, Ways
from monitor.collector.resting import JAR_ENTRIES, Resting
from monitor.collector.wallclock import wall_clock
from monitor.errors import StoreError, UsageError
from monitor.intake.source import QUEUE_CAPACITY, Arrival, Source, take_waiting
from monitor.proof.seal import seal_due
from monitor.proof.signing import standing_key
from monitor.store import reader
from monitor.store.database import open_writer
from monitor.store.entries import read_entries
from monitor.store.runs import RunFacts, read_house
from monitor.store.samples import Row
from monitor.store.stamp import SYSTEM_TIME
from monitor.store.writer import Batch, Outbox, StoreWriter
from monitor.timesource import TimeSource

#: A batch is so many messages, or what came within so long after its first. [s]
BATCH_LIMIT = 500
BATCH_S = 0.1
#: While a batch is open, the queue is looked at this often. [s]
LOOK_S = 0.005
#: A batch of at least so many is closed when nothing more came since the last look.
PAUSED_FROM = 50
#: How often entries are looked for, silence is noticed and live rows are written. [s]
TICK_S = 0.25
#: After the start, silence is not noticed for so long: what waited at a broker comes first. [s]
GRACE_S = 3.0
#: A store that cannot be written is tried again so often, and complained of so often. [s]
RETRY_S = 1.0
COMPLAIN_S = 30.0
#: Moved clocks are carried into the stored rows at most so often. [s]
REMAP_EVERY_S = 2.0
#: Refused input is told of at most so often; every piece is counted and kept. [s]
REFUSED_EVERY_S = 10.0
#: What is over, and what was said, is sealed so often. [s]
SEAL_EVERY_S = 60.0

ALARM_ENTRIES = ("alarm_acknowledged", "alarm_silenced", "alarm_shelved")


class Collector:
    """Everything between the sources and the store, and between the store and the alarms.

    Parameters
    ----------
    data_dir : Path
        Where the store lives; this collector must be the only one there.
    sources : sequence of Source
        Not yet started.
    say : callable
        Told one line at a time, with the run it is about or None.
    time : TimeSource
        The clock that also stamps the sources' arrivals.
    push : Channel, optional
        A push service for alarms.
    """

    def __init__(
        self,
        data_dir: Path,
        sources: Sequence[Source],
        *,
        say: Callable[[RunFacts | None, str], None],
        time: TimeSource = SYSTEM_TIME,
        push: Channel | None = None,
    ) -> None:
        self._push = push
        self._data_dir = data_dir
        self._sources = {source.name: source for source in sources}
        self._say_line = say
        self._time = time
        self.queue: Queue[Arrival] = Queue(QUEUE_CAPACITY)

    def run(self, stop: Event) -> int:
        """Work until ``stop`` is set, then store what is queued and leave.

        Returns how many messages could not be stored at the end (a disk that refuses): none of them was
        acknowledged, so brokers and nodes still hold them.

        Raises
        ------
        StoreBusyError, StoreTooNewError, StoreError
            At the start only; later trouble with the disk is said and waited out.
        """
        with only_collector(self._data_dir):
            conn = open_writer(self._data_dir, check=True)
            try:
                self._begin(StoreWriter(conn, self._time), stop)
                self._work(stop)
            finally:
                conn.close()
        return self._unstored

    # --- begin and end --------------------------------------------------------------------------------

    def _begin(self, writer: StoreWriter, stop: Event) -> None:
        self._writer = writer
        self._stop = stop
        self._outbox = Outbox()
        house = read_house(writer.conn)
        self._clock = HouseClock(writer.conn, self._time, run_open=bool(house.open_runs()))
        self._ingest = Ingest(self._recall, self._clock.house_s)
        self._zones: dict[str, str | None] = {}
        self._ways = Ways(self._sources.values(), self._push, self._zone_of, self._clock.now_s())
        self._machine = AlarmMachine()
        self._machine.restore((row.body for row in reader.alarms(writer.conn)), self._moment())
        self._teller = Teller(writer.conn, self._outbox, self._machine, self._say, self._moment)
        self._board = Board(writer.conn, self._teller)
        self._resting = Resting(writer.conn, self._teller)
        self._seen_version = reader.data_version(writer.conn)
        self._seen_entry = -1
        done = writer.conn.execute("SELECT value FROM meta WHERE key = 'alarm_entries_done'").fetchone()
        self._alarm_entries_done = int(done[0]) if done else 0
        self._started_s = self._last_tick_s = self._clock.now_s()
        self._sealed_s = self._remapped_s = self._refused_s = self._complained_s = float("-inf")
        self._refused = self._unstored = 0
        self._half_full = False
        self._over: set[str] = set()
        self._note_clock("started", "the collector started")
        for run_id, _ in writer.conn.execute("SELECT run_id, view FROM live").fetchall():
            if run_id not in {facts.run_id for facts in house.open_runs()}:
                self._over.add(run_id)
        self._refresh()
        self._say_standing()
        self._flush()

    def _say_standing(self) -> None:
        """What was raised before, and what fell due meanwhile: whoever starts the collector reads it first."""
        for row in self._machine.board(self._moment()):
            self._say(None, f"alarm since {row['raised_utc']}: {row['headline']}. {row['what']} {row['do']}")

    def _work(self, stop: Event) -> None:
        intake_stop = Event()
        for source in self._sources.values():
            source.start(self.queue, intake_stop)
        # A demonstration's seconds are shorter; what waits for its batch must not look like a silent node.
        batch_s = BATCH_S / max(1.0, self._clock.rate)
        try:
            while not stop.is_set():
                self._round(self._gather(batch_s))
        finally:
            intake_stop.set()
            for source in self._sources.values():
                source.stop()
            self._drain()
            self._note_clock("stopped", "the collector stopped")
            self._flush()
            self._ways.close()
            for source in self._sources.values():
                source.close()

    def _drain(self) -> None:
        """What is queued is stored and acknowledged before the end, unless the disk refuses."""
        while not self.queue.empty():
            self._round(self._gather(0.0))

    # --- one round ------------------------------------------------------------------------------------

    def _gather(self, wait_s: float) -> list[Arrival]:
        """The next batch: at most so many messages, within so long after the first.

        While messages pour in, they are taken many at a time: waking for each one costs more than it does.
        """
        try:
            arrivals = [self.queue.get(timeout=wait_s) if wait_s else self.queue.get_nowait()]
        except Empty:
            return []
        until_s = wait.monotonic() + wait_s
        while True:
            before = len(arrivals)
            take_waiting(self.queue, arrivals, BATCH_LIMIT)
            left_s = until_s - wait.monotonic()
            # A broker sends so many messages unacknowledged and then waits: so must not we.
            paused = before >= PAUSED_FROM and len(arrivals) == before
            if len(arrivals) >= BATCH_LIMIT or left_s <= 0 or paused:
                return arrivals
            wait.sleep(min(left_s, LOOK_S))

    def _round(self, arrivals: list[Arrival]) -> None:
        # Silence is measured up to here, not to the end of our own work with what has come.
        now_s = self._clock.now_s()
        if arrivals:
            batch = self._ingest.take(arrivals)
            fresh = self._commit(batch)
            if fresh is None:
                self._unstored += len(arrivals)
                return
            self._acknowledge(arrivals)
            self._refused += len(batch.refusals)
            # First: a run may have been waiting for a node that is heard only now.
            self._tell_news()
            self._over |= self._board.feed(fresh, now_s)
        if self._time_for_tick(now_s):
            self._tick(now_s)
        self._ask(now_s)
        if self._outbox.urgent:
            self._flush()

    def _acknowledge(self, arrivals: list[Arrival]) -> None:
        """Each source hears of its own, all at once."""
        stored: dict[str, list[Arrival]] = {}
        for arrival in arrivals:
            stored.setdefault(arrival.source, []).append(arrival)
        for name, own in stored.items():
            self._sources[name].acknowledge(own)

    def _commit(self, batch: Batch) -> list[Row] | None:
        """Store a batch, however long the disk refuses. None: stopped before it could be stored."""
        if batch.empty:
            return []
        while True:
            try:
                fresh = self._writer.commit(batch)
            except StoreError as trouble:
                self._complain(str(trouble))
                if self._stop.wait(RETRY_S):
                    return None
                continue
            self._can_write()
            return fresh

    def _complain(self, text: str) -> None:
        """Loud, and again and again, by every way that needs no disk."""
        now_s = wait.monotonic()
        if now_s - self._complained_s >= COMPLAIN_S:
            self._complained_s = now_s
            self._say(None, f"ALARM: {text}")
            self._announce_store(State.ACTIVE_UNACKNOWLEDGED, text)

    def _can_write(self) -> None:
        if self._complained_s > float("-inf"):
            self._complained_s = float("-inf")
            text = "the store can be written again; nothing that was acknowledged is missing"
            self._say(None, text)
            self._journal("store_back", text)
            self._announce_store(State.NORMAL, text)

    def _announce_store(self, state: State, text: str) -> None:
        row = {
            "scope": SCOPE,
            "kind": "store_unwritable",
            "alarm_id": "collector:store_unwritable",
            "state": state.value,
            "priority": Priority.HIGH.value,
            "sound": None if state is State.NORMAL else "urgent",
            "headline": "The record cannot be written" if state is not State.NORMAL else "",
            "what": text,
            "do": "Watch the canner yourself, and make room on the collector's disk.",
            "raised_utc": self._time.utc_now().isoformat(),
        }
        self._ways.publish(SCOPE, row)

    def _flush(self) -> None:
        """Write down what the engine says; what cannot be written now waits for the next round."""
        if self._outbox.empty:
            return
        try:
            self._writer.write(self._outbox)
        except StoreError as trouble:
            self._complain(str(trouble))

    # --- time passes ----------------------------------------------------------------------------------

    def _time_for_tick(self, now_s: float) -> bool:
        if abs(now_s - self._last_tick_s) < TICK_S:
            return False
        self._last_tick_s = now_s
        return True

    def _tick(self, now_s: float) -> None:
        self._watch_clock()
        version = reader.data_version(self._writer.conn)
        if version != self._seen_version:
            self._seen_version = version
            self._refresh()
        self._remap(now_s)
        self._judge_over()
        self._seal(now_s)
        if now_s - self._started_s >= GRACE_S * self._clock.rate:
            self._board.tick(now_s)
        self._resting.tick(now_s)
        self._board.publish(now_s)
        # What is told is stored first; a disk that refuses keeps no alarm from being heard.
        self._flush()
        self._ring()
        self._tell_refused(now_s)
        self._watch_queue()
        self._flush()

    def _watch_clock(self) -> None:
        stepped_s, moved_s = self._clock.check(run_open=self._board.any_open)
        if stepped_s:
            text = f"the machine's clock was set by {stepped_s:+.1f} s; no duration changes"
            self._journal("clock_stepped", text, {"by_s": stepped_s, "followed": bool(moved_s)})
            self._say(None, text)
        if moved_s:
            for node in self._ingest.nodes.values():
                for clock in node.clocks.values():
                    clock.shift(moved_s)
                for times in (node.first_s, node.fresh_s):
                    for boot in times:
                        times[boot] += moved_s

    def _refresh(self) -> None:
        """Take up entries made since last asked."""
        newest = int(self._writer.conn.execute("SELECT coalesce(max(id), 0) FROM entries").fetchone()[0])
        if newest == self._seen_entry:
            return
        since, self._seen_entry = self._seen_entry, newest
        if since >= 0:
            for entry in read_entries(self._writer.conn, kinds=("run_started", "run_ended"), after_id=since):
                self._note_clock("clock", f"run {entry.run_id}: {entry.kind.replace('_', ' ')}")
        house = read_house(self._writer.conn)
        self._teller.run_ids = house.runs.keys()
        self._zones = {run_id: facts.header.get("zone") for run_id, facts in house.runs.items()}
        now_s = self._clock.now_s()
        self._board.refresh(house, now_s)
        self._resting.refresh(house, now_s)
        fresh = read_entries(self._writer.conn, kinds=JAR_ENTRIES, after_id=since) if since >= 0 else []
        parents = [entry.body.get("reprocess_of") for entry in fresh if entry.kind == "run_started"]
        for run_id in {entry.run_id for entry in fresh} | set(parents):
            if run_id is not None:
                self._board.settle(run_id)
                self._resting.settle(run_id)
        for entry in read_entries(self._writer.conn, kinds=ALARM_ENTRIES, after_id=self._alarm_entries_done):
            self._teller.apply(entry.kind, entry.body, entry.by, hold_owed=self._board.hold_owed)
            self._alarm_entries_done = entry.id
            self._outbox.meta["alarm_entries_done"] = str(entry.id)

    def _remap(self, now_s: float) -> None:
        """Carry a better estimate of a node's clock into the rows that were placed by a worse one."""
        fallen = self._ingest.fallen()
        if not fallen or abs(now_s - self._remapped_s) < REMAP_EVERY_S or self.queue.qsize() > BATCH_LIMIT:
            return
        self._remapped_s = now_s
        for node, boot, clock in fallen:
            clock.fell = False
            if clock.wrapped or clock.offset_s is None:
                continue
            try:
                span_s = (clock.born_s, clock.fed_s)
                moved = self._writer.remap(node.node_id, boot, span_s, clock.offset_s, LATE_S)
            except StoreError as trouble:
                clock.fell = True
                self._complain(str(trouble))
                return
            if moved:
                self._board.rebuild_node(node.node_id, now_s)

    def _judge_over(self) -> None:
        """Runs that are over and got late samples: judged again, once the backlog is in."""
        if not self._over or self.queue.qsize():
            return
        house = read_house(self._writer.conn)
        for run_id in self._over:
            facts = house.runs.get(run_id)
            if facts is not None and facts.ended_s is not None:
                verdict = self._board.judge_again(facts)
                if verdict is not None:
                    self._resting.judged_again(run_id, verdict)
        self._over.clear()

    def _seal(self, now_s: float) -> None:
        """Once a minute, while nothing waits: runs that are over, and what was said, get their seal."""
        if abs(now_s - self._sealed_s) < SEAL_EVERY_S * self._clock.rate or self.queue.qsize():
            return
        self._sealed_s = now_s
        try:
            key = standing_key(self._data_dir)
        except UsageError as trouble:
            key = None
            self._say(None, f"sealing without the household's key: {trouble}")
        try:
            for run_id in seal_due(self._writer.conn, time=self._time, key=key):
                self._say(None, f"run {run_id} is sealed")
        except (StoreError, sqlite3.Error) as trouble:
            self._complain(str(trouble))

    def _watch_queue(self) -> None:
        half_full = self.queue.qsize() > QUEUE_CAPACITY // 2
        if half_full != self._half_full:
            self._half_full = half_full
            if half_full:
                self._journal("backlog", f"{self.queue.qsize()} messages wait; taking them in")
                self._say(None, f"{self.queue.qsize()} messages wait to be stored; taking them in")

    # --- telling --------------------------------------------------------------------------------------

    def _ask(self, now_s: float) -> None:
        for source_name, node, payload in self._ingest.asks(now_s):
            source = self._sources.get(source_name)
            if source is not None:
                source.ask(node, payload)

    def _ring(self) -> None:
        """Let other rooms hear what changed on the board of alarms."""
        now = self._moment()
        self._teller.ring(self._ways.watch(self._machine, now))
        rung, self._teller.rung = self._teller.rung, []
        self._ways.tell(rung, self._machine, now)

    def _zone_of(self, run_id: str) -> str | None:
        return self._zones.get(run_id)

    def _tell_news(self) -> None:
        news = self._ingest.news.lines
        if not news:
            return
        for kind, text in news:
            if kind == "new_node":
                text = self._introduced(text)
            self._journal(kind, text)
            self._say(None, text)
        if any(kind == "new_node" for kind, _ in news):
            self._board.new_node()
        news.clear()

    def _introduced(self, node: str) -> str:
        canner = self._board.canner_of(node)
        if canner:
            return f"first sample of node {node}; it serves {canner}"
        return (
            f"new node {node}: stored; it serves no canner until you say so "
            f"('boilwitness runs assign {node} CANNER')"
        )

    def _tell_refused(self, now_s: float) -> None:
        if self._refused and abs(now_s - self._refused_s) >= REFUSED_EVERY_S:
            self._refused_s = now_s
            last = reader.refusals(self._writer.conn, 1)
            why = f", the last: {last[0].why} ({last[0].source})" if last else ""
            self._say(None, f"{self._refused} pieces of input refused{why}")
            self._refused = 0

    def _say(self, facts: RunFacts | None, text: str) -> None:
        self._say_line(facts, text)

    def _journal(self, kind: str, text: str, body: Mapping[str, object] | None = None) -> None:
        self._outbox.journal.append((kind, text, body or {}))

    def _note_clock(self, kind: str, text: str) -> None:
        """With the source of the times of day and its known error beside it."""
        clock = wall_clock()
        body = {"synchronised": clock.synchronised, "error_s": clock.error_s}
        self._journal(kind, f"{text}; {clock.in_words()}", body)

    def _moment(self) -> Moment:
        return Moment(self._clock.now_s(), self._time.utc_now())

    def _recall(self, name: str, source: str) -> tuple[NodeState, bool]:
        return recall(self._writer, name, source, clocks_continue=self._clock.continues)
