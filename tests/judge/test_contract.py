"""Every rule of the verdict, each on a small record whose water is known to the second.

The rules are this project's contract. What published guidance asks behind them: if the boil is lost, bring it
back to a full boil and begin the whole time again from zero (USDA Complete Guide to Home Canning, Guide 1).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from monitor.judge import Event, Session, Verdict, judge, words
from monitor.judge.verdict import BOILING, BROKEN, EVENT_KINDS, HELD, NOT_BOILING, UNKNOWN, UNPROVEN
from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C
from monitor.record.model import Batch, Mark, Probe, Required, Sample, Site
from monitor.simulate.scenarios import tell

Build = Callable[..., Any]
Kinds = Callable[[Verdict], list[str]]
First = Callable[[Verdict, str], Event]
StateAt = Callable[[Verdict, float], tuple[str, str]]
#: The come-up of the builder: 12.15 K at 4 K/min end 182 s after the start.
BOILS_S = 182.0


def without(samples: list[Sample], from_s: float, to_s: float) -> list[Sample]:
    """Nothing heard after ``from_s`` and before ``to_s``."""
    return [s for s in samples if not from_s < s.t_s < to_s]


# --- the plain cases --------------------------------------------------------------------------------------


def test_a_plain_hold_is_held(held_run: Build, kinds: Kinds) -> None:
    """Come-up, boil, the whole time with 90 s to spare: held, credited within 5 s of true and not above."""
    verdict = judge(held_run())
    assert verdict.verdict == HELD
    assert 390.0 - 25.0 <= verdict.proven_s <= 390.0 + 5.0
    assert kinds(verdict) == ["boil_reached", "hold_complete"]
    assert verdict.clock_completed_s == pytest.approx((verdict.clock_started_s or 0.0) + 300.0)


def test_the_document_is_the_contracts(held_run: Build, contract_keys: set[str]) -> None:
    """All keys of the contract, events of the closed list, stretches without hole or overlap."""
    form = judge(held_run()).as_json()
    assert form["format"] == "boilwitness-verdict/1"
    assert contract_keys <= set(form)
    assert set(form["clock"]) == {"started_s", "completed_s"}
    assert {"action", "until", "text", "guidance"} <= set(form["advice"])
    for stretch in form["stretches"]:
        assert set(stretch) == {"start_s", "end_s", "state", "why"}
        assert stretch["state"] in (BOILING, NOT_BOILING, UNKNOWN)
    for before, after in pairwise(form["stretches"]):
        assert before["end_s"] == after["start_s"]
    assert all(event["kind"] in EVENT_KINDS for event in form["events"])
    assert form["boiling_point_C"] == 99.97  # IAPWS R7-97(2012) at 101.325 kPa
    assert form["floor_C"] == 98.97


def test_short_by_fifteen_seconds_is_never_held(cook: Build) -> None:
    """Twenty scatters: 285 s of boil for 300 s asked."""
    for seed in range(20):
        story = cook(seed=seed).come_up()
        story.seen(story.now_s + 1.0).stay(285.0).mark("heat_off").go(-2.0, 1.0)
        assert judge(story.run()).verdict != HELD, seed


def test_just_under_ten_minutes_fails(cook: Build) -> None:
    """9 min 59.9 s between the marks that bound it, of a 10 min process: the record cannot be held."""
    story = cook(minutes=10.0).come_up()
    start_s = story.now_s + 30.0
    story.seen(start_s).stay(700.0).mark("heat_off", start_s + 599.9)
    verdict = judge(story.run())
    assert verdict.verdict != HELD and verdict.proven_s <= 599.9
    enough = judge(replace(story.run(), required=Required(599.8 / 60.0)))
    assert enough.verdict == HELD and enough.proven_s <= 599.9


def test_two_pieces_of_six_minutes_do_not_make_ten(cook: Build, kinds: Kinds) -> None:
    """A dip between them: the whole time begins again from zero (USDA Complete Guide, Guide 1)."""
    story = cook(minutes=10.0).come_up()
    story.seen(story.now_s + 2.0).stay(360.0).go(-1.5, 1.5).go(0.15, 3.0)
    story.seen(story.now_s + 2.0).stay(360.0).mark("heat_off").go(-2.0, 1.0)
    verdict = judge(story.run())
    assert verdict.verdict == BROKEN
    assert verdict.possible_s < 600.0
    assert kinds(verdict).count("boil_lost") == 1 and "boil_back" in kinds(verdict)
    assert verdict.advice.action == "reprocess_or_refrigerate" and verdict.advice.until is not None


def test_a_whole_hold_after_a_dip_is_held(cook: Build) -> None:
    """What came before the dip is not credited, and does no harm."""
    story = cook().come_up().seen().stay(200.0).go(-1.5, 1.5).go(0.15, 3.0)
    again_s = story.now_s
    story.seen(again_s + 2.0).stay(390.0).mark("heat_off").go(-2.0, 1.0)
    verdict = judge(story.run())
    assert verdict.verdict == HELD
    assert (verdict.clock_started_s or 0.0) >= again_s - 5.0


def test_a_dip_is_dated_and_told_with_what_the_rule_asks(cook: Build, first: First) -> None:
    """Onset within 10 s, raised within half a minute, "begin the whole time again"."""
    story = cook().come_up().seen().stay(200.0)
    onset_s = story.now_s
    story.go(-1.5, 1.0).go(0.15, 3.0).stay(100.0).mark("heat_off")
    lost = first(judge(story.run()), "boil_lost")
    assert "lost after 3 min" in lost.text
    assert abs(lost.onset_s - onset_s) <= 10.0
    assert onset_s < lost.raised_s <= onset_s + 30.0
    assert lost.onset_early_s is not None and lost.onset_early_s <= onset_s + 5.0
    assert "again from zero" in lost.text


@pytest.mark.parametrize("depth_K", [0.8, 1.5, 3.0])
def test_nothing_inside_a_dip_is_credited(cook: Build, state_at: StateAt, depth_K: float) -> None:
    """Down and up again without a rest: the turn at the bottom is no boil, seen by eye before or not."""
    for seed in range(6):
        story = cook(seed=seed).come_up().seen().stay(200.0)
        onset_s = story.now_s
        story.go(0.15 - depth_K, 0.6)
        bottom_s = story.now_s
        story.go(0.15, 1.5)
        back_s = story.now_s
        verdict = judge(story.stay(200.0).mark("heat_off").run())
        for t_s in (onset_s + 20.0, bottom_s - 5.0, bottom_s + 5.0, back_s - 10.0):
            assert state_at(verdict, t_s)[0] != BOILING, (seed, t_s - onset_s)


def test_a_simmer_is_no_boil(cook: Build, state_at: StateAt) -> None:
    """2 K below, steady for twice the time, and even marked as a rolling boil: broken."""
    story = cook().go(-2.0, 4.0).seen().stay(600.0).mark("heat_off")
    verdict = judge(story.run())
    assert verdict.verdict == BROKEN and verdict.possible_s < 300.0
    assert state_at(verdict, story.now_s - 100.0)[0] == NOT_BOILING


def test_between_the_guard_bands_is_unknown(cook: Build, state_at: StateAt) -> None:
    """0.8 K below with U 0.37: neither boiling nor not (JCGM 106:2012, guarded decision)."""
    story = cook().go(-0.8, 4.0).seen().stay(600.0).mark("heat_off")
    verdict = judge(story.run())
    assert verdict.verdict == UNPROVEN and verdict.proven_s == 0.0
    state, why = state_at(verdict, 500.0)
    assert state == UNKNOWN and "too close to the floor" in why


@pytest.mark.parametrize(
    ("below_K", "seen", "boils"), [(0.45, True, True), (0.45, False, False), (0.1, False, True)]
)
def test_the_eye_widens_the_allowance(cook: Build, below_K: float, seen: bool, boils: bool) -> None:
    """1.0 K where a person marked the rolling boil, 0.6 K where nobody looked; said either way."""
    story = cook().go(-below_K, 4.0)
    if seen:
        story.seen(story.now_s + 1.0)
    verdict = judge(story.stay(420.0).mark("heat_off").run())
    assert (verdict.proven_s > 0.0) is boils
    assert verdict.seen_by_eye is seen
    assert any("Nobody marked" in reason for reason in verdict.reasons) is not seen
    assert verdict.floor_C == pytest.approx(
        (verdict.boiling_point_C or 0.0) - (1.0 if seen else 0.6), abs=0.011
    )


# --- jars, window, open runs ------------------------------------------------------------------------------


def test_water_that_boils_without_jars_proves_nothing(held_run: Build, kinds: Kinds) -> None:
    """No jars_in mark: at most unproven, the reason is given, and a node put away afterwards is no alarm."""
    verdict = judge(held_run(jars_in_s=None))
    assert "node_silent" not in kinds(verdict)
    assert verdict.verdict == UNPROVEN and verdict.proven_s == 0.0
    assert any("jars were in" in reason for reason in verdict.reasons)


def test_credit_runs_from_the_last_jars_in(cook: Build) -> None:
    """A second load begins its own time: 200 s before it, 250 s after it, 300 s asked."""
    story = cook().come_up().seen().stay(200.0).mark("jars_in").stay(250.0).mark("heat_off").go(-2.0, 1.0)
    verdict = judge(story.run())
    assert verdict.verdict == BROKEN
    assert verdict.possible_s <= 250.0
    assert (verdict.clock_started_s or 0.0) >= BOILS_S + 200.0


@pytest.mark.parametrize("end", ["heat_off", "jars_lifted"])
def test_credit_ends_with_the_heat_or_the_lift(cook: Build, end: str) -> None:
    """Water that boils on afterwards is not counted."""
    story = cook().come_up().seen().stay(250.0).mark(end).stay(300.0)
    verdict = judge(story.run())
    assert verdict.verdict == BROKEN and verdict.possible_s <= 252.0


def test_the_first_end_counts(cook: Build) -> None:
    """heat_off, then jars_lifted: the earlier one ends the hold, whatever order they are listed in."""
    story = cook().come_up().seen().stay(250.0).mark("heat_off").stay(300.0).mark("jars_lifted")
    assert judge(story.run()).possible_s <= 252.0
    assert judge(story.run(marks=tuple(reversed(story.marks)))).possible_s <= 252.0


def test_an_open_run_that_has_not_held_has_no_verdict(cook: Build) -> None:
    """Nothing ended: null, and the advice is to keep it boiling."""
    verdict = judge(cook().come_up().seen().stay(200.0).run())
    assert verdict.verdict is None
    assert verdict.advice.action in ("keep_boiling", "look_at_canner")


def test_an_open_run_that_has_held_is_held(cook: Build, kinds: Kinds) -> None:
    """And the person is told to turn off the heat."""
    verdict = judge(cook().come_up().seen().stay(400.0).run())
    assert verdict.verdict == HELD and verdict.advice.action == "turn_off_heat"
    assert "hold_complete" in kinds(verdict)


def test_a_recorded_end_closes_a_run(cook: Build) -> None:
    """Without heat_off, an end of the record still makes it final."""
    run = cook().come_up().seen().stay(200.0).run()
    assert judge(replace(run, ended_at_s=383.0)).verdict == BROKEN


def test_time_after_the_last_sample_is_unknown(cook: Build, state_at: StateAt) -> None:
    """The node died 100 s before the heat went off: 200 s seen, 300 s possible, unproven."""
    story = cook().come_up().seen(BOILS_S + 1.0).stay(300.0).mark("heat_off")
    samples = [s for s in story.samples() if s.t_s <= BOILS_S + 200.0]
    verdict = judge(story.run(samples))
    assert verdict.verdict == UNPROVEN
    assert verdict.proven_s <= 201.0
    assert state_at(verdict, BOILS_S + 250.0)[0] == UNKNOWN
    closed = judge(story.run(samples, marks=tuple(story.marks[:2]), ended_at_s=story.now_s))
    assert closed.verdict == UNPROVEN and closed.possible_s >= 300.0


def test_time_before_the_first_sample_is_unknown(cook: Build, state_at: StateAt) -> None:
    """Jars in at 0, the node heard from 100 s into the boil on: what nobody saw may have been a boil."""
    story = cook().come_up().stay(390.0).mark("heat_off")
    verdict = judge(story.run([s for s in story.samples() if s.t_s > BOILS_S + 100.0]))
    assert verdict.verdict == UNPROVEN
    assert state_at(verdict, 50.0) == (UNKNOWN, "no reading yet")


def test_a_record_without_samples_is_unproven(cook: Build) -> None:
    """Missing is unknown: nothing shows that it did not boil."""
    verdict = judge(cook().come_up().stay(390.0).mark("heat_off").run([]))
    assert verdict.verdict == UNPROVEN and verdict.proven_s == 0.0
    assert verdict.boiling_point_C is not None


@pytest.mark.parametrize("marked", [True, False])
def test_a_record_without_readings_blames_nothing_else(cook: Build, marked: bool) -> None:
    """A header alone names a barometer that never spoke: what is missing is a reading. So where each row is a fault."""
    story = cook(jars_in_s=0.0 if marked else None).come_up().stay(390.0).mark("heat_off")
    faults = [s._replace(water_C=None, water_fault="open") for s in story.samples()]
    for rows in ([], faults):
        told = " ".join(judge(story.run(rows)).reasons)
        assert told.count("The record holds no reading of the water") == 1
        assert "barometer" not in told and "uncertain" not in told
        assert ("No mark says that the jars were in" in told) is not marked
    assert "no reading of the water" not in " ".join(judge(story.run()).reasons)


# --- the published time -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("minutes", "capped"), [(20.0, False), (19.0, True)])
def test_a_time_shorter_than_the_published_one_caps(cook: Build, minutes: float, capped: bool) -> None:
    """Pears, hot pack, pints up to 1,000 ft: 20 min (USDA Complete Guide to Home Canning, Guide 2, pears)."""
    batch = Batch(food="pears", food_id="pears", pack="hot", jar="pint", jars=7)
    story = cook(minutes=minutes, batch=batch).come_up()
    story.seen(story.now_s + 1.0).stay(minutes * 60.0 + 90.0).mark("heat_off")
    verdict = judge(story.run())
    assert verdict.proven_s >= minutes * 60.0
    assert verdict.verdict == (UNPROVEN if capped else HELD)
    assert any("fewer than the published 20 min" in reason for reason in verdict.reasons) is capped


def test_a_start_that_was_refused_stays_capped(held_run: Build) -> None:
    """Recorded anyway, with its reason in the header: unproven at most."""
    run = replace(held_run(), extra={"capped_at_unproven": ["The probe was never checked."]})
    verdict = judge(run)
    assert verdict.verdict == UNPROVEN and "The probe was never checked." in verdict.reasons


# --- marks ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("late_s", [3.0, 20.0, 120.0])
def test_the_first_look_moves_the_start(cook: Build, late_s: float) -> None:
    """The eye may shorten a hold, never lengthen it: before or after the plateau is found."""
    story = cook().come_up().seen(BOILS_S + late_s).stay(500.0).mark("heat_off").go(-2.0, 1.0)
    verdict = judge(story.run())
    assert (verdict.clock_started_s or 0.0) >= BOILS_S + late_s
    assert verdict.proven_s <= 500.0 - late_s + 5.0


def test_later_looks_move_nothing(cook: Build) -> None:
    """Looks at 3, 20 and 200 s of boil: the first counts."""
    once = cook().come_up().seen(BOILS_S + 3.0).stay(400.0).mark("heat_off")
    often = cook().come_up().seen(BOILS_S + 3.0).seen(BOILS_S + 20.0).seen(BOILS_S + 200.0)
    often.stay(400.0).mark("heat_off")
    assert judge(often.run()).clock_started_s == judge(once.run()).clock_started_s


def test_a_look_too_early_does_not_start_the_clock(cook: Build) -> None:
    """Marked two minutes before the boil: the clock starts where the rise ends."""
    story = cook().come_up().seen(60.0).stay(400.0).mark("heat_off")
    assert (judge(story.run()).clock_started_s or 0.0) >= BOILS_S - 5.0


def test_a_person_who_sees_no_boil_ends_the_stretch(cook: Build, state_at: StateAt, kinds: Kinds) -> None:
    """Steady at the boiling point, but someone looked: not boiling until someone sees it roll."""
    story = cook().come_up().stay(250.0).mark("boil_not_seen").stay(250.0)
    verdict = judge(story.mark("heat_off").run())
    assert verdict.verdict == BROKEN and verdict.proven_s <= 250.0
    assert state_at(verdict, BOILS_S + 300.0) == (NOT_BOILING, "a person saw no full boil")
    assert "boil_lost" in kinds(verdict)


def test_the_eye_can_bring_the_boil_back(cook: Build) -> None:
    """boil_not_seen, then rolling_boil_seen: a new stretch from that look."""
    story = cook().come_up().stay(100.0).mark("boil_not_seen").stay(60.0).seen()
    again_s = story.now_s
    verdict = judge(story.stay(400.0).mark("heat_off").run())
    assert verdict.verdict == HELD and (verdict.clock_started_s or 0.0) >= again_s


# --- come-up ----------------------------------------------------------------------------------------------


def test_a_record_that_begins_at_the_boil_proves_nothing(cook: Build, state_at: StateAt) -> None:
    """No crossing of the floor from 5 K below: unknown, whatever was marked."""
    verdict = judge(cook(start_K=0.15).seen(5.0).stay(500.0).mark("heat_off").run())
    assert verdict.verdict == UNPROVEN and verdict.proven_s == 0.0
    assert "come-up" in state_at(verdict, 300.0)[1]


@pytest.mark.parametrize(("below_K", "shown"), [(5.5, False), (6.5, True)])
def test_the_come_up_must_start_five_kelvin_below_the_floor(cook: Build, below_K: float, shown: bool) -> None:
    """The floor lies 0.6 K below boiling where nobody looked: 5.6 K below boiling is the limit."""
    story = cook(start_K=-below_K, sigma_K=0.01).come_up().stay(420.0).mark("heat_off")
    assert (judge(story.run()).proven_s > 0.0) is shown


@pytest.mark.parametrize("seen", [True, False])
def test_jars_put_into_water_that_had_come_up_are_said_to_be(cook: Build, seen: bool) -> None:
    """A come-up without the jars shows nothing of them: the verdict says so, and on what it leans instead."""
    story = cook(jars_in_s=None).come_up().stay(120.0).mark("jars_in")
    story = (story.seen() if seen else story).stay(700.0).mark("heat_off")
    said = [reason for reason in judge(story.run()).reasons if "before the jars went in" in reason]
    assert len(said) == 1 and ("on what a person saw" in said[0]) is seen
    plain = judge(cook().come_up().seen().stay(400.0).mark("heat_off").run())
    assert not any("before the jars went in" in reason for reason in plain.reasons)


def test_nothing_of_the_come_up_is_hold(cook: Build, state_at: StateAt) -> None:
    """A come-up of 20 min counts for nothing."""
    story = cook(start_K=-30.0).go(0.15, 1.5)
    boils_s = story.now_s
    verdict = judge(story.seen().stay(390.0).mark("heat_off").run())
    assert boils_s > 1200.0 - 1.0
    assert verdict.verdict == HELD and verdict.proven_s <= 395.0
    assert all(state_at(verdict, t)[0] == NOT_BOILING for t in np.arange(0.0, boils_s - 30.0, 50.0))


# --- gaps, silence, restarts, clocks, conflicts -----------------------------------------------------------


def test_a_gap_over_thirty_seconds_is_always_unknown(cook: Build, state_at: StateAt, kinds: Kinds) -> None:
    """31 s in the middle of a perfect boil: two pieces, neither long enough."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    verdict = judge(story.run(without(story.samples(), BOILS_S + 200.0, BOILS_S + 231.0)))
    assert verdict.verdict == UNPROVEN
    assert state_at(verdict, BOILS_S + 215.0)[0] == UNKNOWN
    assert verdict.proven_s <= 201.0 and verdict.possible_s >= 390.0
    assert "node_silent" in kinds(verdict)


