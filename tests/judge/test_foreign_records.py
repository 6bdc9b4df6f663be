"""Records from elsewhere that leave things out or contradict themselves: the judge says less, and says why.

Limits are this project's rules: what a record leaves out is taken at its widest. Weather's are those of climate texts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from math import inf, nan, sqrt
from typing import Any

import numpy as np
import pytest

from monitor.judge import Session, judge, words
from monitor.judge.budget import budget_of
from monitor.judge.eventlog import DOUBTED, EventLog
from monitor.judge.hold import Hold
from monitor.judge.pressure import PressureTracker, from_typed
from monitor.judge.verdict import BROKEN, HELD, UNPROVEN, Event, Verdict
from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C
from monitor.record.model import Batch, Calibration, Probe, Run, Site

Build = Callable[..., Any]
First = Callable[[Verdict, str], Event]
Kinds = Callable[[Verdict], list[str]]

CHECKED_PROBE = Probe(
    kind="type K class 1",
    calibration=Calibration(
        offset_K=0.0,
        expanded_uncertainty_K=0.2,
        ice_offset_K=0.0,
        boil_offset_K=0.0,
        at=datetime(2026, 8, 1, tzinfo=UTC),
        method="ice and boiling points",
    ),
)
TYPED = Site(
    name="invented",
    altitude_m=0.0,
    altitude_uncertainty_m=10.0,
    pressure_source="station pressure",
    station_pressure_kPa=98.8,
)


# --- pressure ---------------------------------------------------------------------------------------------


@pytest.fixture
def header(cook: Build) -> Run:
    """A checked fine probe; the sample rows are not looked at."""
    run: Run = cook().run([])
    return run


def at_start(run: Run) -> dict[str, str]:
    return {"station_pressure_at": run.started_at.isoformat()}


def test_a_typed_pressure_without_a_time_is_believed_less_and_it_is_said(header: Run) -> None:
    """25 hPa below the standard air: as after 6 h, and half of what is beyond 10 hPa, 7.7 hPa or 0.21 K, is added.

    (Slope 0.0279 K/hPa at 988 hPa, IAPWS R7-97.)
    """
    dated = budget_of(replace(header, site=replace(TYPED, extra=at_start(header))))
    undated = budget_of(replace(header, site=TYPED))
    assert not any("does not say when" in note for note in dated.notes)
    assert any("does not say when" in note for note in undated.notes)
    assert undated.expanded_K - dated.expanded_K > 0.2


@pytest.mark.parametrize("source", [None, "other", "my nose"])
def test_a_pressure_of_unknown_origin_is_believed_less(header: Run, source: str | None) -> None:
    """Typed, or from a barometer that somebody says was compared."""
    for site, kPa in ((replace(TYPED, extra=at_start(header)), None), (header.site, 101.325)):
        known = replace(header, site=site)
        unknown = replace(header, site=replace(site, pressure_source=source))
        trackers = [PressureTracker(run) for run in (known, unknown)]
        if kPa is not None:
            for tracker in trackers:
                tracker.hear(0.0, kPa)
        sure, unsure = (tracker.at(0.0) for tracker in trackers)
        assert unsure.standard_K + unsure.added_K > sure.standard_K + sure.added_K
        assert any("pressure comes from" in note for note in unsure.notes)


def test_a_simmer_under_a_stale_low_pressure_is_not_held(cook: Build) -> None:
    """1.2 K below boiling, marked all the same; the pressure of a past low was typed, 27 hPa under today's."""
    story = cook(site=replace(TYPED, station_pressure_kPa=98.6), pressure_kPa=None)
    story.go(-1.2, 2.0).seen().stay(700.0).mark("heat_off").go(-3.0, 1.0)
    assert judge(story.run()).verdict != HELD


def test_what_cannot_be_the_kitchens_air_is_passed_over_and_soon_proves_nothing(header: Run) -> None:
    """One glitch of a converter moves nothing; three in a row are no glitch, and what was known stays on the page."""
    tracker = PressureTracker(header)
    for n in range(20):
        tracker.hear(30.0 * n, 101.325)
    tracker.hear(600.0, 1013.25)
    assert tracker.at(601.0).disagrees == ""
    assert tracker.at(601.0).boil_C == pytest.approx(boiling_point_C(101.325))
    tracker.hear(630.0, 101.325)
    for n in range(3):
        tracker.hear(660.0 + 30.0 * n, 1013.25)
    basis = tracker.at(721.0)
    assert "air of no kitchen" in basis.disagrees and basis.boil_C == pytest.approx(boiling_point_C(101.325))


