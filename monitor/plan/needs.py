"""What a batch needs beside its time: acid, sterilised jars, headspace in words."""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil
from typing import Any

from monitor.physics.units import in_to_mm
from monitor.plan.containers import Jar
from monitor.tables.foods import Food, acid_doses
from monitor.tables.processes import JARS_ML, feet

#: Below this, empty jars are sterilised first (guidance G26). [min]
STERILISE_BELOW_MIN = 10.0

#: A food whose acid is part of its tested recipe, in the table of foods.
IN_RECIPE = "in_recipe"


def acid_for(food: Food, jar: Jar) -> dict[str, Any] | None:
    """What acid goes in: a dose for each jar, or the recipe's own."""
    if not food.acid:
        return None
    if food.acid == IN_RECIPE:
        return {
            "rule": food.acid,
            "text": "the acid is part of the tested recipe; never change its proportions",
            "guidance": ["G36"],
        }
    # The guide prints pints and quarts; a smaller jar gets the pint's dose, more acid being the careful side.
    dosed_as = "pint" if jar.volume_mL <= JARS_ML["pint"] else "quart"
    # A food that the guide gives doses of its own has its own choices: what is not printed for it is not offered.
    own = acid_doses().get((food.food_id, dosed_as))
    dose = own or acid_doses()[food.acid, dosed_as]
    choices = {
        "bottled_lemon_juice": dose.bottled_lemon_juice,
        "bottled_lemon_juice_mL": dose.bottled_lemon_juice_mL,
        "citric_acid": dose.citric_acid,
        "citric_acid_mL": dose.citric_acid_mL,
        "vinegar_5_percent": dose.vinegar_5_percent,
    }
    words = [f"{dose.bottled_lemon_juice} ({dose.bottled_lemon_juice_mL:.0f} mL) bottled lemon juice"]
    words += [f"{dose.citric_acid} citric acid"] if dose.citric_acid else []
    words += [f"{dose.vinegar_5_percent} vinegar of 5 %"] if dose.vinegar_5_percent else []
    return {
        "rule": food.acid,
        "for_jar": dose.jar,
        **{name: much for name, much in choices.items() if much},
        "text": ", or ".join(words),
        "source": dose.source,
        "evidence": dose.evidence,
        "guidance": ["G34", "G35"] if own else ["G33", "G34", "G35"],
    }


def acid_statement(acid: Mapping[str, Any]) -> str:
    """What somebody confirms of the acid before the start: ``the recipe's acid was measured exactly``."""
    if acid["rule"] == IN_RECIPE:
        return "the recipe's acid was measured exactly"
    return f"the acid is in each jar: {acid['text']}"


def sterilising_minutes(altitude_m: float) -> int:
    """Boil empty jars 10 min up to 1,000 ft and 1 min more for each further 1,000 ft begun (G27). [min]"""
    return 10 + max(0, ceil((feet(altitude_m) - 1000.0) / 1000.0))


_FRACTIONS = {0.125: "1/8", 0.25: "1/4", 0.5: "1/2", 0.75: "3/4"}


def headspace_words(headspace_in: float | None) -> str:
    if headspace_in is None:
        return "as your recipe says"
    whole = int(headspace_in)
    part = _FRACTIONS.get(headspace_in - whole, "")
    inches = "-".join(filter(None, (str(whole) if whole else "", part))) or f"{headspace_in:g}"
    return f"{inches} in ({in_to_mm(headspace_in):.0f} mm)"
