"""The short cut for the common packet says what the library's own way says, or nothing."""

from __future__ import annotations

import socket

from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt._packet import decode_publish
from paho.mqtt.client import Client
from paho.mqtt.enums import MQTTProtocolVersion

from monitor.intake.quick_client import BufferedSocket, QuickClient, plain_publish, plain_publishes


def packet(topic: bytes, mid: int, properties: bytes, payload: bytes) -> bytes:
    """What follows the fixed header (MQTT 5.0, section 3.3.2)."""
    return len(topic).to_bytes(2, "big") + topic + mid.to_bytes(2, "big") + properties + payload


@given(st.text(min_size=1, max_size=40), st.integers(1, 65535), st.binary(max_size=300))
def test_a_plain_publish(topic: str, mid: int, payload: bytes) -> None:
    raw = bytearray(packet(topic.encode(), mid, b"\x00", payload))
    theirs = decode_publish(0x32, raw, MQTTProtocolVersion.MQTTv5)
    assert plain_publish(bytes(raw)) == (topic, payload, mid)
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


def whole(first: int, body: bytes) -> bytes:
    """A packet with its fixed header (MQTT 5.0, sections 2.1 and 1.5.5)."""
    length, left = b"", len(body)
    while True:
        left, digit = left >> 7, left & 0x7F
        length += bytes((digit | (0x80 if left else 0),))
        if not left:
            return bytes((first,)) + length + body


plain = st.builds(
    lambda flags, topic, mid, payload: (0x32 | flags, topic, mid, payload),
    st.sampled_from([0, 1, 8, 9]),
    st.text(min_size=1, max_size=10),
    st.integers(1, 65535),
    st.binary(max_size=400),
)


@given(st.lists(plain, max_size=6), st.integers(0, 60), st.data())
def test_many_at_a_time_are_each_what_they_were(
    packets: list[tuple[int, str, int, bytes]], cut: int, data: st.DataObject
) -> None:
    raw = [whole(first, packet(topic.encode(), mid, b"\x00", load)) for first, topic, mid, load in packets]
    other = data.draw(st.sampled_from([b"", b"\xd0\x00", whole(0x30, packet(b"a", 1, b"\x00", b""))[:-2]]))
    stream = b"".join(raw) + other
    stream = stream[: len(stream) - cut] if cut else stream
    found, end = plain_publishes(stream, 0)
    assert [tuple(one) for one in found] == [
        (topic, load, mid, bool(first & 1)) for first, topic, mid, load in packets[: len(found)]
    ]
    assert end == sum(len(one) for one in raw[: len(found)]), "what is not taken stays, from its first byte"
    if not cut:
        assert len(found) == len(packets)


@given(st.binary(max_size=200))
def test_noise_is_left_where_it_is(raw: bytes) -> None:
    found, end = plain_publishes(raw, 0)
    assert 0 <= end <= len(raw) and (end > 0) == bool(found)


def test_the_doors_it_uses_are_there() -> None:
    """Should a later library have none of them, the client still works, slower; then this says so."""
    for name in ("_create_socket", "_packet_read"):
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
