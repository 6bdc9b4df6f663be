"""A batch followed to the shelf; seals, sums, review, deviations, dates."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import RefusedError, UsageError
from monitor.jars import Seal, Status, check_answers, lost_seals, pantry, reprocess_extra
from monitor.jars.pantry import story
from monitor.jars.reprocess import child_header, hot_pack
from monitor.jars.rows import instant, local_date, local_time, months_after
from monitor.judge import words
from monitor.record.model import Batch, Mark, Site
from monitor.record.read import read_run

RECORDED = Path(__file__).parents[2] / "recorded_runs"
HOUR = 3600.0
LIFTED = 3700.0
START = datetime(2026, 8, 14, 18, 0, tzinfo=UTC)
AGAIN = {"pack": "hot", "source": "USDA", "minutes": 30.0, "new_lids": True}


def round_of(batch: Any, hours: float = 13.0) -> None:
    """Five sealed, jar 3 unsealed, jar 6 broken."""
    for jar in range(1, 8):
        if jar == 6:
            batch.add("jar_seal", LIFTED + hours * HOUR, jar=6, broken=True)
        else:
            batch.seal(jar, LIFTED + hours * HOUR, **({"sight": "flat"} if jar == 3 else {}))


def test_from_heat_off_to_the_shelf(kitchen: Any) -> None:
    """One jar unsealed, one broken: the rest is shelved once the review is signed."""
    batch = kitchen()
    batch.add("jars_lifted_count", LIFTED, out=6, broken=[6])
    assert batch.state(LIFTED + HOUR).next_jar() == 1
    round_of(batch)
    state = batch.state(LIFTED + 13.1 * HOUR)
    assert state.next_jar() is None
    assert state.sums.problem == ""
    assert [jar.jar for jar in state.undecided()] == [3]
    clock = min(state.clocks, key=lambda clock: clock.deadline)
    assert clock.guidance == ("G51", "G56")
    batch.add("jar_disposition", LIFTED + 13.2 * HOUR, jar=3, to="refrigerate")
    batch.sign(LIFTED + 14 * HOUR)
    state = batch.state(LIFTED + 14.1 * HOUR)
    assert state.review is not None and state.review.valid and not state.review.self_review
    assert [jar.status.value for jar in state.jars] == [
        "shelf", "shelf", "refrigerate", "shelf", "shelf", "broken", "shelf",
    ]  # fmt: skip
    assert not state.clocks
    (cold, shelf) = pantry([state], date(2026, 9, 1))
    assert (cold.place, cold.use_by) == (Status.REFRIGERATE, date(2026, 8, 21))
    assert shelf.jars == (1, 2, 4, 5, 7) and shelf.use_by == date(2027, 8, 14) and shelf.age_days == 18


@pytest.mark.parametrize(
    ("hours", "answers", "seal"),
    [
        (11.98, {}, Seal.SEALED_EARLY),
        (12.02, {}, Seal.SEALED),
        (13.0, {"tap": "dull"}, Seal.UNSEALED),
        (13.0, {"press": "springs"}, Seal.UNSEALED),
        (13.0, {"sight": "flat"}, Seal.UNSEALED),
        (13.0, {"lift": "gives"}, Seal.UNSEALED),
        (13.0, {"lift": None}, Seal.UNSEALED),
        (2.0, {"press": "springs"}, Seal.UNSEALED_EARLY),
    ],
)
def test_one_jar_judged(kitchen: Any, hours: float, answers: dict[str, Any], seal: Seal) -> None:
    """USDA testing jar seals: any failing or missing answer is unsealed; before 12 h provisional."""
    batch = kitchen(jars=1)
    batch.seal(1, LIFTED + hours * HOUR, **answers)
    assert batch.state(LIFTED + 20 * HOUR).jars[0].seal.seal is seal


def test_the_alarms_hear_when_nothing_is_left_to_ask(kitchen: Any) -> None:
    batch = kitchen("broken", jars=2)
    assert batch.state(2500.0).settled() == frozenset()
    batch.add("jar_disposition", 2600.0, jar=1, to="refrigerate")
    batch.add("jar_disposition", 2600.0, jar=2, to="reprocess_queued")
    assert "jars_decided" not in batch.state(2700.0).settled()
    batch.add("run_started", 2800.0, run_id="child", reprocess_of=batch.run.run_id, reprocess_jars=[2])
    assert "jars_decided" not in batch.state(2850.0).settled(), "they still stand on the counter"
    batch.of("child", "mark", 2860.0, kind="jars_in")
    assert "jars_decided" in batch.state(2900.0).settled()
    whole = kitchen(jars=1)
    assert whole.state(LIFTED + 12.5 * HOUR).settled() == frozenset()
    whole.seal(1, LIFTED + 13 * HOUR)
    assert whole.state(LIFTED + 14 * HOUR).settled() == {"seals_judged"}


def test_a_correction_replaces_the_answer_and_the_old_row_stays_in_the_list(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    wrong = batch.seal(1, LIFTED + 13 * HOUR, tap="dull")
    batch.seal(1, LIFTED + 13.1 * HOUR)
    batch.entries[-1] |= {"corrects": wrong, "reason": "wrong jar"}
    assert batch.state(LIFTED + 14 * HOUR).jars[0].seal.seal is Seal.SEALED


@pytest.mark.parametrize(
    ("body", "match"),
    [
        ({"jar": 0}, "no jar number"),
        ({"jar": True}, "no jar number"),
        ({"jar": 1, "tap": "loud"}, "'loud' is no answer"),
    ],
)
def test_nonsense_answers_are_refused(body: dict[str, Any], match: str) -> None:
    with pytest.raises(UsageError, match=match):
        check_answers(body)


@pytest.mark.parametrize("out", [5, 8])
def test_jars_that_do_not_add_up_block_the_review_whatever_reason_is_written(kitchen: Any, out: int) -> None:
    batch = kitchen()
    batch.add("jars_lifted_count", LIFTED, out=out, broken=[])
    for jar in range(1, 8):
        batch.seal(jar, LIFTED + 13 * HOUR)
    batch.sign(LIFTED + 14 * HOUR, sums="never mind")
    state = batch.state(LIFTED + 15 * HOUR)
    assert str(abs(7 - out)) in state.sums.problem
    assert state.review is not None and "do not add up" in state.review.lapsed
    assert all(jar.status is Status.WAITING for jar in state.jars)


def test_a_signature_lapses_when_one_character_changes(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    batch.seal(1, LIFTED + 13 * HOUR)
    batch.sign(LIFTED + 14 * HOUR, by="Ada")
    state = batch.state(LIFTED + 15 * HOUR)
    assert state.review is not None and state.review.valid and state.review.self_review
    batch.entries[0]["body"]["note"] = "x"
    state = batch.state(LIFTED + 15 * HOUR)
    assert state.review is not None and "has changed" in state.review.lapsed
    assert state.jars[0].status is Status.WAITING


def test_a_failing_line_needs_a_written_reason(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    unseen = tuple(mark for mark in batch.run.marks if mark.kind != "rolling_boil_seen")
    batch.run = replace(batch.run, marks=unseen)
    batch.seal(1, LIFTED + 13 * HOUR)
    batch.sign(LIFTED + 14 * HOUR)
    assert "no reason" in batch.state(LIFTED + 15 * HOUR).review.lapsed
    batch.sign(LIFTED + 14.5 * HOUR, eye="nobody was in the room; the record shows the plateau")
    assert batch.state(LIFTED + 15 * HOUR).jars[0].status is Status.SHELF


@pytest.mark.parametrize(
    ("text", "called"),
    [
        (words.CONFLICT_TEXT, "readings contradicted each other: One sample came with two values"),
        (words.two_probes(99.0, 97.0), "the two water probes contradicted each other: The two water probes"),
        (words.probe_fault("open"), "the probe was at fault: The probe reports a fault (a wire is broken"),
    ],
)
def test_a_departure_is_called_by_its_cause(kitchen: Any, text: str, called: str) -> None:
    """One number with two values is no fault of the probe's, and its list of deviations must not say so."""
    batch = kitchen(jars=1)
    batch.verdict["events"] = [{"kind": "probe_fault", "onset_s": 900.0, "raised_s": 900.0, "text": text}]
    (one,) = batch.state(LIFTED + 13.5 * HOUR).deviations
    assert one.what.startswith(called)


