"""An alarm in words: whose it is, when it was raised, what it may ask for."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from dashboard import alarm_words
from dashboard.alarm_model import Banner, standing
from monitor.alarms.rules import JARS_UNMARKED
from monitor.alarms.table import BY_CAUSE, RULES, Priority
from monitor.judge.words import NO_JARS
from monitor.store.reader import AlarmRow, RunRow

#: In August Denver is six hours behind UTC (the tz database).
ZONE = "America/Denver"
NOW = datetime(2026, 8, 14, 17, 30, tzinfo=UTC)
RUN = RunRow(
    "r",
    "canner-2",
    "2026-08-14T15:12:00.000Z",
    None,
    ZONE,
    "pears",
    "hot",
    "pint",
    7,
    1800.0,
    None,
    None,
    None,
    False,
    False,
)


def banner(kind: str, *, over: bool = False, cause: str = "") -> Banner:
    """An alarm as the journal has it: raised at 10:38:59 of Denver's time, over at 10:45."""
    rule = BY_CAUSE[kind, cause] if cause else RULES[kind]
    alarm = {"priority": "high", "headline": rule.headline, "do": rule.do, "canner": "canner-2"}
    if cause:
        alarm["cause"] = cause
    raised = AlarmRow(
        1,
        f"r:{kind}:1",
        "r",
        "2026-08-14T16:38:59.900Z",
        kind,
        "active_unacknowledged",
        {"change": "raised", "alarm": alarm},
    )
    rows = [raised]
    if over:
        rows.append(
            replace(
                raised,
                at_utc="2026-08-14T16:45:00.000Z",
                state="returned_unacknowledged",
                body={"change": "returned"},
            )
        )
    (found,) = standing(rows)
    return found


def test_an_alarm_of_the_run_that_is_on_says_when_and_keeps_what_it_asks_for() -> None:
    told = alarm_words.said(banner("boil_lost"), RUN, frozenset({"r"}), ZONE, NOW)
    assert told.whose == "canner-2, raised 10:38"
    assert (told.do, told.run_id) == (RULES["boil_lost"].do, None)


def test_an_alarm_of_an_ended_run_names_it_and_never_asks_for_the_heat() -> None:
    """Another batch may be on at the same canner by now."""
    told = alarm_words.said(banner("hold_not_held"), RUN, frozenset({"another"}), ZONE, NOW)
    assert told.whose == "canner-2, its ended run of 09:12 (pears), raised 10:38"
    assert told.run_id == "r"
    assert told.do.startswith("Reprocess in full, refrigerate or freeze every jar of it")


def test_an_ended_run_that_no_mark_says_jars_were_in_asks_only_for_what_may_have_been_in_it() -> None:
    raised = replace(banner("hold_not_held"), what=f"The hold is not proven. {NO_JARS}")
    told = alarm_words.said(raised, RUN, frozenset(), ZONE, NOW)
    assert told.do.startswith("If jars were in it: ") and "If none were in" in told.do
    assert "every jar" not in told.do
    for word in ("full boil", "heat to", "heat up", "heat off", "Turn the"):
        assert word not in told.do


@pytest.mark.parametrize("kind", sorted(RULES))
def test_no_alarm_of_an_ended_run_asks_for_a_boil_or_for_the_heat(kind: str) -> None:
    told = alarm_words.said(banner(kind), RUN, frozenset(), ZONE, NOW)
    for words in ("full boil", "heat to", "heat up", "heat off", "at the canner yourself: is it", "Turn the"):
        assert words not in told.do, (kind, told.do)


@pytest.mark.parametrize(("kind", "cause"), sorted(BY_CAUSE))
def test_nor_does_one_with_a_cause(kind: str, cause: str) -> None:
    told = alarm_words.said(banner(kind, cause=cause), RUN, frozenset(), ZONE, NOW)
    for words in ("full boil", "heat to", "heat up", "heat off", "at the canner yourself: is it", "Turn the"):
        assert words not in told.do, (kind, cause, told.do)


