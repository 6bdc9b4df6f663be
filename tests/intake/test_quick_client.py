"""The short cut for the common packet says what the library's own way says, or nothing."""

from __future__ import annotations

import socket

from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt._packet import decode_publish
from paho.mqtt.client import Client
from paho.mqtt.enums import MQTTProtocolVersion

from monitor.intake.quick_client import BufferedSocket, QuickClient, plain_publish


def packet(topic: bytes, mid: int, properties: bytes, payload: bytes) -> bytes:
    """What follows the fixed header (MQTT 5.0, section 3.3.2)."""
    return len(topic).to_bytes(2, "big") + topic + mid.to_bytes(2, "big") + properties + payload


@given(st.text(min_size=1, max_size=40), st.integers(1, 65535), st.binary(max_size=300))
def test_a_plain_publish(topic: str, mid: int, payload: bytes) -> None:
    raw = bytearray(packet(topic.encode(), mid, b"\x00", payload))
    theirs = decode_publish(0x32, raw, MQTTProtocolVersion.MQTTv5)
    assert plain_publish(raw) == (topic, payload, mid)
    assert (theirs.topic, bytes(theirs.payload), theirs.mid) == (topic.encode(), payload, mid)


@given(st.binary(max_size=60))
def test_whatever_comes_it_agrees_or_leaves_it(raw: bytes) -> None:
    ours = plain_publish(raw)
    if ours is not None:
        theirs = decode_publish(0x32, bytearray(raw), MQTTProtocolVersion.MQTTv5)
        assert ours == (theirs.topic.decode(), bytes(theirs.payload), theirs.mid)


def test_what_is_not_plain_is_left_to_the_library() -> None:
    expiry = b"\x05\x02\x00\x00\x00\x3c"
    assert plain_publish(packet(b"a/b", 7, expiry, b"x")) is None, "a property"
    assert plain_publish(packet(b"", 7, b"\x00", b"x")) is None, "a topic alias at work, or none"
    assert plain_publish(packet(b"\xff\xfe", 7, b"\x00", b"x")) is None, "a topic that is no UTF-8"
    assert plain_publish(b"\x00") is None


def test_the_doors_it_uses_are_there() -> None:
    """Should a later library have none of them, the client still works, slower; then this says so."""
    for name in ("_create_socket", "_handle_publish"):
        assert name in vars(Client)
        assert name in vars(QuickClient)


def test_a_buffered_socket_reads_what_was_sent_in_pieces_of_any_size() -> None:
    left, right = socket.socketpair()
    with left, right:
        right.setblocking(False)
        buffered = BufferedSocket(right)
        left.sendall(bytes(range(200)))
        assert buffered.recv(1) == b"\x00"
        assert buffered.pending() == 199
        assert buffered.recv(300) == bytes(range(1, 200))
        assert buffered.pending() == 0
        left.close()
        assert buffered.recv(10) == b""