def test_the_engines_departures_open_deviations_that_block_the_shelf(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    batch.verdict["events"] = [
        {"kind": "boil_lost", "onset_s": 900.0, "raised_s": 915.0, "text": "falling"},
        {"kind": "node_silent", "onset_s": 9000.0, "raised_s": 9005.0, "text": "after the heat was off"},
    ]
    batch.seal(1, LIFTED + 13 * HOUR)
    (one,) = batch.state(LIFTED + 13.5 * HOUR).deviations
    assert (one.number, one.end_s, one.is_open) == (f"{batch.run.run_id}-D1", 1522.0, True)
    batch.add("deviation_closed", LIFTED + 13.6 * HOUR, deviation=one.key, cause="breaker", action="")
    assert batch.state(LIFTED + 13.7 * HOUR).deviations[0].is_open
    batch.add(
        "deviation_closed", LIFTED + 13.8 * HOUR, deviation=one.key, cause="breaker", action="boiled anew"
    )
    waiting = batch.state(LIFTED + 13.9 * HOUR)
    (alarms,) = [item for item in waiting.review_items if item.key == "alarms"]
    assert (alarms.ok, alarms.evidence) == (False, "boil lost 1; 0 acknowledged")
    batch.add("alarm_acknowledged", 930.0, alarm_id="a")
    (alarms,) = [item for item in batch.state(LIFTED + 13.9 * HOUR).review_items if item.key == "alarms"]
    assert alarms.ok
    batch.sign(LIFTED + 14 * HOUR)
    assert batch.state(LIFTED + 14.1 * HOUR).jars[0].status is Status.SHELF


def test_a_header_changed_after_the_jars_are_in_opens_a_deviation_with_old_and_new_value(
    kitchen: Any,
) -> None:
    """What a process hangs on is fixed when the jars go in; a change after that is a numbered deviation (21 CFR 113.83
    and 113.89 as a pattern). The litres of water in the canner are nothing of that."""
    batch = kitchen()
    header = {
        "run_id": batch.run.run_id,
        "batch": {"food": "pear halves", "pack": "hot", "jar": "pint"},
        "required": {"minutes": 30, "source": "a guide"},
        "site": {"altitude_m": 1650.0},
    }
    batch.add("run_started", -600.0, **header)
    batch.add("header_changed", -300.0, batch={"food": "peach halves"})
    batch.add("header_changed", 900.0, water_L=12.0)
    assert batch.state(1000.0).deviations == ()
    changed = batch.add("header_changed", 1200.0, required={"minutes": 25}, site={"altitude_m": 300.0})
    (one,) = batch.state(1300.0).deviations
    assert one.number == f"{batch.run.run_id}-D1" and one.is_open
    assert one.what == (
        "changed after the jars were in: the time asked for [min] from 30 to 25; the altitude [m] from 1650 to 300"
    )
    assert one.how_found == f"in entry {changed}, by Ada" and one.start_s == 1200.0
    assert one.jars == tuple(range(1, 8))
    # Taken back: that is a change as well, told beside the first one.
    batch.entries.append(
        batch.entries[-1]
        | {"id": len(batch.entries) + 1, "kind": "correction", "body": {"withdrawn": True}}
        | {"corrects": changed, "at_utc": (batch.run.started_at + timedelta(seconds=1500.0)).isoformat()}
    )
    first, second = batch.state(1600.0).deviations
    assert first.what == one.what
    assert second.what.endswith("from 25 to 30; the altitude [m] from 300 to 1650")
    # Nothing is given a place while one is open; closed with cause and action it holds nothing up.
    for number, deviation in enumerate((first, second)):
        said = {"deviation": deviation.key, "cause": "a slip of the hand", "action": "read the guide again"}
        batch.add("deviation_closed", 1700.0 + number, **said)
    assert not any(deviation.is_open for deviation in batch.state(1800.0).deviations)


def test_a_change_of_the_food_after_the_jars_are_in_tells_of_the_id_that_went_with_it(kitchen: Any) -> None:
    batch = kitchen()
    batch.add(
        "run_started", -600.0, run_id=batch.run.run_id, batch={"food": "pear halves", "food_id": "pears"}
    )
    batch.add("header_changed", 900.0, batch={"food": "Pears, halved"})
    batch.add("header_changed", 1000.0, batch={"food": "green beans"})
    first, second = batch.state(1100.0).deviations
    assert first.what.endswith("the food from pear halves to Pears, halved")
    assert second.what.endswith(
        "the food from Pears, halved to green beans; the food in the table of times from pears to nothing"
    )


def test_a_check_that_is_replaced_is_told_as_the_store_replaces_it(kitchen: Any) -> None:
    """A change lies over the header object by object; a check is replaced whole, also by one that says less."""
    batch = kitchen()
    check = {"offset_K": 0.1, "expanded_uncertainty_K": 0.2}
    batch.add("run_started", -600.0, run_id=batch.run.run_id, probe={"kind": "type K", "calibration": check})
    batch.add("header_changed", 900.0, probe={"calibration": {"offset_K": 0.4}})
    (one,) = batch.state(1000.0).deviations
    assert one.what.endswith(
        "the probe's correction [K] from 0.1 to 0.4; how sure the probe's correction is [K] from 0.2 to nothing"
    )


def test_a_start_corrected_after_the_jars_are_in_is_a_change_of_the_header(kitchen: Any) -> None:
    batch = kitchen()
    started = batch.add("run_started", -600.0, run_id=batch.run.run_id, batch={"food": "pear halves"})
    form = {"id": 2, "kind": "correction", "corrects": started, "by": "Ada"}
    at = (batch.run.started_at + timedelta(seconds=60.0)).isoformat()
    batch.entries.append(form | {"body": {"batch": {"food": "green beans"}}, "at_utc": at})
    (one,) = batch.state(100.0).deviations
    assert "the food from pear halves to green beans" in one.what


def test_an_unproven_hold_opens_a_deviation_of_its_own(kitchen: Any) -> None:
    (one,) = kitchen("unproven").state(4000.0).deviations
    assert one.is_open and one.jars == (1, 2, 3, 4, 5, 6, 7)


def test_a_lost_seal_on_the_shelf_names_its_siblings(kitchen: Any) -> None:
    batch = kitchen()
    batch.add("jars_lifted_count", LIFTED, out=6, broken=[6])
    round_of(batch)
    batch.sign(LIFTED + 14 * HOUR)
    batch.add("jar_recheck", LIFTED + 900 * HOUR, jar=1, found="bulge")
    state = batch.state(LIFTED + 901 * HOUR)
    assert state.jars[0].status is Status.ON_HOLD
    (lost,) = lost_seals([state])
    assert lost.siblings == (2, 3, 4, 5, 7), "jar 3 did not seal, and nobody said where it went"
    assert "do not taste" in lost.do.lower()
    batch.add("jar_disposition", LIFTED + 902 * HOUR, jar=1, to="discarded")
    assert lost_seals([batch.state(LIFTED + 903 * HOUR)]) == []


def test_from_a_code_to_the_jar_its_siblings_and_both_its_runs(kitchen: Any) -> None:
    """Reprocessed and given-away jars included."""
    batch = kitchen("broken", jars=3)
    batch.add("run_started", 4000.0, run_id="child", reprocess_of=batch.run.run_id, reprocess_jars=[2])
    batch.add("jar_disposition", 4000.0, jar=1, to="refrigerate")
    before = " ".join(story(batch.state(5000.0), 2))
    assert "It goes on in run child as jar 1." in before and "1 refrigerate; 3 on hold" in before
    again = kitchen(jars=1, reprocess_of="p", reprocess_jars=[5])
    again.seal(1, LIFTED + 13 * HOUR)
    again.sign(LIFTED + 14 * HOUR)
    again.add("jar_recheck", LIFTED + 15 * HOUR, jar=1, found="given")
    after = " ".join(story(again.state(LIFTED + 16 * HOUR), 1))
    assert "before that it was jar 5 of run p" in after and "Given" in after
    assert story(again.state(LIFTED + 16 * HOUR), 9) == ["Run 2026-08-14-canner-1-a has no jar 9."]


def test_jars_that_were_used_leave_the_pantry(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    batch.seal(1, LIFTED + 13 * HOUR)
    batch.sign(LIFTED + 14 * HOUR)
    assert len(pantry([batch.state(LIFTED + 15 * HOUR)], date(2026, 9, 1))) == 1
    batch.add("jar_recheck", LIFTED + 16 * HOUR, jar=1, found="used")
    assert pantry([batch.state(LIFTED + 17 * HOUR)], date(2026, 9, 1)) == []


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"pack": "raw"}, "hot-pack"),
        ({"source": None}, "hot-pack"),
        ({"new_lids": False}, "new lids"),
        ({"minutes": 25.0}, "25 min is not the full time of 30 min"),
        ({"jars": []}, "no jar was named"),
        ({"jars": [9]}, "no jar 9"),
    ],
)
def test_a_reprocessing_that_is_refused(kitchen: Any, change: dict[str, Any], match: str) -> None:
    """Pears, hot pack, pints, at 1650 m: 30 min (USDA Complete Guide, Guide 2)."""
    batch = kitchen("broken", jars=2)
    with pytest.raises(RefusedError, match=match):
        reprocess_extra(batch.run, batch.state(3500.0), **(AGAIN | {"jars": [1]} | change))


