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
from monitor.physics.units import ft_to_m
from monitor.plan.make import make_plan
from monitor.plan.model import Plan
from monitor.record.model import Batch, Run
from monitor.tables.foods import foods

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
    ("food", "food_id", "named"),
    [
        ("green beans", "pears", "green beans"),
        ("Pears and pork", "pears", "Pears and pork"),
        ("pears", "green_beans", "green_beans"),
        (None, "green_beans", "green_beans"),
        ("grandmother's jar", "chicken soup", "chicken soup"),
        ("zucchini", "zucchini_pineapple", "zucchini"),
        ("zucchini-pineapple with bacon", "zucchini_pineapple", "zucchini-pineapple with bacon"),
    ],
)
def test_low_acid_food_in_the_words_or_in_the_id_is_low_acid_food(
    run: Run, food: str | None, food_id: str, named: str
) -> None:
    """Neither overrules the other: an id that stayed from the batch before makes no beans acid."""
    changed = replace(run, batch=replace(PEARS, food=food, food_id=food_id))
    assert judge(replace(changed, required=replace(run.required, minutes=5.0))).verdict == UNPROVEN
    caps = caps_of(changed)
    assert caps.low_acid is not None and f"“{named}” counts as" in caps.reasons[0]


@pytest.mark.parametrize(
    ("food", "food_id"),
    [
        ("peach halves", "pears"),
        ("Peaches, sliced", "PEARS"),
        ("plums", "preserves_plum"),
        ("beets_pickled", "pears"),
        ("apple butter", "pear halves"),
    ],
)
def test_words_and_an_id_of_two_foods_leave_open_what_is_in_the_jars(
    run: Run, food: str, food_id: str
) -> None:
    caps = caps_of(replace(run, batch=replace(PEARS, food=food, food_id=food_id)))
    assert caps.low_acid is None and "What is in the jars is not known" in caps.reasons[0]
    assert f"“{food}”" in caps.reasons[0] and f"“{food_id}”" in caps.reasons[0]


def test_of_two_foods_the_longer_time_is_told(run: Run) -> None:
    """Apple juice 5 min, applesauce 15, hot, pints, up to 1,000 ft (USDA Complete Guide, Guide 2)."""
    both = replace(PEARS, food="apple juice", food_id="applesauce")
    caps = caps_of(replace(run, batch=both, required=replace(run.required, minutes=5.0)))
    assert caps.published_min == 15


@pytest.mark.parametrize(
    ("food", "food_id"),
    [
        ("pear halves", "pears"),
        ("Pears, halved", "pears"),
        ("Bartlett pears", "Pears"),
        ("Birnen", "pears"),
        ("pears in light syrup (own process)", "pears"),
        ("grandma's chutney", "chutney_cranberry_orange"),
        ("zucchini in pineapple juice", "zucchini_pineapple"),
        ("grandma's pickled beets with onion", "beets_pickled"),
        ("raspberry jam", "jam_no_pectin"),
        ("peach preserves", "jam_no_pectin"),
        ("peaches, pears and cherries", "fruit_cocktail"),
        ("paste tomato salsa", "salsa_tomato_paste"),
        ("hot pepper jelly", "jam_jelly_pectin"),
        ("pear halves", "an id of other tables"),
        ("batch of the 14th", "pears"),
        ("", "pears"),
        ("pears", " "),
    ],
)
def test_another_spelling_or_a_name_of_its_own_says_nothing_against_the_id(
    run: Run, food: str, food_id: str
) -> None:
    caps = caps_of(
        replace(
            run,
            batch=replace(PEARS, food=food, food_id=food_id),
            required=replace(run.required, minutes=60.0),
        )
    )
    assert caps.low_acid is None and not caps.reasons


@pytest.mark.parametrize("food_id", sorted(foods()))
def test_every_name_of_a_food_goes_with_its_id(run: Run, food_id: str) -> None:
    enough = replace(run, required=replace(run.required, minutes=600.0))
    for words in (foods()[food_id].name, *foods()[food_id].words, food_id):
        assert caps_of(replace(enough, batch=replace(PEARS, food=words, food_id=food_id))).reasons == ()


@pytest.mark.parametrize(
    ("changes", "published_min"),
    [
        ({}, 20),
        ({"food_id": None}, 20),
        ({"food_id": "PEARS", "food": None}, 20),
        ({"food_id": None, "food": "Pears"}, 20),
        ({"food_id": "pear halves", "food": None}, 20),
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


@pytest.mark.parametrize(
    ("altitude_m", "sure_m", "required_min", "says"),
    [
        # 30 min up to 6,000 ft, 35 above; 5 more above 8,000 ft, where sources disagree (G21).
        (1650.0, 10.0, 30.0, ""),
        (1650.0, 300.0, 30.0, "The altitude of 1650 m is known to ±300 m"),
        (1750.0, None, 30.0, "The altitude of 1750 m is taken as ±100 m, for none is recorded"),
        (1650.0, 300.0, 35.0, ""),
        (2900.0, 10.0, 35.0, "Above 8,000 ft sources disagree, and the longer time applies, 40 min"),
        (2900.0, 10.0, 40.0, ""),
        (2900.0, 10.0, 34.0, "fewer than the published 35 min"),
    ],
)
def test_the_longer_time_applies_where_the_altitude_leaves_it_open(
    held_run: Callable[..., Run], altitude_m: float, sure_m: float | None, required_min: float, says: str
) -> None:
    """Record requirements P4; guidance G21, G23. Pears, hot, pints (USDA Complete Guide, Guide 2)."""
    run = held_run(minutes=required_min, batch=PEARS)
    site = replace(run.site, altitude_m=altitude_m, altitude_uncertainty_m=sure_m)
    caps = caps_of(replace(run, site=site))
    assert (not caps.reasons) if not says else says in caps.reasons[0]
    assert (caps.published_min is None) is (not says)


@pytest.mark.parametrize("sure_ft", [30.0, 200.0, None])
def test_the_verdict_asks_for_no_other_time_than_the_plan(run: Run, sure_ft: float | None) -> None:
    """In feet, as half of the kitchens are given; at each band's edge and near it."""
    for altitude_ft in (
        *range(0, 12000, 230),
        970,
        971,
        1000,
        2970,
        3000,
        5800,
        5970,
        5971,
        6000,
        7970,
        8000,
    ):
        altitude_m, sure_m = ft_to_m(altitude_ft), None if sure_ft is None else ft_to_m(sure_ft)
        plan = make_plan("pears", "hot", "pint", altitude_m, sure_m)
        assert isinstance(plan, Plan)
        site = replace(run.site, altitude_m=altitude_m, altitude_uncertainty_m=sure_m)
        asked = plan.minutes
        for minutes, is_enough in ((asked, True), (asked - 1.0, False)):
            header = replace(run, site=site, required=replace(run.required, minutes=minutes))
            assert (not caps_of(header).reasons) is is_enough, (altitude_ft, minutes)


def test_whoever_holds_too_short_a_time_is_not_told_to_stop_before_the_longer(
    held_run: Callable[..., Run],
) -> None:
    """20 min required at 250 m, which may be 350 m: 25 min apply there, and the hold is complete after those."""
    run = held_run(minutes=20.0, batch=PEARS)
    verdict = judge(replace(run, site=replace(run.site, altitude_m=250.0, altitude_uncertainty_m=None)))
    assert verdict.verdict == UNPROVEN
    assert "hold_complete" not in {event.kind for event in verdict.events}
