"""What was acknowledged is stored, once, as it was said: through kills of the collector and of the broker.

The node forgets only what it was told is stored; the broker forgets everything when it is killed. Lost,
doubled and invented samples must all be none, every time.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable
from typing import Any

import pytest

Collect = Callable[..., Any]
MakeNode = Callable[..., Any]
Wait = Callable[..., None]


class Sampling:
    """A node that goes on sampling whatever happens around it."""

    def __init__(self, node: Any, every_s: float) -> None:
        self._node = node
        self._every_s = every_s
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        while not self._over.wait(self._every_s):
            self._node.sample()

    def end(self) -> int:
        """Stop; how many were made."""
        self._over.set()
        self._thread.join()
        return int(self._node.made)


def _told_is_stored(node: Any, stored: Any) -> None:
    """At any moment: nothing that the node was told is missing."""
    told = node.stored
    held = set(stored.seqs())
    assert not [seq for seq in range(told + 1) if seq not in held]


def _kill_collectors(
    times: int, seed: int, broker: Any, collect: Collect, make_node: MakeNode, stored: Any, wait: Wait
) -> None:
    chance = random.Random(seed)
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    node = make_node()
    sampling = Sampling(node, 0.004)
    for _ in range(times):
        # From the middle of starting up to well into storing.
        time.sleep(chance.uniform(0.05, 1.0))
        collector.kill()
        _told_is_stored(node, stored)
        collector.again()
    made = sampling.end()
    wait(lambda: stored.whole(made), what=f"for all of {made}")
    wait(lambda: node.stored == made - 1, what="for the last receipt")
    assert stored.ask("SELECT count(*) FROM lost") == [(0,)]
    assert stored.ask("PRAGMA integrity_check") == [("ok",)]
    assert collector.stop() == 0


def test_collectors_killed_at_random_moments(
    broker: Any, collect: Collect, make_node: MakeNode, stored: Any, wait: Wait
) -> None:
    _kill_collectors(20, 4, broker, collect, make_node, stored, wait)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(5))
def test_collectors_killed_at_very_many_random_moments(
    seed: int, broker: Any, collect: Collect, make_node: MakeNode, stored: Any, wait: Wait
) -> None:
    _kill_collectors(40, 100 + seed, broker, collect, make_node, stored, wait)


def test_brokers_killed_and_started_anew(
    broker: Any, collect: Collect, make_node: MakeNode, stored: Any, wait: Wait
) -> None:
    """The session, the queue and every packet number are gone with it; an old acknowledgement must not hit a
    new message."""
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    node = make_node()
    sampling = Sampling(node, 0.005)
    for _ in range(2):
        time.sleep(1.2)
        broker.kill()
        _told_is_stored(node, stored)
        time.sleep(0.3)
        broker.start()
    time.sleep(1.0)
    made = sampling.end()
    wait(lambda: stored.whole(made), what=f"for all of {made}")
    assert collector.heard("the link is lost")
    assert collector.stop() == 0
