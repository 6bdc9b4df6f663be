"""The common pack, read quickly; whatever is in any way unusual is left to the strict reader.

Quick means that nothing is looked at twice and nothing is explained: a pack of nothing but numbers (and
``mains``), each channel once, units and ranges right. It answers ``None`` for everything else, good or bad,
and never anything that :func:`monitor.intake.wire.decode_pack` would not have answered; a test holds that.
"""

from __future__ import annotations

import json
import re
from functools import lru_cache
from typing import Any

from monitor.intake.channels import NUMBER_CHANNELS

#: Longer packs are rare enough to be read with care. [bytes]
_MAX_BYTES = 1024

_BLANK_OR_ESCAPE = re.compile(rb"[ \n\t\r\\]").search


def quick_values(payload: bytes, is_node_name: Any) -> tuple[str, dict[str, Any]] | None:
    """(node, fields of a pack), or None when the strict reader should look at it.

    ``is_node_name``: a compiled pattern of node names.
    """
    # Without blanks and escapes every label is followed by `":`, so that their count shows a label that
    # stood twice in a record, or a record in a record; JSON's own reader would keep the last one silently.
    if len(payload) > _MAX_BYTES or _BLANK_OR_ESCAPE(payload):
        return None
    try:
        records = json.loads(payload.decode("ascii"))
    except (ValueError, RecursionError):
        return None
    if type(records) is not list or not records or type(records[0]) is not dict:
        return None
    node = _node(records[0].get("bn"), is_node_name)
    values: dict[str, Any] = {}
    labels = _take_all(records, values)
    if node is None or labels != payload.count(b'":') or "boot" not in values or "seq" not in values:
        return None
    return node, values


def _take_all(records: list[Any], values: dict[str, Any]) -> int:
    """Fill ``values``; returns how many labels there were, -1 when anything is unusual."""
    labels = 0
    base_unit: Any = None
    for record in records:
        if type(record) is not dict:
            return -1
        size = len(record)
        labels += size
        name = record.get("n")
        if type(name) is not str:
            return -1
        unit = record.get("u")
        if size > 2:
            size -= unit is not None
            if "bn" in record:
                if values:
                    return -1
                size -= 1
            if "bu" in record:
                base_unit = record["bu"]
                if type(base_unit) is not str:
                    return -1
                size -= 1
        if size != 2 or name in values:
            return -1
        if name == "mains" and unit is None and type(record.get("vb")) is bool:
            values["mains"] = record["vb"]
        elif not _take_number(name, record.get("v"), unit if unit is not None else base_unit, unit, values):
            return -1
    return labels


def _take_number(name: str, value: Any, unit: Any, own_unit: Any, values: dict[str, Any]) -> bool:
    channel = NUMBER_CHANNELS.get(name)
    if channel is None:
        return False
    attribute, wanted, low, high, per_unit = channel
    kind = type(value)
    if attribute in values or (kind is not float and kind is not int) or not low <= value <= high:
        return False
    if wanted is None:
        if kind is not int or own_unit is not None:
            return False
        values[attribute] = value
    else:
        if unit != wanted:
            return False
        values[attribute] = float(value) / per_unit
    return True


@lru_cache(maxsize=256)
def _node_of(base_name: str, is_node_name: Any) -> str | None:
    node, colon, rest = base_name.partition(":")
    return node if colon and not rest and is_node_name.fullmatch(node) else None


def _node(base_name: Any, is_node_name: Any) -> str | None:
    return _node_of(base_name, is_node_name) if type(base_name) is str else None
