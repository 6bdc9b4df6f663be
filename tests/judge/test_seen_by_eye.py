"""Whether a person saw the boil that a verdict is on: another boil, another load or another time is none of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from monitor.judge import judge
from monitor.judge.verdict import HELD

Build = Callable[..., Any]


def told_of_this(verdict: Any) -> list[str]:
    return [reason for reason in verdict.reasons if "Nobody marked the rolling boil" in reason]


def lost_and_back(cook: Build) -> Any:
    """Seen, and lost after 3 min; back, and unseen."""
    story = cook(minutes=10.0).come_up().stay(60.0).seen().stay(180.0)
    return story.go(-3.0, 0.6).stay(60.0).go(0.15, 2.0)


def test_the_look_at_a_boil_that_was_lost_is_no_look_at_the_one_that_held(cook: Build) -> None:
    """ "Whether a person saw the full boil is stated in every verdict", and the floor is that of the boil proven."""
    verdict = judge(lost_and_back(cook).stay(900.0).mark("heat_off").go(-3.0, 1.0).run())
    assert verdict.verdict == HELD and not verdict.seen_by_eye
    assert verdict.floor_C == pytest.approx(verdict.boiling_point_C - 0.6, abs=0.011)
    (told,) = told_of_this(verdict)
    assert "what a person marked was not this one" in told
    seen = judge(lost_and_back(cook).stay(60.0).seen().stay(900.0).mark("heat_off").go(-3.0, 1.0).run())
    assert seen.verdict == HELD and seen.seen_by_eye and not told_of_this(seen)


def test_the_boil_that_is_proven_decides_though_a_later_one_was_seen(cook: Build) -> None:
    """Seven minutes unseen, lost, back and seen for three: the longest that is proven was judged by 0.6 K."""
    story = cook(minutes=10.0).come_up().stay(420.0).go(-3.0, 0.6).stay(60.0).go(0.15, 2.0)
    verdict = judge(story.stay(60.0).seen().stay(180.0).mark("heat_off").go(-3.0, 1.0).run())
    assert verdict.proven_s > 350.0 and not verdict.seen_by_eye
    assert verdict.floor_C == pytest.approx(verdict.boiling_point_C - 0.6, abs=0.011)


def test_the_look_at_the_load_before_is_none_at_this_one(cook: Build) -> None:
    story = cook(minutes=10.0).come_up().stay(60.0).seen().stay(180.0).mark("heat_off").mark("jars_lifted")
    story = story.go(-6.0, 2.0).mark("jars_in").stay(60.0).go(0.15, 2.0).stay(900.0).mark("heat_off")
    verdict = judge(story.go(-3.0, 1.0).run())
    assert verdict.verdict == HELD and not verdict.seen_by_eye
    assert not any("what a person saw" in reason for reason in verdict.reasons)


@pytest.mark.parametrize("at_s", [-3000.0, 30.0, 5000.0])
def test_a_look_at_another_time_is_none(cook: Build, at_s: float) -> None:
    """Before the first reading, in water far below the boil, after the heat is off."""
    story = cook(minutes=10.0).come_up().stay(900.0).mark("heat_off").go(-3.0, 1.0)
    verdict = judge(story.seen(at_s).run())
    assert verdict.verdict == HELD and not verdict.seen_by_eye and told_of_this(verdict)


def test_a_look_just_before_the_boil_is_found_is_a_look_at_it(cook: Build) -> None:
    story = cook(minutes=10.0).come_up().stay(5.0).seen().stay(900.0).mark("heat_off").go(-3.0, 1.0)
    verdict = judge(story.run())
    assert verdict.verdict == HELD and verdict.seen_by_eye and not told_of_this(verdict)


def test_a_look_at_what_cannot_be_proven_is_stated(cook: Build) -> None:
    """Too close to the floor to tell: the person did look."""
    story = cook(minutes=10.0).go(-0.9, 4.0).stay(120.0).seen().stay(780.0).mark("heat_off").go(-5.0, 1.0)
    verdict = judge(story.run())
    assert verdict.proven_s == 0.0 and verdict.possible_s > 0.0
    assert verdict.seen_by_eye and not told_of_this(verdict)


@pytest.mark.parametrize("looked", [False, True])
def test_the_next_load_in_the_same_boil_needs_a_look_of_its_own(cook: Build, looked: bool) -> None:
    """The boil goes on while jars go out and others in: their time begins with the look at them."""
    story = cook(minutes=10.0).come_up().stay(60.0).seen().stay(180.0).mark("jars_lifted").stay(30.0)
    story = story.mark("jars_in").stay(180.0)
    story = (story.seen() if looked else story).stay(900.0)
    looked_s = story.now_s - 900.0
    verdict = judge(story.mark("heat_off").go(-3.0, 1.0).run())
    assert verdict.verdict == HELD and verdict.seen_by_eye is looked
    allowed_K = 1.0 if looked else 0.6
    assert verdict.floor_C == pytest.approx(verdict.boiling_point_C - allowed_K, abs=0.011)
    assert (verdict.clock_started_s == pytest.approx(looked_s, abs=0.11)) is looked


@pytest.mark.parametrize("lower_K", [0.0, 0.35])
@pytest.mark.parametrize("again", [False, True])
def test_a_look_before_the_jars_went_in_lends_their_boil_nothing(
    cook: Build, lower_K: float, again: bool
) -> None:
    """ "The eye may shorten a hold, never lengthen it": what was seen was the boil without them."""

    def verdict(*looks_s: float) -> Any:
        story = cook(minutes=10.0, jars_in_s=0.0 if again else None).go(0.15 - lower_K, 4.0)
        boils_s = story.now_s
        story = story.stay(180.0).mark("jars_in").stay(900.0).mark("heat_off").go(-3.0, 1.0)
        for look_s in looks_s:
            story = story.seen(boils_s + look_s)
        return judge(story.run())

    before, without = verdict(60.0), verdict()
    assert (before.verdict, before.proven_s) == (without.verdict, without.proven_s)
    assert before.floor_C == without.floor_C and not before.seen_by_eye
    both, after = verdict(60.0, 420.0), verdict(420.0)
    assert (both.proven_s, both.clock_started_s) == (after.proven_s, after.clock_started_s)
    assert both.seen_by_eye


def test_the_look_at_the_second_load_takes_nothing_from_the_first(cook: Build) -> None:
    """Twelve minutes proven of the jars before stay proven, though their boil went on."""
    story = cook(minutes=10.0).come_up().stay(60.0).seen().stay(720.0).mark("jars_lifted").stay(30.0)
    story = story.mark("jars_in").stay(240.0).seen().stay(720.0).mark("heat_off").go(-3.0, 1.0)
    verdict = judge(story.run())
    (told,) = [reason for reason in verdict.reasons if reason.startswith("A load before this one")]
    assert "Treat it as not processed" not in told and "after 12 min" in told
    assert verdict.verdict == HELD and verdict.seen_by_eye
