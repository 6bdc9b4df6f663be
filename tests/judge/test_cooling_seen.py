"""Heat off and jars out, seen in the record alone: against the kettle model's truth, which nobody marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.judge import Session, judge
from monitor.judge.cooling import CoolingWatch
from monitor.judge.cooling_seen import seen_after_hold
from monitor.record.model import Mark, Sample
from monitor.record.read import read_run
from monitor.simulate.node import demo_canner

RECORDED = Path(__file__).parents[2] / "recorded_runs"
#: A kettle's fall after its heat is off, lid on, late in the hold: 0.3 K/min (heat balance: 320 W of losses of a
#: lidded pot over 66 kJ/K of water, pot and jars).
SLOW_K_PER_S = 320.0 / 66_000.0


def course(*pieces: tuple[float, float], start_C: float = 94.5) -> list[Sample]:
    """Samples each 5 s: (seconds, K/s) piece by piece."""
    samples, at_s, now_C = [], 0.0, start_C
    for length_s, rate in pieces:
        for _ in range(int(length_s / 5.0)):
            samples.append(Sample(at_s, round(now_C, 2), room_C=22.0))
            at_s, now_C = at_s + 5.0, now_C + 5.0 * rate
    return samples


@pytest.mark.parametrize("seed", range(1, 9))
def test_the_modelled_truth_lies_within_the_bounds(seed: int) -> None:
    """Six half-pints, probes in some; heat off and lifting as the model's story has them."""
    shown = demo_canner(seed, cooling_s=2400.0)
    seen = seen_after_hold(shown.samples, 0.0, shown.heat_off_s - 60.0)
    assert seen.heat_off is not None and seen.lifted is not None
    assert seen.heat_off.early_s <= shown.heat_off_s <= seen.heat_off.late_s
    assert seen.lifted.early_s <= shown.lifted_s <= seen.lifted.late_s
    assert seen.lifted.late_s - seen.lifted.early_s <= 600.0


def test_a_whole_night_seen_without_a_single_mark() -> None:
    """Seven pints: the model's heat went off at 2755 s, its jars were lifted at 3085 s."""
    run = read_run(RECORDED / "a-night-of-cooling")
    seen = seen_after_hold(run.samples, 7.0, None)
    assert seen.heat_off is not None and seen.lifted is not None
    assert abs(seen.heat_off.t_s - 2755.0) <= 60.0 and abs(seen.lifted.t_s - 3085.0) <= 60.0
    assert "stopped kettle" in seen.heat_off.how and "jar probes 1, 2, 3" in seen.lifted.how


@pytest.mark.parametrize("lag_s", [0.0, 300.0])
def test_jars_that_stay_in_the_canner_are_not_said_to_be_lifted(lag_s: float) -> None:
    """A probe on the glass reads the water, 1.5 K high; contents follow it within minutes."""
    run = read_run(RECORDED / "a-night-of-cooling")
    still, jar_C, before_s = [], 94.0, 0.0
    for sample in run.samples:
        if sample.t_s < 9000.0 and sample.water_C is not None:
            share = min(1.0, (sample.t_s - before_s) / lag_s) if lag_s else 1.0
            jar_C, before_s = jar_C + share * (sample.water_C - jar_C), sample.t_s
            still.append(sample._replace(jars={1: jar_C + (0.0 if lag_s else 1.5)}))
    seen = seen_after_hold(still, 7.0, None)
    assert seen.heat_off is not None and seen.lifted is None


@pytest.mark.parametrize("apart_K", [(-0.5,), (-1.0,), (1.5,), (0.0, -0.5)])
@pytest.mark.parametrize("scatter_K", [0.0, 0.03])
def test_probes_that_read_apart_in_the_same_water_are_no_lifting(
    apart_K: tuple[float, ...], scatter_K: float
) -> None:
    """Two hours in the canner after the heat; the contents follow within 8 min, as their probes read them."""
    rng = np.random.default_rng(5)
    samples, jar_C = [], 94.0
    for sample in course((600, 0.0), (7200, -SLOW_K_PER_S)):
        jar_C += 5.0 / 480.0 * (sample.water_C - jar_C)
        jars = {n: jar_C + off + rng.normal(0.0, scatter_K) for n, off in enumerate(apart_K, 1)}
        samples.append(sample._replace(jars=jars))
    for minutes in range(15, 120, 5):
        seen = seen_after_hold(samples[: 120 + 12 * minutes], 0.0, 600.0, 600.0)
        assert seen.lifted is None, minutes


@pytest.mark.parametrize("apart_K", [-1.0, -0.5, 1.5])
def test_a_lifting_is_seen_by_a_probe_that_reads_apart(apart_K: float) -> None:
    shown = demo_canner(3, cooling_s=2400.0)
    samples = [s._replace(jars={n: C + apart_K for n, C in s.jars.items()}) for s in shown.samples]
    seen = seen_after_hold(samples, 0.0, shown.heat_off_s - 60.0)
    assert seen.lifted is not None and seen.lifted.early_s <= shown.lifted_s <= seen.lifted.late_s


