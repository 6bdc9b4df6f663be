"""The nodes in words: who is heard, what it last said, what it serves; and what was refused. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard import figures, words
from monitor.judge.gap import CEILING_S
from monitor.physics.saturation import boiling_point_C
from monitor.store.reader import NodeRow, RefusalRow

#: A barometer's value older than this says how old it is. [s]
FRESH_S = 5.0
#: So much of a refused piece is shown. [bytes]
EXCERPT = 160


@dataclass(frozen=True, slots=True)
class Reading:
    """A node's newest sample, and the newest of its barometer, which may be older.

    ``age_s`` and ``pressure_age_s`` on the viewer's clock; ``None`` where it cannot be known.
    """

    age_s: float | None
    water_C: float | None
    fault: str | None
    pressure_kPa: float | None
    pressure_age_s: float | None


def heard(reading: Reading | None) -> words.Sign:
    """How a node stands, by the age of its newest sample."""
    if reading is None:
        return words.Sign("Never heard", "ring", "○", "quiet")
    if reading.age_s is None:
        return words.Sign("Not heard since the collector started", "silent", "⊘", "unsure")
    # Its rhythm is not known here: a node may well send only each ten seconds.
    if reading.age_s > CEILING_S:
        return words.Sign(f"Silent for {figures.about(reading.age_s)}", "silent", "⊘", "alarm")
    return words.Sign(f"Heard {reading.age_s:.0f} s ago", "disc", "●", "held")


def serves(node: NodeRow) -> str:
    return node.canner or "nothing yet: new here"


def water(reading: Reading | None, fahrenheit: bool) -> str:
    """The newest reading as the probe gave it, without its correction."""
    if reading is None:
        return figures.MISSING
    if reading.fault:
        return f"fault: {words.plain(reading.fault)}"
    return figures.temperature(reading.water_C, fahrenheit)


def barometer(reading: Reading | None, fahrenheit: bool) -> str:
    """``846.9 hPa, water boils at 95.03 °C``, with its age once it is old; what no open kettle meets is shown alone."""
    if reading is None or reading.pressure_kPa is None:
        return "no barometer heard"
    shown = f"{reading.pressure_kPa * 10.0:.1f} hPa"
    if reading.pressure_age_s is not None and reading.pressure_age_s > FRESH_S:
        shown += f" {figures.about(reading.pressure_age_s)} ago"
    if not 50.0 <= reading.pressure_kPa <= 110.0:
        return f"{shown}, which no kitchen has"
    return f"{shown}, water boils at {figures.temperature(boiling_point_C(reading.pressure_kPa), fahrenheit)}"


def wrong(node: NodeRow) -> str:
    """What is missing or doubtful of a node's samples."""
    parts = []
    if node.lost:
        parts.append(f"{node.lost:,} lost")
    if node.conflicts:
        parts.append(f"{node.conflicts:,} came twice with two values")
    return ", ".join(parts) or "nothing"


def excerpt(row: RefusalRow) -> str:
    """The beginning of refused bytes, with what cannot be shown written out."""
    shown = row.payload[:EXCERPT].decode("utf-8", "backslashreplace")
    plain = "".join(sign if sign.isprintable() else f"\\x{ord(sign):02x}" for sign in shown)
    return plain + (" …" if row.size > EXCERPT else "")


def refused_sum(counts: dict[str, int]) -> str:
    """``1,204 pieces of input were refused: 1,200 by serial, 4 by mqtt.``"""
    whole = sum(counts.values())
    if not whole:
        return "Nothing was ever refused."
    noun = "piece of input was" if whole == 1 else "pieces of input were"
    parts = ", ".join(f"{count:,} from {source}" for source, count in sorted(counts.items()))
    return f"{whole:,} {noun} refused: {parts}."
