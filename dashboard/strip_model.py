"""Stretches as a strip: pieces of a line, each with its share of the width, its state and its words. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard import figures, words

#: A piece narrower than this is widened so that it can be seen: a short break is what must not be missed.
NARROWEST = 0.006


@dataclass(frozen=True, slots=True)
class Piece:
    """``share`` of the whole width, 0 to 1."""

    share: float
    state: str
    tone: str
    glyph: str
    words: str


def pieces(stretches: Sequence[Mapping[str, Any]]) -> list[Piece]:
    """The strip's pieces from the verdict's stretches (JSON form), in time order; shares add up to 1."""
    shown = [item for item in stretches if float(item["end_s"]) > float(item["start_s"])]
    if not shown:
        return []
    whole_s = sum(float(item["end_s"]) - float(item["start_s"]) for item in shown)
    raw = [max((float(item["end_s"]) - float(item["start_s"])) / whole_s, NARROWEST) for item in shown]
    total = sum(raw)
    return [_piece(item, share / total) for item, share in zip(shown, raw, strict=True)]


def _piece(item: Mapping[str, Any], share: float) -> Piece:
    state = str(item["state"])
    why = str(item.get("why") or "")
    sign = words.STATES.get(state, words.STATES["unknown"])
    tone = "quiet" if why in words.AS_IT_SHOULD else sign.tone
    return Piece(share, state, tone, sign.glyph, stretch_words(item))


def stretch_words(item: Mapping[str, Any]) -> str:
    """``boiling for 30 min 00 s, from 25:22 to 55:22 of the run``, with the reason."""
    start_s, end_s = float(item["start_s"]), float(item["end_s"])
    sign = words.STATES.get(str(item["state"]), words.STATES["unknown"])
    why = str(item.get("why") or "")
    tail = f" ({why})" if why and why != sign.word else ""
    return (
        f"{sign.word} for {figures.held(end_s - start_s)}, "
        f"from {figures.held_clock(start_s)} to {figures.held_clock(end_s)} of the run{tail}"
    )