@pytest.mark.parametrize(("seconds", "bridged"), [(8.0, True), (14.0, True), (24.0, False), (30.0, False)])
def test_a_shorter_gap_must_hide_no_dip(cook: Build, seconds: float, bridged: bool) -> None:
    """At 5 K/min down and 6 up a gap of g s hides 0.0455 g K; room above the guarded floor here: 0.78 K, so 17 s."""
    story = cook().come_up().seen(BOILS_S + 1.0).stay(400.0).mark("heat_off")
    verdict = judge(story.run(without(story.samples(), BOILS_S + 200.0, BOILS_S + 200.0 + seconds)))
    assert (verdict.verdict == HELD) is bridged, verdict.stretches


def test_a_gap_is_never_bridged_from_below(cook: Build) -> None:
    """The same 8 s where nobody looked and the reading stands low: no room, unknown."""
    story = cook().go(-0.1, 4.0).stay(420.0).mark("heat_off")
    at_s = story.now_s - 220.0
    whole, cut = story.run(), story.run(without(story.samples(), at_s, at_s + 8.0))
    assert judge(whole).proven_s >= 300.0
    assert judge(cut).proven_s < 300.0


def test_a_gap_before_the_plateau_is_found_is_judged_all_the_same(cook: Build, state_at: StateAt) -> None:
    """19 s of silence 25 s into the boil, before the engine calls it one: it could hide 0.86 K, more than there
    is room for, so the boil is dated from after it."""
    for seed in range(8):
        story = cook(seed=seed).come_up().seen(BOILS_S + 1.0).stay(330.0).mark("heat_off").go(-1.0, 1.0)
        samples = without(story.samples(), BOILS_S + 25.0, BOILS_S + 44.0)
        verdict = judge(story.run(samples))
        assert (verdict.clock_started_s or 0.0) >= BOILS_S + 43.0, seed
        assert verdict.verdict == UNPROVEN and verdict.possible_s >= 300.0, seed
        assert state_at(verdict, BOILS_S + 35.0)[0] == UNKNOWN
    short = without(story.samples(), BOILS_S + 25.0, BOILS_S + 31.0)
    assert (judge(story.run(short)).clock_started_s or 0.0) < BOILS_S + 20.0


