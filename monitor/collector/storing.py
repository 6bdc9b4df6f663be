"""Putting things on the disk, and being loud while it refuses. What is told was put there before.

A disk that refuses must not stop the watch: what comes meanwhile waits in memory, unacknowledged, is judged from there,
and is stored in the order in which it came as soon as that can be.
"""

from __future__ import annotations

import time as wait
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from monitor.alarms import AlarmMachine, Context, JournalRow, Moment, condition_alarm
from monitor.collector.gather import BATCH_LIMIT
from monitor.collector.outward import SCOPE
from monitor.collector.wallclock import wall_clock
from monitor.errors import StoreError
from monitor.intake.source import Arrival
from monitor.store.database import BUSY_TIMEOUT_MS
from monitor.store.handover import Batch, Outbox
from monitor.store.samples import Row, said
from monitor.store.writer import StoreWriter

#: A store that cannot be written is tried again so often, and complained of so often. [s]
RETRY_S = 1.0
COMPLAIN_S = 30.0
#: So many messages wait in memory at most, some tens of megabytes: 14 hours of one node that speaks every second.
MOST_WAITING = 50_000
#: While another program holds the store, each try waits no longer for it: nothing is watched in that time. [ms]
SHORT_WAIT_MS = 100
#: The kind of the alarm.
UNWRITABLE = "store_unwritable"
#: What waited is put down for so long at a time, so that the watch goes on between. [s]
CATCH_UP_S = 0.2


@dataclass(slots=True)
class _Piece:
    """Arrivals and what is to be stored of them."""

    arrivals: list[Arrival]
    batch: Batch


@dataclass(slots=True)
class Stored:
    """What was put on the disk since last asked: whose arrivals may be acknowledged, and the rows that were new."""

    arrivals: list[Arrival] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)


