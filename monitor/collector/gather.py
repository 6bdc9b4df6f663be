"""The next batch from the queue: small enough to be visible soon, large enough to be worth a commit."""

from __future__ import annotations

import time as wait
from queue import Empty, Queue

from monitor.intake.source import Arrival, take_waiting

#: A batch is so many messages, or what came within so long after its first.
BATCH_LIMIT = 500
BATCH_S = 0.05
#: While a batch is open, the queue is looked at this often. [s]
LOOK_S = 0.005
#: A batch of at least so many is closed when nothing more came since the last look.
PAUSED_FROM = 50


def gather(queue: Queue[Arrival], wait_s: float = BATCH_S) -> list[Arrival]:
    """At most :data:`BATCH_LIMIT` messages, within ``wait_s`` after the first; none when none comes.

    While messages pour in, they are taken many at a time: waking for each one costs more than it does.
    """
    try:
        arrivals = [queue.get(timeout=wait_s) if wait_s else queue.get_nowait()]
    except Empty:
        return []
    until_s = wait.monotonic() + wait_s
    while True:
        before = len(arrivals)
        take_waiting(queue, arrivals, BATCH_LIMIT)
        left_s = until_s - wait.monotonic()
        # A broker sends so many messages unacknowledged and then waits: so must not we.
        paused = before >= PAUSED_FROM and len(arrivals) == before
        if len(arrivals) >= BATCH_LIMIT or left_s <= 0 or paused:
            return arrivals
        wait.sleep(min(left_s, LOOK_S))