def test_a_boil_that_came_back_is_no_end_of_the_heat() -> None:
    there_and_back = course((1200, 0.0), (600, -SLOW_K_PER_S), (600, SLOW_K_PER_S), (600, 0.0))
    assert seen_after_hold(there_and_back, 0.0, 900.0).heat_off is None
    off = seen_after_hold(course((1200, 0.0), (1200, -SLOW_K_PER_S)), 0.0, 900.0).heat_off
    assert off is not None and off.early_s < 1200.0 <= off.late_s


def test_a_boil_of_a_whole_day_takes_no_more_room_and_its_end_is_seen_as_ever() -> None:
    watch = CoolingWatch()
    watch.on_mark("jars_in", 0.0)
    watch.on_hold_complete(900.0)
    kept = []
    off_s = 30 * 3600.0
    for sample in course((off_s, 0.0), (1800, -SLOW_K_PER_S)):
        watch.push(sample)
        if watch._follower is not None:
            kept.append(len(watch._follower.t_s))
    # Eight hours at most, and the four after the end in which the lifting is looked for. [min]
    assert max(kept) <= 480 + 240
    assert watch.heat_off_s is not None and abs(watch.heat_off_s - off_s) <= 60.0


def test_a_probe_lifted_out_is_no_stopped_kettle() -> None:
    """70 K within three minutes: no water does that."""
    assert seen_after_hold(course((1200, 0.0), (180, -70 / 180), (900, 0.0)), 0.0, 900.0).heat_off is None


def test_a_shallow_fall_before_the_hold_is_complete_may_still_be_a_lost_boil() -> None:
    fell = course((1200, 0.0), (1200, -SLOW_K_PER_S))
    assert seen_after_hold(fell, 0.0, None).heat_off is None
    assert seen_after_hold(course((1200, 0.0), (4800, -SLOW_K_PER_S)), 0.0, None).heat_off is not None


def test_nothing_is_seen_in_an_empty_record_or_one_that_ends_at_the_boil() -> None:
    for samples in ([], course((1200, 0.0))):
        seen = seen_after_hold(samples, 0.0, 900.0)
        assert (seen.heat_off, seen.lifted) == (None, None)


def followed(samples: Sequence[Sample], complete_s: float, marks: Sequence[Mark] = ()) -> CoolingWatch:
    watch = CoolingWatch("half_pint")
    watch.on_mark("jars_in", 0.0)
    left = list(marks)
    for sample in samples:
        while left and left[0].t_s <= sample.t_s:
            watch.on_mark(left[0].kind, left.pop(0).t_s)
        if sample.t_s >= complete_s:
            watch.on_hold_complete(complete_s)
            watch.push(sample)
    return watch


def test_live_the_seals_are_asked_for_though_nobody_marked_anything() -> None:
    shown = demo_canner(3, cooling_s=3000.0)
    watch = followed(shown.samples, shown.heat_off_s - 120.0)
    assert watch.seen == {"heat_off", "jars_lifted"} and watch.lifted_s is not None
    assert 0.0 <= watch.lifted_s - shown.lifted_s <= 240.0
    (due,) = watch.tick(watch.lifted_s + 12 * 3600.0 + 5.0)
    assert due.kind == "seal_check_due" and "as the record shows; nobody marked it" in due.text
    assert all(not track.lift_marked for track in watch.tracks.values())


def test_live_a_persons_mark_is_never_overridden_and_replaces_what_was_seen() -> None:
    shown = demo_canner(3, cooling_s=3000.0)
    marks = [Mark(shown.heat_off_s, "heat_off"), Mark(shown.lifted_s + 30.0, "jars_lifted")]
    watch = followed(shown.samples, shown.heat_off_s - 120.0, marks)
    assert (watch.heat_off_s, watch.lifted_s, watch.seen) == (marks[0].t_s, marks[1].t_s, set())
    late = followed(shown.samples, shown.heat_off_s - 120.0)
    late.on_mark("jars_lifted", shown.lifted_s + 30.0)
    assert late.lifted_s == shown.lifted_s + 30.0 and "jars_lifted" not in late.seen


