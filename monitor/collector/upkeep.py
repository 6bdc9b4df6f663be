"""What is done now and then while nothing waits: the clocks, what is over, the seals."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from queue import Queue

from monitor.collector.afterwards import Afterwards
from monitor.collector.awake import WORTH_SAYING_S, Awake
from monitor.collector.board import Board
from monitor.collector.clock import HouseClock
from monitor.collector.gather import BATCH_LIMIT
from monitor.collector.ingest import LATE_S, Ingest
from monitor.collector.storing import Storing
from monitor.errors import StoreError, UsageError
from monitor.intake.source import QUEUE_CAPACITY, Arrival
from monitor.proof.seal import seal_due
from monitor.proof.signing import standing_key
from monitor.store.database import damaged, is_damage, store_path
from monitor.timesource import TimeSource

#: So long after the start house time follows no clock: what waited must land on the scale of its run. [s]
SETTLE_S = 60.0
#: While what a node kept comes in, its better clock is carried into the stored rows at most so often. [s]
REMAP_EVERY_S = 10.0
#: What is over, and what was said, is sealed so often. [s]
SEAL_EVERY_S = 60.0
#: For so long at a time, so that a long backlog never keeps a node waiting. [s]
SEAL_FOR_S = 0.2
#: A run whose sealing ended in an error is left alone for so long. [s] Chosen: its judging may take seconds.
SEAL_AGAIN_S = 600.0

_STALLED = "this machine was stalled or asleep"


class Upkeep:
    """Ticked by the collector's one thread."""

    def __init__(
        self,
        data_dir: Path,
        storing: Storing,
        clock: HouseClock,
        ingest: Ingest,
        board: Board,
        afterwards: Afterwards,
        awake: Awake,
        queue: Queue[Arrival],
        say: Callable[[str], None],
        time: TimeSource,
    ) -> None:
        self._data_dir = data_dir
        self._storing = storing
        self._clock = clock
        self._ingest = ingest
        self._board = board
        self._afterwards = afterwards
        self._awake = awake
        self._queue = queue
        self._say = say
        self._time = time
        self._settled_s = clock.now_s() + SETTLE_S * clock.rate
        self._sealed_s = float("-inf")
        self._seal_every_s = SEAL_EVERY_S
        #: Runs whose sealing ended in an error: the error, and when that was. [s]
        self._unsealed: dict[str, tuple[str, float]] = {}
        self._falling_s: float | None = None
        self._half_full = False

    def watch_clock(self, now_s: float) -> None:
        """Notice that somebody set the machine's clock; no duration may change by it."""
        if self._storing.refuses:
            return
        is_on, in_hold = self._board.any_open, self._board.in_hold
        ended_s = (facts.ended_s for facts in self._board.house.runs.values() if not facts.imported)
        held_s = max((end_s for end_s in ended_s if end_s is not None), default=float("-inf"))
        still = is_on or now_s < self._settled_s
        try:
            stepped_s, moved_s = self._clock.check(run_open=still, in_hold=in_hold, held_s=held_s)
        except StoreError as trouble:
            # Found again when it can be written.
            self._storing.refused(trouble)
            return
        if is_on and moved_s:
            text = (
                f"the machine's clock shows that it was away for {moved_s:.0f} s longer than was recorded; house time "
                "goes forward by that, and no duration grows by it"
            )
            self._storing.journal("clock_stepped", text, {"by_s": stepped_s, "followed": True})
            self._say(text)
        elif stepped_s:
            text = f"the machine's clock was set by {stepped_s:+.1f} s; no duration changes"
            if is_on:
                # Whoever goes by a clock on the wall would take a deadline for a later one.
                lie = "ahead of" if stepped_s < 0.0 else "behind"
                text += (
                    f". The times of day of what is on stay {lie} the clock by that, its deadlines too: count the two "
                    "hours of a failed process from the end of the heat by your own clock"
                )
            self._storing.journal("clock_stepped", text, {"by_s": stepped_s, "followed": bool(moved_s)})
            self._say(text)
        if moved_s:
            self._ingest.shift(moved_s)
            self._awake.shift(moved_s)

    def held_up(self, held_up_s: float) -> None:
        """Say it when nothing was done for a while, and what held it up: nobody was watching then."""
        disk_s = self._storing.take_waited_s()
        if held_up_s >= WORTH_SAYING_S:
            cause = "the disk kept the collector waiting" if disk_s > held_up_s / 2.0 else _STALLED
            text = f"{cause} for {held_up_s:.0f} s; nothing was watched meanwhile"
            body = {"for_s": round(held_up_s, 3), "disk_s": round(disk_s, 3)}
            self._storing.journal("held_up", text, body)
            self._say(text)

    def tick(self, now_s: float) -> None:
        """Whatever is due."""
        self._watch_queue()
        if self._storing.refuses:
            # What must be written first is; these have time.
            return
        self._remap(now_s)
        if not self._queue.qsize():
            self._afterwards.judge(self._board.house)
            if not self._afterwards.waits:
                self._seal(now_s)

    def _remap(self, now_s: float) -> None:
        """Carry a better estimate of a node's clock into the rows that were placed by a worse one.

        The engines get the node's rows only then, all from the store (:meth:`Ingest.in_place`).
        """
        fallen = self._ingest.fallen()
        if fallen and self._falling_s is None:
            self._falling_s = now_s
        if not fallen or self._falling_s is None:
            return
        at_rest = self._queue.qsize() <= BATCH_LIMIT and all(clock.at_rest(now_s) for _, _, clock in fallen)
        if not at_rest and abs(now_s - self._falling_s) < REMAP_EVERY_S:
            return
        self._falling_s = None
        late_s = LATE_S * self._clock.rate
        for node, boot, clock in fallen:
            span_s = (clock.born_s, clock.fed_s)
            if clock.offset_s is not None and not clock.wrapped:
                try:
                    self._storing.writer.remap(node.node_id, boot, span_s, clock.offset_s, late_s)
                except StoreError as trouble:
                    self._storing.refused(trouble)
                    return
            clock.settled()
            self._board.rebuild_node(node.node_id)
            self._afterwards.moved(self._board.house, node.name, span_s)

    def _seal(self, now_s: float) -> None:
        """Runs that are over, and what was said, get their seal."""
        if abs(now_s - self._sealed_s) < self._seal_every_s * self._clock.rate:
            return
        self._sealed_s = now_s
        try:
            key = standing_key(self._data_dir)
        except UsageError as trouble:
            key = None
            self._say(f"sealing without the household's key: {trouble}")
        try:
            for run_id in seal_due(
                self._storing.writer.conn,
                time=self._time,
                key=key,
                within_s=SEAL_FOR_S * self._clock.rate,
                besides={*self._board.unwatched, *self._left_alone(now_s)},
                trouble=lambda run_id, error: self._cannot_seal(run_id, error, now_s),
            ):
                self._unsealed.pop(run_id, None)
                self._say(f"run {run_id} is sealed")
                # More may be due; what the nodes say comes between.
                self._sealed_s = float("-inf")
            self._seal_every_s = SEAL_EVERY_S
        except (StoreError, sqlite3.Error) as trouble:
            if is_damage(trouble) or is_damage(trouble.__cause__):
                self._storing.damaged(damaged(store_path(self._data_dir), str(trouble)))
                return
            # Each time later: where sealing alone fails, the rest goes on, and is told of each time.
            self._seal_every_s = min(2.0 * self._seal_every_s, SEAL_AGAIN_S)
            if not isinstance(trouble, StoreError):
                trouble = StoreError(f"the store cannot be written: {trouble}.")
            self._storing.refused(trouble)

    def _left_alone(self, now_s: float) -> list[str]:
        """Runs whose sealing went wrong a short while ago."""
        again_s = SEAL_AGAIN_S * self._clock.rate
        return [run_id for run_id, (_, at_s) in self._unsealed.items() if abs(now_s - at_s) < again_s]

    def _cannot_seal(self, run_id: str, error: str, now_s: float) -> None:
        """Said and journalled with the traceback, once however often it is tried again: it is that run's alone."""
        before, _ = self._unsealed.get(run_id, ("", 0.0))
        self._unsealed[run_id] = (error, now_s)
        if error == before:
            return
        text = f"run {run_id} cannot be sealed: an error in this program ended its judging. It stays without a seal."
        self._storing.journal("run_unsealed", text, {"traceback": error})
        for line in (text, *error.splitlines()):
            self._say(line)

    def _watch_queue(self) -> None:
        waiting = self._queue.qsize()
        half_full = waiting > QUEUE_CAPACITY // 2
        if half_full != self._half_full:
            self._half_full = half_full
            if half_full:
                self._storing.journal("backlog", f"{waiting} messages wait; taking them in")
                self._say(f"{waiting} messages wait to be stored; taking them in")