@pytest.mark.parametrize("every_s", [10.0, 20.0])
def test_a_slow_rhythm_is_a_row_of_gaps(cook: Build, every_s: float) -> None:
    """A reading every 10 s hides dips of 0.45 K each time: more than 0.38 K of room where nobody looked."""
    story = cook(minutes=10.0, every_s=every_s).come_up().stay(900.0).mark("heat_off")
    verdict = judge(story.run())
    assert verdict.verdict == UNPROVEN and verdict.proven_s == 0.0
    assert any("could hide a dip" in stretch.why for stretch in verdict.stretches)


def test_a_fall_just_before_silence_is_not_credited(cook: Build) -> None:
    """298 s of boil, then 12 s of falling that no detector can see yet, then nothing: never held.

    The last seconds before a gap are not proven, since what would tell is missing.
    """
    for seed in range(5):
        for back in (True, False):
            story = cook(seed=seed).come_up().seen(BOILS_S + 1.0).stay(298.0).go(0.07, 0.4)
            silent_s = story.now_s
            story.go(-1.5, 0.4).stay(5.0).mark("heat_off")
            to_s = silent_s + 90.0 if back else 1e9
            verdict = judge(story.run(without(story.samples(), silent_s, to_s)))
            assert verdict.verdict != HELD and verdict.proven_s <= 298.0 + 5.0


