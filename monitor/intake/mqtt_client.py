"""The library's client as the collector needs it: a session that lasts, acknowledgements by hand, a last will."""

from __future__ import annotations

import ssl

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.intake.mqtt_settings import MqttSettings
from monitor.intake.quick_client import QuickClient

MQTT_5, MQTT_3_1_1 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311

#: The broker keeps what it could not deliver so long. [s]
SESSION_EXPIRY_S = 7 * 86400

#: Messages the broker may send before the first is acknowledged.
RECEIVE_MAXIMUM = 200

#: Back-off between attempts to connect. [s]
RETRY_FIRST_S, RETRY_LAST_S = 1, 2


def make_client(
    settings: MqttSettings, protocol: MQTTProtocolVersion, tls: ssl.SSLContext | None, will_topic: str
) -> QuickClient:
    """A client without callbacks, not yet connected."""
    client = QuickClient(
        CallbackAPIVersion.VERSION2,
        client_id=settings.client_id,
        clean_session=None if protocol is MQTT_5 else False,
        protocol=protocol,
        manual_ack=True,
    )
    client.max_inflight_messages_set(RECEIVE_MAXIMUM)
    client.will_set(will_topic, b"offline", qos=1, retain=True)
    set_way_in(client, settings, tls)
    return client


def set_way_in(client: paho.Client, settings: MqttSettings, tls: ssl.SSLContext | None) -> None:
    """Who a client is at the broker, over TLS or not, and how often it tries."""
    client.reconnect_delay_set(RETRY_FIRST_S, RETRY_LAST_S)
    if settings.username is not None:
        client.username_pw_set(settings.username, settings.password)
    if tls is not None:
        client.tls_set_context(tls)


def begin_to_connect(client: QuickClient, settings: MqttSettings, protocol: MQTTProtocolVersion) -> None:
    """Let the client's own thread connect, for ever trying."""
    where = (settings.host, settings.port, settings.keepalive_s)
    if protocol is MQTT_5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        # clean_start must be said: the library's default wipes the session at the first connection.
        client.connect_async(*where, clean_start=False, properties=properties)
    else:
        client.connect_async(*where)
    client.loop_start()


def subscribe(client: paho.Client, protocol: MQTTProtocolVersion, topic: str, retain_handling: int) -> None:
    """At quality 1; 3.1.1 has no word for how retained messages are to be handled."""
    if protocol is MQTT_5:
        client.subscribe(topic, options=SubscribeOptions(qos=1, retainHandling=retain_handling))
    else:
        client.subscribe(topic, 1)
