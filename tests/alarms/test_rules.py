"""Which event alarms, how urgently, by when, and what ends it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from monitor.alarms.rules import (
    Context,
    alarm_for,
    alarm_for_verdict,
    returned_by,
)
from monitor.alarms.table import BY_CAUSE, RULES, STAGES, Priority, Stage
from monitor.judge import causes, words
from monitor.judge.verdict import EVENT_KINDS, Advice, Budget, Event, Verdict
from monitor.record.model import MARK_KINDS

START = datetime(2026, 8, 14, 15, 12, tzinfo=UTC)
CONDITIONS = {
    "node_heard",
    "reading_counts",
    "heater_on",
    "heating_again",
    "run_ended",
    "seals_judged",
    "jars_decided",
    "end_taken_back",
    "time_owed",
    "run_watched",
    "remote_path_back",
    "remote_path_removed",
    "store_back",
}


def context(stage: Stage = Stage.HOLD) -> Context:
    return Context("run-1", canner="canner-1", node="hill-node", stage=stage, started_at=START)


def test_a_salvage_clock_alarms_before_it_closes_and_says_when_that_is() -> None:
    """An hour before the 24 h, half an hour before the 2 h, however late the alarm is raised."""
    overdue = alarm_for(Event("seal_check_overdue", 80_000.0, 80_900.0, "text"), context(Stage.AFTER))
    closing = alarm_for(Event("reprocess_window_closing", 9_000.0, 9_004.0, "text"), context(Stage.AFTER))
    assert overdue is not None and closing is not None
    assert overdue.due_utc == START + timedelta(seconds=80_000.0 + 3600.0)
    assert closing.due_utc == START + timedelta(seconds=9_000.0 + 1800.0)


def test_a_draught_has_words_of_its_own_under_the_contracts_kind() -> None:
    chilled = Event(
        "jar_disturbed", 120.0, 600.0, "Jar 2 cools faster than still air can cool it: a draught?"
    )
    moved = Event("jar_disturbed", 120.0, 600.0, "Jar 2 was disturbed, or its probe was.")
    first, second = alarm_for(chilled, context(Stage.AFTER)), alarm_for(moved, context(Stage.AFTER))
    assert first is not None and second is not None
    assert first.kind == second.kind == "jar_disturbed"
    assert first.headline == "A jar cools too fast" and "draughts" in first.do
    assert second.headline == "A cooling jar was disturbed"


def test_every_event_kind_has_a_rule() -> None:
    """Nothing the engine says falls through."""
    assert set(EVENT_KINDS) <= set(RULES)


@pytest.mark.parametrize("kind", sorted(RULES))
def test_every_rule_says_what_to_do_and_ends_by_something_that_exists(kind: str) -> None:
    """A trigger that nobody ever sends would leave an alarm standing for ever."""
    rule = RULES[kind]
    assert rule.headline and rule.do.endswith(".")
    assert rule.returns_on <= set(EVENT_KINDS) | set(MARK_KINDS) | CONDITIONS


@pytest.mark.parametrize(
    "kind", ["boil_lost", "probe_fault", "reading_frozen", "node_silent", "probe_moved", "heater_off"]
)
def test_what_stops_the_hold_or_its_proof_is_of_the_highest_class_in_the_hold_only(kind: str) -> None:
    """Loss of boil, probe fault or stopped recording in the hold is the highest class (IEC 60601-1-8: by
    urgency; the list is this project's)."""
    event = Event(kind, 700.0, 710.0, "it happened")
    priorities = {stage: alarm_for(event, context(stage)).priority for stage in Stage}  # type: ignore[union-attr]
    assert priorities[Stage.HOLD] is Priority.HIGH
    assert Priority.HIGH not in (
        priorities[Stage.COME_UP],
        priorities[Stage.COMPLETE],
        priorities[Stage.AFTER],
    )


@pytest.mark.parametrize("stage", Stage)
def test_good_news_never_rings(stage: Stage) -> None:
    """An alarm asks for a response (ISA-18.2); that the time counts again asks for none."""
    text = words.proven_again(600.0, words.gap(45.0), seen=True)
    news = alarm_for(Event("boil_back", 700.0, 712.0, text), context(stage))
    assert news is not None and news.priority is Priority.NOTICE and "45 s" in news.what


def test_jars_into_a_boil_that_goes_on_are_a_hold_once_it_counts() -> None:
    """From then on a fault is of the highest class again: the time is owed."""
    waiting = context(Stage.HOLD).after("jars_in")
    assert waiting.stage is Stage.COME_UP
    assert waiting.after("boil_back").stage is Stage.HOLD


def test_a_sample_with_two_values_is_no_broken_wire() -> None:
    """It stops the proof as a fault does, so it is as urgent (IEC 60601-1-8); what to do is another thing."""
    two, wire = (
        alarm_for(Event("probe_fault", 700.0, 700.0, text), context())
        for text in (words.CONFLICT_TEXT, words.probe_fault("open"))
    )
    assert two is not None and wire is not None
    assert two.priority is wire.priority is Priority.HIGH
    assert "two values" in two.headline and "wire" not in two.do and "full boil" in two.do
    assert "wire" in wire.do


def test_two_probes_that_disagree_are_no_broken_wire() -> None:
    """The alarm's headline, what happened and what to do speak of one thing: where the two sit."""
    two = alarm_for(Event("probe_fault", 700.0, 700.0, words.two_probes(99.0, 97.0)), context())
    assert two is not None and two.priority is Priority.HIGH
    assert two.headline == "The two water probes disagree" and "by 2.0 K" in two.what
    assert "wire" not in two.do and "plug" not in two.do
    assert "where both probes sit" in two.do and "full boil" in two.do


@pytest.mark.parametrize("cause", [causes.TWO_VALUES, causes.TWO_PROBES])
def test_the_cause_decides_and_no_sentence(cause: str) -> None:
    """Whoever improves a sentence changes no alarm by it."""
    alarm = alarm_for(Event("probe_fault", 700.0, 700.0, "in other words", cause=cause), context())
    assert alarm is not None and (alarm.cause, alarm.headline) == (
        cause,
        BY_CAUSE["probe_fault", cause].headline,
    )


@pytest.mark.parametrize(
    ("kind", "text", "ask"),
    [
        ("boil_lost", words.lost(674.0), "from zero"),
        ("boil_lost", words.COOLED, "from zero"),
        ("overrun", words.OVERRUN, "urn"),
        ("probe_fault", words.two_probes(99.0, 97.0), "sit"),
    ],
)
def test_what_is_to_be_done_is_said_once(kind: str, text: str, ask: str) -> None:
    """Headline, what happened and what to do stand on one card and are read in a hurry, from afar."""
    alarm = alarm_for(Event(kind, 700.0, 710.0, text), context())
    assert alarm is not None and alarm.what and alarm.what.endswith(".")
    assert ask in text and ask in alarm.do and ask not in alarm.what
    done = alarm_for(
        Event(kind, 700.0, 710.0, text.replace(words.RESTART_RULE, words.DONE_RULE)), context(Stage.COMPLETE)
    )
    assert done is not None and "heat" not in done.what


@pytest.mark.parametrize(("kind", "cause"), sorted(BY_CAUSE))
def test_every_rule_of_a_cause_says_what_to_do_and_ends_by_something_that_exists(
    kind: str, cause: str
) -> None:
    rule = BY_CAUSE[kind, cause]
    assert kind in RULES and rule.headline and rule.do.endswith(".")
    assert rule.returns_on <= set(EVENT_KINDS) | set(MARK_KINDS) | CONDITIONS


@pytest.mark.parametrize("kind", ["node_restarted", "clock_stepped"])
@pytest.mark.parametrize("cause", [causes.BROKE_OFF, causes.BROKE_OFF_SEEN])
def test_what_broke_the_proof_of_the_hold_is_of_the_highest_class_in_it_only(kind: str, cause: str) -> None:
    """As above; a restart or a step that broke nothing is neither."""
    event = Event(kind, 700.0, 700.0, "it happened", cause=cause)
    found = {stage: alarm_for(event, context(stage)).priority for stage in Stage}  # type: ignore[union-attr]
    assert [stage for stage in Stage if found[stage] is Priority.HIGH] == [Stage.HOLD]
    plain = alarm_for(replace(event, cause=""), context())
    assert plain is not None and plain.priority in (Priority.LOW, Priority.NOTICE)


def test_a_lost_boil_is_due_two_hours_after_its_onset() -> None:
    """University of Nebraska extension: 2 h for jars not processed by a safe method."""
    alarm = alarm_for(Event("boil_lost", 700.0, 712.0, "fell"), context())
    assert alarm is not None
    assert alarm.due_utc == START + timedelta(seconds=700.0 + 7200.0)
    assert "from zero" in alarm.do and "G4" in alarm.guidance


@pytest.mark.parametrize("kind", ["boil_lost", "boil_back", "heater_off"])
def test_once_the_whole_time_has_held_nothing_begins_again(kind: str) -> None:
    """Begin again from zero is the published rule for a time that is still owed (USDA Complete Guide to Home Canning,
    Guide 1); one that has held is over, and no salvage clock runs for it.
    """
    event = Event(kind, 2500.0, 2510.0, "it happened")
    owed, over = alarm_for(event, context()), alarm_for(event, context(Stage.COMPLETE))
    assert owed is not None and over is not None
    assert "from zero" in owed.do and "from zero" not in over.do
    assert "Turn off the heat" in over.do and over.due_s is None


@pytest.mark.parametrize("word", ["broken", "unproven"])
def test_a_closed_run_without_a_held_hold_alarms(word: str) -> None:
    verdict = _verdict(word)
    alarm = alarm_for_verdict(verdict, context(Stage.AFTER), 3400.0)
    assert alarm is not None
    assert alarm.priority is Priority.HIGH
    assert "a gap of 80 s" in alarm.what
    assert alarm.due_utc is None


@pytest.mark.parametrize("word", ["broken", "unproven"])
def test_a_run_that_no_mark_says_jars_were_in_asks_for_nothing_of_jars_that_may_not_be(word: str) -> None:
    """It says "no mark says that the jars were in": then not "every jar" and "before the time is up" either."""
    verdict = replace(_verdict(word), reasons=(words.NO_JARS,))
    alarm = alarm_for_verdict(verdict, context(Stage.AFTER), 3400.0)
    assert alarm is not None and alarm.priority is Priority.HIGH, "missing is unknown, never fine"
    assert words.NO_JARS in alarm.what
    assert alarm.do.startswith("If jars are in the canner") and "If none were in" in alarm.do
    assert "every jar" not in alarm.do and "time is up" not in alarm.do
    marked = alarm_for_verdict(_verdict(word), context(Stage.AFTER), 3400.0)
    assert marked is not None and marked.do == RULES["hold_not_held"].do


def test_before_the_time_is_up_comes_with_the_time() -> None:
    """University of Nebraska extension: 2 h for jars not processed by a safe method; the advice says from when."""
    until = START + timedelta(seconds=700.0 + 7200.0)
    advice = Advice("reprocess_or_refrigerate", "", until.isoformat(), ())
    alarm = alarm_for_verdict(replace(_verdict("broken"), advice=advice), context(Stage.AFTER), 3400.0)
    assert alarm is not None
    assert (alarm.due_utc, alarm.due_s) == (until, 7900.0)


@pytest.mark.parametrize("word", ["held", None])
def test_a_held_or_open_run_does_not(word: str | None) -> None:
    assert alarm_for_verdict(_verdict(word), context(Stage.AFTER), 3400.0) is None


def test_the_stage_follows_the_run_and_a_lost_boil_stays_owed() -> None:
    now = context(Stage.COME_UP)
    for kind, stage in [
        ("jars_in", Stage.COME_UP),
        ("boil_reached", Stage.HOLD),
        ("boil_lost", Stage.HOLD),
        ("boil_back", Stage.HOLD),
        ("hold_complete", Stage.COMPLETE),
        ("heat_off", Stage.AFTER),
        ("heat_on", Stage.COME_UP),
        ("boil_reached", Stage.HOLD),
    ]:
        now = now.after(kind)
        assert now.stage is stage, kind


def test_the_stages_speak_of_real_events_and_marks() -> None:
    assert {kind for _, kind in STAGES} <= set(EVENT_KINDS) | set(MARK_KINDS) | CONDITIONS


@pytest.mark.parametrize(
    ("kind", "trigger"),
    [
        ("boil_lost", "boil_back"),
        ("node_silent", "node_heard"),
        ("probe_fault", "reading_counts"),
        ("heater_off", "heater_on"),
        ("hold_complete", "heat_off"),
        ("water_check_due", "water_checked"),
        ("seal_check_overdue", "seals_judged"),
        ("reprocess_window_closing", "jars_decided"),
    ],
)
def test_what_ends_it(kind: str, trigger: str) -> None:
    assert returned_by(kind, [trigger])
    assert not returned_by(kind, ["boil_lost"])


def _verdict(word: str | None) -> Verdict:
    return Verdict(
        run_id="run-1",
        verdict=word,
        required_s=1800.0,
        proven_s=600.0,
        possible_s=1900.0,
        boiling_point_C=94.5,
        boiling_point_from="barometer",
        floor_C=93.5,
        expanded_uncertainty_K=0.4,
        clock_started_s=None,
        clock_completed_s=None,
        seen_by_eye=False,
        stretches=(),
        events=(),
        advice=Advice("reprocess", "Bring it back to the boil."),
        budget=Budget((), 0.4, ""),
        reasons=("a gap of 80 s",),
    )