def test_silence_is_told_five_seconds_after_the_last_sample(cook: Build, first: First) -> None:
    """At one sample a second; the onset is the last sample."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    last_s = BOILS_S + 100.0
    for samples in (without(story.samples(), last_s, last_s + 60.0), without(story.samples(), last_s, 1e9)):
        silent = first(judge(story.run(samples)), "node_silent")
        assert silent.onset_s == pytest.approx(last_s, abs=1.0)
        assert silent.raised_s == pytest.approx(last_s + 5.0, abs=1.0)


def test_a_late_row_is_no_sign_of_life_and_revises(cook: Build, kinds: Kinds, first: First) -> None:
    """40 s came late by resend: the record is whole, the silence was real, and the change is an event."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    gap = (BOILS_S + 200.0, BOILS_S + 241.0)
    samples = [
        s._replace(late=True, arrival_s=s.t_s + 60.0) if gap[0] < s.t_s < gap[1] else s
        for s in story.samples()
    ]
    verdict = judge(story.run(samples))
    assert verdict.verdict == HELD
    assert "node_silent" in kinds(verdict)
    revised = first(verdict, "verdict_revised")
    assert revised.raised_s >= gap[1]
    assert "unproven" in revised.text and "held" in revised.text


def test_rows_in_any_order_give_the_same_verdict(held_run: Build) -> None:
    """A function of the set of rows: reversed, shuffled, doubled."""
    run = held_run()
    want = judge(run)
    rng = np.random.default_rng(1)
    shuffled = [run.samples[i] for i in rng.permutation(len(run.samples))]
    for samples in (run.samples[::-1], tuple(shuffled), run.samples + run.samples[::3]):
        assert judge(replace(run, samples=tuple(samples))) == want


def restarted(samples: list[Sample], at_s: float, away_s: float) -> list[Sample]:
    kept = [s for s in samples if s.t_s <= at_s or s.t_s >= at_s + away_s]
    seq, out = 0, []
    for sample in kept:
        if sample.t_s >= at_s + away_s:
            out.append(sample._replace(boot=8, seq=seq))
            seq += 1
        else:
            out.append(sample)
    return out


@pytest.mark.parametrize(("away_s", "held"), [(8.0, True), (25.0, False), (40.0, False)])
def test_a_restart_joins_nothing_that_the_gap_rule_would_not(
    cook: Build, kinds: Kinds, away_s: float, held: bool
) -> None:
    """Back within a bridgeable gap it is one stretch, else two; told either way."""
    story = cook().come_up().seen(BOILS_S + 1.0).stay(400.0).mark("heat_off")
    verdict = judge(story.run(restarted(story.samples(), BOILS_S + 200.0, away_s)))
    assert (verdict.verdict == HELD) is held
    assert "node_restarted" in kinds(verdict)


@pytest.mark.parametrize("by_s", [3600.0, -3600.0, 20.0])
def test_a_clock_step_ends_the_stretch(cook: Build, kinds: Kinds, by_s: float) -> None:
    """200 s and 200 s around a step of the clock: never 400, and never the hour."""
    story = cook().come_up().seen().stay(400.0)
    at_s = BOILS_S + 200.0
    samples = [
        s._replace(t_s=s.t_s + (by_s if s.t_s >= at_s else 0.0), uptime_s=s.t_s) for s in story.samples()
    ]
    verdict = judge(story.run(samples, ended_at_s=max(s.t_s for s in samples) + 1.0))
    assert verdict.verdict != HELD and verdict.proven_s <= 230.0
    if by_s > 0.0:
        assert "clock_stepped" in kinds(verdict)


def test_a_fault_on_the_first_sample_after_a_clock_step_does_not_hide_the_step(cook: Build) -> None:
    """20 s that never were, and the first word after them without a value: no boil counts across them either."""
    story = cook().come_up().seen().stay(400.0)
    at_s = BOILS_S + 200.0
    samples = [
        s._replace(t_s=s.t_s + (10.0 if s.t_s >= at_s else 0.0), uptime_s=s.t_s) for s in story.samples()
    ]
    first = next(n for n, s in enumerate(samples) if s.t_s >= at_s)
    samples[first] = samples[first]._replace(water_C=None, water_fault="open")
    verdict = judge(story.run(samples))
    assert verdict.proven_s <= 230.0
    assert not any(
        s.start_s < at_s and s.end_s > at_s + 10.0 for s in verdict.stretches if s.state == "boiling"
    )


