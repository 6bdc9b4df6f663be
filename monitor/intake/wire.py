"""The wire: bytes to :class:`Pack` and back. Pure; no port, no socket, no clock.

A pack is one instant of one node. What the standard allows and this project has no use for is ignored; what
could invent or bend a measurement is refused whole, with one line that says what was wrong: a doubtful pack
is worth less than the re-sent one. ``firmware_notes/wire_format.md`` says the same to people who build nodes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

from monitor.errors import WireFormatError
from monitor.intake.channels import FAULTS, JAR_CHANNEL, NUMBER_CHANNELS, NUMBERED, Channel, check_number
from monitor.intake.quick import quick_values
from monitor.intake.senml import Record, read_json, resolve, show

#: Names become topic levels and folder names: letters, digits, ``.``, ``_``, ``-``; at most 64.
NODE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")

#: RFC 8428 section 4.5.3: resolved times from here on are Unix times, below it they are relative to now.
_UNIX_FROM_S = float(1 << 28)
_LATEST_UNIX_S = 4e9
_OLDEST_S = 1e6

_TALK = ("stored", "resend", "gone")


_NO_JARS: Mapping[int, float] = MappingProxyType({})
_NO_LIDS: Mapping[int, bool] = MappingProxyType({})


class Pack(NamedTuple):
    """One pack in the record's units (°C, kPa, W, s). Missing is ``None``, never zero.

    ``age_s`` is how long before sending the instant was (SenML's relative ``t``, made positive);
    ``taken_unix_s`` the node's own wall clock, where it has one: for people, never for durations.
    ``gone`` samples, from ``resend`` on, are no longer held by the node. ``stored`` and ``resend`` without
    ``gone`` are what the collector says. ``unknown`` lists record names of which this version knows nothing.
    """

    node: str
    boot: int | None = None
    seq: int | None = None
    uptime_s: float | None = None
    age_s: float = 0.0
    taken_unix_s: float | None = None
    water_C: float | None = None
    water_fault: str | None = None
    room_C: float | None = None
    pressure_kPa: float | None = None
    heater_W: float | None = None
    mains: bool | None = None
    chip_C: float | None = None
    water_2_C: float | None = None
    jars: Mapping[int, float] = _NO_JARS
    lids: Mapping[int, bool] = _NO_LIDS
    gone: int | None = None
    stored: int | None = None
    resend: int | None = None
    unknown: tuple[str, ...] = ()


def decode_pack(payload: bytes, node: str | None = None) -> Pack:
    """Read one SenML pack.

    Parameters
    ----------
    payload : bytes
        UTF-8 JSON text, without a serial line's checksum.
    node : str, optional
        The node that the topic names; a pack that says another name is refused.

    Raises
    ------
    WireFormatError
        For anything else than one well-formed pack of one instant, one node and one ``boot``. Nothing else
        escapes, whatever the bytes.
    """
    quick = quick_values(payload, NODE_NAME)
    pack = decode_strictly(payload) if quick is None else Pack(quick[0], **quick[1])
    if node is not None and pack.node != node:
        raise WireFormatError(f"the topic names node {show(node)} but the pack says {show(pack.node)}")
    return pack


def decode_strictly(payload: bytes) -> Pack:
    """As :func:`decode_pack`, record by record, and the one that says what is wrong."""
    builder = _Builder()
    for record in resolve(read_json(payload)):
        builder.take(record)
    return builder.finish()


def identity_of_refused(payload: bytes) -> tuple[str, int, int] | None:
    """(node, boot, seq) of a pack that :func:`decode_pack` refuses for its values, where they can be read.

    A refused sample that is only counted would be asked for again without end; with this its place in the
    sequence can be closed as refused.
    """
    try:
        records = read_json(payload)
    except WireFormatError:
        return None
    base = ""
    nodes: set[str] = set()
    found: dict[str, int] = {}
    for record in records:
        base, name = record.get("bn", base), record.get("n", "")
        if not isinstance(base, str) or not isinstance(name, str):
            return None
        node, _, channel = (base + name).partition(":")
        nodes.add(node)
        if channel in ("boot", "seq"):
            count = record.get("v")
            limit = NUMBER_CHANNELS[channel].high
            if channel in found or type(count) is not int or not 0 <= count <= limit:
                return None
            found[channel] = count
    only = nodes.pop()
    if nodes or not NODE_NAME.fullmatch(only) or len(found) != 2:
        return None
    return only, found["boot"], found["seq"]


class _Builder:
    """Gathers the records of one pack."""

    def __init__(self) -> None:
        self._node: str | None = None
        self._time_s: float = 0.0
        self._values: dict[str, Any] = {}
        self._jars: dict[int, float] = {}
        self._lids: dict[int, bool] = {}
        self._seen: set[str] = set()
        self._unknown: list[str] = []

    def take(self, record: Record) -> None:
        node, _, channel = record.name.partition(":")
        if self._node is None:
            if not NODE_NAME.fullmatch(node):
                raise WireFormatError(f"{show(node)} cannot be a node's name")
            self._node, self._time_s = node, record.time_s
        if node != self._node:
            raise WireFormatError(f"two nodes in one pack: {show(self._node)} and {show(node)}")
        if record.time_s != self._time_s:
            raise WireFormatError("records of different times in one pack; a pack is one instant")
        if not channel:
            raise WireFormatError(f"{show(record.name)} is not a node's name, a colon and a record's name")
        if channel in self._seen:
            raise WireFormatError(f"{show(channel)} twice in one pack; a pack is one instant")
        self._seen.add(channel)
        self._store(channel, record)

    def _store(self, channel: str, record: Record) -> None:
        known = NUMBER_CHANNELS.get(channel)
        if known is not None:
            self._values[known.attribute] = _number(channel, known, record)
        elif numbered := NUMBERED.fullmatch(channel):
            if numbered[1] == "jar":
                self._jars[int(numbered[2])] = _number(channel, JAR_CHANNEL, record)
            else:
                self._lids[int(numbered[2])] = _truth(channel, record)
        elif channel == "mains":
            self._values["mains"] = _truth(channel, record)
        elif channel == "water-fault":
            self._values["water_fault"] = _fault(record)
        else:
            self._unknown.append(channel)

    def finish(self) -> Pack:
        assert self._node is not None, "a pack has at least one record"
        if "boot" not in self._values:
            raise WireFormatError("the pack has no boot")
        if "seq" not in self._values and not any(word in self._values for word in _TALK):
            raise WireFormatError("the pack has no seq")
        age_s, taken_unix_s = _moment(self._time_s)
        return Pack(
            self._node,
            age_s=age_s,
            taken_unix_s=taken_unix_s,
            jars=MappingProxyType(self._jars),
            lids=MappingProxyType(self._lids),
            unknown=tuple(self._unknown),
            **self._values,
        )


def _number(channel: str, known: Channel, record: Record) -> float:
    if record.label != "v":
        raise WireFormatError(f'{channel} must be a number ("v")')
    if known.unit is None:
        # A base unit meant for the temperatures of the pack does no harm to a count; a unit of its own does.
        if record.unit not in (None, "", "/", "count"):
            raise WireFormatError(f"{channel} is a count and has no unit, got {show(record.unit or '')}")
    else:
        unit = record.unit if record.unit is not None else record.base_unit
        if unit != known.unit:
            said = f"got {show(unit)}" if unit is not None else "got none"
            raise WireFormatError(f"{channel} must be in {known.unit}, {said}")
    check_number(channel, record.value, known)
    return int(record.value) if known.unit is None else float(record.value) / known.per_unit


def _truth(channel: str, record: Record) -> bool:
    if record.label != "vb":
        raise WireFormatError(f'{channel} must be true or false ("vb")')
    return bool(record.value)


def _fault(record: Record) -> str | None:
    if record.label == "vs" and record.value == "":
        return None
    if record.label != "vs" or record.value not in FAULTS:
        raise WireFormatError(
            f"water-fault must be one of {', '.join(FAULTS)}; got {show(repr(record.value))}"
        )
    return str(record.value)


def _moment(time_s: float) -> tuple[float, float | None]:
    """(age_s, taken_unix_s) of a resolved SenML time."""
    if time_s >= _UNIX_FROM_S:
        if time_s > _LATEST_UNIX_S:
            raise WireFormatError(f"the time {time_s:.10g} s lies beyond the year 2096")
        return 0.0, time_s
    if time_s > 0.0:
        raise WireFormatError(
            f"the time {time_s:.10g} s means later than now; seconds since the node's start go into uptime"
        )
    if time_s < -_OLDEST_S:
        raise WireFormatError(f"the time {time_s:.10g} s is more than eleven days ago")
    return 0.0 - time_s, None


def encode_pack(pack: Pack) -> bytes:
    """A pack as a node would say it (for simulated nodes; the reference node has its own writer).

    Raises
    ------
    WireFormatError
        When the node's name cannot stand on the wire, or the pack says nothing.
    """
    if not NODE_NAME.fullmatch(pack.node):
        raise WireFormatError(f"{show(pack.node)} cannot be a node's name: letters, digits, '.', '_', '-'")
    records: list[dict[str, Any]] = []
    for channel in ("boot", "seq", *_TALK):
        count = getattr(pack, channel)
        if count is not None:
            records.append({"n": channel, "v": count})
    if pack.uptime_s is not None:
        records.append({"n": "uptime", "u": "s", "v": round(pack.uptime_s, 3)})
    records += _measurements(pack)
    if not records:
        raise WireFormatError("an empty pack says nothing")
    first: dict[str, Any] = {"bn": f"{pack.node}:"}
    if pack.age_s or pack.taken_unix_s is not None:
        first["bt"] = pack.taken_unix_s if pack.taken_unix_s is not None else -pack.age_s
    records[0] = {**first, **records[0]}
    return json.dumps(records, separators=(",", ":"), allow_nan=False).encode()


def _measurements(pack: Pack) -> list[dict[str, Any]]:
    temperatures = [
        (channel, value)
        for channel in ("water", "water-2", "chip", "room")
        if (value := getattr(pack, NUMBER_CHANNELS[channel].attribute)) is not None
    ] + [(f"jar-{jar}", value) for jar, value in sorted(pack.jars.items())]
    # The base unit comes only with the first temperature, so that it covers no count before it.
    records: list[dict[str, Any]] = [
        {**({} if place else {"bu": "Cel"}), "n": channel, "v": round(value, 4)}
        for place, (channel, value) in enumerate(temperatures)
    ]
    if pack.pressure_kPa is not None:
        records.append({"n": "pressure", "u": "Pa", "v": round(pack.pressure_kPa * 1000.0, 1)})
    if pack.heater_W is not None:
        records.append({"n": "heater", "u": "W", "v": round(pack.heater_W, 1)})
    if pack.mains is not None:
        records.append({"n": "mains", "vb": pack.mains})
    records += [{"n": f"lid-{lid}", "vb": down} for lid, down in sorted(pack.lids.items())]
    if pack.water_fault is not None:
        records.append({"n": "water-fault", "vs": pack.water_fault})
    return records


def encode_ask(node: str, boot: int, *, stored: int | None = None, resend: int | None = None) -> bytes:
    """What the collector says to a node: stored up to a number, or send again from a number, or both."""
    return encode_pack(Pack(node, boot=boot, stored=stored, resend=resend))