class Storing:
    """The collector's hand on the store: batches now, everything else through an outbox."""

    def __init__(self, writer: StoreWriter, outbox: Outbox, say: Callable[[str], None]) -> None:
        self.writer = writer
        self.outbox = outbox
        self._say = say
        self._complained_s: float | None = None
        #: What is complained of now, and of what the board of alarms was told; None before it was told anything.
        self._trouble = ""
        self._rung: str | None = None
        self._again = False
        self._tried_s = float("-inf")
        self._refuses = self._deaf = self._noted = False
        self._waited_s = 0.0
        self._stored = Stored()
        self._waiting: deque[_Piece] = deque()
        #: The rows among what waits, by node, start and number.
        self._rows: dict[Row, Row] = {}
        self._messages = 0

    # --- what came in ---------------------------------------------------------------------------------

    def take(self, arrivals: list[Arrival], batch: Batch) -> list[Row]:
        """Store a batch, or keep it until it can be stored; the rows that are new, for whoever judges them."""
        if not self._waiting:
            try:
                return self._commit(_Piece(arrivals, batch))
            except StoreError as trouble:
                self.refused(trouble)
        fresh = [row for one in batch.rows if (row := self._new(one)) is not None]
        self._keep(arrivals, batch)
        return fresh

    def stored(self) -> Stored:
        """What was put on the disk since last asked."""
        done, self._stored = self._stored, Stored()
        return done

    @property
    def refuses(self) -> bool:
        """Whether the store could not be written when that was tried last."""
        return self._refuses

    @property
    def full(self) -> bool:
        """Whether no more fits into memory: then nothing is taken in, and nothing is watched."""
        return self._messages >= MOST_WAITING

    @property
    def messages(self) -> int:
        """How many arrivals wait to be stored."""
        return self._messages

    def waiting_rows(self) -> Iterable[Row]:
        """What came and is not in the store yet."""
        return self._rows.values()

    def catch_up(self, *, now: bool = False) -> None:
        """Try again to put down what waits, once it is time for that or ``now``."""
        if not self._refuses and not self._waiting:
            return
        if self._refuses and not now and abs(wait.monotonic() - self._tried_s) < RETRY_S:
            return
        until_s = wait.monotonic() + CATCH_UP_S
        try:
            self.writer.must_be_sound()
            while self._waiting and (now or wait.monotonic() < until_s):
                self._commit(self._waiting[0])
                self._forget(self._waiting.popleft())
            if not self._waiting:
                self._write()
                self._can_write()
        except StoreError as trouble:
            self.refused(trouble)

    def take_waited_s(self) -> float:
        """For how long the store kept the collector waiting since last asked. [s of this machine]"""
        waited_s, self._waited_s = self._waited_s, 0.0
        return waited_s

    def _commit(self, piece: _Piece) -> list[Row]:
        began_s = wait.monotonic()
        try:
            fresh = [] if piece.batch.empty else self.writer.commit(piece.batch)
        finally:
            self._waited_s += wait.monotonic() - began_s
        self._stored.arrivals += piece.arrivals
        self._stored.rows += fresh
        return fresh

    def _keep(self, arrivals: list[Arrival], batch: Batch) -> None:
        last = self._waiting[-1] if self._waiting else None
        if last is None or len(last.arrivals) >= BATCH_LIMIT:
            last = _Piece([], Batch())
            self._waiting.append(last)
        last.arrivals += arrivals
        last.batch.rows += batch.rows
        last.batch.refusals += batch.refusals
        last.batch.losses += batch.losses
        last.batch.receipts |= batch.receipts
        self._messages += len(arrivals)

    def _forget(self, piece: _Piece) -> None:
        self._messages -= len(piece.arrivals)
        for row in piece.batch.rows:
            self._rows.pop(row[:3], None)

    def _new(self, row: Row) -> Row | None:
        """The row as it will be stored, unless it came before."""
        before = self._rows.get(row[:3]) or self.writer.stored_row(row)
        if before is None:
            self._rows[row[:3]] = row
            return row
        return None if said(before) == said(row) else (*row[:3], before[3], *row[4:])

    # --- what is said about it ------------------------------------------------------------------------

    def flush(self, *, now: bool = False) -> None:
        """Write down what is in the outbox; what cannot be written now waits for the next time."""
        if self.outbox.empty or (self._refuses and not now):
            return
        try:
            self._write()
        except StoreError as trouble:
            self.refused(trouble)

    def _write(self) -> None:
        if self.outbox.empty:
            return
        began_s = wait.monotonic()
        try:
            self.writer.write(self.outbox)
        finally:
            self._waited_s += wait.monotonic() - began_s

    def journal(self, kind: str, text: str, body: Mapping[str, object] | None = None) -> None:
        """What happened to the collector itself."""
        self.outbox.journal.append((kind, text, body or {}))

    def note_clock(self, kind: str, text: str) -> None:
        """With the source of the times of day and its known error beside it."""
        clock = wall_clock()
        body = {"synchronised": clock.synchronised, "error_s": clock.error_s}
        self.journal(kind, f"{text}; {clock.in_words()}", body)

    # --- a disk that refuses --------------------------------------------------------------------------

    def damaged(self, trouble: StoreError) -> None:
        """The store was found damaged: from now on all is kept in memory, and that is said at once."""
        self._complained_s = None
        self.refused(self.writer.condemn(trouble))

    def refused(self, trouble: StoreError) -> None:
        """Something could not be written: it is complained of, and from now on tried whether anything can be."""
        self._tried_s = wait.monotonic()
        if not self._refuses:
            self._refuses = True
            self.writer.wait_for_others(SHORT_WAIT_MS)
        self._complain(str(trouble))

    def _complain(self, text: str) -> None:
        """Loud, and again and again; at once when the watch itself ends."""
        now_s = wait.monotonic()
        if self.full and not self._deaf:
            self._deaf, self._complained_s = True, None
        if self._complained_s is None:
            self._trouble = f"{text} {_DEAF if self.full else _FROM_MEMORY}"
        if self._complained_s is None or now_s - self._complained_s >= COMPLAIN_S:
            if not self._noted:
                # It is written with the first that can be written: then it is true.
                self.journal("store_back", _BACK)
                self._noted = True
            self._complained_s, self._again = now_s, True
            self._say(f"ALARM: {text} {_DEAF if self.full else _FROM_MEMORY}")

    def _can_write(self) -> None:
        self._refuses = self._deaf = self._noted = False
        self.writer.wait_for_others(BUSY_TIMEOUT_MS)
        if self._complained_s is not None:
            self._complained_s, self._trouble = None, ""
            self._say(_BACK)

    def alarms(self, machine: AlarmMachine, now: Moment) -> list[JournalRow]:
        """Ring by every way that needs no disk, and let it return; also what an earlier life of the collector rang."""
        if self._trouble == self._rung:
            return []
        self._rung = self._trouble
        if not self._trouble:
            return machine.triggers(SCOPE, ["store_back"], now)
        self._again = False
        return machine.raise_alarm(condition_alarm(UNWRITABLE, Context(scope=SCOPE), self._trouble), now)

    def take_again(self) -> bool:
        """Whether it was complained of again since last asked."""
        again, self._again = self._again, False
        return again


_BACK = "the store can be written again; nothing that was acknowledged is missing"
_FROM_MEMORY = (
    "What the nodes say is still judged from memory: a lost boil is told here, at the brokers and on the phone. It is "
    "not on the disk yet, the pages stand still, and should this machine stop, what the nodes no longer hold is lost."
)
_DEAF = "No more fits into memory: NOTHING IS WATCHED until the disk takes it."
