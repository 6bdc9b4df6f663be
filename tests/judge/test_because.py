"""The first reason in plain words: what decides a verdict that is not held, from stretches written by hand.

That the reason is said with the answer, in words, is what a non-binary statement of conformity owes its reader
(ILAC-G8:09/2019, 4.2.3). Each sentence here follows from the stretches beside it; no engine is asked.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from monitor.judge import words
from monitor.judge.because import because
from monitor.judge.daytime import clock, date_and_time
from monitor.judge.eventlog import EventLog
from monitor.judge.hold import Hold
from monitor.judge.verdict import BOILING, BROKEN, HELD, NOT_BOILING, UNKNOWN, UNPROVEN, Stretch
from monitor.record.model import Required, Run

NOON = datetime(2026, 8, 14, 12, tzinfo=UTC)
RUN = Run(run_id="by-hand", started_at=NOON, required=Required(10.0, ""))
COMING_UP = Stretch(0.0, 300.0, NOT_BOILING, words.COME_UP)


def said(
    word: str | None, stretches: list[Stretch], proven_s: float, possible_s: float, end_s: float = 1200.0
) -> str:
    return because(RUN, word, stretches, (0.0, end_s), (proven_s, possible_s))


def test_a_silence_that_decides_is_named_with_its_time() -> None:
    """Jars in at 12:00, boil from 12:05, nothing heard from 12:10 to 12:12: what is missing, from when to when, why."""
    stretches = [
        COMING_UP,
        Stretch(300.0, 600.0, BOILING, words.BOIL),
        Stretch(600.0, 720.0, UNKNOWN, words.gap(120.0)),
        Stretch(720.0, 1200.0, BOILING, words.BOIL),
    ]
    text = said(UNPROVEN, stretches, 480.0, 900.0)
    assert text == "Not known whether it boiled from 12:10:00 to 12:12:00: no reading for 2 min."


def test_only_what_decides_is_told() -> None:
    """The 40 s at the start would not matter: without the 3 min alone no 10 min are left."""
    stretches = [
        Stretch(0.0, 300.0, NOT_BOILING, words.COME_UP),
        Stretch(300.0, 340.0, UNKNOWN, words.DATING_START),
        Stretch(340.0, 620.0, BOILING, words.BOIL),
        Stretch(620.0, 800.0, UNKNOWN, words.FROZEN),
        Stretch(800.0, 1020.0, BOILING, words.BOIL),
    ]
    text = said(UNPROVEN, stretches, 280.0, 720.0, 1020.0)
    assert "from 12:10:20 to 12:13:20 (3 min): the reading stands still" in text
    assert words.DATING_START not in text


def test_a_hold_too_short_says_by_what_it_ended() -> None:
    """Heat off at 12:14: 9 min of the 10."""
    stretches = [COMING_UP, Stretch(300.0, 840.0, BOILING, words.BOIL)]
    text = said(BROKEN, stretches, 540.0, 540.0, 840.0)
    assert "The longest boil, 9 min 00 s at most of 10 min, ended at 12:14:00" in text
    assert "when the heat was turned off" in text


def test_a_boil_that_was_lost_says_so() -> None:
    """Lost at 12:10, never back."""
    stretches = [
        COMING_UP,
        Stretch(300.0, 600.0, BOILING, words.BOIL),
        Stretch(600.0, 1200.0, NOT_BOILING, words.LOST),
    ]
    assert "ended about 12:10:00: boil lost" in said(BROKEN, stretches, 300.0, 300.0)


def test_water_that_never_boiled_is_not_told_of_a_longest_boil() -> None:
    """20 min of simmer."""
    text = said(BROKEN, [Stretch(0.0, 1200.0, NOT_BOILING, words.SIMMER)], 0.0, 0.0)
    assert text == "No full boil shows while the jars were in. For 20 min of it: steady, but below boiling."


@pytest.mark.parametrize("word", [HELD, None])
def test_a_held_or_open_run_needs_no_reason(word: str | None) -> None:
    assert said(word, [Stretch(0.0, 1200.0, BOILING, words.BOIL)], 1200.0, 1200.0) == ""


def test_times_of_day_are_the_sites_and_tell_the_hour_that_comes_twice_apart() -> None:
    """Denver, UTC-6 in summer; on 2026-11-01 its clocks go back at 2:00 to UTC-7 (first Sunday of November, US law)."""
    summer = replace(RUN, zone="America/Denver")
    assert clock(summer, 61.5) == "06:01:01" and clock(summer, 61.5, late=True) == "06:01:02"
    assert date_and_time(summer, 119.0) == "2026-08-14 06:01"
    autumn = replace(summer, started_at=datetime(2026, 11, 1, 7, 30, tzinfo=UTC))
    assert clock(autumn, 0.0) == "01:30:00 -06:00"
    assert clock(autumn, 3600.0) == "01:30:00 -07:00"


def told(*, jars_in: bool = True, complete: bool = False) -> tuple[Hold, EventLog]:
    log = EventLog()
    hold = Hold(600.0, log)
    if jars_in:
        hold.jars_in(0.0)
    if complete:
        hold.complete(300.0, 910.0)
    return hold, log


def test_a_boil_without_jars_is_not_said_to_count() -> None:
    """The processing time is that of jars in boiling water (USDA Complete Guide to Home Canning, Guide 1)."""
    for jars_in in (True, False):
        hold, log = told(jars_in=jars_in)
        hold.reached(300.0, 290.0, 320.0, seen=True)
        assert ("10 min count from here" in log.events[-1].text) is jars_in
        assert ("nothing counts yet" in log.events[-1].text) is not jars_in


def test_a_start_that_the_eye_may_still_move_is_said_to_be_so() -> None:
    """The first mark of the rolling boil moves the start of its stretch."""
    for seen in (True, False):
        hold, log = told()
        hold.reached(300.0, 290.0, 320.0, seen=seen)
        assert ("or from your later mark" in log.events[-1].text) is not seen


def test_a_boil_lost_after_the_whole_time_begins_nothing_again() -> None:
    """The time that held is over: to begin again from zero is asked only of one that is owed (USDA, Guide 1)."""
    for complete in (False, True):
        hold, log = told(complete=complete)
        hold.lost(1000.0, 990.0, 1010.0, 1030.0, words.lost(700.0))
        hold.reached(1100.0, 1090.0, 1120.0, seen=False)
        lost, back = (event.text for event in log.events[-2:])
        assert ("from zero" in lost) is not complete and ("begin again" in back) is not complete
        assert ("Turn off the heat" in lost) is complete and ("Turn off the heat" in back) is complete


def test_a_cause_is_told_with_the_dating_around_it_as_one_time() -> None:
    """Boil from 12:05; one sample with two values at 12:10, and what it makes undatable on both sides."""
    stretches = [
        COMING_UP,
        Stretch(300.0, 570.0, BOILING, words.BOIL),
        Stretch(570.0, 600.0, UNKNOWN, words.TOO_SOON),
        Stretch(600.0, 602.0, UNKNOWN, words.CONFLICT),
        Stretch(602.0, 640.0, UNKNOWN, words.DATING_START),
        Stretch(640.0, 1000.0, BOILING, words.BOIL),
        Stretch(1000.0, 1020.0, UNKNOWN, words.DATING_END),
    ]
    text = said(UNPROVEN, stretches, 360.0, 720.0, 1020.0)
    assert text == (
        "Not known whether it boiled from 12:09:30 to 12:10:40 (1 min 10 s): one sample came with two values."
    )


def test_the_way_up_is_no_reason_where_there_is_another() -> None:
    """15 min of come-up, 5 that nobody can tell: what is told is the latter."""
    stretches = [
        Stretch(0.0, 900.0, NOT_BOILING, words.COME_UP),
        Stretch(900.0, 1200.0, UNKNOWN, words.between(0.4, seen=False)),
    ]
    text = said(BROKEN, stretches, 0.0, 300.0)
    assert "For 5 min of it: too close to the floor" in text and "nobody marked this boil" in text
