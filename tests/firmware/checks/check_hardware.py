# Run by test_node_checks.py under every interpreter: the first argument is the node's folder. There is no
# board here: a board's buses are played by register tables, so that the edge file's own steps are run.
import sys

sys.path.insert(0, sys.argv[1])

WRITES = []
CONVERTER = {0x01: bytes((0x52, 0x76)), 0x07: b"\x00", 0x0C: bytes((0x05, 0xE4, 0x00)), 0x0A: bytes((0x1B, 0x80)), 0x0F: b"\x00"}  # 94.25, 27.5, none
BAROMETER = {0x28: bytes((0x00, 0x00, 0x34))}  # 832.00 hPa in steps of 1/4096 hPa, least byte first


#: The optocoupler pulls its pin down: the outlet has power. Nothing is joined to the service pin.
LEVELS = {22: 0}


class Pin:
    IN, OUT, PULL_UP = 0, 1, 2

    def __init__(self, number, *how, **more):
        self.number = number
        self.level = 1

    def __call__(self, level):
        self.level = level

    def value(self):
        return LEVELS.get(self.number, 1)


class SPI:
    def __init__(self, bus, **how):
        self._address = None

    def write(self, data):
        if len(data) == 1:
            self._address = data[0]
        else:
            WRITES.append(tuple(data))

    def read(self, count):
        if self._address is None:
            return bytes((0x06, 0x40, 0x19, 0x00))  # the one frame: 100.00, 25.00
        return CONVERTER[self._address][:count]


class I2C:
    def __init__(self, bus, **how):
        pass

    def writeto_mem(self, address, register, data):
        if address != 0x5C:
            raise OSError(19)

    def readfrom_mem(self, address, register, count):
        if address != 0x5C:
            raise OSError(19)
        return BAROMETER[register][:count]


class WDT:
    fed = 0

    def __init__(self, timeout):
        assert timeout == 8000

    def feed(self):
        WDT.fed += 1


# Two sensors at 21.5 and -1.25 degrees, each with a checksum; the wire is heard and said byte by byte.
SCRATCHPADS = {b"\x28\xff\x64\x1e\x82\x16\x03\x61": bytes((0x58, 0x01, 0, 0, 0, 0, 0, 0)), b"\x28\xff\x4a\x7b\x92\x16\x04\x5c": bytes((0xEC, 0xFF, 0, 0, 0, 0, 0, 0))}
SAID = []


class OneWire:
    here = True

    def __init__(self, pin):
        self._chosen = None

    def scan(self):
        return [bytearray(number) for number in sorted(SCRATCHPADS)]

    def reset(self, required=False):
        return self.here

    def select_rom(self, number):
        self._chosen = bytes(number)

    def writebyte(self, byte):
        SAID.append(byte)

    def readinto(self, raw):
        held = SCRATCHPADS[self._chosen]
        raw[:] = held + bytes((crc8(held),))


class onewire:
    pass


onewire.OneWire = OneWire
sys.modules["onewire"] = onewire


class machine:
    pass


for thing in (Pin, SPI, I2C, WDT):
    setattr(machine, thing.__name__, thing)
sys.modules["machine"] = machine

import time

if not hasattr(time, "ticks_ms"):  # not under CPython
    time.ticks_ms = lambda: int(time.monotonic() * 1000)
    time.sleep_ms = lambda ms: time.sleep(ms / 1000)

from node_converter import crc8
from node_settings import SETTINGS

SETTINGS["mains_pin"] = 22
SETTINGS["couple"] = "T" if sys.argv[2] == "registers" else "K"
SETTINGS["one_wire"] = {"pin": 15, "sensors": {"room": "28ff641e82160361", "jar-1": "28ff4a7b9216045c"}}
SETTINGS["converter"] = sys.argv[2]
import hardware

platinum = sys.argv[2] == "resistance"
assert hardware.channels() == (["water"] if platinum else ["water", "chip"]) + ["jar-1", "room", "pressure", "mains"]
assert hardware.sensors() == ["28ff4a7b9216045c", "28ff641e82160361"]
assert SAID == [0xCC, 0x44], "they measure from the start"
reading = hardware.read()
assert (reading.pop("room"), reading.pop("jar-1")) == (21.5, -1.25)
assert SAID[2:] == [0xBE, 0xBE, 0xCC, 0x44], "read, and measure anew for the next sample"
OneWire.here = False
assert hardware.read()["room"] is None
OneWire.here = True
assert hardware.may_run()
LEVELS[21] = 0
assert not hardware.may_run()
if sys.argv[2] == "registers":
    assert WRITES == [(0x80, 0x91), (0x81, 0x27)], WRITES
    assert reading == {"water": 94.25, "chip": 27.5, "pressure": 83200.0, "mains": True}, reading
    CONVERTER[0x0F] = b"\x01"
    assert hardware.read()["water-fault"] == "open"
elif platinum:
    assert WRITES == [(0x80, 0xC3)], WRITES
    assert abs(reading["water"] - 100.0) < 0.05 and "chip" not in reading, reading
else:
    assert WRITES == []
    assert reading["chip"] == 25.0 and abs(reading["water"] - 99.99) < 0.02, reading
BAROMETER[0x28] = b"\x00\x00\x00"
assert hardware.read()["pressure"] is None
hardware.BAROMETER["address"] = 0x76
assert hardware.read()["pressure"] is None
hardware.feed_watchdog()
hardware.feed_watchdog()
assert WDT.fed == 2
print("ok")