def test_live_a_boil_that_comes_back_takes_the_end_of_the_heat_back() -> None:
    samples = course((1200, 0.0), (1200, -SLOW_K_PER_S), (600, 2 * SLOW_K_PER_S), (900, 0.0))
    assert followed(samples[: 2400 // 5], 900.0).seen == {"heat_off"}
    watch = followed(samples, 900.0)
    assert (watch.heat_off_s, watch.seen) == (None, set())


def lost_and_left(cook: Any, hours: float) -> Any:
    """A boil of 300 s of the 10 min asked for, then a pot that cools to the room; nobody marks anything."""
    story = cook(minutes=10.0, every_s=5.0).come_up().seen().stay(300.0).go(-75.0, 1.2)
    return story.stay(hours * 3600.0 - story.now_s)


def test_a_lost_boil_has_its_two_hours_though_nobody_marks_anything(cook: Any) -> None:
    """University of Nebraska Extension: 2 h, here from the loss about 180 + 300 s on."""
    verdict = judge(lost_and_left(cook, 1.9).run())
    (closing,) = [event for event in verdict.events if event.kind == "reprocess_window_closing"]
    assert (
        closing.onset_s == pytest.approx(480.0 + 5400.0, abs=60.0)
        and closing.raised_s < closing.onset_s + 10.0
    )
    assert verdict.verdict is None and verdict.advice.action == "bring_back_boil"
    assert verdict.advice.until is not None and "after that discard without tasting" in verdict.advice.text
    over = judge(lost_and_left(cook, 2.5).run()).advice
    assert (over.action, over.until) == ("discard", verdict.advice.until)
    assert "Discard these jars without tasting" in over.text


def test_the_two_hours_are_told_by_ticks_where_the_node_is_gone(cook: Any) -> None:
    story = lost_and_left(cook, 0.5)
    live = Session(story.run(samples=[]))
    live.feed(story.samples())
    for at_s in range(1800, 9000, 5):
        live.tick(float(at_s))
    (closing,) = [event for event in live.verdict().events if event.kind == "reprocess_window_closing"]
    assert closing.raised_s - closing.onset_s <= 5.0


def test_a_boil_that_comes_back_in_time_stops_the_two_hours(cook: Any) -> None:
    """Lost for a quarter of an hour, then a whole hold: no window closes on it, however long the pot cools after."""
    story = cook(minutes=10.0, every_s=5.0).come_up().seen().stay(300.0).go(-5.0, 0.6).go(0.15, 2.0)
    verdict = judge(story.seen().stay(900.0).go(-75.0, 0.6).stay(3600.0).run())
    assert verdict.verdict == "held"
    assert "reprocess_window_closing" not in [event.kind for event in verdict.events]


def test_a_boil_after_the_two_hours_is_not_worth_keeping(cook: Any) -> None:
    story = lost_and_left(cook, 3.0).go(0.15, 2.0).seen().stay(300.0)
    assert judge(story.run()).advice.action == "discard"


def test_a_boil_that_is_on_is_told_of_no_end(cook: Any) -> None:
    verdict = judge(cook(minutes=10.0, every_s=5.0).come_up().seen().stay(300.0).run())
    assert (verdict.advice.action, verdict.advice.until) == ("keep_boiling", None)


def test_a_held_run_whose_end_nobody_marked_is_told_what_the_record_shows() -> None:
    """The night in the kettle model without its marks of the end, its barometer silent from the boil on."""
    run = read_run(RECORDED / "a-night-of-cooling")
    off_s = next(mark.t_s for mark in run.marks if mark.kind == "heat_off")
    marks = tuple(mark for mark in run.marks if mark.kind not in ("heat_off", "jars_lifted"))
    quiet = tuple(s if s.t_s < off_s else s._replace(pressure_kPa=None) for s in run.samples)
    marked, unmarked = judge(run), judge(replace(run, marks=marks, samples=quiet))
    assert marked.verdict == unmarked.verdict == "held"
    assert unmarked.expanded_uncertainty_K == marked.expanded_uncertainty_K
    assert unmarked.advice.action == "store_after_seal_check"
    assert "lift the jars" not in unmarked.advice.text
    assert unmarked.advice.text.startswith("The record shows the jars lifted: mark when that was.")


def test_until_the_lifting_is_seen_the_jars_are_to_be_lifted() -> None:
    run = read_run(RECORDED / "a-night-of-cooling")
    off_s = next(mark.t_s for mark in run.marks if mark.kind == "heat_off")
    marks = tuple(mark for mark in run.marks if mark.kind not in ("heat_off", "jars_lifted"))
    dry = tuple(s._replace(jars={}) for s in run.samples if s.t_s < off_s + 3600.0)
    for until_s, action in ((off_s - 10.0, "turn_off_heat"), (off_s + 3600.0, "store_after_seal_check")):
        cut = tuple(s for s in dry if s.t_s < until_s)
        advice = judge(replace(run, marks=marks, samples=cut)).advice
        assert advice.action == action and "lift the jars level" in advice.text


def test_nobody_is_told_to_turn_off_a_heat_that_is_seen_to_be_off() -> None:
    """A night's record without the marks of its end: the large sentence follows what the record shows."""
    run = read_run(RECORDED / "a-night-of-cooling")
    marks = tuple(mark for mark in run.marks if mark.kind not in ("heat_off", "jars_lifted"))
    live = Session(replace(run, samples=(), marks=marks, ended_at_s=None))
    said = []
    for sample in run.samples:
        live.feed((sample,))
        said.append(live.view().sentence)
        if sample.t_s > 3085.0 + 3600.0:
            break
    whole = "The whole time has held. "
    assert list(dict.fromkeys(word.removeprefix(whole) for word in said if word.startswith(whole))) == [
        "Turn off the heat.",
        "By the record the heat is off: mark when that was.",
        "By the record the jars are out: mark when that was.",
    ]
