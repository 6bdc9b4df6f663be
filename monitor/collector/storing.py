"""Putting things on the disk, and being loud while it refuses. What is told was put there before."""

from __future__ import annotations

import time as wait
from collections.abc import Callable, Mapping
from threading import Event

from monitor.alarms import Priority, State
from monitor.collector.outward import SCOPE, Ways
from monitor.collector.wallclock import wall_clock
from monitor.errors import StoreError
from monitor.store.handover import Batch, Outbox
from monitor.store.samples import Row
from monitor.store.writer import StoreWriter
from monitor.timesource import TimeSource

#: A store that cannot be written is tried again so often, and complained of so often. [s]
RETRY_S = 1.0
COMPLAIN_S = 30.0


class Storing:
    """The collector's hand on the store: batches now, everything else through an outbox.

    ``stop`` ends the waiting for a disk that refuses.
    """

    def __init__(
        self,
        writer: StoreWriter,
        outbox: Outbox,
        ways: Ways,
        say: Callable[[str], None],
        time: TimeSource,
        stop: Event,
    ) -> None:
        self.writer = writer
        self.outbox = outbox
        self._ways = ways
        self._say = say
        self._time = time
        self._stop = stop
        self._complained_s: float | None = None

    def commit(self, batch: Batch) -> list[Row] | None:
        """Store a batch, however long the disk refuses: the new rows. None: stopped before it could be stored."""
        if batch.empty:
            return []
        while True:
            try:
                fresh = self.writer.commit(batch)
            except StoreError as trouble:
                self.complain(str(trouble))
                if self._stop.wait(RETRY_S):
                    return None
                continue
            self._can_write()
            return fresh

    def flush(self) -> None:
        """Write down what is in the outbox; what cannot be written now waits for the next time."""
        if self.outbox.empty:
            return
        try:
            self.writer.write(self.outbox)
        except StoreError as trouble:
            self.complain(str(trouble))

    def journal(self, kind: str, text: str, body: Mapping[str, object] | None = None) -> None:
        """What happened to the collector itself."""
        self.outbox.journal.append((kind, text, body or {}))

    def note_clock(self, kind: str, text: str) -> None:
        """With the source of the times of day and its known error beside it."""
        clock = wall_clock()
        body = {"synchronised": clock.synchronised, "error_s": clock.error_s}
        self.journal(kind, f"{text}; {clock.in_words()}", body)

    def complain(self, text: str) -> None:
        """Loud, and again and again, by every way that needs no disk."""
        now_s = wait.monotonic()
        if self._complained_s is None or now_s - self._complained_s >= COMPLAIN_S:
            self._complained_s = now_s
            self._say(f"ALARM: {text}")
            self._announce(State.ACTIVE_UNACKNOWLEDGED, text)

    def _can_write(self) -> None:
        if self._complained_s is not None:
            self._complained_s = None
            text = "the store can be written again; nothing that was acknowledged is missing"
            self._say(text)
            self.journal("store_back", text)
            self._announce(State.NORMAL, text)

    def _announce(self, state: State, text: str) -> None:
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
