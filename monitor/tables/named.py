"""What is in the jars, by a batch's words and its id together: the one place that decides it.

Words and id may come from different hands and times, so neither overrules the other. Low-acid food in either is
low-acid food. Words that are the very name of another food than the id's leave open what is in the jars; words that
the tables do not know (another language, a recipe's own name) say nothing against the id.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.tables.containers import jar_mL, pack_of
from monitor.tables.foods import Food, food_of_id, foods_named, names_of
from monitor.tables.low_acid import LowAcidHit, low_acid_hit
from monitor.tables.processes import Cell, published_minutes, timed_jar
from monitor.tables.words import CUTS, tokens


@dataclass(frozen=True, slots=True)
class Named:
    """What words and id say.

    ``foods``: what it may be by the tables; both sides' where ``contradiction`` says why they cannot both be right.
    ``low_acid``: the low-acid food that is named, and ``low_acid_words`` the whole of what named it.
    """

    foods: tuple[Food, ...] = ()
    low_acid: LowAcidHit | None = None
    low_acid_words: str = ""
    contradiction: str = ""


def named(words: str | None, food_id: str | None) -> Named:
    """What a batch's words for its food and its id of the tables say; either may be missing."""
    by_words, by_id = _foods(words), _foods(food_id)
    for said, other in ((words, by_id), (food_id, by_words)):
        hit = _low_acid(said or "", other)
        if said and hit is not None:
            return Named(low_acid=hit, low_acid_words=said)
    if by_words and by_id and not {food.food_id for food in by_words} & {food.food_id for food in by_id}:
        contradiction = (
            f"What is in the jars is not known: “{words}” is the name of {_listed(by_words)} in the tables of times, "
            f"and the id “{food_id}” that of {_listed(by_id)}."
        )
        return Named((*by_words, *by_id), contradiction=contradiction)
    return Named(by_id or by_words)


def published_for(
    foods: tuple[Food, ...], pack: str | None, jar: str | None, altitude_m: float | None
) -> tuple[Cell, ...]:
    """The published cells of foods in a pack and jar in ordinary words; none where anything is not known.

    A jar takes the time of the smallest one listed that is not smaller (guidance G25).
    """
    style, volume_mL = pack_of(pack or ""), jar_mL(jar or "")
    if style is None or volume_mL is None or altitude_m is None:
        return ()
    cells = (
        published_minutes(
            food.food_id, style, timed_jar(food.food_id, style, volume_mL), altitude_m=altitude_m
        )
        for food in foods
    )
    return tuple(cell for cell in cells if cell is not None)


def _foods(said: str | None) -> tuple[Food, ...]:
    """The foods of the tables whose id or very name was said."""
    if not said or not tokens(said):
        return ()
    food = food_of_id(said)
    return (food,) if food is not None else tuple(foods_named(said))


def _low_acid(said: str, other: tuple[Food, ...]) -> LowAcidHit | None:
    """The low-acid food in what was said, unless that is a food of the tables.

    ``other``: the foods that the other side names; what is part of such a name counts for nothing where the whole name
    is said, as the zucchini of "zucchini in pineapple juice" beside the id of zucchini-pineapple.
    """
    if _foods(said):
        return None
    typed = tokens(said)
    whole = [tokens(name) - CUTS for food in other for name in names_of(food)]
    return low_acid_hit(said, frozenset().union(*(name for name in whole if name <= typed)))


def _listed(found: tuple[Food, ...]) -> str:
    return " or ".join(food.name for food in found)
