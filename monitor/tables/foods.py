"""The foods of the process table: their ordinary names, headspace and acid."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from monitor.errors import ConfigError
from monitor.tables.processes import process_rows
from monitor.tables.words import CUTS, tokens

ACID_RULES = ("", "tomato_dose", "in_recipe")


@dataclass(frozen=True, slots=True)
class Food:
    """One food. ``headspace_in`` in inches; ``acid`` is one of ``ACID_RULES``."""

    food_id: str
    name: str
    category: str
    words: tuple[str, ...]
    headspace_in: float
    headspace_evidence: str
    acid: str
    note: str = ""
    note_guidance: str = ""

    def __post_init__(self) -> None:
        if self.acid not in ACID_RULES or not 0.0 < self.headspace_in <= 2.0:
            raise ConfigError(f"foods.csv: acid or headspace of {self.food_id!r} is not known.")
        if self.headspace_evidence not in ("seen", "memory") or not all(self.words):
            raise ConfigError(f"foods.csv: words or evidence of {self.food_id!r} are not known.")


@dataclass(frozen=True, slots=True)
class AcidDose:
    """Acid for one jar: any one of those that are printed; a dose that is not printed is empty and 0 mL."""

    rule: str
    jar: str
    bottled_lemon_juice: str
    citric_acid: str
    vinegar_5_percent: str
    bottled_lemon_juice_mL: float
    citric_acid_mL: float
    source: str
    evidence: str


@cache
def foods() -> Mapping[str, Food]:
    """Every food by its id, in the order of the process table.

    Raises
    ------
    ConfigError
        When the two tables do not name the same foods.
    """
    named = {row.food_id: (row.food, row.category) for row in reversed(process_rows())}
    order = dict.fromkeys(row.food_id for row in process_rows())
    told = {record["food_id"]: record for record in _records("foods.csv")}
    if set(told) != set(order):
        raise ConfigError(f"foods.csv and process_times.csv differ: {sorted(set(told) ^ set(order))}.")
    return {food_id: _food(told[food_id], *named[food_id]) for food_id in order}


def _food(record: dict[str, str], name: str, category: str) -> Food:
    return Food(
        food_id=record["food_id"],
        name=name,
        category=category,
        words=tuple(record["words"].split("|")),
        headspace_in=float(record["headspace_in"]),
        headspace_evidence=record["headspace_evidence"],
        acid=record["acid"],
        note=record["note"],
        note_guidance=record["note_guidance"],
    )


def food_of_id(words: str) -> Food | None:
    """The food of an id, however its letters and spaces are written; or None."""
    return foods().get(words.strip().lower().replace("-", "_").replace(" ", "_"))


def names_of(food: Food) -> tuple[str, ...]:
    """Its names; what the table adds in brackets ("not figs, not tomatoes") is no name."""
    return (re.sub(r"\(.*?\)", "", food.name), *food.words)


def foods_named(words: str) -> list[Food]:
    """Foods one of whose names has just these words; words about the cut count only where they must."""
    typed = tokens(words)
    found = [food for food in foods().values() if any(tokens(name) == typed for name in names_of(food))]
    if found or not typed - CUTS:
        return found
    bare = typed - CUTS
    return [food for food in foods().values() if any(tokens(name) - CUTS == bare for name in names_of(food))]


@cache
def acid_doses() -> Mapping[tuple[str, str], AcidDose]:
    """Dose by (rule, jar)."""
    found = {}
    for record in _records("acid.csv"):
        dose = AcidDose(
            rule=record["rule"],
            jar=record["jar"],
            bottled_lemon_juice=record["bottled_lemon_juice"],
            citric_acid=record["citric_acid"],
            vinegar_5_percent=record["vinegar_5_percent"],
            bottled_lemon_juice_mL=float(record["bottled_lemon_juice_mL"]),
            citric_acid_mL=float(record["citric_acid_mL"]),
            source=record["source"],
            evidence=record["evidence"],
        )
        found[dose.rule, dose.jar] = dose
    return found


def _records(name: str) -> list[dict[str, str]]:
    text = resources.files(__package__).joinpath(name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))