@pytest.mark.parametrize(
    ("food", "food_id", "jar", "altitude_m", "least_min"),
    [
        ("pear halves", "pears", "quart", 0.0, 25.0),
        ("pear halves", None, "quart", 0.0, 25.0),
        ("pears", "Pears", "Quart jars", 0.0, 25.0),
        ("Birnen", "pears", "950 mL", 0.0, None),
        # Nothing is found: the time that the batch itself was to have.
        ("moon fruit", None, "quart", 0.0, 30.0),
        ("pear halves", "pears", None, 0.0, 30.0),
        ("pear halves", "pears", "quart", None, 30.0),
    ],
)
def test_a_reprocessing_takes_no_less_than_the_full_time_however_the_batch_is_described(
    kitchen: Any,
    food: str,
    food_id: str | None,
    jar: str | None,
    altitude_m: float | None,
    least_min: float | None,
) -> None:
    """Pears, hot pack, quarts up to 1,000 ft: 25 min; larger jars have no process (USDA Complete Guide, Guide 2)."""
    batch = kitchen("broken", jars=1)
    batch.run = replace(
        batch.run,
        batch=Batch(food=food, food_id=food_id, pack="raw", jar=jar, jars=1),
        site=Site(altitude_m=altitude_m, altitude_uncertainty_m=10.0),
    )
    state = batch.state(3500.0)
    if least_min is None:
        with pytest.raises(RefusedError, match="no hot pack"):
            reprocess_extra(batch.run, state, [1], **(AGAIN | {"minutes": 60.0}))
        return
    for minutes in (1.0, least_min - 1.0):
        with pytest.raises(RefusedError, match=f"not the full time of {least_min:g} min"):
            reprocess_extra(batch.run, state, [1], **(AGAIN | {"minutes": minutes}))
    assert reprocess_extra(batch.run, state, [1], **(AGAIN | {"minutes": least_min}))["reprocess_jars"] == [1]


