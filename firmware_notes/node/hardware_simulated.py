# In place of hardware.py, on a computer: the node program with invented readings, for tests and trials.
#
#   micropython host_run.py serial --name kettle-1              (talks on its standard input and output)
#   micropython host_run.py mqtt --name kettle-1 --mqtt 127.0.0.1:1883
#
# Readings come from a file of rows ("t_s,water,room,..." as the first line; "water-fault" may be a column),
# one row a sample, the last one held; without a file from a plain kettle that heats and then boils.

import os
import select
import sys
import time

TICKS_WRAP_MS = 1 << 30

_rows = []
_names = []
_at = 0


def ticks_ms():
    if hasattr(time, "ticks_ms"):
        return time.ticks_ms()
    return int(time.monotonic() * 1000)


def sleep_ms(ms):
    time.sleep(ms / 1000)


def urandom(count):
    return os.urandom(count)


def load(path):
    """Read the rows to be said."""
    global _names
    with open(path) as held:
        lines = [line.strip() for line in held if line.strip()]
    _names = lines[0].split(",")[1:]
    for line in lines[1:]:
        _rows.append(line.split(",")[1:])


def channels():
    if _names:
        return [name for name in _names if name != "water-fault"]
    return ["water", "chip", "room", "pressure"]


def read():
    global _at
    here = _at
    _at += 1
    if not _rows:
        # 2 kW into 12 kg of water from 20 degrees, at 1650 m; a boil that jitters a little.
        water = min(20.0 + here * 2000.0 / (12.0 * 4186.0), 94.5)
        return {"water": water + (here % 5 - 2) * 0.02, "chip": 27.5, "room": 21.0, "pressure": 83100.0}
    reading = {}
    for name, text in zip(_names, _rows[min(here, len(_rows) - 1)]):
        if not text:
            continue
        if name == "water-fault":
            reading[name] = text
        elif text in ("true", "false"):
            reading[name] = text == "true"
        else:
            reading[name] = float(text)
    return reading


class _Pipe:
    def __init__(self):
        self._poll = select.poll()
        self._poll.register(sys.stdin, select.POLLIN)
        self._out = select.poll()
        self._out.register(sys.stdout, select.POLLOUT)

    def read(self):
        heard = b""
        while len(heard) < 256 and self._poll.poll(0):
            byte = sys.stdin.buffer.read(1)
            if not byte:
                break
            heard += byte
        return heard

    def write(self, data):
        # A line that nobody takes is dropped, not waited for: the collector asks for it again.
        try:
            if self._out.poll(0):
                sys.stdout.buffer.write(data)
                if hasattr(sys.stdout.buffer, "flush"):
                    sys.stdout.buffer.flush()
        except OSError:
            pass


def serial_port():
    return _Pipe()


def network_up():
    return True


def feed_watchdog():
    pass