def test_one_number_with_two_values_is_unknown_there_and_told(
    cook: Build, state_at: StateAt, first: First
) -> None:
    """Which is right nobody can say: two pieces, whichever came first, and counted."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    samples = story.samples()
    twin = samples[382]._replace(water_C=97.0, pressure_kPa=99.0)
    verdicts = [judge(story.run(rows)) for rows in ([*samples, twin], [twin, *samples])]
    for verdict in verdicts:
        assert state_at(verdict, 382.0) == (UNKNOWN, "one sample came with two values")
        assert verdict.verdict == UNPROVEN and verdict.proven_s <= 215.0
        assert verdict.counts["conflicts"] == 1
        event = first(verdict, "probe_fault")
        assert event.onset_s == event.raised_s == 382.0 and "two values" in event.text
    assert verdicts[0] == verdicts[1]


def test_of_many_samples_with_two_values_it_is_told_once_in_ten_minutes(cook: Build) -> None:
    """A second device under one name for 15 min: two events, and a broken wire beside them is still told."""
    story = cook(minutes=20.0).come_up().seen().stay(1500.0).mark("heat_off")
    samples = story.samples()
    twins = [s._replace(water_C=97.0) for s in samples if 300.0 <= s.t_s < 1200.0 and s.t_s % 20.0 == 0.0]
    broken = [s._replace(water_C=None, water_fault="open") if s.t_s == 307.0 else s for s in samples]
    events = [e for e in judge(story.run([*broken, *twins])).events if e.kind == "probe_fault"]
    assert [e.raised_s for e in events if "two values" in e.text] == [300.0, 900.0]
    assert [e.raised_s for e in events if "wire" in e.text] == [307.0]


def test_the_same_row_twice_is_one_row(held_run: Build) -> None:
    """Duplicates change nothing, not even the count."""
    run = held_run()
    assert judge(replace(run, samples=run.samples + run.samples)).counts == judge(run).counts


def test_the_wall_clock_alters_no_duration(held_run: Build) -> None:
    """Another start, zone or date: the same seconds (durations come from t_s alone)."""
    run = held_run()
    want = judge(run)
    moved = replace(run, started_at=run.started_at + timedelta(hours=5, seconds=7), zone="Asia/Tokyo")
    got = judge(moved)
    assert (got.verdict, got.proven_s, got.possible_s, got.stretches, got.events) == (
        want.verdict,
        want.proven_s,
        want.possible_s,
        want.stretches,
        want.events,
    )


# --- faults, jumps, frozen, hot, pressure -----------------------------------------------------------------


def changed(samples: list[Sample], from_s: float, to_s: float, **values: Any) -> list[Sample]:
    return [s._replace(**values) if from_s <= s.t_s < to_s else s for s in samples]


@pytest.mark.parametrize("fault", ["open", "short_to_ground", "short_to_supply", "out_of_range"])
def test_a_fault_is_unknown_and_told_at_once(
    cook: Build, first: First, state_at: StateAt, fault: str
) -> None:
    """60 s of a broken wire: raised on its first sample, unknown while it lasts."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    at_s = BOILS_S + 200.0
    rows = changed(story.samples(), at_s, at_s + 60.0, water_C=None, water_fault=fault)
    verdict = judge(story.run(rows))
    assert verdict.verdict == UNPROVEN
    assert first(verdict, "probe_fault").raised_s == at_s
    state, why = state_at(verdict, at_s + 30.0)
    assert state == UNKNOWN and "probe fault" in why


def test_single_impossible_jumps_are_ignored_and_counted(cook: Build) -> None:
    """One value in a hundred off by 8 K: held all the same."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    rows = [
        s._replace(water_C=(s.water_C or 0.0) + 8.0) if n % 100 == 50 else s
        for n, s in enumerate(story.samples())
    ]
    verdict = judge(story.run(rows))
    assert verdict.verdict == HELD and verdict.counts["jumps"] >= 3


def test_a_run_of_impossible_jumps_is_unknown(cook: Build, first: First, state_at: StateAt) -> None:
    """Every third value wild for a minute: the probe's, not the water's."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    at_s = BOILS_S + 200.0
    rows = [
        s._replace(water_C=(s.water_C or 0.0) - 9.0) if at_s <= s.t_s < at_s + 60.0 and n % 3 == 0 else s
        for n, s in enumerate(story.samples())
    ]
    verdict = judge(story.run(rows))
    assert verdict.verdict == UNPROVEN and state_at(verdict, at_s + 30.0) == (
        UNKNOWN,
        "the reading jumps about",
    )
    assert "jumps as water cannot" in first(verdict, "probe_fault").text
    assert "the reading jumps about" in verdict.reasons[0]


def test_a_rise_that_no_stove_makes_is_unknown_before_it_and_told(
    cook: Build, first: First, state_at: StateAt
) -> None:
    """1.2 K up in a second in mid-boil, where 6 K/min is the most (energy balance: 3.5 kW into 38 kJ/K)."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    at_s = BOILS_S + 200.0
    rows = [s._replace(water_C=(s.water_C or 0.0) + (1.2 if s.t_s >= at_s else 0.0)) for s in story.samples()]
    verdict = judge(story.run(rows))
    assert verdict.verdict == UNPROVEN
    event = first(verdict, "probe_fault")
    assert at_s - 2.0 <= event.onset_s <= event.raised_s <= at_s + 10.0
    assert "rose faster" in event.text
    assert any(
        s.state == UNKNOWN and s.why == "the reading rose faster than any stove heats"
        for s in verdict.stretches
    )


def test_a_probe_lifted_out_is_unknown(cook: Build, first: First, state_at: StateAt) -> None:
    """25 K down within seconds and back: no water does that."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    at_s = BOILS_S + 200.0
    rows = [
        s._replace(water_C=72.0 + 0.3 * (s.t_s % 5.0)) if at_s <= s.t_s < at_s + 60.0 else s
        for s in story.samples()
    ]
    verdict = judge(story.run(rows))
    assert verdict.verdict == UNPROVEN
    assert state_at(verdict, at_s + 30.0)[0] == UNKNOWN
    assert first(verdict, "probe_moved").onset_s == pytest.approx(at_s, abs=20.0)


def test_cold_water_added_breaks_the_boil(cook: Build, kinds: Kinds) -> None:
    """1 L at 20 °C into 12 kg drops it by 6 K in seconds (heat balance); marked, it is the water's."""
    story = cook().come_up().seen().stay(200.0).mark("water_added")
    story.go(-6.0, 90.0).go(0.15, 3.0).seen().stay(200.0).mark("heat_off")
    verdict = judge(story.run())
    assert verdict.verdict == BROKEN and "boil_lost" in kinds(verdict)


def test_a_frozen_reading_proves_nothing(cook: Build, first: First, state_at: StateAt) -> None:
    """The converter repeats its last value: told, dated back to where it stopped, no mark rescues it."""
    story = cook().come_up().seen().stay(600.0).mark("heat_off")
    at_s = BOILS_S + 150.0
    samples = story.samples()
    held = samples[int(at_s)].water_C
    rows = changed(samples, at_s, 1e9, water_C=held)
    marks = (*story.marks, Mark(at_s + 200.0, "rolling_boil_seen"))
    verdict = judge(story.run(rows, marks=marks))
    assert verdict.verdict == UNPROVEN and verdict.proven_s <= 151.0
    assert state_at(verdict, at_s + 100.0) == (UNKNOWN, "the reading stands still")
    assert first(verdict, "reading_frozen").onset_s == pytest.approx(at_s, abs=3.0)


def gap_in(samples: list[Sample], at_s: float) -> list[Sample]:
    return [s for s in samples if not at_s <= s.t_s < at_s + 60.0]


def fault_in(samples: list[Sample], at_s: float) -> list[Sample]:
    return changed(samples, at_s, at_s + 60.0, water_C=None, water_fault="open")


def freeze_in(samples: list[Sample], at_s: float) -> list[Sample]:
    return changed(samples, at_s, at_s + 60.0, water_C=samples[int(at_s)].water_C)


def twice_in(samples: list[Sample], at_s: float) -> list[Sample]:
    return [*samples, samples[int(at_s) + 59]._replace(water_C=97.0)]


def restart_in(samples: list[Sample], at_s: float) -> list[Sample]:
    begins = int(at_s) + 60
    again = [s._replace(boot=8, seq=(s.seq or 0) - begins) for s in samples[begins:]]
    return [*samples[: int(at_s)], *again]