def test_a_time_is_looked_up_for_the_highest_place_that_the_kitchen_may_be_at(kitchen: Any) -> None:
    """270 m are 886 ft. The band ends at 1,000 ft, and an altitude that nobody is sure of is taken as ±100 m."""
    run = kitchen().run
    for sure_m, minutes in ((10.0, 20.0), (None, 25.0)):
        found = hot_pack(replace(run, site=Site(altitude_m=270.0, altitude_uncertainty_m=sure_m)))
        assert found is not None and found.minutes == minutes


@pytest.mark.parametrize(
    ("food", "food_id", "says"),
    [
        ("green beans", "pears", "“green beans” counts as a vegetable"),
        ("peach halves", "pears", "what is in the jars is not known"),
    ],
)
def test_no_run_is_begun_for_low_acid_food_or_for_what_nobody_knows(
    kitchen: Any, food: str, food_id: str, says: str
) -> None:
    batch = kitchen("broken", jars=1)
    batch.run = replace(batch.run, batch=replace(batch.run.batch, food=food, food_id=food_id))
    with pytest.raises(RefusedError, match=says):
        reprocess_extra(batch.run, batch.state(3500.0), [1], **(AGAIN | {"minutes": 90.0}))


def test_a_reprocessing_links_its_parent_and_happens_once(kitchen: Any) -> None:
    batch = kitchen("broken", jars=2)
    extra = reprocess_extra(batch.run, batch.state(3500.0), [2, 1], **AGAIN)
    assert (extra["reprocess_of"], extra["reprocess_jars"]) == (batch.run.run_id, [1, 2])
    again = kitchen("broken", jars=2, **extra)
    with pytest.raises(RefusedError, match="a second is not offered"):
        reprocess_extra(again.run, again.state(3500.0), [1], **AGAIN)
    assert Status.REPROCESS not in again.state(3500.0).jars[0].choices


