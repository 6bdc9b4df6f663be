"""The collector: one process, one writer, any number of ways in.

Source threads only put bytes on a bounded queue. Everything else happens here, in one thread, in this order:
gather, decode, commit, acknowledge, judge, tell. What is told (an acknowledgement, ``stored``, a verdict) has
always been stored before.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from queue import Queue
from threading import Event
from typing import Any

from monitor.alarms import AlarmMachine, Moment, State
from monitor.alarms.channels import Channel
from monitor.collector.afterwards import Afterwards, any_unjudged
from monitor.collector.awake import Awake
from monitor.collector.away import Away
from monitor.collector.board import Board
from monitor.collector.clock import HouseClock
from monitor.collector.gather import BATCH_S, gather
from monitor.collector.ingest import Ingest
from monitor.collector.liverun import Teller
from monitor.collector.lock import only_collector
from monitor.collector.memory import recall
from monitor.collector.nodes import NodeState
from monitor.collector.outward import NOBODYS, SCOPE, Ways, Whose
from monitor.collector.pushing import PUSHED, confirmed_pushes
from monitor.collector.resting import Resting
from monitor.collector.store_check import StoreCheck, is_small
from monitor.collector.storing import UNWRITABLE, Storing
from monitor.collector.upkeep import Upkeep
from monitor.collector.uptake import Uptake
from monitor.collector.voice import Voice
from monitor.errors import StoreError
from monitor.intake.source import QUEUE_CAPACITY, Arrival, Source
from monitor.store import reader
from monitor.store.database import damaged, is_damage, open_writer, store_path
from monitor.store.handover import Batch, Outbox
from monitor.store.newest import came_since, newest_held_s
from monitor.store.runs import FOREVER_S, House, RunFacts, read_house
from monitor.store.stamp import SYSTEM_TIME
from monitor.store.words import in_zone
from monitor.store.writer import StoreWriter
from monitor.timesource import TimeSource

#: How often entries are looked for, silence is noticed and live rows are written. [s]
TICK_S = 0.25
#: After the start, silence is not noticed for so long: what waited at a broker comes first. [s]
GRACE_S = 3.0
#: Refused input is told of at most so often; every piece is counted and kept. [s]
REFUSED_EVERY_S = 10.0


class Collector:
    """Everything between the sources and the store, and between the store and the alarms.

    Parameters
    ----------
    data_dir : Path
        Where the store lives; this collector must be the only one there.
    sources : sequence of Source
        Not yet started.
    say : callable
        Told one line at a time, with the run it is about or None. An OSError of it (a full disk) ends nothing.
    time : TimeSource
        The clock that also stamps the sources' arrivals.
    push : Channel, optional
        A push service for alarms.
    listening : callable, optional
        Called once all that is stored was taken up and every source is open.
    """

    def __init__(
        self,
        data_dir: Path,
        sources: Sequence[Source],
        *,
        say: Callable[[RunFacts | None, str], None],
        time: TimeSource = SYSTEM_TIME,
        push: Channel | None = None,
        listening: Callable[[], None] = lambda: None,
    ) -> None:
        self._push = push
        self._listening = listening
        self._data_dir = data_dir
        self._sources = {source.name: source for source in sources}
        self._say_line = Voice(say)
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
            read_first = is_small(self._data_dir)
            self._check = None if read_first else StoreCheck(self._data_dir)
            conn = open_writer(self._data_dir, check=read_first)
            try:
                self._begin(StoreWriter(conn, self._time))
                self._work(stop)
            except sqlite3.DatabaseError as trouble:
                if is_damage(trouble):
                    raise damaged(store_path(self._data_dir), str(trouble)) from trouble
                raise
            finally:
                conn.close()
        return self._unstored

    # --- begin and end --------------------------------------------------------------------------------

    def _begin(self, writer: StoreWriter) -> None:
        conn, outbox = writer.conn, Outbox()
        house = read_house(conn)
        self._conn = conn
        run_open = bool(house.open_runs()) or any_unjudged(conn, house)
        held_s = newest_held_s(conn, house)
        self._clock = HouseClock(conn, self._time, run_open=run_open, held_s=held_s)
        # What a collector before this one, in the same life of the machine, stored was taken after the gap as well.
        before_s = float("-inf") if self._clock.continues else held_s
        self._away = Away(conn, _serving(house), before_s) if self._clock.is_unsure else None
        self._ways = Ways(
            self._sources.values(),
            self._push,
            self._zone_of,
            self._clock.now_s(),
            whose=self._whose,
            pushed=confirmed_pushes(conn),
            remember=lambda text: outbox.meta.update({PUSHED: text}),
        )
        self._storing = Storing(writer, outbox, self._say)
        self._awake = Awake(self._clock.rate)
        self._ingest = Ingest(self._recall, self._clock.house_s, self._awake, self._known)
        self._machine = AlarmMachine()
        self._machine.restore((row.body for row in reader.alarms(conn)), self._moment())
        self._teller = Teller(conn, outbox, self._machine, self._say_line, self._moment)
        self._board = Board(conn, self._teller, self._storing.waiting_rows)
        self._resting = Resting(conn, self._teller)
        self._afterwards = Afterwards(conn, self._teller, self._resting)
        self._uptake = Uptake(self._storing, self._teller, self._board, self._resting, self._afterwards)
        self._upkeep = Upkeep(
            self._data_dir,
            self._storing,
            self._clock,
            self._ingest,
            self._board,
            self._afterwards,
            self._awake,
            self.queue,
            self._say,
            self._time,
        )
        self._started_s = self._last_tick_s = self._clock.now_s()
        self._refused_s = float("-inf")
        self._refused = self._unstored = 0
        self._storing.note_clock("started", "the collector started")
        if house.open_runs() and self._clock.is_unsure and not self._clock.continues:
            self._say_unsure(held_s)
        self._afterwards.look_back(house, self._started_s)
        self._uptake.look(self._started_s)
        self._say_standing()
        self._storing.flush()

    def _say_unsure(self, held_s: float) -> None:
        """Nobody must take the gap for how long the machine was away."""
        on_s = self._clock.now_s() - held_s
        text = (
            "this machine started anew while a run was on, and how long it was away is not known: nothing in that "
            f"time counts. House time goes on {on_s:.0f} s after the newest that was recorded"
        )
        self._storing.journal("machine_restarted", text, {"on_s": round(on_s, 3)})
        self._say(text)

    def _say_standing(self) -> None:
        """What was raised before, and what fell due meanwhile: whoever starts the collector reads it first."""
        runs = self._board.house.runs
        for row in self._machine.board(self._moment()):
            facts = runs.get(str(row["scope"]))
            zone = facts.header.get("zone") if facts else None
            since = in_zone(row["raised_utc"], zone if isinstance(zone, str) else None)
            self._say_line(facts, f"alarm since {since}: {_whose(facts)}{_standing_words(row)}")

    def _work(self, stop: Event) -> None:
        intake_stop = Event()
        for source in self._sources.values():
            source.start(self.queue, intake_stop)
        # A demonstration's seconds are shorter; what waits for its batch must not look like a silent node.
        batch_s = BATCH_S / max(1.0, self._clock.rate)
        try:
            self._listening()
            if self._check is not None:
                self._check.begin()
            while not stop.is_set():
                self._round(self._next(batch_s, stop))
        finally:
            if self._check is not None:
                self._check.end()
            intake_stop.set()
            for source in self._sources.values():
                source.stop()
            self._drain()
            self._storing.note_clock("stopped", "the collector stopped")
            self._storing.flush(now=True)
            # What was found out at the very end is told too, and what was confirmed is kept.
            self._ring()
            self._ways.close(self._clock.now_s())
            self._storing.flush()
            for source in self._sources.values():
                source.close()

    def _next(self, batch_s: float, stop: Event) -> list[Arrival]:
        if self._storing.full:
            # What no memory is left for stays at the brokers, in the nodes and on the queue.
            stop.wait(batch_s)
            return []
        return gather(self.queue, batch_s)

    def _drain(self) -> None:
        """What is queued is stored and acknowledged before the end, unless the disk refuses."""
        while not self.queue.empty() and not self._storing.full:
            self._round(gather(self.queue, 0.0))
        self._storing.catch_up(now=True)
        self._settle_stored()
        self._unstored = self._storing.messages + len(self._ingest.unplaced) + self.queue.qsize()

    # --- one round ------------------------------------------------------------------------------------

    def _round(self, arrivals: list[Arrival]) -> None:
        # Silence is measured up to here, not to the end of our own work with what has come.
        now_s = self._clock.now_s()
        self._upkeep.held_up(self._awake.look(now_s))
        self._storing.catch_up()
        arrivals = [*self._ingest.unplaced, *arrivals]
        if arrivals:
            self._take(arrivals)
        self._settle_stored()
        if self._time_for_tick(now_s):
            self._tick(now_s)
        if not self._storing.refuses:
            # What is told to a node was stored before: none of this while something waits.
            self._ask(now_s)
        if self._storing.outbox.urgent:
            self._storing.flush()

    def _take(self, arrivals: list[Arrival]) -> None:
        batch = self._ingest.take(arrivals)
        if self._away is not None and batch.rows:
            self._was_away_for_longer(self._away, batch)
        unplaced = {id(one) for one in self._ingest.unplaced}
        taken = [one for one in arrivals if id(one) not in unplaced] if unplaced else arrivals
        fresh = self._storing.take(taken, batch)
        # At once, before they are judged: the sources wait for it.
        self._settle_stored()
        self._refused += len(batch.refusals)
        # First: a run may have been waiting for a node that is heard only now.
        self._tell_news()
        self._board.feed(fresh if self._storing.refuses else self._ingest.in_place(fresh))

    def _was_away_for_longer(self, away: Away, batch: Batch) -> None:
        """House time goes forward where the nodes show that it must, and with it what they just said."""
        longer = away.shown(self._ingest.nodes, batch.rows, self._clock.now_s())
        if longer is None:
            return
        by_s, since_s = longer.by_s, self._clock.since_s
        others_came = came_since(self._conn, since_s, besides=longer.node)
        if others_came and longer.went_on and self._was_marked(longer.node, since_s):
            # What was marked would have to move for this node and to stay for the others: neither is leant on.
            return
        try:
            self._clock.go_forward(by_s, all_along=not others_came)
        except StoreError as trouble:
            # What this node says next shows the same.
            self._storing.refused(trouble)
            return
        away.moved(by_s)
        self._ingest.carry_on(by_s)
        self._awake.shift(by_s)
        batch.rows = [(*row[:3], row[3] + by_s, row[4] + by_s, *row[5:]) for row in batch.rows]
        self._started_s += by_s
        # What was said since this start of the machine goes along.
        self._uptake.look_anew()
        text = f"a node shows that this machine was away for {by_s:.0f} s longer; house time goes forward by that"
        self._storing.journal("machine_restarted", text, {"by_s": round(by_s, 3)})
        self._say(text)

    def _was_marked(self, node: str, since_s: float) -> bool:
        """Whether anything was said since then of the run that a node serves."""
        canner = self._board.canner_of(node)
        runs = [facts for facts in self._board.house.open_runs() if facts.canner == canner]
        said_s = [facts.started_s + mark.t_s for facts in runs for mark in facts.marks]
        return any(at_s >= since_s for at_s in [*said_s, *(facts.started_s for facts in runs)])

    def _settle_stored(self) -> None:
        """Acknowledge what is on the disk by now; what belongs to a run that is over is looked at again."""
        done = self._storing.stored()
        if done.arrivals:
            self._acknowledge(done.arrivals)
        if done.rows:
            self._board.stored(done.rows)
            self._afterwards.came(self._board.house, done.rows)

    def _acknowledge(self, arrivals: list[Arrival]) -> None:
        """Each source hears of its own, all at once."""
        stored: dict[str, list[Arrival]] = {}
        for arrival in arrivals:
            stored.setdefault(arrival.source, []).append(arrival)
        for name, own in stored.items():
            self._sources[name].acknowledge(own)

    # --- time passes ----------------------------------------------------------------------------------

    def _time_for_tick(self, now_s: float) -> bool:
        if abs(now_s - self._last_tick_s) < TICK_S:
            return False
        self._last_tick_s = now_s
        return True

    def _tick(self, now_s: float) -> None:
        for source in self._sources.values():
            source.overhear(self._storing.refuses and not self._storing.full)
        self._take_finding()
        self._upkeep.watch_clock(now_s)
        self._uptake.look(now_s)
        self._upkeep.tick(now_s)
        if now_s - self._started_s >= GRACE_S * self._clock.rate:
            self._board.tick(now_s, self._awake.listened_s)
        self._resting.tick(now_s)
        self._board.publish(now_s)
        # What is told is stored first; a disk that refuses keeps no alarm from being heard.
        self._storing.flush()
        self._ring()
        self._tell_refused(now_s)
        self._storing.flush()

    def _take_finding(self) -> None:
        """What the reading of the whole store came to, where that went on beside the watch."""
        finding = self._check.take_finding() if self._check is not None else None
        if finding is None:
            return
        if finding.damage is not None:
            self._storing.damaged(finding.damage)
            return
        text = f"whether the store is damaged is not known: {finding.unknown}"
        self._storing.journal("store_unchecked", text)
        self._say(text)

    # --- telling --------------------------------------------------------------------------------------

    def _ask(self, now_s: float) -> None:
        for source_name, node, payload in self._ingest.asks(now_s):
            source = self._sources.get(source_name)
            if source is not None:
                source.ask(node, payload)

    def _ring(self) -> None:
        """Let other rooms hear what changed on the board of alarms."""
        now = self._moment()
        self._teller.ring(self._storing.alarms(self._machine, now))
        if self._storing.take_again():
            self._ways.repeat(SCOPE, UNWRITABLE, self._machine, now)
        self._ways.printed(self._say_line.trouble, now.at_s)
        self._teller.ring(self._ways.watch(self._machine, now))
        rung, self._teller.rung = self._teller.rung, []
        self._ways.tell(rung, self._machine, now)

    def _zone_of(self, run_id: str) -> str | None:
        return self._uptake.zone_of(run_id)

    def _whose(self, scope: str) -> Whose:
        """The canner of a run, and every node that serves it or did."""
        house = self._board.house
        facts = house.runs.get(scope)
        if facts is None:
            return NOBODYS
        end_s = FOREVER_S if facts.ended_s is None else facts.ended_s
        serving = house.serving(facts.canner, facts.started_s, end_s)
        return Whose(facts.canner, tuple(dict.fromkeys(node for node, _, _ in serving)))

    def _tell_news(self) -> None:
        news = self._ingest.news.lines
        if not news:
            return
        for kind, text in news:
            if kind == "new_node":
                text = self._introduced(text)
            self._storing.journal(kind, text)
            self._say(text)
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
            last = reader.refusals(self._conn, 1)
            why = f", the last: {last[0].why} ({last[0].source})" if last else ""
            pieces = "1 piece" if self._refused == 1 else f"{self._refused} pieces"
            self._say(f"{pieces} of input refused{why}")
            self._refused = 0

    def _say(self, text: str) -> None:
        self._say_line(None, text)

    def _moment(self) -> Moment:
        return Moment(self._clock.now_s(), self._time.utc_now())

    def _known(self, node: str) -> bool:
        return self._storing.writer.knows(node) or self._board.house.names(node)

    def _recall(self, name: str, source: str) -> tuple[NodeState, bool]:
        return recall(self._storing.writer, name, source, clocks_continue=self._clock.continues)


def _serving(house: House) -> set[str]:
    """The nodes that serve a run that is on."""
    return {
        node
        for facts in house.open_runs()
        for node, _, _ in house.serving(facts.canner, facts.started_s, FOREVER_S)
    }


def _whose(facts: RunFacts | None) -> str:
    """An alarm of a run that is over must not be taken for the run that is on at the same canner."""
    return "" if facts is None or facts.ended_s is None else f"of run {facts.run_id}, which is over: "


def _standing_words(row: Mapping[str, Any]) -> str:
    if row["state"] == State.RETURNED_UNACKNOWLEDGED.value:
        # What it asked for is over with it; that it rang is still to be seen by somebody.
        return f"{row['headline']}. That is over; nobody has acknowledged it yet."
    return f"{row['headline']}. {row['what']} {row['do']}"
