"""What changes make of a run's header."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.tables.foods import food_of_id, foods_named
from monitor.tables.words import tokens

#: The run's identity is not up for change.
IDENTITY = ("format", "run_id", "started_at")


def laid_over(header: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Changes laid over a header, object by object; what lies deeper in an object is replaced as a whole."""
    merged = dict(header)
    for key, value in changes.items():
        if key in IDENTITY:
            continue
        old = merged.get(key)
        both = isinstance(old, Mapping) and isinstance(value, Mapping)
        merged[key] = {**old, **value} if both and old is not None else value
    if _is_of_the_old_food(header.get("batch"), changes.get("batch")):
        del merged["batch"]["food_id"]
    return merged


def _is_of_the_old_food(old: Any, new: Any) -> bool:
    """Whether the id of the food belongs to words that are replaced by others, and nobody gave another id.

    Another spelling of the same words, or another name of that id's food, leaves the id where it is.
    """
    if not isinstance(old, Mapping) or not isinstance(new, Mapping):
        return False
    said, before, food_id = new.get("food"), old.get("food"), old.get("food_id")
    if "food_id" in new or not (
        isinstance(said, str) and isinstance(before, str) and isinstance(food_id, str)
    ):
        return False
    if not tokens(said) or not tokens(before) or tokens(said) == tokens(before):
        return False
    food = food_of_id(food_id)
    return food is None or food not in foods_named(said)