def test_a_mark_stands_before_what_the_record_shows_and_each_is_called_what_it_is(kitchen: Any) -> None:
    """The modelled night of pears, with and without its marks."""
    shown = read_run(RECORDED / "a-night-of-cooling")
    batch = kitchen(jars=7)
    batch.verdict["clock"]["completed_s"] = 2621.0
    batch.run = replace(batch.run, samples=shown.samples, marks=(Mark(0.0, "jars_in"),))
    state = batch.state(20 * HOUR)
    assert state.heat_off is not None and state.lifting is not None
    assert state.lifting.words.startswith("seen in the record, marked by nobody: jar probes")
    assert abs((state.lifting.at - batch.run.started_at).total_seconds() - 3085.0) <= 60.0
    assert state.lifted == state.lifting.late, "the seals wait for the later bound"
    batch.run = replace(batch.run, marks=(*batch.run.marks, Mark(5000.0, "jars_lifted", by="Ada")))
    state = batch.state(20 * HOUR)
    assert state.lifting is not None and state.lifting.words == "marked by Ada"
    assert state.lifted is not None and (state.lifted - batch.run.started_at).total_seconds() == 5000.0


def test_a_short_rest_is_a_note_about_quality(kitchen: Any) -> None:
    """Five minutes with the lid off (University of Florida, University of Illinois Extension)."""
    batch = kitchen(jars=1)
    assert batch.state(4000.0).rest_note == ""
    batch.run = replace(batch.run, marks=tuple(m for m in batch.run.marks if m.kind != "heat_off"))
    batch.run = replace(batch.run, marks=(*batch.run.marks, Mark(3580.0, "heat_off")))
    state = batch.state(4000.0)
    assert state.rest_note.startswith("lifted 2 min after") and not state.deviations
    batch.run = replace(
        batch.run, marks=(Mark(0.0, "jars_in"), Mark(3405.0, "heat_off"), Mark(3700.0, "jars_lifted"))
    )
    assert batch.state(4000.0).rest_note.startswith("lifted 4 min after"), "4 min 55 s are not 5 min"


