"""A disk that takes no more: loud, nothing acknowledged, nothing broken, and on it goes when there is room.

The kernel's own limit on the size of a file (setrlimit(2), RLIMIT_FSIZE) makes the collector's writes fail in
the middle of its work, and is lifted again from outside; no privilege is needed. What SQLite says of a full
disk is in tests/store.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

Collect = Callable[..., Any]

NO_LIMIT = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)


def test_the_disk_takes_no_more_for_a_while(
    broker: Any, collect: Collect, make_node: Any, stored: Any, data: Path, wait: Any, boilwitness: Any
) -> None:
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    boilwitness("runs", "start", "--minutes", "10", "--node", "n1", "--already-boiling")
    node = make_node()
    for _ in range(20):
        node.sample()
        time.sleep(0.02)
    wait(lambda: node.stored == 19)
    used = max(path.stat().st_size for path in data.iterdir())
    resource.prlimit(collector.process.pid, resource.RLIMIT_FSIZE, (used + 8192, resource.RLIM_INFINITY))
    for _ in range(300):
        node.sample()
        time.sleep(0.01)
    collector.wait_for("ALARM: the store cannot be written")
    time.sleep(1.0)
    assert node.stored < len(stored.seqs()) < 320
    assert collector.process.poll() is None
    resource.prlimit(collector.process.pid, resource.RLIMIT_FSIZE, NO_LIMIT)
    wait(lambda: stored.whole(320))
    wait(lambda: node.stored == 319)
    collector.wait_for("can be written again")
    assert stored.ask("PRAGMA integrity_check") == [("ok",)]
    assert collector.stop() == 0


def test_it_can_be_stopped_while_the_disk_refuses(
    broker: Any, collect: Collect, make_node: Any, stored: Any, data: Path, wait: Any
) -> None:
    """What was not stored was not acknowledged: the next collector gets it from the broker or the node."""
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    node = make_node()
    node.sample()
    wait(lambda: node.stored == 0)
    resource.prlimit(collector.process.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
    for _ in range(50):
        node.sample()
    collector.wait_for("ALARM")
    assert collector.stop() == 0
    assert len(stored.seqs()) < 51
    collector.again()
    wait(lambda: stored.whole(51))
    collector.stop()
