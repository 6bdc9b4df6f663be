"""A tested process that a person brings from elsewhere. It is theirs, and is marked as theirs everywhere."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from monitor.plan.refusal import NOT_DECLARED, OUT_OF_RANGE, OUTSIDE_BAND, Refusal
from monitor.plan.search import not_startable

#: What stands where the published table's evidence would.
OWN_EVIDENCE = "own"
OWN_CAVEAT = "a process you entered yourself; boilwitness has not checked it against any published table"


@dataclass(frozen=True, slots=True)
class OwnProcess:
    """A person's own tested process. Altitudes in feet, both ends inclusive; no upper end: ``None``.

    ``food_id`` is the food's id in the published tables, where ``food`` calls it by a name that they do not have.
    ``says_boiling_water`` is the person's word that the source calls it a boiling-water process for an acid
    or acidified food (pH 4.6 or below); ``acid_words`` tells what acid the source asks for, if any.
    """

    food: str
    pack: str
    jar: str
    minutes: float
    source: str
    alt_min_ft: float = 0.0
    alt_max_ft: float | None = 1000.0
    says_boiling_water: bool = False
    acid_words: str = ""
    headspace_in: float | None = None
    food_id: str | None = None


def check_own(own: OwnProcess, lowest_ft: float, highest_ft: float) -> Refusal | None:
    """Why this process cannot be used at a kitchen between two altitudes, or None.

    A low-acid food is refused whatever the source says; so is a source without words, a time that is no
    time, and a kitchen that may lie outside the source's altitude band.
    """
    if (refusal := not_startable(own.food, own.food_id)) is not None:
        return refusal
    if not own.food.strip():
        return Refusal(NOT_DECLARED, "The food has no name.", "Name what is in the jars.")
    if len(own.source.split()) < 2:
        return Refusal(
            NOT_DECLARED,
            "Your process has no source in words.",
            "Say where it is printed: book or page, publisher, edition.",
            guidance=("G16",),
        )
    if not own.says_boiling_water:
        return Refusal(
            NOT_DECLARED,
            "Nobody has confirmed that the source is a boiling-water process for an acid or acidified food "
            "(pH 4.6 or below).",
            "Look it up in the source. A time for a pressure canner or a steam oven does not carry over.",
            guidance=("G30", "G32"),
        )
    if not isfinite(own.minutes) or not 1.0 <= own.minutes <= 600.0:
        return Refusal(
            OUT_OF_RANGE, f"A processing time of {own.minutes:g} min is not usable.", "Give 1 to 600 minutes."
        )
    return _outside(own, lowest_ft, highest_ft)


def _outside(own: OwnProcess, lowest_ft: float, highest_ft: float) -> Refusal | None:
    """Higher than the band is refused; lower is not: water boils hotter there."""
    top = own.alt_max_ft
    if top is None or highest_ft <= top:
        return None
    return Refusal(
        OUTSIDE_BAND,
        f"Your process is for {own.alt_min_ft:,.0f} to {top:,.0f} ft; this kitchen may be as high as "
        f"{highest_ft:,.0f} ft ({lowest_ft:,.0f} to {highest_ft:,.0f} ft).",
        "Use the source's time for the higher altitude band; a time is never carried up by a formula.",
        guidance=("G18", "G23"),
    )
