# Run by test_node_checks.py under every interpreter: the first argument is the node's folder, the second a
# file of cases worked out with the reference library.
import json
import sys

sys.path.insert(0, sys.argv[1])
from node_converter import (
    crc8,
    one_wire_C,
    platinum_C,
    read_frame,
    read_registers,
    read_resistance,
    registers_setup,
    resistance_setup,
)
from node_its90 import LINES, emf_mV, straighten, temperature_C

with open(sys.argv[2]) as held:
    cases = json.load(held)
for kind, t_C, mV in cases["emf"]:
    assert abs(emf_mV(kind, t_C) - mV) < 0.0004, (kind, t_C, emf_mV(kind, t_C), mV)
    assert abs(temperature_C(kind, mV) - t_C) < 0.01, (kind, t_C, temperature_C(kind, mV))
for read_C, chip_C, true_C in cases["straight"]:
    assert abs(straighten(read_C, chip_C) - true_C) < 0.002, (read_C, chip_C, straighten(read_C, chip_C))


def frame(water_steps, chip_steps, faults=0):
    bits = (water_steps & 0x3FFF) << 18 | (1 << 16 if faults else 0) | (chip_steps & 0xFFF) << 4 | faults
    return bytes((bits >> 24 & 255, bits >> 16 & 255, bits >> 8 & 255, bits & 255))


good = read_frame(frame(400, 25 * 16))  # says 100.00 with the chip at 25.00
assert good["chip"] == 25.0
assert abs(good["water"] - straighten(100.0, 25.0)) < 1e-6
assert "water-fault" not in good
assert read_frame(frame(-8, 400))["water"] < 0  # two degrees of frost
assert read_frame(frame(400, -16))["chip"] == -1.0
for bit, word in ((1, "open"), (2, "short_to_ground"), (4, "short_to_supply")):
    assert read_frame(frame(400, 400, bit)) == {"chip": 25.0, "water-fault": word}
assert read_frame(frame(4000, 400)) == {"chip": 25.0, "water-fault": "out_of_range"}
for dead in (b"\x00\x00\x00\x00", b"\xff\xff\xff\xff"):
    assert read_frame(dead) == {"water-fault": "out_of_range"}


def registers(water_steps, chip_steps, fault):
    water = (water_steps & 0x7FFFF) << 5
    chip = (chip_steps & 0x3FFF) << 2
    held = {
        0x0C: bytes((water >> 16 & 255, water >> 8 & 255, water & 255)),
        0x0A: bytes((chip >> 8 & 255, chip & 255)),
        0x0F: bytes((fault,)),
    }
    return lambda address, count: held[address][:count]


assert read_registers(registers(94 * 128 + 64, 27 * 64 + 32, 0)) == {"water": 94.5, "chip": 27.5}
assert read_registers(registers(-128, 64, 0)) == {"water": -1.0, "chip": 1.0}
assert read_registers(registers(94 * 128, 27 * 64, 1)) == {"chip": 27.0, "water-fault": "open"}
assert read_registers(registers(94 * 128, 27 * 64, 2)) == {"chip": 27.0, "water-fault": "out_of_range"}
assert read_registers(registers(1300 * 128, 27 * 64, 0)) == {"chip": 27.0, "water-fault": "out_of_range"}
for dead in (b"\x00", b"\xff"):
    assert read_registers(lambda address, count: dead * count) == {"water-fault": "out_of_range"}

# IEC 60751: 100 ohm at 0 degrees, 138.5055 ohm at 100 degrees C, 119.397 at 50 (tables of the standard).
for ohm, t_C in ((100.0, 0.0), (119.3971, 50.0), (138.5055, 100.0)):
    assert abs(platinum_C(ohm / 100.0) - t_C) < 0.001, (ohm, platinum_C(ohm / 100.0))


def resistance(steps, fault):
    raw = steps << 1
    held = {0x01: bytes((raw >> 8, raw & 255)), 0x07: bytes((fault,))}
    return lambda address, count: held[address]


boil = read_resistance(resistance(int(138.5055 / 430.0 * 32768 + 0.5), 0))
assert list(boil) == ["water"] and abs(boil["water"] - 100.0) < 0.02, boil
assert read_resistance(resistance(32767, 0)) == {"water-fault": "open"}
assert read_resistance(resistance(10555, 0x20)) == {"water-fault": "open"}
assert read_resistance(resistance(10555, 0x04)) == {"water-fault": "out_of_range"}
assert read_resistance(resistance(20, 0)) == {"water-fault": "out_of_range"}
assert read_resistance(resistance(0, 0)) == {"water-fault": "out_of_range"}
assert read_resistance(lambda address, count: b"\xff" * count) == {"water-fault": "out_of_range"}

# The start of a converter, by the bits that public drivers of such chips name. Couples: 0x80 goes on by itself, 0x10
# looks for a broken wire, 0x01 filters 50 Hz. Resistance: 0x80 bias, 0x40 goes on by itself, 0x10 three wires, 0x02
# clears faults, 0x01 filters 50 Hz. The numbers of the couples (K 3, T 7) and the mean of four (0x20) are from memory.
assert registers_setup("K", 50) == ((0x00, 0x91), (0x01, 0x23))
assert registers_setup("T", 60) == ((0x00, 0x90), (0x01, 0x27))
assert resistance_setup(4, 50) == ((0x00, 0xC3),)
assert resistance_setup(3, 60) == ((0x00, 0xD2),)

# A couple of type T at 100 degrees gives 4.279 mV (tables of ITS-90), less 0.992 mV at 25 degrees; a converter
# made for it draws the line of 0.05218 mV/K.
shown_C = 25.0 + (4.2785 - 0.9922) / LINES["T"]
steps = int(shown_C / 0.25 + 0.5)
assert abs(read_frame(frame(steps, 25 * 16), "T")["water"] - 100.0) < 0.2

# The one-wire checksum is the remainder of a division by x^8 + x^5 + x^4 + 1, bytes and bits lowest first.


def remainder(raw):
    bits = [byte >> n & 1 for byte in raw for n in range(8)] + [0] * 8
    for at in range(len(raw) * 8):
        if bits[at]:
            for power in (8, 5, 4, 0):
                bits[at + 8 - power] ^= 1
    return sum(bit << n for n, bit in enumerate(bits[-8:]))


for raw in (b"\x01", b"\x80", b"\x28\xa2\xd9\x84\x00\x00\x01", bytes(range(8))):
    assert crc8(raw) == remainder(raw), raw
# The worked example printed with the chips (from memory): 02 1C B8 01 00 00 00 gives A2.
assert remainder(bytes((0x02, 0x1C, 0xB8, 0x01, 0x00, 0x00, 0x00))) == 0xA2
assert crc8(bytes((0x02, 0x1C, 0xB8, 0x01, 0x00, 0x00, 0x00))) == 0xA2


def sensor(steps):
    raw = bytes((steps & 255, steps >> 8 & 255, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10))
    return raw + bytes((crc8(raw),))


assert one_wire_C(sensor(0x0191)) == 25.0625  # the data sheets' table
assert one_wire_C(sensor(0xFF5E)) == -10.125
assert one_wire_C(sensor(0x0550)) is None  # what it says before it has measured
assert one_wire_C(sensor(0x0191)[:-1] + b"\x00") is None
assert one_wire_C(b"\x00" * 9) is None
assert one_wire_C(b"\xff" * 9) is None
print("ok")
