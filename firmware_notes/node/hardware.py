# The one file that touches pins. Everything else runs, and is tested, without a board.
#
# It names no part: it reads a converter on SPI by the tables of node_converter.py, and a
# barometer on I2C that gives finished pressure, by the table below. Hold your parts' data sheets beside both.

import os
import select
import sys
import time

import machine

from node_converter import (
    REGISTERS,
    RESISTANCE,
    one_wire_C,
    read_frame,
    read_registers,
    read_resistance,
    registers_setup,
    resistance_setup,
)
from node_settings import SETTINGS

ticks_ms = time.ticks_ms
sleep_ms = time.sleep_ms
urandom = getattr(os, "urandom", None)

#: Where this board's counter of milliseconds begins again.
TICKS_WRAP_MS = 1 << 30

# A barometer that measures by itself and keeps the pressure, least byte first, in registers: address on the
# bus, what is written at the start (here: measure once a second), register, bytes, Pa a step.
BAROMETER = {"address": 0x5C, "setup": ((0x10, 0x10),), "pressure": (0x28, 3, 100.0 / 4096.0)}

#: A reading outside is a bus without a barometer, not weather. [Pa]
LOWEST_PA, HIGHEST_PA = 30000, 120000

_spi_pins = SETTINGS["spi"]
_select = machine.Pin(_spi_pins["select_pin"], machine.Pin.OUT, value=1)
_spi = machine.SPI(
    _spi_pins["bus"],
    baudrate=1000000,
    polarity=0,
    phase=0 if SETTINGS["converter"] == "frame" else 1,
    sck=machine.Pin(_spi_pins["clock_pin"]),
    mosi=machine.Pin(_spi_pins["data_out_pin"]),
    miso=machine.Pin(_spi_pins["data_in_pin"]),
)
_i2c = None
if SETTINGS["i2c"]:
    _pins = SETTINGS["i2c"]
    _i2c = machine.I2C(_pins["bus"], scl=machine.Pin(_pins["clock_pin"]), sda=machine.Pin(_pins["data_pin"]))
_mains = None
if SETTINGS["mains_pin"] is not None:
    _mains = machine.Pin(SETTINGS["mains_pin"], machine.Pin.IN, machine.Pin.PULL_UP)
_service = None
if SETTINGS["service_pin"] is not None:
    _service = machine.Pin(SETTINGS["service_pin"], machine.Pin.IN, machine.Pin.PULL_UP)
_wire = None
_sensors = {}
if SETTINGS["one_wire"]:
    import onewire

    _wire = onewire.OneWire(machine.Pin(SETTINGS["one_wire"]["pin"]))
_watchdog = None


def may_run():
    """False while the service pin is joined to ground: then the board stays at its prompt."""
    return _service is None or _service.value() != 0


def sensors():
    """The numbers of the one-wire sensors that answer. Warm one in your hand to know which it is."""
    return ["".join(["%02x" % byte for byte in number]) for number in _wire.scan()]


def channels():
    """What this node measures, in the order of the pack."""
    names = ["water"]
    if SETTINGS["converter"] != "resistance":
        names.append("chip")
    names += sorted(SETTINGS["one_wire"]["sensors"]) if _wire is not None else []
    if _i2c is not None:
        names.append("pressure")
    if _mains is not None:
        names.append("mains")
    return names


def _spi_write(data):
    _select(0)
    _spi.write(bytes(data))
    _select(1)


def _spi_read(address, count):
    _select(0)
    _spi.write(bytes((address,)))
    raw = _spi.read(count)
    _select(1)
    return raw


def _spi_frame():
    _select(0)
    raw = _spi.read(4)
    _select(1)
    return raw


def _set_up():
    if SETTINGS["converter"] == "registers":
        for register, value in registers_setup(SETTINGS["couple"], SETTINGS["mains_hz"]):
            _spi_write((register | REGISTERS["write_flag"], value))
    elif SETTINGS["converter"] == "resistance":
        for register, value in resistance_setup(SETTINGS["wires"], SETTINGS["mains_hz"]):
            _spi_write((register | RESISTANCE["write_flag"], value))
    if _wire is not None:
        _find_sensors()
    if _i2c is not None:
        try:
            for register, value in BAROMETER["setup"]:
                _i2c.writeto_mem(BAROMETER["address"], register, bytes((value,)))
        except OSError:
            pass  # not there: its channel stays empty, which the collector shows


def _pressure_Pa():
    register, count, step = BAROMETER["pressure"]
    try:
        raw = _i2c.readfrom_mem(BAROMETER["address"], register, count)
    except OSError:
        return None
    value = 0
    for byte in reversed(raw):
        value = value << 8 | byte
    pressure_Pa = value * step
    return pressure_Pa if LOWEST_PA <= pressure_Pa <= HIGHEST_PA else None


def _find_sensors():
    found = _wire.scan()
    for channel, number in SETTINGS["one_wire"]["sensors"].items():
        if number is None:
            # The only one there is; with several nobody can say which.
            _sensors[channel] = found[0] if len(found) == 1 else None
        else:
            _sensors[channel] = bytes([int(number[at : at + 2], 16) for at in range(0, 16, 2)])
    _measure_all()


def _measure_all():
    """Let every sensor begin: it takes them 0.75 s, so that a reading is of the second before."""
    _wire.reset()
    _wire.writebyte(0xCC)  # to all
    _wire.writebyte(0x44)  # measure


def _one_wire(reading):
    for channel, number in _sensors.items():
        reading[channel] = None
        if number is None or not _wire.reset():
            continue
        _wire.select_rom(number)
        _wire.writebyte(0xBE)  # say it
        raw = bytearray(9)
        _wire.readinto(raw)
        reading[channel] = one_wire_C(raw)
    _measure_all()


def read():
    """One reading of everything: channel -> value."""
    if SETTINGS["converter"] == "registers":
        reading = read_registers(_spi_read)
    elif SETTINGS["converter"] == "resistance":
        reading = read_resistance(_spi_read)
    else:
        reading = read_frame(_spi_frame(), SETTINGS["couple"])
    if _i2c is not None:
        reading["pressure"] = _pressure_Pa()
    if _wire is not None:
        _one_wire(reading)
    if _mains is not None:
        reading["mains"] = not _mains.value()
    return reading


class _UsbPort:
    """The board's own USB line. A byte 3 in what comes must not stop the program."""

    def __init__(self):
        import micropython

        micropython.kbd_intr(-1)
        self._poll = select.poll()
        self._poll.register(sys.stdin, select.POLLIN)
        self._out = select.poll()
        self._out.register(sys.stdout, select.POLLOUT)

    def read(self):
        heard = b""
        while len(heard) < 256 and self._poll.poll(0):
            heard += sys.stdin.buffer.read(1)
        return heard

    def write(self, data):
        # A line that nobody takes is dropped, not waited for: the collector asks for it again.
        try:
            if self._out.poll(0):
                sys.stdout.buffer.write(data)
        except OSError:
            pass


def serial_port():
    return _UsbPort()


def network_up():
    """Join the wireless network; True once it is there. Called again and again."""
    import network

    station = network.WLAN(network.STA_IF)
    if station.isconnected():
        return True
    if not station.active():
        station.active(True)
    wifi = SETTINGS["wifi"]
    try:
        if station.status() != network.STAT_CONNECTING:
            station.connect(wifi["name"], wifi["password"])
    except OSError:
        pass
    return False


def feed_watchdog():
    """Started at the first call: from then on a program that hangs is started anew within 8 s."""
    global _watchdog
    if _watchdog is None:
        _watchdog = machine.WDT(timeout=8000)
    _watchdog.feed()


_set_up()