def test_a_jar_goes_on_in_its_child_run_and_a_late_child_is_none(kitchen: Any) -> None:
    """The 2 h of a broken hold close two hours after its boil was lost, at 2122 s."""
    batch = kitchen("broken", jars=2)
    batch.add("run_started", 4000.0, run_id="child", reprocess_of=batch.run.run_id, reprocess_jars=[1])
    batch.of("child", "mark", 4100.0, kind="jars_in")
    batch.add(
        "run_started",
        2122.0 + 2 * HOUR + 60.0,
        run_id="late",
        reprocess_of=batch.run.run_id,
        reprocess_jars=[2],
    )
    first, second = batch.state(3 * HOUR).jars
    assert (first.status, first.child_run) == (Status.REPROCESS, "child")
    assert (second.status, second.child_run, second.choices) == (Status.ON_HOLD, None, (Status.DISCARDED,))
    assert "G51" in first.guidance and "child" in first.do


def test_the_child_run_is_hot_pack_with_its_own_start_and_initial_temperature(kitchen: Any) -> None:
    batch = kitchen("broken", jars=3)
    extra = reprocess_extra(batch.run, batch.state(3500.0), [3, 1], **AGAIN)
    published = hot_pack(replace(batch.run, site=Site(altitude_m=1650.0, altitude_uncertainty_m=10.0)))
    assert published is not None and published.minutes == 30.0 and "USDA" in published.source
    assert hot_pack(batch.run) is None, "without an altitude there is no cell to read"
    header = {
        "run_id": "p",
        "batch": {"pack": "raw", "jars": 3, "coldest_jar_C": 80.0},
        "marks": [1],
        "zone": "UTC",
    }
    first = child_header(header, {"p"}, extra, minutes=30.0, source="USDA", at=START, coldest_jar_C=71.0)
    assert first["run_id"] == f"{batch.run.run_id}-again1" and first["zone"] == "UTC" and "marks" not in first
    assert first["batch"] == {"pack": "hot", "jars": 2, "coldest_jar_C": 71.0}
    assert (first["reprocess_of"], first["reprocess_jars"]) == (batch.run.run_id, [1, 3])
    second = child_header(header, {first["run_id"]}, extra, minutes=30.0, source="USDA", at=START)
    assert second["run_id"].endswith("-again2") and "coldest_jar_C" not in second["batch"]
    assert header["batch"]["pack"] == "raw", "the parent stays as it is"


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        (date(2027, 8, 31), 6, date(2028, 2, 29)),
        (date(2026, 8, 31), 6, date(2027, 2, 28)),
        (date(2028, 2, 29), 12, date(2029, 2, 28)),
        (date(2026, 12, 31), 12, date(2027, 12, 31)),
        (date(2026, 10, 31), 4, date(2027, 2, 28)),
    ],
)
def test_months_over_month_ends_and_leap_days(day: date, months: int, expected: date) -> None:
    assert months_after(day, months) == expected


