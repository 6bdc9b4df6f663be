"""From ordinary words to one food of the tables, or to an honest refusal. Nothing is guessed.

Only a food's own name matches. Words that fit several foods are listed back, words that fit none get near
misses, and a low-acid food is named as such.
"""

from __future__ import annotations

from difflib import SequenceMatcher

from monitor.plan.refusal import AMBIGUOUS_FOOD, LOW_ACID, UNKNOWN_FOOD, Refusal, Suggestion
from monitor.tables.foods import Food, food_of_id, foods, foods_named, names_of
from monitor.tables.low_acid import LowAcidHit, low_acid_hit
from monitor.tables.named import named
from monitor.tables.words import CUTS, tokens

#: How alike two spellings must be to be suggested (ratio of matching signs). Our choice.
ALIKE = 0.75
MOST_SUGGESTIONS = 6
#: A food's name is not longer than this; the rest is not read. [signs] Our choice.
LONGEST_NAME = 100
MOST_LISTED = 12


def find_food(words: str) -> Food | Refusal:
    """The one food that ``words`` name, by id or by ordinary words; else why not."""
    said = shown(words)
    if not tokens(said):
        return Refusal(
            UNKNOWN_FOOD,
            "No food was named.",
            "Name what is in the jars, such as: pears, apple butter, crushed tomatoes, corn relish.",
        )
    if (food := food_of_id(said)) is not None:
        return food
    exact = foods_named(said)
    if len(exact) == 1:
        return exact[0]
    if exact:
        return _ambiguous(said, exact)
    if (hit := low_acid_hit(said)) is not None:
        return _low_acid(said, hit)
    partly = _partly_named(said)
    if partly:
        return _ambiguous(said, partly)
    return _unknown(said)


def not_startable(words: str | None, food_id: str | None = None) -> Refusal | None:
    """Why no batch of what these words and this id name is begun, or None: low-acid food, or two different foods."""
    found = named(words, food_id)
    if found.low_acid is not None:
        return _low_acid(shown(found.low_acid_words), found.low_acid)
    if not found.contradiction:
        return None
    return Refusal(
        AMBIGUOUS_FOOD,
        found.contradiction,
        "Give the words and the id of one food; either is enough.",
        _suggestions(list(found.foods)),
        ("G16",),
    )


def shown(words: str) -> str:
    """What was typed, on one line and no longer than a name can be."""
    return " ".join(words.split())[:LONGEST_NAME]


def _partly_named(words: str) -> list[Food]:
    """Foods whose name holds every word that was typed, and more."""
    for typed in (tokens(words), tokens(words) - CUTS):
        found = [
            food for food in foods().values() if typed and any(typed <= tokens(n) for n in names_of(food))
        ]
        if found:
            return found
    return []


def _suggestions(found: list[Food], most: int = MOST_SUGGESTIONS) -> tuple[Suggestion, ...]:
    return tuple(Suggestion(food.food_id, food.name) for food in found[:most])


def _near(words: str, least: float = ALIKE) -> list[Food]:
    """Foods that share a telling word with what was typed, or are spelt nearly like it; nearest first."""
    typed = tokens(words)
    line = " ".join(sorted(typed))
    scored = []
    for food in foods().values():
        shared = max(len(typed & tokens(n) - CUTS) / len(typed | tokens(n)) for n in names_of(food))
        alike = max(SequenceMatcher(None, line, " ".join(sorted(tokens(n)))).ratio() for n in names_of(food))
        if shared or alike >= least:
            scored.append((-(shared + alike), food.food_id, food))
    return [food for _, _, food in sorted(scored, key=lambda entry: entry[:2])]


def _ambiguous(words: str, found: list[Food]) -> Refusal:
    if len(found) == 1:
        reason = f"“{words}” may mean more than the tables' one food with that word; it is not guessed."
    else:
        reason = f"“{words}” fits {len(found)} foods of the tables, and their times may differ."
    return Refusal(
        AMBIGUOUS_FOOD,
        reason,
        "Choose one of these by its name or its id.",
        _suggestions(found, MOST_LISTED),
        ("G16",),
    )


def _low_acid(words: str, hit: LowAcidHit) -> Refusal:
    found = hit.food_class
    named = "" if tokens(hit.name) == tokens(words) else f" ({hit.name})"
    reason = (
        f"“{words}” counts as {found.label}{named}. {found.reason} No time is given; there is no override."
    )
    if found.evidence != "seen":
        reason += " (This class: not checked against the printed guide.)"
    related = [food for food in foods().values() if _tells(hit.name, food)]
    return Refusal(LOW_ACID, reason, _sentence(found.instead), _suggestions(related), found.guidance)


def _tells(low_acid_name: str, food: Food) -> bool:
    """Whether a tested food is a pickled or acidified form of this name."""
    wanted = tokens(low_acid_name) - {"green", "sweet", "hot", "mixed"}
    return bool(wanted) and any(wanted <= tokens(name) for name in names_of(food))


def _unknown(words: str) -> Refusal:
    near = _near(words)
    instead = "Nothing is guessed for it. "
    if near:
        instead += "If it is one of these, use that name; if not, a "
    else:
        instead += "'boilwitness plan --list' shows every food of the tables. A "
    instead += "tested process of your own can be entered with its source."
    return Refusal(
        UNKNOWN_FOOD,
        f"“{words}” is not in the published tables carried here.",
        instead,
        _suggestions(near),
        ("G16",),
    )


def _sentence(phrase: str) -> str:
    return phrase[:1].upper() + phrase[1:] + "."
