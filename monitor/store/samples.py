"""Sample rows: how a :class:`Sample` lies in its table, and how it comes back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from monitor.record.model import NOTHING, Sample

#: The columns of a sample, in the order of :func:`row_values`; node, boot and seq are the key.
COLUMNS = (
    "node",
    "boot",
    "seq",
    "at_s",
    "arrival_s",
    "uptime_s",
    "late",
    "water_C",
    "water_fault",
    "room_C",
    "pressure_kPa",
    "heater_W",
    "mains",
    "chip_C",
    "water_2_C",
    "jars",
    "lids",
)


SELECT = f"SELECT {', '.join(COLUMNS)} FROM samples"

Row = tuple[Any, ...]


def row_values(node_id: int, sample: Sample, at_s: float, arrival_s: float, late: bool) -> Row:
    """A row for the table; ``at_s`` and ``arrival_s`` are house time. Needs ``boot`` and ``seq``."""
    return (
        node_id,
        sample.boot,
        sample.seq,
        at_s,
        arrival_s,
        sample.uptime_s,
        int(late),
        sample.water_C,
        sample.water_fault,
        sample.room_C,
        sample.pressure_kPa,
        sample.heater_W,
        None if sample.mains is None else int(sample.mains),
        sample.chip_C,
        sample.water_2_C,
        _packed(sample.jars),
        _packed(sample.lids),
    )


def said(row: Row) -> Row:
    """What a repeat must agree on: all that the node itself said. Our own stamps differ at each arrival."""
    return row[5:6] + row[7:]


def row_sample(row: Row, start_s: float) -> Sample:
    """The sample of a row, on the run's own scale.

    Values are cut to what a record's file holds (milliseconds, nine significant digits), so that the live
    engine and ``judge`` on an exported folder see the same numbers.
    """
    (_, boot, seq, at_s, arrival_s, uptime_s, late, water, fault, room, pressure, heater, mains, chip) = row[
        :14
    ]
    water_2, jars, lids = row[14:17]
    return Sample(
        round(at_s - start_s, 3),
        _cut(water),
        fault,
        _cut(room),
        _cut(pressure),
        _cut(heater),
        None if mains is None else bool(mains),
        _cut(chip),
        _cut(water_2),
        boot,
        seq,
        _cut(uptime_s),
        _cut(round(arrival_s - start_s, 3)),
        bool(late),
        {int(key): float(f"{value:.9g}") for key, value in json.loads(jars).items()} if jars else NOTHING,
        {int(key): bool(value) for key, value in json.loads(lids).items()} if lids else NOTHING,
    )


def _cut(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.9g}")


def _packed(values: Mapping[int, Any]) -> str | None:
    if not values:
        return None
    return json.dumps({str(key): values[key] for key in sorted(values)}, separators=(",", ":"))