def test_days_and_deadlines_over_a_change_of_the_clocks(kitchen: Any) -> None:
    """Denver, 2026: clocks go back on 1 November 02:00. 24 h is 24 h; the day is the kitchen's day."""
    before = instant("2026-10-31T23:30:00-06:00")
    assert local_date(before, "America/Denver") == date(2026, 10, 31)
    assert local_date(before, "UTC") == date(2026, 11, 1)
    first, second = instant("2026-11-01T01:30:00-06:00"), instant("2026-11-01T01:30:00-07:00")
    assert local_time(first, "America/Denver") == "2026-11-01 01:30 -0600"
    assert local_time(second, "America/Denver") == "2026-11-01 01:30 -0700"
    batch = kitchen("held", jars=1)
    batch.run = replace(batch.run, started_at=before)
    state = batch.state(0.0)
    assert state.review_due is not None
    assert (state.review_due - before).total_seconds() == 1522.0 + 1860.0 + 24 * HOUR


@pytest.mark.parametrize(
    ("wish", "expected"),
    [
        (None, "2026-08-21"),
        ("2026-08-18", "2026-08-18"),
        ("2027-01-01", "2026-08-21"),
        ("soon", "2026-08-21"),
    ],
)
def test_a_use_by_date_may_be_shortened_never_lengthened(
    kitchen: Any, wish: str | None, expected: str
) -> None:
    """A week at most in the cold (national centre for home food preservation, by Kansas State)."""
    batch = kitchen("broken", jars=1)
    batch.add("jar_disposition", 3500.0, jar=1, to="refrigerate", use_by=wish)
    assert batch.state(3600.0).jars[0].use_by == date.fromisoformat(expected)
