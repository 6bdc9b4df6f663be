"""The MQTT source against a real broker: what it takes in, acknowledges, refuses and says."""

from __future__ import annotations

from queue import Queue
from threading import Event
from typing import Any

import pytest
from paho.mqtt.enums import MQTTProtocolVersion

from monitor.intake.mqtt import MqttSource
from monitor.intake.mqtt_settings import MqttSettings
from monitor.intake.source import Arrival
from monitor.intake.wire import Pack, encode_ask, encode_pack

PACK = encode_pack(Pack("kettle-1", boot=5, seq=0, uptime_s=1.0, water_C=94.2))


def test_a_sample_arrives_whole_with_its_node_and_time(broker: Any, node: Any, collect: Any) -> None:
    collecting = collect(broker)
    node.say("boilwitness/kettle-1/samples", PACK)
    arrival = collecting.next()
    assert (arrival.kind, arrival.node_hint, arrival.payload) == ("samples", "kettle-1", PACK)
    assert arrival.source == f"mqtt 127.0.0.1:{broker.port}"
    assert arrival.arrival_s > 0
    assert arrival.connection > 0


def test_unacknowledged_samples_come_again_acknowledged_ones_do_not(
    broker: Any, node: Any, collect: Any
) -> None:
    """Received is not stored: only what was acknowledged after the commit is done with."""
    first = collect(broker)
    for seq in range(6):
        node.sample(seq)
    arrivals = first.take(6)
    first.done(*arrivals[:2])
    first.told(node)
    first.crash()

    second = collect(broker)
    again = [arrival.payload for arrival in second.take(4)]
    assert again == [arrival.payload for arrival in arrivals[2:]]
    assert second.nothing_more(node)


def test_samples_said_while_no_collector_was_there_are_kept_by_the_broker(
    broker: Any, node: Any, collect: Any
) -> None:
    first = collect(broker)
    first.source.close()
    for seq in range(1500):
        node.sample(seq)
    second = collect(broker)
    arrivals = []
    for _ in range(1500):
        arrivals.append(second.next())
        second.done(arrivals[-1])
    assert len({arrival.payload for arrival in arrivals}) == 1500


def test_an_acknowledgement_of_an_older_connection_is_void(
    make_broker: Any, make_node: Any, collect: Any, wait: Any
) -> None:
    """A broker that lost its session numbers packets from 1 again: an old ack must not hit a new sample."""
    broker = make_broker("allow_anonymous true\npersistence false\n")
    collecting = collect(broker)
    node = make_node(broker)
    for seq in range(5):
        node.sample(seq)
    old = collecting.take(5)
    node.leave()
    broker.kill()
    wait(lambda: not collecting.connected())
    broker.start()
    wait(collecting.connected)
    node = make_node(broker)
    for seq in range(5, 10):
        node.sample(seq)
    new = collecting.take(5)
    collecting.done(*old)
    collecting.crash()
    second = collect(broker)
    assert [arrival.payload for arrival in second.take(5)] == [arrival.payload for arrival in new]


def test_a_full_queue_blocks_and_loses_nothing(broker: Any, node: Any, collect: Any, wait: Any) -> None:
    collecting = collect(broker, room=20)
    for seq in range(300):
        node.sample(seq)
    wait(collecting.queue.full)
    payloads = []
    for _ in range(300):
        arrival = collecting.next()
        payloads.append(arrival.payload)
        collecting.done(arrival)
    assert payloads == [encode_pack(Pack("kettle-1", boot=5, seq=seq, water_C=94.2)) for seq in range(300)]


def test_after_stop_nothing_is_queued_and_nothing_is_lost(
    broker: Any, node: Any, collect: Any, wait: Any
) -> None:
    first = collect(broker)
    node.sample(0)
    kept = first.next()
    first.source.stop()
    node.sample(1)
    assert first.nothing()
    first.done(kept)
    first.source.close()
    second = collect(broker)
    assert b'"seq","v":1' in second.next().payload
    assert second.nothing_more(node)


