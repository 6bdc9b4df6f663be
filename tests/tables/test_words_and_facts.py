"""Foods by their names, low-acid names, acid doses and the numbered facts."""

from __future__ import annotations

import csv
import re
from importlib import resources

import pytest

from monitor.errors import UsageError
from monitor.tables.foods import acid_doses, foods
from monitor.tables.guidance import NOT_CHECKED, fact, facts
from monitor.tables.low_acid import classes, low_acid_hit
from monitor.tables.words import tokens


def test_acid_doses_against_the_guide() -> None:
    """USDA Guide 3, introduction: 2 tbsp bottled lemon juice or 1/2 tsp citric acid a quart; half for a pint."""
    quart, pint = acid_doses()["tomato_dose", "quart"], acid_doses()["tomato_dose", "pint"]
    assert (quart.bottled_lemon_juice, quart.citric_acid, quart.vinegar_5_percent) == (
        "2 tbsp",
        "1/2 tsp",
        "4 tbsp",
    )
    assert (pint.bottled_lemon_juice, pint.citric_acid) == ("1 tbsp", "1/4 tsp")
    # US customary spoons (NIST Handbook 44, appendix C): 14.787 mL and 4.929 mL. Never less than the dose.
    assert quart.bottled_lemon_juice_mL >= 2 * 14.787
    assert pint.bottled_lemon_juice_mL >= 14.787
    assert quart.citric_acid_mL == pytest.approx(4.929 / 2, abs=0.05)


def test_every_tomato_product_without_recipe_acid_needs_a_dose() -> None:
    """No tomato, tomatillo or fig can be planned without acid (guidance G33, G34)."""
    for food in foods().values():
        if food.category == "tomato_acidified":
            assert food.acid in ("tomato_dose", "in_recipe"), food.food_id
    for food_id in ("tomatoes_crushed", "tomato_juice", "tomato_sauce", "tomatillos", "figs", "pears_asian"):
        assert foods()[food_id].acid == "tomato_dose"


@pytest.mark.parametrize(
    ("words", "class_id"),
    [
        ("green beans", "vegetable"),
        ("Sweet Corn", "vegetable"),
        ("jalapeños", "vegetable"),
        ("baked beans", "pulse"),
        ("pork and beans", "pulse"),
        ("chicken", "meat"),
        ("smoked salmon", "fish"),
        ("vegetable soup", "soup"),
        ("bone broth", "soup"),
        ("spaghetti sauce", "tomato_mixture"),
        ("tomatoes with okra", "tomato_mixture"),
        ("pickled eggs", "dairy_egg"),
        ("butter", "dairy_egg"),
        ("pumpkin butter", "pumpkin"),
        ("garlic in oil", "oil"),
        ("banana bread in a jar", "starch_nut"),
        ("watermelon", "low_acid_fruit"),
    ],
)
def test_low_acid_foods_are_known_by_name(words: str, class_id: str) -> None:
    """The names are common knowledge of which foods are low-acid (21 CFR 114.3 for what the word means)."""
    hit = low_acid_hit(words)
    assert hit is not None
    assert hit.food_class.class_id == class_id


@pytest.mark.parametrize(
    "words", ["apple butter", "crab apple jelly", "peach", "pickled okra", "seedless grapes"]
)
def test_names_that_only_sound_low_acid(words: str) -> None:
    """Apple butter is no butter, a crab apple no crab."""
    assert low_acid_hit(words) is None


def test_every_class_says_why_and_what_instead() -> None:
    """A refusal is never bare, and cites facts that exist."""
    for food_class in classes().values():
        assert len(food_class.reason) > 60
        assert food_class.instead
        assert food_class.guidance
        for number in food_class.guidance:
            fact(number)


def test_plurals_accents_and_fillers_do_not_matter() -> None:
    """Words are compared, not letters."""
    assert tokens("Canned CHERRIES, in jars") == tokens("cherry")
    assert tokens("jalapeño peppers") == tokens("jalapeno pepper")
    assert tokens("tomatoes") == {"tomato"}
    assert tokens("asparagus") == {"asparagus"}
    assert tokens("crab apples") == {"crabapple"}


def test_words_in_another_script_are_not_passed_over() -> None:
    """“Pears and pork” is not pears, whatever alphabet the pork is written in."""
    assert tokens("pears 豚肉") == {"pear", "豚肉"}
    assert len(tokens("мёд с яблоками")) == 3


def test_facts_are_cited_by_number() -> None:
    """The restart rule is G4; what was not read says so; an unknown number is an error."""
    assert "again from zero" in fact("G4").fact
    assert fact("G25").caveat == NOT_CHECKED
    assert fact("G4").caveat == ""
    with pytest.raises(UsageError, match="G999"):
        fact("G999")


def test_no_table_claims_that_food_is_safe() -> None:
    """The tool says what guidance asks, never that food is safe, sterile or compliant."""
    for number, told in facts().items():
        assert not re.search(r"\b(is|are) (safe|sterile|compliant)\b", told.fact), number
    for name in ("low_acid_classes.csv", "acid.csv", "foods.csv"):
        text = resources.files("monitor.tables").joinpath(name).read_text("utf-8")
        assert not re.search(r"\b(safe|compliant)\b", text), name


def test_no_food_name_is_claimed_by_two_foods() -> None:
    """One name, one food; but paste tomatoes and tomato paste are the same words: both are listed then."""
    owners: dict[frozenset[str], set[str]] = {}
    for food in foods().values():
        for words in food.words:
            owners.setdefault(tokens(words), set()).add(food.food_id)
    shared = {words: found for words, found in owners.items() if len(found) > 1}
    assert shared == {frozenset({"tomato", "paste", "salsa"}): {"salsa_tomato_paste", "salsa_paste_tomatoes"}}


def test_low_acid_names_are_listed_once() -> None:
    """A name in two classes would give two reasons."""
    text = resources.files("monitor.tables").joinpath("low_acid_names.csv").read_text("utf-8")
    names = [row["name"] for row in csv.DictReader(text.splitlines())]
    assert len(names) == len(set(names))