@pytest.mark.parametrize("trouble", [gap_in, fault_in, freeze_in, twice_in, restart_in])
def test_after_what_was_not_read_it_is_told_that_the_time_counts_again_and_from_when(
    cook: Build, kinds: Kinds, first: First, trouble: Callable[[list[Sample], float], list[Sample]]
) -> None:
    """A minute that proves nothing, in a boil that goes on: no loss, but the clock begins again; so it is said.

    The words carry the reason, and the whole time is complete the required time after the start that was told.
    """
    story = cook().come_up().seen().stay(600.0).mark("heat_off")
    at_s = BOILS_S + 120.0
    verdict = judge(story.run(trouble(story.samples(), at_s)))
    assert "boil_lost" not in kinds(verdict) and kinds(verdict).count("boil_back") == 1
    back = first(verdict, "boil_back")
    assert at_s + 55.0 <= back.onset_s <= at_s + 90.0 and back.onset_s <= back.raised_s <= at_s + 120.0
    assert "The whole 5 min begin again from here" in back.text.replace("and the whole", "The whole")
    why = next(s.why for s in verdict.stretches if s.state == UNKNOWN and s.start_s <= at_s + 50.0 < s.end_s)
    assert why in back.text or why == words.TOO_SOON
    assert verdict.verdict == HELD
    assert first(verdict, "hold_complete").onset_s == pytest.approx(back.onset_s + 300.0, abs=0.11)
    assert verdict.clock_started_s == pytest.approx(back.onset_s, abs=0.11)


def test_jars_into_a_boil_that_goes_on_are_told_from_when_it_counts(
    cook: Build, kinds: Kinds, first: First
) -> None:
    """The boil without jars was told before, as one that does not count."""
    story = cook(jars_in_s=None).come_up().seen().stay(120.0).mark("jars_in")
    in_s = story.now_s
    verdict = judge(story.stay(700.0).mark("heat_off").run())
    assert "nothing counts yet" in first(verdict, "boil_reached").text
    back = first(verdict, "boil_back")
    # What was seen was the boil without them.
    assert (
        back.text
        == "The jars are in and the boil goes on: the 5 min count from here, or from your later mark."
    )
    assert kinds(verdict).count("boil_back") == 1 and back.onset_s > in_s
    assert verdict.clock_started_s == pytest.approx(back.onset_s, abs=0.11)


@pytest.mark.parametrize("jars_in_s", [0.0, None])
def test_nothing_is_told_again_that_counts_for_nothing(
    cook: Build, kinds: Kinds, jars_in_s: float | None
) -> None:
    """A gap after the whole time has held, or with no jars in: no clock begins."""
    story = cook(jars_in_s=jars_in_s).come_up().seen().stay(700.0)
    verdict = judge(story.run(gap_in(story.samples(), BOILS_S + 450.0)))
    assert "boil_back" not in kinds(verdict) and "boil_reached" in kinds(verdict)


def test_a_level_that_flickers_about_the_floor_is_told_when_it_is_steady() -> None:
    """Doubted nine times in ten minutes: the stretches show each, a person hears of the starts that last a minute."""
    verdict = judge(tell("gap_then_whole_hold", 77000005).run)
    again = [e for e in verdict.events if e.kind == "boil_back" and "too close to the floor" in e.text]
    assert len(again) == 3
    assert all(59.8 <= event.raised_s - event.onset_s <= 62.0 for event in again)


def test_a_look_before_it_is_told_moves_the_start_that_is_told() -> None:
    """The second start of the run above is at 1586 s; a person saw the boil 14 s later."""
    run = tell("gap_then_whole_hold", 77000005).run
    verdict = judge(replace(run, marks=(*run.marks, Mark(1600.0, "rolling_boil_seen"))))
    onsets_s = [e.onset_s for e in verdict.events if e.kind == "boil_back" and e.raised_s > 1590.0]
    assert 1600.0 in onsets_s and not any(1580.0 < onset_s < 1600.0 for onset_s in onsets_s)


def test_a_flat_record_proves_nothing(cook: Build) -> None:
    """A line at the boiling point from first to last, marked as a boil."""
    story = cook(start_K=0.1, sigma_K=0.0).seen(5.0).stay(900.0).mark("heat_off")
    assert judge(story.run()).verdict == UNPROVEN


def test_hotter_than_any_open_kettle_is_unknown(cook: Build, first: First) -> None:
    """3 K above the boiling point (limit U + 1.5 K): probe on the heater, or a wrong altitude; never held."""
    story = cook().go(3.0, 4.0).seen().stay(400.0).mark("heat_off")
    verdict = judge(story.run())
    assert verdict.verdict == UNPROVEN and verdict.proven_s == 0.0
    hot = first(verdict, "reads_above_boiling")
    assert "altitude" in hot.text and "heater" in hot.text


def test_a_little_above_is_depth_and_superheat(held_run: Build, cook: Build) -> None:
    """1 K above: 25 cm of water raise the boiling point by 0.64 K (IAPWS R7-97), plumes add some."""
    story = cook().go(1.0, 4.0).seen().stay(400.0).mark("heat_off")
    assert judge(story.run()).verdict == HELD


def at_altitude(
    cook: Build, altitude_m: float, pressure_kPa: float | None, boil_C: float, **site: Any
) -> Any:
    place = Site(altitude_m=altitude_m, altitude_uncertainty_m=10.0, pressure_source="barometer", **site)
    return cook(site=place, pressure_kPa=pressure_kPa, boil_C=boil_C)


def test_a_barometer_at_its_sea_level_reading_proves_nothing(cook: Build, first: First, kinds: Kinds) -> None:
    """1,013 hPa at 1650 m: named as a sea-level pressure, unknown from first to last."""
    boil_C = boiling_point_C(standard_pressure_kPa(1650.0))
    story = at_altitude(cook, 1650.0, 101.3, boil_C).come_up().seen().stay(400.0).mark("heat_off")
    verdict = judge(story.run())
    assert verdict.verdict == UNPROVEN and verdict.proven_s == 0.0
    assert "sea-level" in first(verdict, "pressure_disagrees").text
    assert "come_up_stalled" not in kinds(verdict)
    assert any("sea-level" in reason for reason in verdict.reasons)


def test_the_barometer_sets_the_boiling_point(cook: Build) -> None:
    """835 hPa at 1650 m: 94.69 °C by IAPWS R7-97, and a plain hold there is held."""
    boil_C = boiling_point_C(83.5)
    checked = cook().site.barometer_checked_at
    story = at_altitude(cook, 1650.0, 83.5, boil_C, barometer_checked_at=checked).come_up()
    verdict = judge(story.seen().stay(400.0).mark("heat_off").run())
    assert verdict.verdict == HELD
    assert verdict.boiling_point_C == pytest.approx(boil_C, abs=0.006)
    assert verdict.boiling_point_from == "barometer 835.0 hPa"


def test_the_verdict_says_what_the_hold_was_judged_by(cook: Build) -> None:
    """A typed pressure expires after 6 h, but the hold was judged by it; a long record changes nothing."""
    site = Site(altitude_m=0.0, altitude_uncertainty_m=10.0, station_pressure_kPa=101.325)
    story = cook(site=site, pressure_kPa=None, every_s=2.0).come_up().seen().stay(400.0).mark("heat_off")
    short = judge(story.run())
    story.go(-70.0, 2.0).stay(7 * 3600.0)
    long = judge(story.run())
    assert long.boiling_point_from == short.boiling_point_from == "station pressure 1013.2 hPa, typed"
    assert long.expanded_uncertainty_K == short.expanded_uncertainty_K


