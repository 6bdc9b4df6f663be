"""Verdicts of finished runs for which the store holds none: records that came from elsewhere.

They are judged one after the other behind the pages, so that a long list is seen at once; whoever opens one of
them has it judged there and then. What people said afterwards is another record, and is judged anew.
"""

from __future__ import annotations

import threading
from concurrent.futures import Future
from functools import cache
from pathlib import Path
from queue import SimpleQueue
from typing import Any, NamedTuple

from monitor.errors import MonitorError
from monitor.proof.canon import rules_stamp
from monitor.store import reader
from monitor.store.judged import Judged
from monitor.store.newest import house_mark

Form = dict[str, Any]


class Record(NamedTuple):
    """A run as it stood when ``said`` was its newest entry."""

    data_dir: Path
    run_id: str
    said: int


_waiting: dict[Record, Future[Form]] = {}
_lock = threading.Lock()
_queue: SimpleQueue[Record] = SimpleQueue()


def perhaps(record: Record) -> Form | None:
    """The verdict in its JSON form if it is known; if not, it will be. None too for a damaged record."""
    with _lock:
        future = _waiting.get(record)
        if future is None:
            future = _waiting[record] = Future()
            _queue.put(record)
            _begin()
    if not future.done() or future.exception() is not None:
        return None
    return future.result()


def at_once(record: Record) -> Form:
    """The verdict in its JSON form, ahead of whatever waits. Raises ``MonitorError`` for a damaged record."""
    with _lock:
        future = _waiting.setdefault(record, Future())
    _judge(record, future)
    return future.result()


def _judge(record: Record, future: Future[Form]) -> None:
    """Judge it, unless somebody has begun to."""
    with _lock:
        if future.running() or future.done():
            return
        future.set_running_or_notify_cancel()
    try:
        future.set_result(_judged(record))
    except MonitorError as trouble:
        future.set_exception(trouble)


@cache
def _begin() -> None:
    """Start the one thread that works the queue off; it keeps no server from ending."""
    threading.Thread(target=_work, name="judging", daemon=True).start()


def _work() -> None:
    while True:
        record = _queue.get()
        _judge(record, _waiting[record])


def unfinished(data_dir: Path) -> int:
    """How many are still to be judged."""
    with _lock:
        return sum(
            1 for record, future in _waiting.items() if record.data_dir == data_dir and not future.done()
        )


#: What the entries of a store added up to when they were last asked, which a season of records asks one by one.
_houses: dict[Path, tuple[tuple[int, ...], reader.House]] = {}


def _judged(record: Record) -> Form:
    conn = reader.open_reader(record.data_dir, renew=True)
    try:
        mark = house_mark(conn)
        known = _houses.get(record.data_dir)
        if known is None or known[0] != mark:
            known = _houses[record.data_dir] = (mark, reader.read_house(conn))
        return Judged(record.data_dir, rules_stamp()).verdict(conn, known[1], known[1].run(record.run_id))
    finally:
        conn.close()
