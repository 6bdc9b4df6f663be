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
from collections.abc import Callable, Sequence
from queue import Full
from threading import Event, Lock
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.reasoncodes import ReasonCode

from monitor.errors import ConfigError
from monitor.intake.mqtt_client import MQTT_3_1_1, MQTT_5, begin_to_connect, make_client, subscribe
from monitor.intake.mqtt_fence import Fence
from monitor.intake.mqtt_overhear import SecondEar
from monitor.intake.mqtt_settings import MqttSettings
from monitor.intake.mqtt_topics import Topics
from monitor.intake.mqtt_trouble import (
    REFUSALS,
    TAKEN_OVER,
    UNSUPPORTED_VERSION,
    connect_trouble,
    tls_context,
)
from monitor.intake.quick_client import Publish, QuickClient
from monitor.intake.source import Arrival, LinkThread, put_blocking
from monitor.timesource import TimeSource

#: At the end, acknowledgements get so long to leave. [s]
FAREWELL_S = 1.0

#: So many links in a row, each shorter than this, look like two programs that throw each other off. [s]
SHORT_LINKS, SHORT_LINK_S = 3, 4.0


class MqttSource(LinkThread):
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
        When the CA file cannot be read, or there is no client id.
    """

    def __init__(
        self, settings: MqttSettings, say: Callable[[str], None] | None = None, time: TimeSource | None = None
    ) -> None:
        super().__init__(f"mqtt {settings.address}", f"not yet connected to {settings.address}", say, time)
        if settings.client_id is None:
            raise ConfigError(f"{settings.address}: no client id", "Make one with MqttSettings.for_store.")
        self._settings = settings
        self._topics = Topics(settings)
        self._tls = tls_context(settings)
        self._protocol = MQTT_5
        # Not a presence topic of a node's kind: nobody should take a collector for a node.
        self._own_topic = f"collectors/{settings.client_id}"
        # Only plain numbers need to know what had waited: a sample says itself how old it is.
        self._fence = Fence() if settings.plain_numbers else None
        self._fence_topic = f"{settings.prefix}/{self._own_topic}/fence"
        self._client: QuickClient | None = None
        self._renew = Event()
        self._linked = Event()
        self._greeted = False
        self._linked_at_s = 0.0
        self._short_links = 0
        self._lock = Lock()
        self._connection = 0
        self._ear: SecondEar | None = None

    # --- what the collector calls ---

    def close(self) -> None:
        """Let acknowledgements leave, say ``offline``, drop the link. The broker keeps the session."""
        self.overhear(False)
        self._paused.set()
        self._closing.set()
        client = self._client
        if client is not None and self._linked.is_set():
            # The broker's receipt for the last word says that every acknowledgement before it has left.
            topic = f"{self._settings.prefix}/{self._own_topic}"
            with contextlib.suppress(ValueError, RuntimeError):
                client.publish(topic, b"offline", qos=1, retain=True).wait_for_publish(FAREWELL_S)
        self._renew.set()
        self._end(within_s=10.0)

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """Let the broker forget them, on the connection that brought them and on no other."""
        with self._lock:
            client = self._client
            if client is None or not self._linked.is_set():
                return
            here = self._connection
            numbers = [one.receipt for one in arrivals if one.receipt and one.connection == here]
            word = self._fence.acknowledged(len(numbers), self._time.monotonic_s()) if self._fence else b""
            client.acknowledge(numbers)
        self._say_to_myself(client, word)

    def ask(self, node: str, payload: bytes) -> bool:
        """Say a pack on the node's ``ask`` topic; False without a link (nothing is queued for later)."""
        return self._publish_if_linked(f"{node}/ask", payload)

    def publish_alarm(self, node: str, payload: bytes) -> bool:
        """Say something on a node's ``alarm`` topic (or the house's own), for whatever rings there. Never retained."""
        return self._publish_if_linked(f"{node}/alarm", payload)

    def reaches_out(self) -> bool | None:
        """Whether the broker is there to take an alarm."""
        return self._linked.is_set()

    def overhear(self, wanted: bool) -> None:
        """Hear on through a second link while nothing may be acknowledged. A share is for others to take over."""
        if wanted and self._ear is None and self._settings.share is None and self._linked.is_set():
            self._ear = SecondEar(self._settings, self._protocol, self._tls, self._overheard)
        elif not wanted and self._ear is not None:
            self._ear.close()
            self._ear = None

    # --- the thread ---

    def _run(self) -> None:
        # The library's own network thread does the work; this one only renews the client when the broker
        # turns out to speak an older version, which the network thread cannot do to itself.
        while not self._closing.is_set():
            self._renew.clear()
            client = self._client = self._make_client()
            begin_to_connect(client, self._settings, self._protocol)
            self._renew.wait()
            client.disconnect()
            client.loop_stop()

    def _make_client(self) -> QuickClient:
        will_topic = f"{self._settings.prefix}/{self._own_topic}"
        client = make_client(self._settings, self._protocol, self._tls, will_topic)
        client.on_pre_connect = self._on_pre_connect
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.take = self._take
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
        word = self._fence.connected(kept=flags.session_present) if self._fence else b""
        self._linked.set()
        self._publish(client, self._own_topic, b"online", retain=True)
        self._say_to_myself(client, word)
        kept = "the broker kept our session" if flags.session_present else "new session at the broker"
        self._report(f"connected to {self._settings.address} ({kept})")

    def _refused(self, reason: ReasonCode) -> None:
        if reason.value == UNSUPPORTED_VERSION and self._protocol is MQTT_5:
            self._protocol = MQTT_3_1_1
            self._report(f"{self._settings.address} does not speak MQTT 5; using 3.1.1")
            self._renew.set()
            return
        what = REFUSALS.get(reason.value, f"the broker refuses the connection ({reason})")
        self._report(f"{self._settings.address}: {what}; trying again")

    def _subscribe(self, client: paho.Client) -> None:
        for topic, retain_handling in self._topics.subscriptions(self._settings.share):
            subscribe(client, self._protocol, topic, retain_handling)
        if self._fence:
            subscribe(client, self._protocol, self._fence_topic, 2)

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
        number = message.mid if message.qos else 0
        self._take([Publish(_topic_text(message), bytes(message.payload), number, bool(message.retain))])

    def _take(self, messages: list[Publish]) -> None:
        if self._paused.is_set():
            return
        arrival_s, connection, fence = self._time.monotonic_s(), self._connection, self._fence
        if fence is not None:
            fence.came(sum(1 for one in messages if one.number and one.topic != self._fence_topic), arrival_s)
        sort, arrivals, waited = self._topics.sort, [], False
        for topic, payload, number, retained in messages:
            if fence is not None:
                if topic == self._fence_topic:
                    self._pass(fence, payload, number)
                    continue
                waited = fence.up
            kind, node, why, channel, unit = sort(topic, payload, retained, waited=waited)
            arrivals.append(
                Arrival(self.name, node, payload, arrival_s, connection, number, kind, why, channel, unit)
            )
        put_blocking(self._queue, arrivals, self._stop)

    def _overheard(self, topic: str, payload: bytes, retained: bool) -> None:
        """Nobody waits for it: what finds no place on the queue comes again by the link that acknowledges."""
        kind, node, why, channel, unit = self._topics.sort(topic, payload, retained, waited=False)
        if self._paused.is_set() or kind != "samples":
            return
        arrival_s = self._time.monotonic_s()
        with contextlib.suppress(Full):
            self._queue.put_nowait(
                Arrival(self.name, node, payload, arrival_s, 0, 0, kind, why, channel, unit)
            )

    def _pass(self, fence: Fence, word: bytes, number: int) -> None:
        fence.heard(word)
        if self._client is not None:
            self._client.acknowledge([number])

    def _say_to_myself(self, client: paho.Client, word: bytes) -> None:
        if word:
            self._publish(client, f"{self._own_topic}/fence", word, retain=False)

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


def _topic_text(message: paho.MQTTMessage) -> str:
    try:
        return message.topic
    except UnicodeDecodeError:
        return ""
