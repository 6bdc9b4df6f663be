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

#: The signal of a probe or converter that may be any.
ANY = "any"

#: The converter that takes a couple's curve for a straight line and does not put it right itself.
STRAIGHT_LINE = "straight-line, 0.25 K steps"

#: What a check itself may be off where a probe is held against its class. [K] Our choice.
CHECKED_TO_K = 0.1

#: How a calibration was made. "ice and boiling points" together can narrow the budget at any size of
#: correction; a boiling point alone is circular beyond 0.5 K.
BOTH_POINTS, BOIL_POINT, ICE_POINT = "ice and boiling points", "boiling point", "ice point"
COMPARISON = "comparison with a reference thermometer"
METHODS = (BOTH_POINTS, BOIL_POINT, ICE_POINT, COMPARISON, OTHER)

#: Where the boiling point's pressure comes from.
PRESSURE_SOURCES = ("barometer", "station pressure", "altitude", OTHER)


@dataclass(frozen=True, slots=True)
class ProbeKind:
    """A kind of probe. ``tolerance_K`` is a half-width at 100 °C; ``response_s`` the 63 % time in water.

    ``signal``: what it gives a converter; ANY where nobody knows.
    """

    kind: str
    tolerance_K: float
    response_s: float
    needs_cold_junction: bool
    signal: str
    source: str
    evidence: str


@dataclass(frozen=True, slots=True)
class Converter:
    """A kind of converter. All half-widths, in kelvin at the boil; ``*_change_K`` since a check.

    ``signal``: what of a probe it reads; ANY where nobody knows.
    """

    converter: str
    signal: str
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
            signal=row["signal"],
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
            signal=row["signal"],
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


def place_words(place: str) -> str:
    """Where a probe sits, for a person: the last word of its closed list alone says nothing."""
    return "not known where it sits" if match(place, (OTHER,)) else place


def same_words(one: str | None, other: str | None, known: tuple[str, ...]) -> bool:
    """Whether both spell the same entry of a closed list; what is left out is ``other``."""
    first, second = one or OTHER, other or OTHER
    return (match(first, known) or _plain(first)) == (match(second, known) or _plain(second))


@dataclass(frozen=True, slots=True)
class Chain:
    """A probe with its converter, as far as words tell. ``notes``: what was taken at its widest, and why.

    ``is_contradictory``: the words name two that cannot go together.
    """

    kind: ProbeKind
    converter: Converter
    notes: tuple[str, ...] = ()
    is_contradictory: bool = False

    @property
    def is_known(self) -> bool:
        """Whether the words name one kind and one converter of the lists."""
        return OTHER not in (self.kind.kind, self.converter.converter)

    @property
    def class_limit_K(self) -> float:
        """How far a sound one may be off: all that its class and its converter allow, and 0.1 K for the check. [K]

        Where nobody knows which it is, the narrowest of all that it may be: at its widest a limit would let pass what
        would be damaged, whatever it is.
        """
        kinds = [self.kind] if self.kind.kind != OTHER else list(probe_kinds().values())
        read_by = [self.converter] if self.converter.converter != OTHER else list(converters().values())
        return min(
            _limit_K(kind, converter)
            for kind in kinds
            for converter in read_by
            if _go_together(kind, converter)
        )


def _limit_K(kind: ProbeKind, converter: Converter) -> float:
    cold_K = converter.cold_junction_K if kind.needs_cold_junction else 0.0
    return kind.tolerance_K + converter.tolerance_K + cold_K + converter.form_K + CHECKED_TO_K


def _go_together(kind: ProbeKind, converter: Converter) -> bool:
    """Whether the converter reads what the probe gives; so does one of which nobody knows."""
    return len({kind.signal, converter.signal} - {ANY}) < 2


def chain_of(kind: str | None, converter: str | None) -> Chain:
    """The probe and the converter that these words name, each at its widest where they do not.

    Two that cannot go together are both at their widest: one of the words is wrong, and nobody knows which.
    """
    kinds, known = probe_kinds(), converters()
    found, read_by = match(kind, tuple(kinds)), match(converter, tuple(known))
    notes = (
        *_unnamed(found, kind, "what kind of probe it is", "probe kind"),
        *_unnamed(read_by, converter, "what converter it has", "converter"),
    )
    chain = Chain(kinds[found or OTHER], known[read_by or OTHER], notes)
    if _go_together(chain.kind, chain.converter):
        return chain
    note = (
        f"a probe “{chain.kind.kind}” gives nothing that a converter “{chain.converter.converter}” can read, so one of "
        "the two is not what the record says; both are taken at their widest"
    )
    return Chain(kinds[OTHER], known[OTHER], (note,), is_contradictory=True)


def _unnamed(found: str | None, words: str | None, what: str, name: str) -> tuple[str, ...]:
    if found is not None:
        return ()
    if words is None:
        return (f"the record does not say {what}; taken at its widest",)
    return (f"{name} {words[:60]!r} is not in the list; taken at its widest",)


def _plain(words: str) -> str:
    return " ".join(sorted(re.findall(r"[a-z0-9.]+", words.lower())))
