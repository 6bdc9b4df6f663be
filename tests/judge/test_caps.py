"""What a header says against its own run: low-acid food, a time shorter than the published one, in whatever words.

Published: pears, hot pack, pint or quart, 20 and 25 min up to 1,000 ft (USDA Complete Guide to Home Canning, Guide 2);
boiling water makes no low-acid food shelf-stable, whatever the time (the same, Guide 1).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from monitor.judge import Session, judge
from monitor.judge.caps import caps_of
from monitor.judge.verdict import UNPROVEN
from monitor.record.model import Batch, Run

Build = Callable[..., Any]
PEARS = Batch(food="pear halves", food_id="pears", pack="hot", jar="pint", jars=7)


@pytest.fixture
def run(held_run: Callable[..., Run]) -> Run:
    """Ten minutes at sea level, held."""
    return held_run(minutes=10.0, batch=PEARS)


@pytest.mark.parametrize("food", ["green beans", "corn", "chicken soup", "pumpkin butter"])
def test_a_low_acid_food_is_never_held_and_never_shelved(run: Run, food: str) -> None:
    verdict = judge(replace(run, batch=Batch(food=food, pack="raw", jar="pint", jars=7)))
    assert verdict.proven_s >= verdict.required_s and verdict.verdict == UNPROVEN
    assert f"“{food}” counts as" in verdict.reasons[0]
    assert verdict.advice.action == "treat_as_failed" and "Never shelve" in verdict.advice.text
    assert "process again" not in verdict.advice.text and "sign" not in verdict.advice.text


def test_it_is_said_from_the_first_minute(run: Run) -> None:
    session = Session(replace(run, batch=Batch(food="green beans"), samples=(), marks=run.marks[:1]))
    session.feed(run.samples[:60])
    assert "Never shelve" in session.verdict().advice.text


@pytest.mark.parametrize(
    "food", ["pickled green beans", "dilled okra", "corn relish", "pears", "trial batch", None]
)
def test_no_other_food_is_taken_for_one(run: Run, food: str | None) -> None:
    assert caps_of(replace(run, batch=Batch(food=food))).low_acid is None


@pytest.mark.parametrize(
    ("changes", "published_min"),
    [
        ({}, 20),
        ({"food_id": None}, 20),
        ({"food_id": "PEARS", "food": None}, 20),
        ({"food_id": None, "food": "Pears"}, 20),
        ({"pack": "Hot pack", "jar": "Pint"}, 20),
        ({"jar": "half-pint"}, 20),
        ({"jar": "12 oz"}, 20),
        ({"jar": "Quart"}, 25),
        ({"jar": "950 mL"}, None),
    ],
)
def test_the_published_time_is_found_in_ordinary_words(
    run: Run, changes: dict[str, str | None], published_min: float | None
) -> None:
    caps = caps_of(replace(run, batch=replace(PEARS, **changes)))  # type: ignore[arg-type]
    assert caps.published_min == published_min
    if published_min is not None:
        assert any(f"fewer than the published {published_min} min" in reason for reason in caps.reasons)


def test_what_was_not_compared_is_said(run: Run) -> None:
    """An unknown food, a pack that nobody named: the record's own time stands, and that nobody checked it."""
    unknown = caps_of(replace(run, batch=replace(PEARS, food="moon fruit", food_id=None)))
    assert "not compared" in unknown.not_compared and "moon fruit" in unknown.not_compared
    assert "the pack" in caps_of(replace(run, batch=replace(PEARS, pack=None))).not_compared
    assert not unknown.reasons
    enough = caps_of(replace(run, required=replace(run.required, minutes=20.0)))
    assert not enough.not_compared and not enough.reasons


def test_nobody_is_told_to_stop_before_the_published_time(cook: Build) -> None:
    """Ten minutes asked, twenty published: the cook hears of twenty, and of nothing at ten."""
    story = cook(minutes=10.0, batch=PEARS).come_up()
    story.seen().stay(1350.0)
    session = Session(story.run([]))
    done_s = None
    for sample in story.samples():
        session.feed([sample])
        if sample.t_s % 30.0 == 0.0 and session.view().phase == "complete":
            done_s = done_s or sample.t_s
    reached, complete = session.verdict().events
    assert reached.kind == "boil_reached" and "20 min" in reached.text
    assert complete.kind == "hold_complete" and "20 min" in complete.text
    assert complete.onset_s >= reached.onset_s + 1200.0 and done_s is not None and done_s >= complete.raised_s
    assert session.verdict().advice.action == "turn_off_heat" and session.verdict().verdict == UNPROVEN
