"""SenML in JSON, as RFC 8428 has it: bytes to resolved records. Pure, and strict where it matters.

Strict means: a duplicate label, ``NaN``, a number beyond any float, a boolean as a number or a label that
must be understood refuses the pack. Labels and records that are merely unknown are left alone.

References
----------
.. [1] RFC 8428, Sensor Measurement Lists (SenML), 2018, sections 4 and 5.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from typing import Any, Final, NamedTuple, NoReturn

from monitor.errors import WireFormatError

#: A pack larger than this is refused unread: some 200 records fit, a megabyte of noise does not. [bytes]
MAX_PACK_BYTES: Final = 8192

#: Section 4.5.1: the characters of a resolved name, the first a letter or a digit.
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")

_NUMBERS = frozenset(("bt", "bv", "bs", "v", "s", "t", "ut"))
_STRINGS = frozenset(("bn", "bu", "n", "u", "vs", "vd"))
_VALUES = ("v", "vs", "vb", "vd")


class Record(NamedTuple):
    """One resolved record. ``label`` says which kind of value: ``v``, ``vs``, ``vb``, ``vd`` or ``s``."""

    name: str
    label: str
    value: Any
    #: Its own unit, or None.
    unit: str | None
    #: The base unit in force, or None.
    base_unit: str | None
    #: Base time plus time; from 2**28 on Unix time, below it relative to now. [s]
    time_s: float


def show(what: str | bytes) -> str:
    """At most 40 characters of anything, quoted, printable ASCII whatever it was."""
    text = what[:41].decode("utf-8", "replace") if isinstance(what, bytes) else what[:41]
    return ascii(text if len(text) <= 40 else text[:40] + "...")


def read_json(payload: bytes) -> list[dict[str, Any]]:
    """The records as written, not yet resolved.

    Raises
    ------
    WireFormatError
        When the bytes are not a JSON array of at least one object, or too many. Nothing else escapes.
    """
    if len(payload) > MAX_PACK_BYTES:
        raise WireFormatError(f"a pack of {len(payload)} bytes; at most {MAX_PACK_BYTES} are read")
    try:
        pack = _decoder.decode(payload.decode("utf-8"))
    except _RefusedText as trouble:
        raise WireFormatError(f"not a SenML pack: {trouble}") from None
    except UnicodeDecodeError:
        raise WireFormatError(f"not UTF-8 text: {show(payload)}") from None
    except (ValueError, RecursionError):
        raise WireFormatError(f"not JSON: {show(payload)}") from None
    if not isinstance(pack, list) or not pack or not all(isinstance(record, dict) for record in pack):
        raise WireFormatError("a SenML pack is a JSON array of at least one record")
    return pack


def resolve(records: list[dict[str, Any]]) -> Iterator[Record]:
    """Base fields applied (section 4.6), labels and types checked, record by record.

    Raises
    ------
    WireFormatError
        At the first record that the standard does not allow.
    """
    base_name, base_unit = "", None
    base_time: float = 0
    base_value: float = 0
    for record in records:
        _check_labels(record)
        base_name = record.get("bn", base_name)
        base_unit = record.get("bu", base_unit)
        base_time = record.get("bt", base_time)
        base_value = record.get("bv", base_value)
        name = base_name + record.get("n", "")
        if not _NAME.fullmatch(name):
            raise WireFormatError(f"{show(name)} is not a SenML name")
        given = [label for label in _VALUES if label in record]
        if len(given) > 1 or not (given or "s" in record):
            raise WireFormatError(f"{show(name)} must carry exactly one value")
        label = given[0] if given else "s"
        value = record[label] + base_value if label == "v" else record[label]
        time_s = float(base_time + record.get("t", 0))
        yield Record(name, label, value, record.get("u"), base_unit, time_s)


def _check_labels(record: dict[str, Any]) -> None:
    for label, value in record.items():
        if label in _NUMBERS:
            if not _is_number(value):
                raise WireFormatError(f'"{label}" must be a finite number, got {show(repr(value))}')
        elif label in _STRINGS:
            if not isinstance(value, str):
                raise WireFormatError(f'"{label}" must be a string, got {show(repr(value))}')
        elif label == "vb":
            if not isinstance(value, bool):
                raise WireFormatError(f'"vb" must be true or false, got {show(repr(value))}')
        elif label == "bver":
            if type(value) is not int or value != 10:
                raise WireFormatError(f"SenML version {show(repr(value))}; this reads version 10")
        elif label.endswith("_"):
            # Section 4.4: such a label must be understood, or the pack refused.
            raise WireFormatError(f"the label {show(label)} must be understood and is not known here")


def _is_number(value: object) -> bool:
    """A finite JSON number of sane size; ``true`` is none, whatever Python thinks."""
    if type(value) is int:
        return abs(value) < 1 << 64
    return type(value) is float and math.isfinite(value)


class _RefusedText(ValueError):
    """Raised inside the JSON reader's hooks; never leaves this module."""


def _no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    record = dict(pairs)
    if len(record) != len(pairs):
        raise _RefusedText("the same label twice in one record")
    return record


def _no_constant(word: str) -> NoReturn:
    raise _RefusedText(f"{word} is not a number in JSON")


_decoder = json.JSONDecoder(object_pairs_hook=_no_duplicates, parse_constant=_no_constant)
