"""A second ear at a broker, for as long as nothing may be acknowledged.

A broker sends so many unacknowledged messages (:data:`monitor.intake.mqtt_client.RECEIVE_MAXIMUM`) and then waits: a
collector whose disk refuses would be deaf a few minutes later. What it hears here has no receipt (quality 0) and goes
through no session, so the broker still keeps everything for the link that acknowledges.
"""

from __future__ import annotations

import ssl
from collections.abc import Callable
from threading import Thread
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.intake.mqtt_client import MQTT_5, set_way_in
from monitor.intake.mqtt_settings import MqttSettings


class SecondEar:
    """Hears samples, and nothing else: a plain number has no key by which it would be known to have come twice.

    Parameters
    ----------
    heard : callable
        Told topic, payload and whether it was retained, in the library's thread; must not raise and must not wait.
    """

    def __init__(
        self,
        settings: MqttSettings,
        protocol: MQTTProtocolVersion,
        tls: ssl.SSLContext | None,
        heard: Callable[[str, bytes, bool], None],
    ) -> None:
        self._topic = f"{settings.prefix}/+/samples"
        self._heard = heard
        five = protocol is MQTT_5
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{settings.client_id}-ear",
            clean_session=None if five else True,
            protocol=protocol,
        )
        set_way_in(client, settings, tls)
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        where = (settings.host, settings.port, settings.keepalive_s)
        if five:
            client.connect_async(*where, clean_start=True)
        else:
            client.connect_async(*where)
        client.loop_start()
        self._client = client

    def close(self) -> None:
        """Hear no more. Does not wait."""
        self._client.on_message = None
        self._client.disconnect()
        Thread(target=self._client.loop_stop, daemon=True).start()

    def _on_connect(
        self, client: paho.Client, userdata: Any, flags: Any, reason: Any, properties: Any
    ) -> None:
        if not reason.is_failure:
            client.subscribe(self._topic, 0)

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            # No node's topic; the link that acknowledges hears it too, and keeps it under the refused.
            return
        self._heard(topic, bytes(message.payload), bool(message.retain))
