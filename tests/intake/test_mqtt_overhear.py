"""A collector that may acknowledge nothing still hears: a broker that waits for acknowledgements sends no more."""

from __future__ import annotations

import time
from typing import Any

from monitor.intake.mqtt_client import RECEIVE_MAXIMUM

MORE = RECEIVE_MAXIMUM + 60


def distinct(collecting: Any, seconds_s: float) -> set[bytes]:
    """What came within so long, or as soon as all has."""
    found: set[bytes] = set()
    until_s = time.monotonic() + seconds_s
    while time.monotonic() < until_s and len(found) < MORE:
        found |= {collecting.queue.get_nowait().payload for _ in range(collecting.queue.qsize())}
        time.sleep(0.02)
    return found


def test_without_acknowledgements_it_goes_on_hearing_as_long_as_that_is_wanted(
    broker: Any, node: Any, collect: Any, wait: Any
) -> None:
    collecting = collect(broker)
    for _ in range(2):
        collecting.source.overhear(True)
    wait(collecting.source._ear._client.is_connected)
    time.sleep(0.3)
    for seq in range(MORE):
        node.sample(seq)
    heard = [collecting.next() for _ in range(RECEIVE_MAXIMUM)]
    payloads = {one.payload for one in heard} | distinct(collecting, 10.0)
    assert len(payloads) == MORE
    assert any(one.receipt for one in heard), "what the session brought can still be acknowledged"
    collecting.source.overhear(False)
    assert collecting.source._ear is None


def test_the_broker_keeps_all_of_it_for_the_link_that_acknowledges(
    broker: Any, node: Any, collect: Any, wait: Any
) -> None:
    first = collect(broker)
    first.source.overhear(True)
    wait(first.source._ear._client.is_connected)
    time.sleep(0.3)
    for seq in range(MORE):
        node.sample(seq)
    assert len(distinct(first, 10.0)) == MORE
    first.crash()
    second = collect(broker)
    again: set[bytes] = set()
    while len(again) < MORE:
        arrival = second.next()
        again.add(arrival.payload)
        second.done(arrival)


def test_a_shared_subscription_has_others_to_go_on(broker: Any, collect: Any) -> None:
    collecting = collect(broker, share="kitchens")
    collecting.source.overhear(True)
    assert collecting.source._ear is None