class TestRetained:
    def test_a_retained_sample_is_refused(self, broker: Any, node: Any, collect: Any) -> None:
        """MQTT 3.1.1 cannot ask the broker to leave them out, so they come and are refused."""
        node.say("boilwitness/kettle-1/samples", PACK, retain=True)
        source = MqttSource(MqttSettings("127.0.0.1", broker.port, client_id="trial"))
        source._protocol = MQTTProtocolVersion.MQTTv311
        queue: Queue[Arrival] = Queue()
        source.start(queue, Event())
        try:
            arrival = queue.get(timeout=90)
        finally:
            source.close()
        assert (arrival.kind, arrival.why) == ("refused", "a retained sample: nobody knows how old it is")

    def test_with_mqtt_5_the_broker_is_asked_to_leave_them_out(
        self, broker: Any, node: Any, collect: Any
    ) -> None:
        node.say("boilwitness/kettle-1/samples", PACK, retain=True)
        assert collect(broker).nothing_more(node)

    def test_presence_is_meant_to_be_retained(self, broker: Any, node: Any, collect: Any) -> None:
        node.say("boilwitness/kettle-1/presence", b"online", retain=True)
        arrival = collect(broker).next()
        assert (arrival.kind, arrival.node_hint, arrival.payload) == ("presence", "kettle-1", b"online")


@pytest.mark.parametrize(
    ("topic", "payload", "why"),
    [
        ("boilwitness/kettle-1/presence", b"here", "presence is neither online nor offline"),
        ("boilwitness/<b>x</b>/presence", b"online", "boilwitness/<b>x</b>/presence"),
        ("boilwitness/k k/presence", b"online", "'k k' cannot be a node's name"),
    ],
)
def test_odd_presence_is_kept_as_refused(
    broker: Any, node: Any, collect: Any, topic: str, payload: bytes, why: str
) -> None:
    collecting = collect(broker)
    node.say(topic, payload)
    if "<b>" in topic:
        assert collecting.nothing_more(node)  # one level too many: never subscribed to
        return
    arrival = collecting.next()
    assert (arrival.kind, arrival.why) == ("refused", why)


def test_garbage_on_a_samples_topic_is_passed_on_untouched(broker: Any, node: Any, collect: Any) -> None:
    """Finding out what is wrong is the writer's work; a callback that raised would end the network thread."""
    collecting = collect(broker)
    for payload in (b"", b"\xff\xfe\x00", b"x" * 1_000_000):
        node.say("boilwitness/kettle-1/samples", payload)
        assert collecting.next().payload == payload


class TestSaying:
    def test_an_ask_reaches_the_node_and_is_not_retained(self, broker: Any, node: Any, collect: Any) -> None:
        collecting = collect(broker)
        ask = encode_ask("kettle-1", 5, stored=7)
        assert collecting.source.ask("kettle-1", ask)
        assert node.hears("boilwitness/kettle-1/ask") == (ask, False)

    def test_an_alarm_reaches_whatever_rings(self, broker: Any, node: Any, collect: Any) -> None:
        collecting = collect(broker)
        assert collecting.source.publish_alarm("kettle-1", b"boil lost")
        assert node.hears("boilwitness/kettle-1/alarm") == (b"boil lost", False)

    def test_without_a_link_nothing_is_queued_for_later(self, collect: Any) -> None:
        collecting = collect(MqttSettings("127.0.0.1", 1, client_id="trial"), connected=False)
        assert not collecting.source.ask("kettle-1", b"[]")
        assert not collecting.source.publish_alarm("kettle-1", b"x")

    def test_the_collector_says_online_and_its_last_will_says_offline(
        self, broker: Any, node: Any, collect: Any
    ) -> None:
        collecting = collect(broker)
        topic = "boilwitness/collectors/boilwitness-0badcafe"
        assert node.hears(topic)[0] == b"online"
        collecting.crash()
        assert node.hears(topic)[0] == b"offline"


def test_a_prefix_of_ones_own(broker: Any, node: Any, collect: Any) -> None:
    collecting = collect(broker, prefix="home/canning")
    node.say("home/canning/kettle-1/samples", PACK)
    assert collecting.next().node_hint == "kettle-1"


def test_collectors_share_the_load(broker: Any, node: Any, collect: Any, wait: Any) -> None:
    """MQTT 5 section 4.8.2: of a shared subscription each message goes to one of its clients."""
    one = collect(broker, client_id="one", share="kitchens")
    two = collect(broker, client_id="two", share="kitchens")
    for seq in range(40):
        node.sample(seq)
    payloads: list[bytes] = []

    def all_came() -> bool:
        for collecting in (one, two):
            while not collecting.queue.empty():
                arrival = collecting.next()
                payloads.append(arrival.payload)
                collecting.done(arrival)
        return len(payloads) >= 40

    wait(all_came)
    assert len(payloads) == len(set(payloads)) == 40
