# From a converter's bits to a reading. Pure: bytes in, numbers and words out.
#
# Three kinds of one-chip converter are described by what they do; hold your part's data sheet beside the
# tables and change a number where it says otherwise.

from math import sqrt

from node_its90 import LINES, straighten

# Kind A, "one frame": no commands; 32 bits come out at once, most significant first. It draws a straight
# line, has steps of 0.25 K, and tells three faults.
FRAME = {
    "water": (18, 14, 0.25),  # lowest bit, how many bits (with sign), degrees C a step
    "chip": (4, 12, 0.0625),
    "faults": ((0, "open"), (1, "short_to_ground"), (2, "short_to_supply")),
}

# Kind B, "registers": linearised by itself, steps of 1/128 K. Addresses of its registers, what is written at
# the start, and where the bits lie once the bytes of a value are put together, most significant first.
REGISTERS = {
    "write_flag": 0x80,  # added to an address to write
    # Converts without being asked and looks for a broken wire (0x90); 0x01 more rejects the hum of 50 Hz mains
    # instead of that of 60 Hz. Then: averages 4 (0x20) and the couple by its number.
    "mode": (0x00, 0x90, 0x01),
    "couple": (0x01, 0x20, {"B": 0, "E": 1, "J": 2, "K": 3, "N": 4, "R": 5, "S": 6, "T": 7}),
    "water": (0x0C, 3, 5, 19, 0.0078125),  # address, bytes, lowest bit, bits, degrees C a step
    "chip": (0x0A, 2, 2, 14, 0.015625),
    "faults": (0x0F, ((0, "open"), (1, "out_of_range"), (6, "out_of_range"), (7, "out_of_range"))),
}

# Kind C, "resistance": compares a platinum thermometer with a resistor on its board, 15 bits a full scale.
RESISTANCE = {
    "write_flag": 0x80,
    # Current on, converts without being asked, faults cleared (0xC2); 0x01 more for 50 Hz mains; 0x10 more where
    # the thermometer comes with three wires.
    "mode": (0x00, 0xC2, 0x01),
    "three_wires": 0x10,
    "ratio": (0x01, 2, 1, 15),  # address, bytes, lowest bit, bits
    "faults": (0x07, ((2, "out_of_range"), (3, "open"), (4, "open"), (5, "open"))),
    "reference_ohm": 430.0,  # the resistor on the converter's board
    "ice_ohm": 100.0,  # Pt100
}

# Beyond this no kettle is: the wire or the bits are wrong.
LOWEST_C, HIGHEST_C = -20.0, 200.0


def registers_setup(couple, mains_hz, layout=REGISTERS):
    """(register, value) to write at the start, for a converter of kind B."""
    register, base, numbers = layout["couple"]
    return (_mode(mains_hz, layout), (register, base | numbers[couple]))


def resistance_setup(wires, mains_hz, layout=RESISTANCE):
    """(register, value) to write at the start, for a converter of kind C; ``wires`` 2, 3 or 4."""
    register, value = _mode(mains_hz, layout)
    return ((register, value | (layout["three_wires"] if wires == 3 else 0)),)


def _mode(mains_hz, layout):
    register, base, fifty = layout["mode"]
    return register, base | (fifty if mains_hz == 50 else 0)


def signed(value, bits):
    return value - (1 << bits) if value >> (bits - 1) & 1 else value


def _field(raw, low_bit, bits, step):
    return signed(raw >> low_bit & ((1 << bits) - 1), bits) * step


def _big(raw):
    value = 0
    for byte in raw:
        value = value << 8 | byte
    return value


def _first_fault(bits, faults):
    for bit, word in faults:
        if bits >> bit & 1:
            return word
    return None


def _reading(water_C, chip_C, fault):
    reading = {} if chip_C is None else {"chip": chip_C}
    if fault is None and not LOWEST_C <= water_C <= HIGHEST_C:
        fault = "out_of_range"
    if fault is None:
        reading["water"] = water_C
    else:
        reading["water-fault"] = fault  # and no water: a number beside a fault is nobody's temperature
    return reading