@pytest.mark.parametrize(
    ("hPa_per_h", "is_weather"), [(2.0, True), (5.0, True), (40.0, False), (150.0, False)]
)
def test_a_barometer_faster_than_weather_proves_nothing(
    header: Run, hPa_per_h: float, is_weather: bool
) -> None:
    """Deep lows bring some 5 hPa an hour (from memory); steam in a sensor brings more."""
    tracker = PressureTracker(header)
    for n in range(60):
        tracker.hear(30.0 * n, max(101.325 - hPa_per_h / 10.0 * n / 120.0, 99.0))
    assert (tracker.at(1800.0).disagrees == "") is is_weather


@pytest.mark.parametrize("every_s", [30.0, 600.0, 3600.0])
def test_hours_of_weather_are_no_leap(header: Run, every_s: float) -> None:
    """10 hPa in 8.5 h, read each half minute, ten minutes or hour, and over a night in which the node was off."""
    tracker = PressureTracker(header)
    for n in range(int(8.5 * 3600.0 / every_s)):
        tracker.hear(every_s * n, 101.325 - 1.0 * every_s * n / (8.5 * 3600.0))
    assert tracker.at(8.5 * 3600.0).disagrees == ""
    for n in range(70):
        tracker.hear(16.0 * 3600.0 + 30.0 * n, 99.6)
    basis = tracker.at(16.6 * 3600.0)
    assert basis.disagrees == "" and basis.boil_C == pytest.approx(boiling_point_C(99.6))


def test_a_barometer_out_of_order_ends_the_credit_within_minutes(cook: Build, first: First) -> None:
    """Ten times too much from mid-hold on: unknown from then on, and the boiling point stays on the page."""
    story = cook(minutes=20.0).come_up().seen().stay(1300.0).mark("heat_off")
    middle_s = story.now_s - 900.0
    rows = [s._replace(pressure_kPa=1013.25) if s.t_s > middle_s else s for s in story.samples()]
    verdict = judge(story.run(rows))
    assert verdict.verdict == UNPROVEN and verdict.proven_s < 650.0
    assert verdict.boiling_point_C is not None
    assert first(verdict, "pressure_disagrees").raised_s < middle_s + 150.0


def test_a_typed_pressure_that_is_known_in_full_is_as_sure_as_it_was(header: Run) -> None:
    """Nothing is added where a record says all."""
    basis = from_typed(replace(header, site=replace(TYPED, extra=at_start(header))), 0.0)
    assert basis is not None and basis.added_K == 0.0 and basis.notes == ()


# --- the probe --------------------------------------------------------------------------------------------


def test_an_uncertainty_without_its_coverage_factor_is_taken_as_limits(header: Run) -> None:
    """JCGM 100:2008, 4.3.7: limits of which no more is known, a standard uncertainty of half their width over √3."""
    calibration = header.probe.calibration
    assert calibration is not None
    said = replace(
        header, probe=replace(header.probe, calibration=replace(calibration, coverage_factor=None))
    )
    budget = budget_of(said)
    row = next(row for row in budget.rows if row.term == "probe and converter, by calibration")
    assert row.standard_K == pytest.approx(calibration.expanded_uncertainty_K / sqrt(3.0))
    assert any("coverage factor" in note for note in budget.notes)


def test_a_correction_for_another_channel_is_not_believed(header: Run) -> None:
    """Found for the probe in a jar, it says nothing of the one in the water."""
    elsewhere = replace(header, probe=replace(header.probe, channel="jar_1"))
    assert any("jar_1" in note for note in budget_of(elsewhere).notes)
    assert budget_of(elsewhere).expanded_K > budget_of(header).expanded_K
    assert Probe().channel == "water"


