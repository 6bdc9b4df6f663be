"""A collector's queue behind a real broker, and a node that speaks to it."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from queue import Empty, Queue
from threading import Event
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.intake.mqtt import MqttSource
from monitor.intake.mqtt_settings import MqttSettings
from monitor.intake.source import Arrival
from monitor.intake.wire import Pack, encode_pack
from monitor.timesource import TimeSource

#: A message that takes so long will not come, on a busy machine either. [s]
PATIENCE_S = 90.0


class Collecting:
    """A source with its queue, as the collector holds them."""

    def __init__(self, settings: MqttSettings, room: int = 5000, time: TimeSource | None = None) -> None:
        self.queue: Queue[Arrival] = Queue(room)
        self.stop = Event()
        self.said: list[str] = []
        self.source = MqttSource(settings, self.said.append, time)
        self.source.start(self.queue, self.stop)

    def next(self, within_s: float = PATIENCE_S) -> Arrival:
        return self.queue.get(timeout=within_s)

    def take(self, count: int, within_s: float = PATIENCE_S) -> list[Arrival]:
        return [self.next(within_s) for _ in range(count)]

    def nothing(self, within_s: float = 0.4) -> bool:
        try:
            self.queue.get(timeout=within_s)
        except Empty:
            return True
        return False

    def nothing_more(self, node: Node) -> bool:
        """What is said now comes next: a broker keeps the order in which it got things (MQTT 5.0, section 4.6)."""
        node.say("boilwitness/last/samples", b"the last")
        arrival = self.next()
        self.done(arrival)
        return arrival.payload == b"the last"

    def told(self, node: Node) -> None:
        """Returns when the broker knows what is done: what goes out after it, on the same link, has been heard."""
        assert self.source.ask("last", b"[]")
        node.hears("boilwitness/last/ask")

    def done(self, *arrivals: Arrival) -> None:
        """They are stored: let the broker forget them."""
        self.source.acknowledge(arrivals)

    def connected(self) -> bool:
        """Linked, and heard: its word about itself goes out after its subscriptions, and has been acknowledged."""
        client: Any = self.source._client
        return self.source.status().startswith("connected") and not client._out_messages

    def hears_what_is_new(self) -> bool:
        """Nothing that waited at the broker is still to come: its word to itself is back."""
        return not self.source._fence.up

    def crash(self) -> None:
        """End as a killed process would: the socket just closes, nothing is said."""
        client: Any = self.source._client
        self.source._closing.set()
        client.socket().shutdown(socket.SHUT_RDWR)
        self.source.close()


@pytest.fixture
def collect(wait: Callable[..., None]) -> Iterator[Callable[..., Collecting]]:
    started: list[Collecting] = []

    def start(
        broker: Any,
        *,
        connected: bool = True,
        room: int = 5000,
        time: TimeSource | None = None,
        **changes: Any,
    ) -> Collecting:
        """``broker``: one of this machine, or whole settings. ``room``: of the queue. ``time``: its clock."""
        if not isinstance(broker, MqttSettings):
            broker = MqttSettings(
                "127.0.0.1", broker.port, **({"client_id": "boilwitness-0badcafe"} | changes)
            )
        collecting = Collecting(broker, room, time)
        started.append(collecting)
        if connected:
            wait(collecting.connected)
        return collecting

    yield start
    for collecting in started:
        collecting.source.close()


class Node:
    """A plain client that plays a node."""

    def __init__(self, port: int, node: str = "kettle-1") -> None:
        self.heard: Queue[tuple[str, bytes, bool]] = Queue()
        ready = Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.on_message = lambda c, u, m: self.heard.put((m.topic, bytes(m.payload), bool(m.retain)))
        self.client.on_subscribe = lambda *given: ready.set()
        self.client.connect("127.0.0.1", port)
        self.client.subscribe("boilwitness/#", 1)
        self.client.loop_start()
        assert ready.wait(PATIENCE_S)

    def say(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 1) -> None:
        self.client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(PATIENCE_S)

    def sample(self, seq: int) -> None:
        self.say("boilwitness/kettle-1/samples", encode_pack(Pack("kettle-1", boot=5, seq=seq, water_C=94.2)))

    def hears(self, topic: str, within_s: float = PATIENCE_S) -> tuple[bytes, bool]:
        _, payload, retained = self.heard_until(topic, within_s)[-1]
        return payload, retained

    def heard_until(self, topic: str, within_s: float = PATIENCE_S) -> list[tuple[str, bytes, bool]]:
        """All it heard up to the first on this topic, and that."""
        heard: list[tuple[str, bytes, bool]] = []
        while not heard or heard[-1][0] != topic:
            heard.append(self.heard.get(timeout=within_s))
        return heard

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def make_node() -> Iterator[Callable[[Any], Node]]:
    nodes: list[Node] = []

    def make(broker: Any) -> Node:
        nodes.append(Node(broker.port))
        return nodes[-1]

    yield make
    for node in nodes:
        node.leave()


@pytest.fixture
def node(broker: Any, make_node: Callable[[Any], Node]) -> Node:
    return make_node(broker)
