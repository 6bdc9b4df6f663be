"""Lines on a serial wire: the JSON, ``*``, eight hexadecimal digits of its CRC-32, newline. Pure.

The checksum is the CRC-32 of ISO/IEC 3309 (the one of Ethernet, gzip and PNG) over the bytes before ``*``.
"""

from __future__ import annotations

import binascii
import re
from dataclasses import dataclass

from monitor.errors import WireFormatError

#: Longest line, newline included. [bytes]
MAX_LINE_BYTES = 512

#: Of bytes that are refused, so much is kept to be looked at. [bytes]
KEEP_REFUSED_BYTES = 200

_FRAMED = re.compile(rb"(.*)\*([0-9A-Fa-f]{8})", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its body when ``why`` is empty, else the first bytes of what was refused and the reason."""

    body: bytes
    why: str = ""


def frame(payload: bytes) -> bytes:
    """A pack as one line.

    Raises
    ------
    WireFormatError
        When it would be longer than a line may be.
    """
    line = payload + b"*%08x\n" % binascii.crc32(payload)
    if b"\n" in payload or len(line) > MAX_LINE_BYTES:
        raise WireFormatError(f"a line of {len(line)} bytes; it may have {MAX_LINE_BYTES}, and one newline")
    return line


def unframe(line: bytes) -> Line:
    """Check one line (newline already cut off; a carriage return before it is forgiven)."""
    line = line.removesuffix(b"\r")
    parts = _FRAMED.fullmatch(line)
    if parts is None:
        return Line(line[:KEEP_REFUSED_BYTES], "no checksum at the end of the line")
    body = parts[1]
    if binascii.crc32(body) != int(parts[2], 16):
        return Line(line[:KEEP_REFUSED_BYTES], "the checksum does not match")
    return Line(body)


class LineSplitter:
    """Cuts a stream of bytes, in pieces of any size, into checked lines.

    Survives what a cable does: a first line that is half, lost newlines, noise at the wrong speed, a
    megabyte without a newline. Never holds more than one line in memory.
    """

    def __init__(self) -> None:
        self._held = bytearray()
        self._skipping = False

    def reset(self) -> None:
        """Forget a half line: the port was opened anew."""
        self._held.clear()
        self._skipping = False

    def feed(self, piece: bytes) -> list[Line]:
        """Lines completed by ``piece``, refused ones included. Empty lines are nothing."""
        lines: list[Line] = []
        *ended, rest = piece.split(b"\n")
        for part in ended:
            self._hold(part, lines)
            if not self._skipping and self._held.strip(b"\r"):
                lines.append(unframe(bytes(self._held)))
            self.reset()
        self._hold(rest, lines)
        return lines

    def _hold(self, part: bytes, lines: list[Line]) -> None:
        if self._skipping:
            return
        # The newline is the line's last byte, a forgiven carriage return one more.
        room = MAX_LINE_BYTES - len(self._held)
        self._held += part[: room + 1]
        if len(self._held) > MAX_LINE_BYTES:
            lines.append(Line(bytes(self._held[:KEEP_REFUSED_BYTES]), f"longer than {MAX_LINE_BYTES} bytes"))
            self._held.clear()
            self._skipping = True
