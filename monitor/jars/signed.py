"""What a person may sign for a hold that the record does not prove: an own timing, or an expert's opinion. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.jars.disposition import Basis
from monitor.jars.rows import Row, instant
from monitor.judge.words import asked, exact


@dataclass(frozen=True, slots=True)
class Standing:
    """What stands behind the process, the words for every page and label, and who signed."""

    basis: Basis
    words: str
    by: str | None = None


def standing(verdict: Mapping[str, Any], rows: Sequence[Row], deadline: datetime | None) -> Standing:
    """The basis of a batch. A broken hold is never lifted by a timing; only an unproven one may be.

    ``deadline``: when the 2 h clock closes; a timing signed later is none: missing evidence earns no hours.
    """
    word = verdict.get("verdict")
    if word is None:
        return Standing(Basis.OPEN, "the run is not over")
    if word == "held":
        return Standing(Basis.PROVEN, "hold proven by the record")
    for row in reversed(rows):
        if row.kind == "evaluation" and not evaluation_trouble(row.body, row.by):
            who = str(row.body["person"])
            return Standing(
                Basis.EVALUATED,
                f"hold {word}; released on the written opinion of {who}, not by this record",
                who,
            )
        if row.kind != "own_timing" or (deadline is not None and row.entered > deadline):
            continue
        if not own_timing_trouble(row.body, row.by, verdict):
            return Standing(
                Basis.OWN_TIMING, f"on the cook's own timing ({row.by}); not proven by the record", row.by
            )
    return Standing(Basis.FAILED, f"hold {word}")


def own_timing_trouble(body: Mapping[str, Any], by: str | None, verdict: Mapping[str, Any]) -> str:
    """Why an own timing cannot stand; empty when it can.

    The body: ``{"how": text, "from_utc": time, "to_utc": time}``, signed by ``by``.
    """
    if verdict.get("verdict") != "unproven":
        return "an own timing stands only for an unproven hold; a broken one was seen to break"
    if not by or not body.get("how"):
        return "an own timing needs who timed it and how"
    try:
        timed_s = (instant(str(body["to_utc"])) - instant(str(body["from_utc"]))).total_seconds()
    except (KeyError, ValueError):
        return "an own timing needs from when to when, as times with their offset"
    if timed_s <= 0.0:
        return "the own timing ends before it begins: check both times"
    required_s = float(verdict.get("required_s") or 0.0)
    if timed_s < required_s:
        return f"{exact(timed_s)} were timed, {asked(required_s)} are required"
    return ""


def evaluation_trouble(body: Mapping[str, Any], by: str | None) -> str:
    """Why an evaluation cannot stand: ``person``, ``competence``, ``opinion`` (the written text) and ``by``."""
    missing = [name for name in ("person", "competence", "opinion") if not str(body.get(name) or "").strip()]
    if missing:
        return f"an evaluation needs a named competent person and the written opinion; missing: {missing[0]}"
    return "" if by else "an evaluation needs to be signed"
