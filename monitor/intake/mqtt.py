"""Samples from an MQTT broker: received, queued, acknowledged only once they are on disk.

MQTT 5, or 3.1.1 where the broker knows no better. A persistent session under a fixed client id lets the
broker keep what nodes say while the collector is away. Three habits of brokers and of the client library
shape this module (each seen to lose samples when ignored):

* a message is acknowledged by hand after the commit, and only on the connection that brought it: after a
  reconnect the same packet number may belong to another message;
* an exception in a callback ends the library's network thread silently, so a callback does nothing but
  queue bytes;
* a full queue blocks the callback: the broker then keeps the rest and sends it later. Dropping loses it.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable
from queue import Queue
from threading import Event, Lock, Thread
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.errors import WireFormatError
from monitor.intake.channels import convert_number
from monitor.intake.mqtt_settings import MqttSettings, PlainNumber
from monitor.intake.mqtt_trouble import (
    REFUSALS,
    TAKEN_OVER,
    UNSUPPORTED_VERSION,
    connect_trouble,
    tls_context,
)
from monitor.intake.quick_client import QuickClient
from monitor.intake.source import Arrival, no_ack, put_blocking
from monitor.intake.wire import NODE_NAME
from monitor.timesource import SystemTime, TimeSource

#: The broker keeps what it could not deliver so long. [s]
SESSION_EXPIRY_S = 7 * 86400

#: Messages the broker may send before the first is acknowledged.
RECEIVE_MAXIMUM = 200

#: Back-off between attempts to connect. [s]
RETRY_FIRST_S, RETRY_LAST_S = 1, 2

#: At the end, acknowledgements get so long to leave. [s]
FAREWELL_S = 1.0

#: So many links in a row, each shorter than this, look like two programs that throw each other off. [s]
SHORT_LINKS, SHORT_LINK_S = 3, 4.0


class MqttSource:
    """One broker as a way in (:class:`monitor.intake.source.Source`).

    Parameters
    ----------
    settings : MqttSettings
        Where and as whom.
    say : callable, optional
        Told one line whenever the state of the link changes.
    time : TimeSource, optional
        The clock that stamps arrivals.

    Raises
    ------
    ConfigError
        When the CA file cannot be read.
    """

    def __init__(
        self, settings: MqttSettings, say: Callable[[str], None] | None = None, time: TimeSource | None = None
    ) -> None:
        self.name = f"mqtt {settings.address}"
        self._settings = settings
        self._stem = f"{settings.prefix}/"
        self._say = say or (lambda line: None)
        self._time = time or SystemTime()
        self._numbers = {number.topic: number for number in settings.plain_numbers}
        self._tls = tls_context(settings)
        self._protocol = MQTTProtocolVersion.MQTTv5
        # Not a presence topic of a node's kind: nobody should take a collector for a node.
        self._own_topic = f"collectors/{settings.client_id}"
        self._client: paho.Client | None = None
        self._thread: Thread | None = None
        self._closing = Event()
        self._paused = Event()
        self._stop = Event()
        self._renew = Event()
        self._linked = Event()
        self._greeted = False
        self._linked_at_s = 0.0
        self._short_links = 0
        self._queue: Queue[Arrival] = Queue()
        self._lock = Lock()
        self._connection = 0
        self._status = f"not yet connected to {settings.address}"

    # --- what the collector calls ---

    def start(self, queue: Queue[Arrival], stop: Event) -> None:
        """Connect in a thread of its own, for ever trying. ``stop`` is the collector's own flag."""
        self._queue, self._stop = queue, stop
        self._thread = Thread(target=self._run, name=self.name, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Queue nothing more; what still comes stays unacknowledged, and the broker's to send again."""
        self._paused.set()

    def close(self) -> None:
        """Let acknowledgements leave, say ``offline``, drop the link. The broker keeps the session."""
        self._paused.set()
        self._closing.set()
        client = self._client
        if client is not None and self._linked.is_set():
            # The broker's receipt for the last word says that every acknowledgement before it has left.
            topic = f"{self._settings.prefix}/{self._own_topic}"
            with contextlib.suppress(ValueError, RuntimeError):
                client.publish(topic, b"offline", qos=1, retain=True).wait_for_publish(FAREWELL_S)
        self._renew.set()
        if self._thread is not None:
            self._thread.join(timeout=10.0)

    def ask(self, node: str, payload: bytes) -> bool:
        """Say a pack on the node's ``ask`` topic; False without a link (nothing is queued for later)."""
        return self._publish_if_linked(f"{node}/ask", payload)

    def publish_alarm(self, node: str, payload: bytes) -> bool:
        """Say something on the node's ``alarm`` topic, for whatever rings there. Never retained."""
        return self._publish_if_linked(f"{node}/alarm", payload)

    def reaches_out(self) -> bool | None:
        """Whether the broker is there to take an alarm."""
        return self._linked.is_set()

    def status(self) -> str:
        """One line: connected, or what is wrong."""
        return self._status

    # --- the thread ---

    def _run(self) -> None:
        # The library's own network thread does the work; this one only renews the client when the broker
        # turns out to speak an older version, which the network thread cannot do to itself.
        while not self._closing.is_set():
            self._renew.clear()
            client = self._client = self._make_client(self._protocol)
            client.connect_async(
                self._settings.host, self._settings.port, self._settings.keepalive_s, **self._v5()
            )
            client.loop_start()
            self._renew.wait()
            client.disconnect()
            client.loop_stop()

    def _v5(self) -> dict[str, Any]:
        if self._protocol is not MQTTProtocolVersion.MQTTv5:
            return {}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        # clean_start must be said: the library's default wipes the session at the first connection.
        return {"clean_start": False, "properties": properties}

    def _make_client(self, protocol: MQTTProtocolVersion) -> paho.Client:
        settings = self._settings
        client = QuickClient(
            CallbackAPIVersion.VERSION2,
            client_id=settings.client_id,
            clean_session=None if protocol is MQTTProtocolVersion.MQTTv5 else False,
            protocol=protocol,
            manual_ack=True,
        )
        client.reconnect_delay_set(RETRY_FIRST_S, RETRY_LAST_S)
        client.max_inflight_messages_set(RECEIVE_MAXIMUM)
        if settings.username is not None:
            client.username_pw_set(settings.username, settings.password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        client.will_set(f"{settings.prefix}/{self._own_topic}", b"offline", qos=1, retain=True)
        client.on_pre_connect = self._on_pre_connect
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.take = lambda topic, payload, mid, retain: self._take(client, topic, payload, mid, 1, retain)
        return client

    # --- callbacks: in the library's thread, and nothing may escape them ---

    def _on_pre_connect(self, client: paho.Client, userdata: Any) -> None:
        # From here on an old acknowledgement could hit a new message of the same number.
        with self._lock:
            self._connection += 1
        self._greeted = False

    def _on_connect(
        self, client: paho.Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any
    ) -> None:
        self._greeted = True
        if reason.is_failure:
            self._refused(reason)
            return
        self._subscribe(client)
        self._linked_at_s = self._time.monotonic_s()
        self._linked.set()
        self._publish(client, self._own_topic, b"online", retain=True)
        kept = "the broker kept our session" if flags.session_present else "new session at the broker"
        self._report(f"connected to {self._settings.address} ({kept})")

    def _refused(self, reason: ReasonCode) -> None:
        if reason.value == UNSUPPORTED_VERSION and self._protocol is MQTTProtocolVersion.MQTTv5:
            self._protocol = MQTTProtocolVersion.MQTTv311
            self._report(f"{self._settings.address} does not speak MQTT 5; using 3.1.1")
            self._renew.set()
            return
        what = REFUSALS.get(reason.value, f"the broker refuses the connection ({reason})")
        self._report(f"{self._settings.address}: {what}; trying again")

    def _subscribe(self, client: paho.Client) -> None:
        settings = self._settings
        share = f"$share/{settings.share}/" if settings.share else ""
        topics = [(f"{share}{settings.prefix}/+/samples", 1, 2), (f"{settings.prefix}/+/presence", 1, 0)]
        # Quality 0 for plain numbers: they carry no time of their own, so a backlog kept by the broker would
        # arrive as if it were now. Rather a gap that shows.
        topics += [(topic, 0, 2) for topic in self._numbers]
        for topic, qos, retain_handling in topics:
            if self._protocol is MQTTProtocolVersion.MQTTv5:
                client.subscribe(topic, options=SubscribeOptions(qos=qos, retainHandling=retain_handling))
            else:
                client.subscribe(topic, qos)

    def _on_connect_fail(self, client: paho.Client, userdata: Any) -> None:
        trouble = sys.exc_info()[1]
        self._report(f"{connect_trouble(self._settings, trouble)}; trying again")

    def _on_disconnect(
        self, client: paho.Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any
    ) -> None:
        was_linked = self._linked.is_set()
        self._linked.clear()
        with self._lock:
            self._connection += 1
        if was_linked and self._time.monotonic_s() - self._linked_at_s < SHORT_LINK_S:
            self._short_links += 1
        else:
            self._short_links = 0
        if self._closing.is_set():
            self._report(f"left {self._settings.address}")
        elif reason.value == TAKEN_OVER or self._short_links >= SHORT_LINKS:
            # Not every broker says that it was so.
            self._report(
                f"{self._settings.address}: the link breaks just after it comes about; "
                f"does another program use our client id {self._settings.client_id}?"
            )
        elif was_linked:
            self._report(f"{self._settings.address}: the link is lost; trying again")
        elif not self._greeted:
            hint = "is this its MQTT port?" if self._tls else "is this its MQTT port, and one without TLS?"
            self._report(f"{self._settings.address}: hangs up without a greeting; {hint} Trying again")

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        topic, payload = _topic_text(message), bytes(message.payload)
        self._take(client, topic, payload, message.mid, message.qos, bool(message.retain))

    def _take(
        self, client: paho.Client, topic: str, payload: bytes, mid: int, qos: int, retained: bool
    ) -> None:
        if self._paused.is_set():
            return
        arrival_s = self._time.monotonic_s()
        connection = self._connection
        ack = self._ack_for(client, mid, qos, connection) if qos else no_ack
        kind, node, payload, why, channel = self._sort(topic, payload, retained)
        arrival = Arrival(self.name, node, payload, arrival_s, connection, ack, kind, why, channel)
        put_blocking(self._queue, arrival, self._stop)

    # --- message to arrival ---

    def _sort(
        self, topic: str, payload: bytes, retained: bool
    ) -> tuple[str, str | None, bytes, str, str | None]:
        """(kind, node, payload, why, channel) of a message."""
        number = self._numbers.get(topic)
        if number is not None:
            return self._sort_number(number, payload, retained)
        node, _, what = topic.removeprefix(self._stem).partition("/")
        if what == "samples" and not retained:
            return "samples", node, payload, "", None
        if what == "presence":
            if not NODE_NAME.fullmatch(node):
                return "refused", None, payload, f"{node[:64]!a} cannot be a node's name", None
            if payload in (b"online", b"offline"):
                return "presence", node, payload, "", None
            return "refused", node, payload, "presence is neither online nor offline", None
        if what != "samples":
            return "refused", None, payload, f"nothing is expected on topic {topic[:80]!a}", None
        return "refused", node, payload, "a retained sample: nobody knows how old it is", None

    @staticmethod
    def _sort_number(
        number: PlainNumber, payload: bytes, retained: bool
    ) -> tuple[str, str | None, bytes, str, str | None]:
        if retained:
            return "refused", number.node, payload, "a retained number: nobody knows how old it is", None
        try:
            converted = convert_number(payload, number.channel, number.unit)
        except WireFormatError as trouble:
            return "refused", number.node, payload, str(trouble), None
        return "value", number.node, converted, "", number.channel

    def _ack_for(self, client: paho.Client, mid: int, qos: int, connection: int) -> Callable[[], None]:
        def ack() -> None:
            with self._lock:
                if connection == self._connection and self._linked.is_set():
                    client.ack(mid, qos)

        return ack

    # --- saying things ---

    def _publish_if_linked(self, rest: str, payload: bytes) -> bool:
        client = self._client
        if client is None or not self._linked.is_set():
            return False
        return self._publish(client, rest, payload, retain=False)

    def _publish(self, client: paho.Client, rest: str, payload: bytes, *, retain: bool) -> bool:
        # ValueError: the library's word for a topic it cannot use.
        with contextlib.suppress(ValueError, OSError):
            info = client.publish(f"{self._settings.prefix}/{rest}", payload, qos=1, retain=retain)
            return info.rc == paho.MQTT_ERR_SUCCESS
        return False

    def _report(self, line: str) -> None:
        if line != self._status:
            self._status = line
            self._say(line)


def _topic_text(message: paho.MQTTMessage) -> str:
    try:
        return message.topic
    except UnicodeDecodeError:
        return ""