@pytest.mark.parametrize(("every", "lower_K"), [(20, 2.0), (30, 5.0), (60, 20.0)])
def test_a_second_probe_that_speaks_seldom_decides_too(
    cook: Build, first: First, every: int, lower_K: float
) -> None:
    """One word in 20 to 60 s, as a sensor of its own may say: the lower one decides between its words too."""
    story = cook().come_up().seen().stay(500.0).mark("heat_off")
    rows = [
        s._replace(water_2_C=(s.water_C or 0.0) - lower_K) if n % every == 0 else s
        for n, s in enumerate(story.samples())
    ]
    verdict = judge(story.run(rows))
    assert verdict.verdict == BROKEN and "disagree" in first(verdict, "probe_fault").text


@pytest.mark.parametrize("every", [5, 30, 60])
def test_a_second_probe_that_agrees_takes_nothing_away(cook: Build, kinds: Kinds, every: int) -> None:
    """The same water, the same scatter; and one that fell silent in the come-up has no say in the boil."""
    story = cook().come_up().seen().stay(500.0).mark("heat_off").go(-2.0, 1.0)
    plain = judge(story.run())
    other = [*[s.water_C for s in story.samples()][1:], None]
    rows = [
        s._replace(water_2_C=C) if n % every == 0 else s
        for n, (s, C) in enumerate(zip(story.samples(), other, strict=True))
    ]
    verdict = judge(story.run(rows))
    assert verdict.verdict == HELD and "probe_fault" not in kinds(verdict)
    assert verdict.proven_s == pytest.approx(plain.proven_s, abs=10.0)
    early = [s._replace(water_2_C=(s.water_C or 0.0) - 3.0) if s.t_s < 90.0 else s for s in story.samples()]
    assert judge(story.run(early)).verdict == HELD


@pytest.mark.parametrize("cooler_K", [0.0, 0.7])
@pytest.mark.parametrize("every", [5, 10, 60])
def test_a_second_probes_scatter_is_no_difference(
    cook: Build, kinds: Kinds, every: int, cooler_K: float
) -> None:
    """Words that scatter by 0.1 K each, and a corner that is cooler on the way up alone: held as without it."""
    rng = np.random.default_rng(every)
    story = cook().come_up().seen().stay(480.0).mark("heat_off").go(-2.0, 1.0)
    rows = []
    for n, (s, true_K) in enumerate(zip(story.samples(), story.true_K, strict=True)):
        if n % every == 0:
            s = s._replace(water_2_C=s.water_C - cooler_K * (true_K < -0.5) + rng.normal(0.0, 0.1))
        rows.append(s)
    verdict = judge(story.run(rows))
    assert verdict.verdict == HELD
    assert not {"boil_lost", "verdict_revised", "probe_fault"} & set(kinds(verdict))


# --- times and marks --------------------------------------------------------------------------------------


def test_what_arrives_before_it_was_taken_has_a_wrong_time(cook: Build, first: First) -> None:
    """Times that run 1.8 times too fast make a whole hold of half of one; a link only ever makes a sample late."""
    story = cook().come_up().seen().stay(500.0).mark("heat_off")
    half_s = story.now_s / 2.0
    rows = [
        s._replace(arrival_s=s.t_s if s.t_s < half_s else half_s + (s.t_s - half_s) / 1.8)
        for s in story.samples()
    ]
    verdict = judge(story.run(rows))
    assert verdict.verdict == UNPROVEN and first(verdict, "clock_stepped").raised_s >= half_s
    late = [s._replace(arrival_s=s.t_s + 3.0) for s in story.samples()]
    assert judge(story.run(late)).verdict == HELD


def test_a_run_that_is_dated_from_its_end_is_judged_alike(cook: Build) -> None:
    """Times before ``started_at`` are times."""
    story = cook().come_up().seen().stay(500.0).mark("heat_off").go(-2.0, 1.0)
    run = story.run()
    moved = replace(
        run,
        samples=tuple(s._replace(t_s=s.t_s - 5000.0) for s in run.samples),
        marks=tuple(replace(mark, t_s=mark.t_s - 5000.0) for mark in run.marks),
    )
    assert judge(moved).verdict == HELD
    assert judge(moved).proven_s == pytest.approx(judge(run).proven_s, abs=0.2)


