"""The MQTT library's client with three short cuts for the one packet that comes all the time.

Measured on 110-byte samples at full speed, the library spends nearly all its time on a packet in handling it
alone: three reads of a few bytes, an empty table of MQTT 5 properties, a search of an empty list of filters,
and for its acknowledgement two system calls, every one of which hands the interpreter to another thread. Three
doors around that:

* the socket is read many bytes at a time; the library asks its socket whether bytes are ``pending`` (meant
  for TLS), so a plain socket that answers is all it takes;
* of what was read so, every whole PUBLISH of quality 1 without properties goes straight to ``take``, many at a
  time; every other packet, and everything the slightest bit odd, goes the library's own way, which gives the
  same (a test holds that);
* acknowledgements go out many in a piece.

All lean on names that the library does not promise. Where a later one works otherwise, these doors are never
used and the client is the library's own.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import time
from collections.abc import Callable, Iterable
from typing import Any, NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion

_PIECE_BYTES = 65536
#: PUBLISH of quality 1, whatever its flags for a repeat (8) and for a retained one (1).
_PUBLISH_1, _KIND_AND_QUALITY, _RETAIN = 0x32, 0xF6, 0x01
_PUBACK = 0x40
_puback = struct.Struct("!BBH").pack


class Publish(NamedTuple):
    """One message. ``number``: the packet's, by which it is acknowledged."""

    topic: str
    payload: bytes
    number: int
    retained: bool


#: Many messages, in the order in which they came.
Take = Callable[[list[Publish]], None]


class BufferedSocket:
    """A connected socket with a buffer before it; everything but reading is the socket's own."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock
        self._held = b""
        self._at = 0

    def recv(self, size: int) -> bytes:
        """As :meth:`socket.socket.recv`."""
        if self._at == len(self._held):
            self._held, self._at = self._sock.recv(_PIECE_BYTES), 0
        piece = self._held[self._at : self._at + size]
        self._at += len(piece)
        return piece

    def publishes(self) -> list[Publish]:
        """Whole plain messages at the front of what is there; the rest stays for :meth:`recv`."""
        if self._at == len(self._held):
            # What the system has to say against reading, it will say to the library again.
            with contextlib.suppress(OSError):
                self._held, self._at = self._sock.recv(_PIECE_BYTES), 0
        found, self._at = plain_publishes(self._held, self._at)
        return found

    def pending(self) -> int:
        """How many bytes can be read without waiting."""
        return len(self._held) - self._at

    def fileno(self) -> int:
        return self._sock.fileno()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._sock, name)


class QuickClient(paho.Client):
    """The library's client. ``take`` must not raise."""

    take: Take | None = None

    def acknowledge(self, numbers: Iterable[int]) -> None:
        """PUBACK for each packet (MQTT 5.0, section 3.4; the same bytes in 3.1.1), in one piece."""
        piece = b"".join([_puback(_PUBACK, 2, number) for number in numbers])
        if piece:
            self._packet_queue(_PUBACK, piece, 0, 1)

    def _create_socket(self) -> Any:
        sock = super()._create_socket()
        return BufferedSocket(sock) if type(sock) is socket.socket else sock

    def _packet_read(self) -> MQTTErrorCode:
        sock: Any = self._sock
        # Only between two packets; a half one is the library's to end.
        if self._quick and type(sock) is BufferedSocket and self._in_packet["command"] == 0:
            found = sock.publishes()
            if found and self.take is not None:
                with self._msgtime_mutex:
                    # Its name in library 2.1, and later.
                    self._last_msg_in = self._last_bytes_received = time.monotonic()
                self.take(found)
                return MQTTErrorCode.MQTT_ERR_SUCCESS
        return super()._packet_read()

    @property
    def _quick(self) -> bool:
        # 3.1.1 has no place for properties, so its messages lie otherwise.
        return self.take is not None and self._protocol == MQTTProtocolVersion.MQTTv5


def plain_publishes(held: bytes, at: int) -> tuple[list[Publish], int]:
    """The whole plain messages that stand one after the other from ``at`` on, and where they end."""
    found: list[Publish] = []
    size = len(held)
    while at + 2 < size:
        first = held[at]
        if first & _KIND_AND_QUALITY != _PUBLISH_1:
            break
        # Remaining length: seven bits a byte, least first (section 1.5.5); longer ones are not for here.
        length, begin = held[at + 1], at + 2
        if length & 0x80:
            length, begin = length & 0x7F | held[begin] << 7, begin + 1
            if length & 0x4000:
                break
        end = begin + length
        if end > size:
            break
        parts = plain_publish(held[begin:end])
        if parts is None:
            break
        found.append(Publish(*parts, bool(first & _RETAIN)))
        at = end
    return found, at


def plain_publish(packet: bytes) -> tuple[str, bytes, int] | None:
    """(topic, payload, packet number) of a PUBLISH of quality 1 without properties; None for any other.

    ``packet`` is what follows the fixed header (MQTT 5.0, section 3.3).
    """
    if len(packet) < 2:
        return None
    end = 2 + (packet[0] << 8 | packet[1])
    if len(packet) < end + 3 or packet[end + 2] != 0 or end == 2:
        return None
    try:
        topic = str(packet[2:end], "utf-8")
    except UnicodeDecodeError:
        return None
    return topic, packet[end + 3 :], packet[end] << 8 | packet[end + 1]
