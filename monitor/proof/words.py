"""The sentences of a proof: what the record proves, and what the page does not say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.proof.figures import asked, span

#: Word, what it means, and the shape that goes with it.
VERDICTS = {
    "held": ("HELD", "tick"),
    "broken": ("BROKEN", "cross"),
    "unproven": ("UNPROVEN", "diamond"),
}

NOT_SAID = (
    "This page does not say that the food is fit to eat or to sell. It speaks of the water at one probe and of what "
    "people entered; it did not see the recipe, the acid, the filling or the food.",
    "The limits below the boiling point at which minutes count (1.0 K where a person saw the rolling boil, 0.6 K where "
    "nobody did) are this project's own engineering choices for sensing a boil with a thermometer. Published guidance "
    "names no such temperature.",
    "No part of a time, average or heat sum is credited: the whole time without a break, or nothing. Local codes and "
    "licensed practice come first.",
)


def headline(verdict: Mapping[str, Any]) -> str:
    """The one large sentence."""
    word = verdict.get("verdict")
    required, proven = float(verdict["required_s"]), float(verdict["proven_s"])
    possible = float(verdict["possible_s"])
    if word == "held":
        return f"The record proves a full boil of {span(proven)} without a break; {asked(required)} were required."
    if word == "broken":
        return (
            f"A full boil of {asked(required)} was not held: the record allows {span(possible, up=True)} at most, and "
            f"proves {span(proven)}."
        )
    if proven >= required:
        return (
            f"The water boiled for {span(proven)} without a break and {asked(required)} were required, but this does "
            "not count as proof for the batch, for the reasons given."
        )
    return (
        f"The record neither proves nor rules out a full boil of {asked(required)}: {span(proven)} are proven, "
        f"{span(possible, up=True)} are possible."
    )


def eye(verdict: Mapping[str, Any]) -> str:
    """Whether a person saw the boil."""
    return "a person marked having seen it" if verdict.get("seen_by_eye") else "nobody marked having seen it"