def test_a_mark_on_water_far_from_boiling_is_no_look_at_a_boil(cook: Build) -> None:
    """10 K below, or after the heat is off: the verdict says that nobody saw it boil."""
    early = cook().seen(10.0).come_up().stay(700.0).mark("heat_off").go(-2.0, 1.0)
    late = cook().come_up().stay(700.0).mark("heat_off").go(-0.5, 1.0).seen()
    for story in (early, late):
        verdict = judge(story.run())
        assert verdict.verdict == HELD and not verdict.seen_by_eye
        assert any("Nobody marked the rolling boil" in reason for reason in verdict.reasons)


def test_readings_that_jump_all_the_time_do_not_bring_the_boil_back_each_second(
    cook: Build, kinds: Kinds
) -> None:
    """Two probes on one channel, 5 K apart in turns: one trouble, told as that."""
    story = cook(minutes=20.0).come_up().seen().stay(900.0)
    rows = [
        s._replace(water_C=s.water_C - 5.0) if s.t_s > story.now_s - 600.0 and int(s.t_s) % 2 else s
        for s in story.samples()
    ]
    said = kinds(judge(story.run(rows)))
    assert said.count("boil_back") <= 1 and said.count("probe_fault") <= 11


# --- the header -------------------------------------------------------------------------------------------


def test_what_a_header_leaves_out_or_denies_is_said(held_run: Build) -> None:
    """No food: nothing to compare the time with. No jars: nothing was processed."""
    run = held_run()
    nameless = judge(replace(run, batch=Batch()))
    assert nameless.verdict == HELD and any("names no food" in reason for reason in nameless.reasons)
    none = judge(replace(run, batch=Batch(jars=0)))
    assert none.verdict == UNPROVEN and any("no jars" in reason for reason in none.reasons)


@pytest.mark.parametrize(("altitude_m", "doubted"), [(250.0, False), (300.0, True)])
def test_an_altitude_near_the_next_band_is_doubted_aloud(
    held_run: Build, altitude_m: float, doubted: bool
) -> None:
    """Pears, hot, pints: 20 min to 1,000 ft (304.8 m), 25 above (USDA Complete Guide, Guide 2). ±10 m."""
    run = held_run(minutes=20.0)
    pears = Batch(food="Pears, halved", food_id="pears", pack="hot", jar="pint", jars=7)
    verdict = judge(replace(run, batch=pears, site=replace(run.site, altitude_m=altitude_m)))
    assert any("25 min" in reason for reason in verdict.reasons) is doubted


def test_a_reason_does_not_say_one_thing_twice(cook: Build) -> None:
    """Unmarked first, then marked: too close to the floor both times."""
    story = cook().go(-0.75, 2.0).stay(200.0).seen().stay(500.0).mark("heat_off").go(-3.0, 1.0)
    verdict = judge(story.run())
    assert verdict.verdict == UNPROVEN
    assert all(reason.count("too close to the floor") <= 1 for reason in verdict.reasons)


def test_nobody_is_told_to_bring_back_a_boil_that_no_jars_are_in(cook: Build) -> None:
    """The water boiled and cools, and no mark says that there are jars."""
    story = cook(jars_in_s=None).come_up().stay(200.0).go(-4.0, 1.5)
    text = judge(story.run()).advice.text
    assert "jars are in" in text and "Bring it back" not in text
    assert words.RESTART_RULE not in text


# --- jars that stood --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("stood_h", "late"), [(1.5, False), (3.0, True), (10.0, True)])
def test_jars_that_stood_too_long_before_their_hold_are_not_held(
    cook: Build, stood_h: float, late: bool
) -> None:
    """Two hours after a lost boil jars are discarded (University of Nebraska Extension), whatever is boiled later."""
    story = cook(every_s=2.0).come_up().seen().stay(120.0).go(-40.0, 1.0).stay(stood_h * 3600.0 - 2400.0)
    story.go(0.0, 2.0).seen().stay(500.0).mark("heat_off").go(-2.0, 1.0)
    verdict = judge(story.run())
    assert verdict.proven_s >= 300.0
    assert verdict.verdict == (UNPROVEN if late else HELD)
    assert any("more than 2 hours" in reason for reason in verdict.reasons) is late
    assert ("Shelve only sealed jars" in verdict.advice.text) is not late


