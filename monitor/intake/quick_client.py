"""The MQTT library's client with two short cuts for the one packet that comes all the time.

Measured on 110-byte samples at full speed, the library spends two thirds of its time on a packet in building
an empty table of MQTT 5 properties, searching an empty list of filters, and in system calls of one byte each,
every one of which hands the interpreter to another thread. Two doors around that:

* the socket is read many bytes at a time; the library asks its socket whether bytes are ``pending`` (meant
  for TLS), so a plain socket that answers is all it takes;
* a PUBLISH of quality 1 without properties goes straight to ``take``; every other packet, and everything the
  slightest bit odd, goes the library's own way, which gives the same (a test holds that).

Both lean on names that the library does not promise. Where a later one works otherwise, these doors are never
used and the client is the library's own.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion

_PIECE_BYTES = 65536
_QUALITY, _QUALITY_1, _RETAIN = 0x06, 0x02, 0x01

#: (topic, payload, packet number, retained)
Take = Callable[[str, bytes, int, bool], None]


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

    def pending(self) -> int:
        """How many bytes can be read without waiting."""
        return len(self._held) - self._at

    def fileno(self) -> int:
        return self._sock.fileno()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._sock, name)


class QuickClient(paho.Client):
    """The library's client. ``take`` must not raise, and must not block for long."""

    take: Take | None = None

    def _create_socket(self) -> Any:
        sock = super()._create_socket()
        return BufferedSocket(sock) if type(sock) is socket.socket else sock

    def _handle_publish(self) -> MQTTErrorCode:
        take = self.take
        if take is not None and self._protocol == MQTTProtocolVersion.MQTTv5:
            command = self._in_packet["command"]
            parts = plain_publish(self._in_packet["packet"]) if command & _QUALITY == _QUALITY_1 else None
            if parts is not None:
                take(*parts, bool(command & _RETAIN))
                return MQTTErrorCode.MQTT_ERR_SUCCESS
        return super()._handle_publish()


def plain_publish(packet: bytes | bytearray) -> tuple[str, bytes, int] | None:
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
    return topic, bytes(packet[end + 3 :]), packet[end] << 8 | packet[end + 1]
