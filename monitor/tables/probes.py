"""Probe kinds, converters and the other closed lists of a run record.

Each list ends with ``other``, which carries the widest uncertainty. A word that is not in its list, or that
a record leaves out, is taken as ``other``, and whoever asks can tell that it was.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

OTHER = "other"

#: The converter that takes a couple's curve for a straight line and does not put it right itself.
STRAIGHT_LINE = "straight-line, 0.25 K steps"

#: How a calibration was made. "ice and boiling points" together can narrow the budget at any size of
#: correction; a boiling point alone is circular beyond 0.5 K.
METHODS = (
    "ice and boiling points",
    "boiling point",
    "ice point",
    "comparison with a reference thermometer",
    OTHER,
)

#: Where the boiling point's pressure comes from.
PRESSURE_SOURCES = ("barometer", "station pressure", "altitude", OTHER)


@dataclass(frozen=True, slots=True)
class ProbeKind:
    """A kind of probe. ``tolerance_K`` is a half-width at 100 °C; ``response_s`` the 63 % time in water."""

    kind: str
    tolerance_K: float
    response_s: float
    needs_cold_junction: bool
    source: str
    evidence: str


@dataclass(frozen=True, slots=True)
class Converter:
    """A kind of converter. All half-widths, in kelvin at the boil; ``*_change_K`` since a check."""

    converter: str
    step_K: float
    tolerance_K: float
    cold_junction_K: float
    cold_junction_change_K: float
    form_K: float
    form_change_K: float
    source: str
    evidence: str


def _rows(name: str) -> list[dict[str, str]]:
    with files("monitor.tables").joinpath(name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


@cache
def probe_kinds() -> dict[str, ProbeKind]:
    """The closed list of probe kinds, by name."""
    return {
        row["kind"]: ProbeKind(
            kind=row["kind"],
            tolerance_K=float(row["tolerance_K"]),
            response_s=float(row["response_s"]),
            needs_cold_junction=row["needs_cold_junction"] == "true",
            source=row["source"],
            evidence=row["evidence"],
        )
        for row in _rows("probe_kinds.csv")
    }


@cache
def converters() -> dict[str, Converter]:
    """The closed list of converters, by name."""
    return {
        row["converter"]: Converter(
            converter=row["converter"],
            **{name: float(row[name]) for name in Converter.__dataclass_fields__ if name.endswith("_K")},
            source=row["source"],
            evidence=row["evidence"],
        )
        for row in _rows("converters.csv")
    }


def match(words: str | None, known: tuple[str, ...]) -> str | None:
    """The entry of a closed list that ``words`` spell, whatever their case and punctuation; else None."""
    if words is None:
        return None
    wanted = _plain(words)
    return next((entry for entry in known if _plain(entry) == wanted), None)


def was_checked_at_boil(method: str | None) -> bool:
    """Whether a calibration made so was made at the boiling point, among others or alone."""
    return match(method, METHODS) in ("ice and boiling points", "boiling point")


def _plain(words: str) -> str:
    return " ".join(sorted(re.findall(r"[a-z0-9.]+", words.lower())))