def test_jars_that_had_their_whole_time_and_are_heated_again_later_were_held(cook: Build) -> None:
    """Held in the evening, nothing marked, and a longer boil with the water of the next morning."""
    story = cook(every_s=2.0).come_up().seen().stay(400.0).go(-40.0, 1.0).stay(3.0 * 3600.0)
    verdict = judge(story.go(0.0, 2.0).seen().stay(700.0).mark("heat_off").go(-2.0, 1.0).run())
    assert verdict.verdict == HELD and "Discard" not in verdict.advice.text


def test_nobody_is_told_to_turn_off_before_the_hold_is_complete(cook: Build) -> None:
    """The time may be proven so far, and a fall that has just begun may still take some of it back."""
    story = cook().come_up().seen().stay(420.0)
    session, told = Session(story.run([])), False
    for sample in story.samples():
        session.feed([sample])
        if sample.t_s % 2.0:
            continue
        complete = any(event.kind == "hold_complete" for event in session.verdict().events)
        assert (session.view().phase == "complete") is complete
        assert (session.verdict().advice.action == "turn_off_heat") is complete
        told = told or complete
    assert told


def test_a_coarse_probe_on_a_calm_boil_after_a_rough_come_up_is_not_frozen(cook: Build, kinds: Kinds) -> None:
    """Plumes of 0.3 K on the way up, 0.03 K of scatter in the boil, 0.25 K steps, a chip that moves: it may stand."""
    converter = "straight-line corrected, 0.25 K steps"
    story = cook(step_K=0.25, sigma_K=0.03, probe=replace(CHECKED_PROBE, converter=converter), minutes=20.0)
    story.go(-0.1, 1.0).seen().stay(1700.0).mark("heat_off").go(-3.0, 1.0)
    rng = np.random.default_rng(4)
    rows = [
        s._replace(
            water_C=round((s.water_C + (rng.normal(0.0, 0.3) if K < -0.3 else 0.0)) / 0.25) * 0.25,
            chip_C=25.0 + n % 7,
        )
        for n, (s, K) in enumerate(zip(story.samples(), story.true_K, strict=True))
    ]
    verdict = judge(story.run(rows))
    assert "reading_frozen" not in kinds(verdict) and verdict.verdict != BROKEN


def test_a_doubt_that_comes_again_is_told_again() -> None:
    """Once the boil was told to be back, the next doubt is news, however soon."""
    log = EventLog()
    hold = Hold(600.0, log)
    hold.jars_in(0.0)
    hold.reached(100.0, 90.0, 130.0, seen=True)
    assert log.add_trouble(DOUBTED, 200.0, "doubt")
    assert not log.add_trouble(DOUBTED, 230.0, "doubt")
    hold.reached(240.0, 240.0, 300.0, seen=True, after="too close")
    assert log.add_trouble(DOUBTED, 310.0, "doubt")


@pytest.mark.parametrize("value", [nan, inf, -inf])
def test_what_is_no_number_is_no_reading(held_run: Build, value: float) -> None:
    """Files and the wire refuse it; whoever calls from Python is told "unknown", never "come-up"."""
    run = held_run()
    none = tuple(row._replace(water_C=None) for row in run.samples)
    wild = tuple(row._replace(water_C=value) for row in run.samples)
    assert judge(replace(run, samples=wild)) == judge(replace(run, samples=none))
    for to_s in (404.0, 480.0):
        some = [row._replace(water_C=value) if 400.0 < row.t_s < to_s else row for row in run.samples]
        gone = [row._replace(water_C=None) if 400.0 < row.t_s < to_s else row for row in run.samples]
        assert judge(replace(run, samples=tuple(some))) == judge(replace(run, samples=tuple(gone)))


@pytest.mark.parametrize("value", [nan, inf, -inf])
def test_a_pressure_that_is_no_number_is_no_pressure(held_run: Build, value: float) -> None:
    """Whether from the first pack on or after some that carried one: judged as if the packs carried none."""
    run = held_run()
    air_kPa = standard_pressure_kPa(run.site.altitude_m or 0.0)
    site = replace(run.site, pressure_source="barometer", barometer_checked_at=run.started_at)
    for from_s in (0.0, 400.0):
        wild, none = (
            [row._replace(pressure_kPa=air_kPa if row.t_s < from_s else then) for row in run.samples]
            for then in (value, None)
        )
        said = judge(replace(run, site=site, samples=tuple(wild)))
        assert said == judge(replace(run, site=site, samples=tuple(none)))