def read_frame(raw, kind="K", layout=FRAME):
    """A reading from the four bytes of a converter of kind A."""
    if raw == b"\x00\x00\x00\x00" or raw == b"\xff\xff\xff\xff":
        return {"water-fault": "out_of_range"}  # nothing on the bus: no converter says this
    bits = _big(raw)
    chip_C = _field(bits, *layout["chip"])
    fault = _first_fault(bits, layout["faults"])
    water_C = _field(bits, *layout["water"])
    if fault is None and LOWEST_C <= water_C <= HIGHEST_C:
        water_C = straighten(water_C, chip_C, kind, LINES[kind])
    return _reading(water_C, chip_C, fault)


def read_registers(read, layout=REGISTERS):
    """A reading from a converter of kind B; ``read(address, count)`` gives bytes."""
    address, count, low_bit, bits, step = layout["water"]
    raw_water = read(address, count)
    water_C = _field(_big(raw_water), low_bit, bits, step)
    address, count, low_bit, bits, step = layout["chip"]
    raw_chip = read(address, count)
    chip_C = _field(_big(raw_chip), low_bit, bits, step)
    fault_address, faults = layout["faults"]
    raw_fault = read(fault_address, 1)
    whole = raw_water + raw_chip + raw_fault
    if whole == b"\xff" * len(whole) or whole == b"\x00" * len(whole):
        return {"water-fault": "out_of_range"}  # nothing on the bus
    return _reading(water_C, chip_C, _first_fault(raw_fault[0], faults))


def platinum_C(ratio):
    """Temperature of a platinum thermometer from its resistance over that at the ice point (IEC 60751)."""
    # ratio = 1 + a t + b t**2; below the ice point the standard's third term stays under 0.001 K here.
    a, b = 3.9083e-3, -5.775e-7
    return (-a + sqrt(a * a - 4.0 * b * (1.0 - ratio))) / (2.0 * b)


def read_resistance(read, layout=RESISTANCE):
    """A reading from a converter of kind C; ``read(address, count)`` gives bytes."""
    address, count, low_bit, bits = layout["ratio"]
    raw_ratio = read(address, count)
    steps = _big(raw_ratio) >> low_bit & ((1 << bits) - 1)
    fault_address, faults = layout["faults"]
    raw_fault = read(fault_address, 1)
    whole = raw_ratio + raw_fault
    if whole == b"\xff" * len(whole) or whole == b"\x00" * len(whole):
        return {"water-fault": "out_of_range"}  # nothing on the bus
    if steps >= (1 << bits) - 16:
        return {"water-fault": "open"}  # full scale: no thermometer there
    ratio = steps * layout["reference_ohm"] / ((1 << bits) * layout["ice_ohm"])
    # Some parts tell of a passed threshold too; nobody set one, so those bits are left alone.
    return _reading(platinum_C(ratio), None, _first_fault(raw_fault[0], faults))


# A one-wire sensor (room, jars; never the water at the boil): nine bytes, the temperature in the first two, least
# byte first, in steps of 1/16 K; the last is a checksum. Before its first measurement it says 85 degrees.
ONE_WIRE_STEP_K = 0.0625
ONE_WIRE_UNREADY = 0x0550


def crc8(data):
    """The one-wire checksum: polynomial x8 + x5 + x4 + 1, least bit first. Over data and checksum it is 0."""
    crc = 0
    for byte in data:
        for _ in range(8):
            mix = (crc ^ byte) & 1
            crc >>= 1
            if mix:
                crc ^= 0x8C
            byte >>= 1
    return crc


def one_wire_C(raw):
    """The temperature in a sensor's nine bytes, or None: damaged, not ready, or nobody there."""
    if len(raw) != 9 or crc8(raw) != 0 or not any(raw):
        return None
    steps = raw[0] | raw[1] << 8
    if steps == ONE_WIRE_UNREADY:
        return None
    return signed(steps, 16) * ONE_WIRE_STEP_K
