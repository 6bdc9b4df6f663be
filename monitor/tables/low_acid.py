"""Foods that no boiling time applies to: by class, by name, with the reason and what is asked instead."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from monitor.errors import ConfigError
from monitor.tables.words import CUTS, tokens

#: Words that say acid or sugar was added by some recipe: then a vegetable may have a tested process that
#: these tables do not have, and the honest answer is "unknown", still without a time.
ACIDIFIED_WORDS = tokens(
    "pickled pickles relish chutney jelly jam marmalade preserves conserve marinated dilled fermented kraut"
    " sauerkraut salsa ketchup catsup piccalilli"
)


@dataclass(frozen=True, slots=True)
class LowAcidClass:
    """A class of foods and why boiling water does not make them keep."""

    class_id: str
    label: str
    reason: str
    instead: str
    a_tested_pickle_may_exist: bool
    guidance: tuple[str, ...]
    evidence: str


@dataclass(frozen=True, slots=True)
class LowAcidHit:
    """The name that was recognised in what a person typed, and its class."""

    name: str
    food_class: LowAcidClass


@cache
def classes() -> Mapping[str, LowAcidClass]:
    """Every class by its id."""
    return {
        record["class_id"]: LowAcidClass(
            class_id=record["class_id"],
            label=record["label"],
            reason=record["reason"],
            instead=record["instead"],
            a_tested_pickle_may_exist=record["a_tested_pickle_may_exist"] == "yes",
            guidance=tuple(record["guidance"].split()),
            evidence=record["evidence"],
        )
        for record in _records("low_acid_classes.csv")
    }


@cache
def _names() -> tuple[tuple[str, bool, frozenset[str], LowAcidClass], ...]:
    """Name, whether it must be the whole of what was typed, its words, its class; most telling first."""
    found = []
    for record in _records("low_acid_names.csv"):
        if record["class_id"] not in classes():
            raise ConfigError(f"low_acid_names.csv: {record['name']!r} has no class {record['class_id']!r}.")
        name = record["name"].removeprefix("=")
        found.append((name, record["name"].startswith("="), tokens(name), classes()[record["class_id"]]))
    return tuple(sorted(found, key=lambda entry: -len(entry[2])))


def low_acid_hit(words: str, spared: frozenset[str] = frozenset()) -> LowAcidHit | None:
    """The low-acid food named in ``words``, if any; the most specific name wins.

    ``spared``: words that belong to the name of a tested food; a low-acid name of these alone is none.
    """
    typed = tokens(words)
    bare = typed - CUTS
    for name, alone, telling, food_class in _names():
        if not (telling == bare if alone else telling <= typed) or telling <= spared:
            continue
        if food_class.a_tested_pickle_may_exist and typed & ACIDIFIED_WORDS:
            continue
        return LowAcidHit(name=name, food_class=food_class)
    return None


def _records(name: str) -> list[dict[str, str]]:
    text = resources.files(__package__).joinpath(name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))