def test_an_uncalibrated_couple_proves_nothing_and_says_what_helps(held_run: Build) -> None:
    """U 1.9 K against an allowance of 1 K."""
    verdict = judge(held_run(probe=Probe(kind="type K class 1", converter="linearised, 0.0078 K steps")))
    assert verdict.verdict == UNPROVEN
    assert any("What helps: check the probe" in reason for reason in verdict.reasons)


def test_the_correction_is_added_to_the_reading(cook: Build) -> None:
    """A probe that reads 1.2 K low and says so: held; without the correction it would be a simmer."""
    base = cook().probe
    calibration = replace(base.calibration, offset_K=1.2, ice_offset_K=1.2, boil_offset_K=1.2)
    low = replace(base, calibration=calibration)
    story = cook(probe=low, boil_C=99.9743 - 1.2).come_up().seen().stay(400.0).mark("heat_off")
    assert judge(story.run()).verdict == HELD
    assert judge(story.run(probe=base)).verdict != HELD


# --- heater, second probe, reminders ----------------------------------------------------------------------


def test_a_heater_that_goes_off_is_told_at_once_and_ends_nothing(cook: Build, first: First) -> None:
    """Cycling is normal: the temperature decides."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    at_s = BOILS_S + 150.0
    rows = [s._replace(heater_W=0.0 if at_s <= s.t_s < at_s + 20.0 else 1800.0) for s in story.samples()]
    verdict = judge(story.run(rows))
    assert first(verdict, "heater_off").raised_s == at_s
    assert verdict.verdict == HELD


def test_the_mains_going_away_is_told_at_once(cook: Build, first: First) -> None:
    """A node that hears the mains says so within a sample."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    at_s = BOILS_S + 150.0
    rows = [s._replace(mains=s.t_s < at_s) for s in story.samples()]
    assert first(judge(story.run(rows)), "heater_off").raised_s == at_s


def test_of_two_water_probes_the_lower_decides(cook: Build, first: First) -> None:
    """One in the boil, one 2 K below it: not held, and the difference above 0.5 K is flagged."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    rows = [s._replace(water_2_C=(s.water_C or 0.0) - 0.6) for s in story.samples()]
    assert "disagree" in first(judge(story.run(rows)), "probe_fault").text
    rows = [s._replace(water_2_C=(s.water_C or 0.0) - 2.5) for s in story.samples()]
    assert judge(story.run(rows)).verdict == BROKEN


@pytest.mark.parametrize(("first_off_K", "true_K"), [(-1.6, 0.0), (0.35, 0.0), (1.6, 0.0), (-1.6, -1.2)])
def test_the_correction_of_one_water_probe_is_not_the_other_s(
    cook: Build, first_off_K: float, true_K: float
) -> None:
    """The first is off and corrected for it, the second reads the water as it is."""
    probe = cook().probe
    corrections = dict.fromkeys(("offset_K", "ice_offset_K", "boil_offset_K"), -first_off_K)
    checked = replace(probe, calibration=replace(probe.calibration, **corrections))
    story = cook(probe=checked).come_up().stay(120.0)
    if true_K:
        story.go(true_K, 2.0)
    story.stay(700.0).mark("heat_off")
    rows = [
        s._replace(
            water_C=s.water_C + first_off_K + (-true_K if s.t_s > BOILS_S + 120.0 else 0.0),
            water_2_C=s.water_C,
        )
        for s in story.samples()
    ]
    assert judge(story.run(rows)).verdict == (BROKEN if true_K else HELD)


def test_long_processes_ask_for_a_look_at_the_water(cook: Build, kinds: Kinds) -> None:
    """Over 30 min: a reminder every 15 min, never a block; none in shorter ones."""
    story = cook(minutes=40.0).come_up().seen().stay(2500.0).mark("heat_off")
    verdict = judge(story.run())
    assert verdict.verdict == HELD and kinds(verdict).count("water_check_due") == 2
    assert "water_check_due" not in kinds(judge(cook(minutes=25.0).come_up().seen().stay(1600.0).run()))


@pytest.mark.parametrize("kind", ["water_checked", "water_added"])
def test_nobody_is_asked_to_look_at_the_water_who_just_did(cook: Build, kind: str) -> None:
    """Two minutes before the reminder would come: it comes a quarter of an hour after the look."""
    story = cook(minutes=40.0).come_up().seen()
    looked_s = story.now_s + 780.0
    verdict = judge(story.stay(780.0).mark(kind).stay(1800.0).mark("heat_off").run())
    asked = [event.raised_s for event in verdict.events if event.kind == "water_check_due"]
    assert asked == pytest.approx([looked_s + 900.0], abs=2.0)


def test_a_hold_that_ends_with_its_record_is_not_said_to_end_with_the_heat(cook: Build) -> None:
    run = cook(minutes=10.0).come_up().seen().stay(900.0).run()
    verdict = judge(replace(run, ended_at_s=480.0))
    assert verdict.verdict == BROKEN and "where the record says that the run ended" in verdict.reasons[0]


@pytest.mark.parametrize("beyond_s", [6.0, 9.0, 12.0, 16.0, 24.0, 40.0])
def test_what_is_told_at_a_loss_just_after_the_whole_time_is_what_the_verdict_says(
    cook: Build, kinds: Kinds, first: First, beyond_s: float
) -> None:
    """The fall shows when its beginning is known: whoever held it all is not told to begin again, nor the other way."""
    story = cook(minutes=5.0).come_up().seen().stay(300.0 + beyond_s).go(-4.0, 1.0).stay(60.0)
    verdict = judge(story.mark("heat_off").stay(30.0).run())
    lost = first(verdict, "boil_lost")
    assert (
        (verdict.verdict == HELD)
        is ("hold_complete" in kinds(verdict))
        is ("The whole time had held" in lost.text)
    )
    assert beyond_s > 6.0 or verdict.verdict != HELD
    assert beyond_s < 24.0 or verdict.verdict == HELD


@pytest.mark.parametrize("kind", ["heat_on", "jars_in"])
@pytest.mark.parametrize(
    ("start_K", "rate_K_per_min"), [(-80.0, 0.0), (-20.0, 0.0), (-6.0, 0.0), (-40.0, -0.3)]
)
def test_water_that_never_warms_is_told_within_a_quarter_of_an_hour(
    cook: Build, first: First, kind: str, start_K: float, rate_K_per_min: float
) -> None:
    """A burner that never lit, a tripped breaker: the jars stand in it and their two hours run."""
    story = cook(start_K=start_K, jars_in_s=None, boil_C=100.0).mark(kind)
    story = story.stay(1200.0) if not rate_K_per_min else story.go(start_K - 6.0, -rate_K_per_min)
    told = first(judge(story.run()), "come_up_stalled")
    assert 600.0 <= told.raised_s <= 900.0 and "Is the heat on" in told.text


def test_a_pot_that_waits_for_its_heat_is_not_told(cook: Build, kinds: Kinds) -> None:
    verdict = judge(cook(start_K=-60.0, jars_in_s=None).stay(1500.0).run())
    assert "come_up_stalled" not in kinds(verdict)


def test_a_level_far_too_low_for_a_boil_is_told(cook: Build, first: First) -> None:
    """It rose, and simmers 2.5 K below the boil: as level as one."""
    story = cook(start_K=-20.0).go(-2.5, 2.0)
    level_s = story.now_s
    told = first(judge(story.stay(900.0).run()), "come_up_stalled")
    assert level_s + 240.0 <= told.raised_s <= level_s + 420.0


def test_an_overrun_is_told_once(cook: Build, kinds: Kinds) -> None:
    """Five minutes after the time was up, the heat still on."""
    assert kinds(judge(cook().come_up().seen().stay(900.0).run())).count("overrun") == 1


def test_an_overrun_is_raised_by_the_record_when_the_live_engine_raises_it(cook: Build) -> None:
    """The whole time held, then a wire is loose: what is read no longer, ticks tell, and samples too."""
    story = cook().come_up().seen().stay(1000.0)
    rows = [
        row._replace(water_C=None, water_fault="open") if row.t_s > 600.0 else row for row in story.samples()
    ]
    live = Session(story.run(samples=[]))
    for row in rows:
        live.feed([row])
        live.tick(row.t_s + 0.5)
    at_s = [
        [event.raised_s for event in verdict.events if event.kind == "overrun"]
        for verdict in (judge(story.run(samples=rows)), live.verdict())
    ]
    assert len(at_s[0]) == len(at_s[1]) == 1 and at_s[0] == pytest.approx(at_s[1], abs=1.0)


def test_a_pot_that_plainly_cools_is_not_said_to_boil_on(cook: Build, kinds: Kinds) -> None:
    """The whole time held, the heat off and nobody marked it: the loss was told, and no heat is on."""
    told = kinds(judge(cook().come_up().seen().stay(400.0).go(-14.0, 0.4).run()))
    assert "hold_complete" in told and "boil_lost" in told and "overrun" not in told


def test_a_second_batch_in_the_same_water_has_its_own_overrun(cook: Build, kinds: Kinds) -> None:
    """Jars in again: their whole time, and the heat left on after it, are told as the first ones' were."""
    story = cook().come_up().seen().stay(700.0).mark("jars_in").stay(120.0).seen().stay(800.0)
    assert kinds(judge(story.run())).count("overrun") == 2


