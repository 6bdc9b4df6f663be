"""The channels a node can speak of: name, unit on the wire, range, and the field of the record it fills."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from monitor.errors import WireFormatError
from monitor.intake.senml import show


class Channel(NamedTuple):
    """What a number of one name must look like on the wire, and where it goes in a pack."""

    attribute: str
    #: SenML unit; None for a count.
    unit: str | None
    low: float
    high: float
    #: So many of the wire's unit are one of the record's (Pa, kPa). Divided, 83 100 Pa are 83.1 kPa to the last bit.
    per_unit: float = 1.0


_COUNT_LIMIT = (1 << 32) - 1

# Ranges are what the physical world allows on a stove, widely drawn: a number outside is a mistake of unit
# or of wiring (a node says that itself, as water-fault). Pressure spans 9 km of altitude and any weather.
NUMBER_CHANNELS: Final[Mapping[str, Channel]] = MappingProxyType(
    {
        "water": Channel("water_C", "Cel", -60.0, 400.0),
        "water-2": Channel("water_2_C", "Cel", -60.0, 400.0),
        "room": Channel("room_C", "Cel", -60.0, 100.0),
        "chip": Channel("chip_C", "Cel", -60.0, 150.0),
        "pressure": Channel("pressure_kPa", "Pa", 30_000.0, 120_000.0, 1000.0),
        "heater": Channel("heater_W", "W", 0.0, 50_000.0),
        "uptime": Channel("uptime_s", "s", 0.0, 4e9),
        **{
            name: Channel(name, None, 0, _COUNT_LIMIT) for name in ("boot", "seq", "gone", "stored", "resend")
        },
    }
)
JAR_CHANNEL: Final = Channel("jars", "Cel", -60.0, 400.0)

#: ``jar-1`` to ``jar-99`` (a number), ``lid-1`` to ``lid-99`` (true or false).
NUMBERED: Final = re.compile(r"(jar|lid)-([1-9][0-9]?)")

FAULTS: Final = ("open", "short_to_ground", "short_to_supply", "out_of_range")

#: Units in which a mapped plain number may come: SenML's unit, factor and offset into it.
NUMBER_UNITS: Final[Mapping[str, tuple[str, float, float]]] = MappingProxyType(
    {
        "Cel": ("Cel", 1.0, 0.0),
        "degF": ("Cel", 5.0 / 9.0, -160.0 / 9.0),
        "K": ("Cel", 1.0, -273.15),
        "Pa": ("Pa", 1.0, 0.0),
        "hPa": ("Pa", 100.0, 0.0),
        "kPa": ("Pa", 1000.0, 0.0),
        "W": ("W", 1.0, 0.0),
        "kW": ("W", 1000.0, 0.0),
    }
)

_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]{1,12}(\.[0-9]{0,12})?([eE][+-]?[0-9]{1,2})?")


def check_number(channel: str, value: float, known: Channel) -> None:
    """Range and wholeness.

    Raises
    ------
    WireFormatError
        Naming the value, its unit and the limits.
    """
    unit = f" {known.unit}" if known.unit else ""
    if not known.low <= value <= known.high:
        limits = f"{known.low:.10g} to {known.high:.10g}{unit}"
        raise WireFormatError(f"{channel} {value:.10g}{unit} is outside {limits}")
    if known.unit is None and value != int(value):
        raise WireFormatError(f"{channel} must be a whole number, got {value:.10g}")


def measured_channel(channel: str) -> Channel:
    """The channel of a measurement in a unit.

    Raises
    ------
    WireFormatError
        When there is none of that name.
    """
    numbered = NUMBERED.fullmatch(channel)
    known = JAR_CHANNEL if numbered and numbered[1] == "jar" else NUMBER_CHANNELS.get(channel)
    if known is None or known.unit is None or channel == "uptime":
        raise WireFormatError(
            f"{show(channel)} is not a channel that a plain number can fill",
            "Use water, water-2, room, chip, pressure, heater or jar-1 to jar-99.",
        )
    return known


def decode_value(payload: bytes, channel: str, unit: str | None = None) -> Mapping[str, Any]:
    """A plain number in ``unit`` (None: the channel's wire unit), as the field of a pack that it fills.

    >>> dict(decode_value(b"832.5", "pressure", "hPa"))
    {'pressure_kPa': 83.25}

    Raises
    ------
    WireFormatError
        When the payload is not one plain number, or not in the channel's range.
    """
    known = measured_channel(channel)
    text = payload[:65].decode("ascii", "replace").strip()
    if len(payload) > 64 or not _PLAIN_NUMBER.fullmatch(text):
        raise WireFormatError(f"{channel}: expected one plain number, got {show(text)}")
    wire_unit, factor, offset = NUMBER_UNITS[unit or str(known.unit)]
    if known.unit != wire_unit:
        raise WireFormatError(f"{channel} is in {known.unit}; {unit} cannot be turned into that")
    value = float(text) * factor + offset
    check_number(channel, value, known)
    number = round(value, 6) / known.per_unit
    if known is JAR_CHANNEL:
        return {"jars": {int(channel.removeprefix("jar-")): number}}
    return {known.attribute: number}
