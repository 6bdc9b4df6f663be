"""A run that is described by hand is checked no less than a plan: words and id together, own process or not."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from monitor.plan.described import plan_of_header
from monitor.plan.model import Plan
from monitor.plan.refusal import AMBIGUOUS_FOOD, LOW_ACID, Refusal
from monitor.record.model import Batch, Required, Run, Site

#: Pears, hot pack, pints, up to 1,000 ft: 20 min (USDA Complete Guide to Home Canning, Guide 2).
PEARS = Run(
    "r1",
    datetime(2026, 8, 14, 15, 0, tzinfo=UTC),
    Required(20.0),
    site=Site(altitude_m=200.0, altitude_uncertainty_m=10.0),
    batch=Batch(food="pear halves", food_id="pears", pack="hot", jar="pint", jars=7),
)
OWN = "An invented county sheet, 2011"


def described(
    food: str | None, food_id: str | None, minutes: float = 20.0, source: str | None = None
) -> Plan | Refusal | None:
    header = replace(
        PEARS,
        batch=replace(PEARS.batch, food=food, food_id=food_id),
        required=Required(minutes, source),
    )
    return plan_of_header(header, says_boiling_water=True)


@pytest.mark.parametrize("source", [None, OWN])
@pytest.mark.parametrize(
    ("food", "food_id", "kind", "says"),
    [
        ("green beans", "pears", LOW_ACID, "“green beans” counts as"),
        ("pears", "green_beans", LOW_ACID, "“green_beans” counts as"),
        ("a jar of " + "very " * 20 + "good pears and pork", "pears", LOW_ACID, "pork"),
        ("peach halves", "pears", AMBIGUOUS_FOOD, "What is in the jars is not known"),
    ],
)
def test_what_no_plan_is_made_for(food: str, food_id: str, kind: str, says: str, source: str | None) -> None:
    found = described(food, food_id, 90.0, source)
    assert isinstance(found, Refusal) and found.kind == kind
    assert says in found.reason and found.instead


def test_two_foods_are_refused_even_where_the_rest_is_missing() -> None:
    bare = replace(PEARS, batch=Batch(food="peach halves", food_id="pears"), site=Site())
    found = plan_of_header(bare, says_boiling_water=False)
    assert isinstance(found, Refusal)
    assert [one.food_id for one in found.suggestions] == ["peaches", "pears"]


@pytest.mark.parametrize("food", ["pear halves", "Pears, halved", "Birnen", "grandma's pears", None])
def test_another_name_of_the_same_food_is_planned_by_its_id(food: str | None) -> None:
    plan = described(food, "pears")
    assert isinstance(plan, Plan) and (plan.food_id, plan.minutes) == ("pears", 20.0)


@pytest.mark.parametrize(("food", "food_id"), [("Birnen", "pears"), ("pears", "no id of these tables")])
def test_an_own_process_keeps_the_food_that_either_names(food: str, food_id: str) -> None:
    """So that its time is held against the published one, in the plan and in the verdict."""
    plan = described(food, food_id, 5.0, OWN)
    assert isinstance(plan, Plan) and plan.own and plan.food == food and plan.food_id == "pears"
    assert any("asks 20 min" in caution for caution in plan.cautions)