def test_one_trouble_of_the_probe_keeps_no_other_quiet(cook: Build) -> None:
    """Contact lost for 2 s, and then two water probes that disagree: told as soon as without the first."""

    def apart_after_s(*, contact_lost: bool) -> float:
        story = cook(minutes=30.0).come_up().seen().stay(700.0)
        rows = []
        for row in story.samples():
            lower_K = 0.8 if row.t_s > BOILS_S + 200.0 else 0.0
            row = row._replace(water_2_C=row.water_C - lower_K)
            if contact_lost and BOILS_S + 150.0 <= row.t_s < BOILS_S + 152.0:
                row = row._replace(water_C=None, water_fault="open")
            rows.append(row)
        events = judge(story.run(samples=rows)).events
        return next(e.raised_s for e in events if e.kind == "probe_fault" and "disagree" in e.text)

    assert apart_after_s(contact_lost=True) == pytest.approx(apart_after_s(contact_lost=False), abs=60.0)


def test_contact_that_comes_and_goes_is_told_once_a_minute(cook: Build) -> None:
    """A loose wire in steam: 300 times in ten minutes is one trouble; gone for good, it is told again soon."""
    story = cook(minutes=30.0).come_up().seen().stay(700.0)
    rows = [
        row._replace(water_C=None, water_fault="open")
        if row.t_s > BOILS_S + 610.0 or (row.t_s > BOILS_S + 100.0 and int(row.t_s) % 2)
        else row
        for row in story.samples()
    ]
    told = [e for e in judge(story.run(samples=rows)).events if e.kind == "probe_fault"]
    assert 8 <= len(told) <= 11
    assert any(BOILS_S + 610.0 < e.raised_s <= BOILS_S + 672.0 for e in told)


def test_a_stalled_come_up_is_told(cook: Build, kinds: Kinds) -> None:
    """Ten minutes at 90 °C on the way up."""
    story = cook(start_K=-25.0).go(-10.0, 2.0).stay(600.0).come_up().stay(60.0)
    assert kinds(judge(story.run())).count("come_up_stalled") == 1


# --- promises and rounding --------------------------------------------------------------------------------


def test_what_the_person_was_told_is_never_taken_back(cook: Build, first: First) -> None:
    """The heat goes off on the very second of hold_complete, or the boil is lost then: held, at odd times too."""
    for seed in range(12):
        story = cook(seed=seed, minutes=5.0 + seed * 0.017).come_up()
        story.seen(story.now_s + 0.537 + seed * 1.31).stay(480.0)
        told_s = first(judge(story.run()), "hold_complete").raised_s
        stopped = cook(seed=seed, minutes=story.minutes).come_up()
        stopped.seen(story.marks[-1].t_s).stay(told_s + 1.0 - stopped.now_s)
        for run in (
            stopped.mark("heat_off", told_s + 0.5).go(-3.0, 1.5).run(),
            stopped.run(
                marks=tuple(m for m in stopped.marks if m.kind != "heat_off"), ended_at_s=stopped.now_s
            ),
            stopped.run([s for s in stopped.samples() if s.t_s <= told_s]),
        ):
            verdict = judge(run)
            assert verdict.verdict == HELD, (seed, verdict.proven_s, verdict.required_s)


def test_hold_complete_waits_for_what_a_fall_could_take_back(cook: Build, first: First) -> None:
    """It comes later than the time is up, by the detector's margin."""
    verdict = judge(cook().come_up().seen(BOILS_S + 1.0).stay(420.0).run())
    told = first(verdict, "hold_complete")
    assert told.raised_s > told.onset_s
    assert told.onset_s == pytest.approx((verdict.clock_started_s or 0.0) + 300.0, abs=0.11)


def test_credit_never_exceeds_true_time(cook: Build) -> None:
    """Forty random holds, starts and ends at odd milliseconds: never above truth by more than the probe's lag
    (3 s), and the marks bind exactly."""
    rng = np.random.default_rng(12)
    for seed in range(40):
        story = cook(seed=seed, every_s=float(rng.uniform(0.8, 1.3)))
        story.come_up()
        boils_s = story.now_s
        looked_s = boils_s + float(rng.uniform(-5.0, 60.0))
        story.seen(looked_s).stay(float(rng.uniform(200.0, 420.0)))
        off_s = story.now_s - float(rng.uniform(0.0, 30.0))
        story.mark("heat_off", off_s).go(-1.0, 1.0)
        proven_s = judge(story.run()).proven_s
        assert proven_s <= off_s - max(boils_s - 5.0, looked_s) + 1e-6, seed


def test_no_stretch_is_without_length_after_rounding(cook: Build) -> None:
    """Jars in and heat off 20 ms outside the readings; stretches are told to a tenth of a second."""
    story = cook(jars_in_s=-0.02).come_up()
    story.seen(story.now_s + 5.0).stay(500.0).mark("heat_off", story.now_s - 0.98)
    verdict = judge(story.run())
    assert len(verdict.stretches) > 3
    assert all(stretch.start_s < stretch.end_s for stretch in verdict.stretches)
    assert all(one.end_s == next_.start_s for one, next_ in pairwise(verdict.stretches))
