# What goes over the wire: SenML packs in JSON (RFC 8428), and for a serial line the checksum around them.
# See wire_format.md.

import binascii
import json

from node_ring import is_truth

MAX_LINE = 512

_UNITS = {"pressure": "Pa", "heater": "W"}
_DIGITS = {"pressure": 0, "heater": 0}


def _number(value, digits):
    text = "%.*f" % (digits, value)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _seconds(ms):
    # Whole numbers to the end: small boards count only seven digits in a number with a fraction.
    return "%d.%03d" % (ms // 1000, ms % 1000)


def sample_pack(name, boot, seq, uptime_ms, reading, channels):
    """One instant as bytes."""
    parts = [
        '[{"bn":"%s:","n":"boot","v":%d}' % (name, boot),
        '{"n":"seq","v":%d}' % seq,
        '{"n":"uptime","u":"s","v":%s}' % _seconds(uptime_ms),
    ]
    base = '"bu":"Cel",'  # said with the first temperature, so that it does not cover the counts
    for channel in channels:
        value = reading.get(channel)
        if value is None:
            continue
        if is_truth(channel):
            parts.append('{"n":"%s","vb":%s}' % (channel, "true" if value else "false"))
        elif channel in _UNITS:
            text = _number(value, _DIGITS[channel])
            parts.append('{"n":"%s","u":"%s","v":%s}' % (channel, _UNITS[channel], text))
        else:
            parts.append('{%s"n":"%s","v":%s}' % (base, channel, _number(value, 4)))
            base = ""
    if reading.get("water-fault"):
        parts.append('{"n":"water-fault","vs":"%s"}' % reading["water-fault"])
    return (",".join(parts) + "]").encode()


def gone_pack(name, boot, from_seq, count):
    """Answer to a request for samples that are no longer held: so many from there on."""
    form = '[{"bn":"%s:","n":"boot","v":%d},{"n":"resend","v":%d},{"n":"gone","v":%d}]'
    return (form % (name, boot, from_seq, count)).encode()


def frame(payload):
    """A pack as one serial line."""
    return payload + ("*%08x\n" % (binascii.crc32(payload) & 0xFFFFFFFF)).encode()


def unframe(line):
    """The pack in a line, or None when it is damaged."""
    line = line.rstrip(b"\r")
    if len(line) < 10 or line[-9:-8] != b"*":
        return None
    body = line[:-9]
    try:
        check = int(line[-8:], 16)
    except ValueError:
        return None
    return bytes(body) if binascii.crc32(body) & 0xFFFFFFFF == check else None


class Lines:
    """Cuts what comes in, in pieces of any size, into lines; holds at most one."""

    def __init__(self):
        self._held = b""
        self._skip = False

    def feed(self, piece):
        lines = []
        while piece:
            at = piece.find(b"\n")
            part = piece if at < 0 else piece[:at]
            piece = b"" if at < 0 else piece[at + 1 :]
            if not self._skip:
                self._held += part
                if len(self._held) > MAX_LINE:
                    self._held = b""
                    self._skip = True
            if at >= 0:
                if self._held:
                    lines.append(self._held)
                self._held = b""
                self._skip = False
        return lines


def read_ask(payload, name, boot):
    """(stored, resend) of what the collector says to this start of this node; None for what is not said."""
    try:
        records = json.loads(payload)
    except (ValueError, RuntimeError):
        return None, None
    if not isinstance(records, list):
        return None, None
    base = ""
    said = {}
    for record in records:
        if not isinstance(record, dict):
            return None, None
        base = record.get("bn", base)
        full = "%s%s" % (base, record.get("n", ""))
        value = record.get("v")
        if full.startswith(name + ":") and isinstance(value, int) and not isinstance(value, bool) and value >= 0:
            said[full[len(name) + 1 :]] = value
    if said.get("boot") != boot:
        return None, None
    return said.get("stored"), said.get("resend")
