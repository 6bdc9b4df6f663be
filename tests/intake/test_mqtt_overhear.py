"""A collector that may acknowledge nothing still hears: a broker that waits for acknowledgements sends no more."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.intake.mqtt_client import RECEIVE_MAXIMUM

MORE = RECEIVE_MAXIMUM + 60


@pytest.fixture
def broker(make_broker: Any) -> Any:
    """One that writes down who subscribes to what."""
    return make_broker("allow_anonymous true\nlog_type all\n")


def ear_is_open(broker: Any) -> bool:
    """The broker has the second link's subscription: client, quality, topic."""
    return "-ear 0 boilwitness/+/samples" in broker.said()


def take(collecting: Any, found: set[bytes]) -> bool:
    """Take in what has come; whether that is everything by now."""
    found |= {collecting.queue.get_nowait().payload for _ in range(collecting.queue.qsize())}
    return len(found) >= MORE


def test_without_acknowledgements_it_goes_on_hearing_as_long_as_that_is_wanted(
    broker: Any, node: Any, collect: Any, wait: Any
) -> None:
    collecting = collect(broker)
    for _ in range(2):
        collecting.source.overhear(True)
    wait(lambda: ear_is_open(broker), what="for the second ear")
    for seq in range(MORE):
        node.sample(seq)
    heard = [collecting.next() for _ in range(RECEIVE_MAXIMUM)]
    payloads = {one.payload for one in heard}
    wait(lambda: take(collecting, payloads), what="for all of it")
    assert len(payloads) == MORE
    assert any(one.receipt for one in heard), "what the session brought can still be acknowledged"
    collecting.source.overhear(False)
    assert collecting.source._ear is None


def test_the_broker_keeps_all_of_it_for_the_link_that_acknowledges(
    broker: Any, node: Any, collect: Any, wait: Any
) -> None:
    first = collect(broker)
    first.source.overhear(True)
    wait(lambda: ear_is_open(broker), what="for the second ear")
    for seq in range(MORE):
        node.sample(seq)
    once: set[bytes] = set()
    wait(lambda: take(first, once), what="for all of it")
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