@pytest.mark.parametrize("kind", ["node_restarted", "clock_stepped"])
def test_a_time_that_counts_again_is_over_and_said_so(kind: str) -> None:
    """It stands until the boil is proven anew: then it is told as what was."""
    shown = banner(kind, over=True, cause="broke_off")
    assert shown.over and alarm_words.title(shown).startswith("Over: ")
    assert alarm_words.title(shown).endswith("the time began again")
    assert not banner(kind, over=True).over, "one that broke nothing is news"


def test_probes_that_disagreed_were_not_at_fault() -> None:
    assert alarm_words.title(banner("probe_fault", over=True, cause="two_probes")) == (
        "Over: the two water probes disagreed"
    )


def test_what_is_only_noted_takes_no_alarm_off_the_page() -> None:
    """A second restart that cost nothing, behind one that broke the proof and waits for an answer."""
    alarm = {"priority": "high", "headline": "first", "do": "Look.", "cause": "broke_off"}
    first = AlarmRow(
        1,
        "r:node_restarted:1",
        "r",
        "2026-08-14T16:38:59.900Z",
        "node_restarted",
        "active_unacknowledged",
        {"change": "raised", "alarm": alarm},
    )
    noted = replace(
        first,
        alarm_id="r:node_restarted:2",
        state="normal",
        body={"change": "noted", "alarm": {"priority": "notice"}},
    )
    (shown,) = standing([first, noted])
    assert (shown.alarm_id, shown.headline) == ("r:node_restarted:1", "first")


def test_jars_of_an_ended_run_that_were_never_marked_are_known_by_the_cause() -> None:
    raised = replace(banner("hold_not_held"), cause=JARS_UNMARKED)
    assert alarm_words.said(raised, RUN, frozenset(), ZONE, NOW).do == alarm_words.AFTERWARDS_IF_JARS


def test_another_day_is_said() -> None:
    told = alarm_words.said(banner("boil_lost"), RUN, frozenset({"r"}), ZONE, NOW.replace(day=15))
    assert told.whose == "canner-2, raised Fri 14 Aug 2026, 10:38"


def test_an_alarm_of_the_house_goes_by_the_household_s_clock() -> None:
    """Without a run there is no kitchen; Berlin is two hours ahead of UTC in August (the tz database)."""
    house = replace(banner("remote_path_lost"), run_id=None, canner=None)
    told = alarm_words.said(house, None, frozenset(), "Europe/Berlin", NOW)
    assert (told.whose, told.run_id) == ("raised 18:38", None)


def test_in_a_demonstration_an_alarm_stands_by_the_clock_of_its_run() -> None:
    """As its marks and events do: eleven minutes of the wall are 330 of the run."""
    began = {"started_utc": "2026-08-14T16:28:00.000Z"}
    told = alarm_words.said(
        banner("boil_lost", over=True),
        replace(RUN, **began),
        frozenset({"r"}),
        ZONE,
        NOW.replace(hour=16, minute=46),
        rate=30.0,
    )
    assert told.whose == "canner-2, 15:57 to 18:58"


def test_what_is_over_is_said_in_the_past() -> None:
    """Each kind that can be over has its words; whatever else comes keeps its headline."""
    told = alarm_words.said(banner("boil_lost", over=True), RUN, frozenset({"r"}), ZONE, NOW)
    assert told.title == "Over: the boil was lost"
    assert told.whose == "canner-2, 10:38 to 10:45"
    rings = {
        kind
        for kind, rule in RULES.items()
        if not rule.momentary and {rule.hold, rule.come_up, rule.after} != {Priority.NOTICE}
    }
    assert rings == set(alarm_words.WAS)
    for kind in rings:
        assert " is " not in f" {alarm_words.WAS[kind]} ".replace("to be", ""), kind
