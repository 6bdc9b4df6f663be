"""Jars cooling: forecasts that own up, disturbed jars, draughts, the clock without a probe."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from monitor.judge.cooling import CoolingWatch
from monitor.judge.cooling_forecast import Forecast, cooling_of, forecast, smoothed
from monitor.judge.cooling_track import is_chill
from monitor.judge.salvage import failed_process_clock, hold_end_s
from monitor.judge.verdict import Event, Stretch
from monitor.record.model import Batch, Mark, Required, Run, Sample

DATA = Path(__file__).parents[1] / "data" / "cooling_water.csv"
#: Whole jars in still 22 °C air from 97 °C, minutes at which 85, 60, 54.4, 40 and 25 °C are passed: computed
#: from Churchill and Chu's natural-convection correlation with radiation, the film about 14 W/(m² K) when hot.
STILL_AIR = {
    "half_pint": (10, 40, 50, 91, 236),
    "pint": (13, 54, 68, 122, 316),
    "quart": (16, 67, 84, 152, 396),
}
HOUR = 3600.0


def watch_of(jar: str | None = None) -> CoolingWatch:
    watch = CoolingWatch(jar)
    watch.on_mark("jars_in", -3000.0)
    watch.on_mark("heat_off", -300.0)
    watch.on_mark("jars_lifted", 0.0)
    return watch


def test_a_forecast_does_not_depend_on_when_the_run_began() -> None:
    """The same jar, lifted at once and 4,000 s into its run, is cool 4,000 s later and no sooner."""
    t_s, jar_C = still_air("pint")
    before = t_s <= 5400.0
    ahead = []
    for start_s in (0.0, 4000.0):
        watch = CoolingWatch("pint")
        watch.on_mark("jars_in", start_s - 3000.0)
        watch.on_mark("jars_lifted", start_s)
        feed(watch, t_s[before] + start_s, jar_C[before])
        found, why = forecast(watch.tracks[1])
        assert found is not None, why
        ahead.append([at_s - start_s for at_s in (found.early_s, found.within_3_K_s, found.late_s)])
    assert ahead[1] == pytest.approx(ahead[0], abs=60.0)
    assert ahead[1][0] <= STILL_AIR["pint"][-1] * 60.0 <= ahead[1][2]


def feed(watch: CoolingWatch, t_s: np.ndarray, jar_C: np.ndarray, room_C: float | None = 22.0) -> list[Event]:
    events = []
    for at_s, value in zip(t_s, jar_C, strict=True):
        events += watch.push(Sample(float(at_s), None, room_C=room_C, jars={1: float(value)}))
    return events


def still_air(jar: str, every_s: float = 10.0) -> tuple[np.ndarray, np.ndarray]:
    """A smooth course through the computed points (log excess, monotone cubic), noise 0.03 K, 1/16 K steps."""
    from scipy.interpolate import PchipInterpolator

    points_s = np.array((0, *STILL_AIR[jar])) * 60.0
    log_excess = np.log(np.array((97.0, 85.0, 60.0, 54.4, 40.0, 25.0)) - 22.0)
    t_s = np.arange(0.0, points_s[-1] + 1800.0, every_s)
    course = 22.0 + np.exp(PchipInterpolator(points_s, log_excess)(t_s))
    noise = np.random.default_rng(4).normal(0.0, 0.03, len(t_s))
    return t_s, np.round((course + noise) * 16.0) / 16.0


@pytest.mark.parametrize("jar", sorted(STILL_AIR))
@pytest.mark.parametrize("minutes", [20, 45, 90, 150])
def test_the_interval_holds_the_computed_time_to_the_room(jar: str, minutes: int) -> None:
    t_s, jar_C = still_air(jar)
    watch = watch_of(jar)
    before = t_s <= minutes * 60.0 + 40.0
    assert feed(watch, t_s[before], jar_C[before]) == []
    ahead, _ = forecast(watch.tracks[1])
    assert ahead is not None
    assert ahead.early_s <= STILL_AIR[jar][-1] * 60.0 <= ahead.late_s


def test_forecasts_of_real_cooling_hold_the_truth_and_narrow() -> None:
    """mosaicData CoolingWater: with the room at 23.6 °C (the level of the full fit) it is within 3 K at 203 min.

    Plain exponentials fitted to the first 30 to 90 min come out cold by 0.3 to 2.1 K at 180 min.
    """
    data = np.loadtxt(DATA, delimiter=",", skiprows=3)
    widths = []
    for minutes in (15, 30, 60, 90, 120, 150, 180):
        watch = watch_of()
        feed(watch, data[: minutes + 2, 0] * 60.0, data[: minutes + 2, 1], 23.6)
        ahead, why = forecast(watch.tracks[1])
        assert isinstance(ahead, Forecast), why
        assert ahead.early_s <= 203.0 * 60.0 <= ahead.late_s, minutes
        widths.append(ahead.late_s - ahead.early_s)
    assert widths[-1] < 0.5 * widths[1]


def test_times_to_43_and_35_C_are_right_to_one_sample() -> None:
    """mosaicData CoolingWater passes 43 °C at 74 min and 35 °C at 108 min (read off the table)."""
    data = np.loadtxt(DATA, delimiter=",", skiprows=3)
    watch = watch_of()
    feed(watch, data[:, 0] * 60.0, data[:, 1], 23.6)
    for goal_C, found_s in ((43.0, watch.tracks[1].at_43_s), (35.0, watch.tracks[1].at_35_s)):
        expected_min = data[np.argmax(data[:, 1] <= goal_C), 0]
        assert found_s is not None
        assert abs(found_s / 60.0 - expected_min) <= 1.0


@pytest.mark.parametrize("jump_K", [-2.0, 1.5])
@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
def test_a_jump_is_a_disturbed_jar_within_three_minutes(jump_K: float, every_s: float) -> None:
    t_s, jar_C = still_air("pint", every_s)
    jar_C = jar_C + np.where(t_s >= 4000.0, jump_K, 0.0)
    upto = t_s < 6000.0
    (event,) = feed(watch_of("pint"), t_s[upto], jar_C[upto])
    assert event.kind == "jar_disturbed"
    assert abs(event.onset_s - 4000.0) <= 60.0
    assert event.raised_s - 4000.0 <= 180.0
    assert ("down" if jump_K < 0 else "up") in event.text and not is_chill(event.kind, event.text)


def test_a_lifting_that_nobody_marked_is_no_disturbed_jar() -> None:
    """Two hours in the canner, then out: 3 K at once. A knock of as much an hour later is told, where it is."""
    t_s = np.arange(0.0, 18000.0, 10.0)
    in_air = 22.0 + (70.0 - 3.0 * (t_s >= 7200.0)) * np.exp(-(np.maximum(t_s, 7200.0) - 7200.0) / 4200.0)
    jar_C = np.where(t_s < 7200.0, 92.0 + 7.0 * np.exp(-t_s / 4000.0) - 7.0 * np.exp(-1.8), in_air)
    for knocked_s in ([], [10800.0]):
        watch = CoolingWatch("pint")
        watch.on_mark("jars_in", -3000.0)
        watch.on_mark("heat_off", 0.0)
        knock_K = sum(np.where(t_s >= at_s, -3.0, 0.0) for at_s in knocked_s)
        told = [event for event in feed(watch, t_s, jar_C + knock_K) if event.kind == "jar_disturbed"]
        assert [event.onset_s for event in told] == pytest.approx(knocked_s, abs=60.0)
        assert len(watch.tracks[1].disturbed_s) == len(knocked_s)


def test_one_wild_reading_is_nobodys_alarm() -> None:
    t_s, jar_C = still_air("pint", 10.0)
    jar_C[400] += 20.0
    jar_C[700] = 0.0
    assert [event.kind for event in feed(watch_of("pint"), t_s, jar_C)] == ["jar_cooled"]


def test_a_draught_is_told_from_still_air() -> None:
    """Twice the still-air rate in the first minutes."""
    t_s = np.arange(0.0, 1200.0, 10.0)
    (event,) = feed(watch_of("pint"), t_s, 22.0 + 75.0 * np.exp(-t_s / (38.0 * 60.0)))
    assert event.kind == "jar_disturbed" and "draught" in event.text and is_chill(event.kind, event.text)
    assert feed(watch_of("pint"), t_s, 22.0 + 75.0 * np.exp(-t_s / (70.0 * 60.0))) == []


@pytest.mark.parametrize("jar", ["quart", "Quart", "quart jars", "946 mL", "32 oz"])
def test_a_jar_is_known_by_its_size_in_ordinary_words(jar: str) -> None:
    """45 min lie between 0.6 of a half-pint's 57 and 0.6 of a quart's 95 (as computed for still air)."""
    t_s = np.arange(0.0, 1200.0, 10.0)
    jar_C = 22.0 + 75.0 * np.exp(-t_s / (45.0 * 60.0))
    assert [event.kind for event in feed(watch_of(jar), t_s, jar_C)] == ["jar_disturbed"]
    assert feed(watch_of("half-pint"), t_s, jar_C) == feed(watch_of(None), t_s, jar_C) == []


def test_the_events_do_not_depend_on_ticks_between_the_samples() -> None:
    t_s, jar_C = still_air("half_pint", 20.0)
    jar_C = jar_C - np.where(t_s >= 3000.0, 2.0, 0.0)
    plain = feed(watch_of(), t_s, jar_C)
    watch, ticked = watch_of(), []
    for at_s, value in zip(t_s, jar_C, strict=True):
        ticked += watch.push(Sample(float(at_s), None, room_C=22.0, jars={1: float(value)}))
        ticked += watch.tick(float(at_s) + 5.0)
    assert ticked == plain
    assert [event.kind for event in plain] == ["jar_disturbed", "jar_cooled"]


def test_without_a_jar_probe_the_clock_alone_speaks_and_says_so() -> None:
    watch = watch_of()
    watch.push(Sample(10.0, None, room_C=22.0))
    assert watch.sentence().startswith("No jar probe: the clock alone")
    assert watch.tick(12 * HOUR - 1.0) == []
    (due,) = watch.tick(12 * HOUR + 2.0)
    assert (due.kind, due.onset_s, due.raised_s) == ("seal_check_due", 12 * HOUR, 12 * HOUR + 2.0)
    (overdue,) = watch.tick(23 * HOUR)
    assert overdue.kind == "seal_check_overdue"
    assert watch.tick(30 * HOUR) == []


def test_without_a_room_probe_there_is_no_forecast_and_it_says_so() -> None:
    t_s, jar_C = still_air("pint")
    watch = watch_of("pint")
    feed(watch, t_s[:300], jar_C[:300], None)
    assert forecast(watch.tracks[1]) == (None, "no room temperature")
    assert watch.sentence().startswith("No room probe")


def test_a_hold_that_is_not_proven_has_two_hours_and_no_seal_deadline() -> None:
    watch = watch_of()
    stretches = (Stretch(-2000.0, -1400.0, "boiling", ""), Stretch(-1400.0, -300.0, "not_boiling", ""))
    assert watch.needs_verdict
    watch.on_verdict("broken", stretches, 1800.0)
    assert not watch.needs_verdict
    events = watch.tick(24 * HOUR)
    assert [event.kind for event in events] == ["seal_check_due", "reprocess_window_closing"]
    assert events[1].onset_s == -1400.0 + 2 * HOUR - 1800.0


def test_the_day_of_a_held_run_counts_from_the_end_of_its_boil() -> None:
    """And no later than the heat went off, at -300 s: on a hot ring water boils on, and adds nothing to the hold."""
    for boils_until_s, ends_s in ((-310.0, -310.0), (-290.0, -300.0)):
        watch = watch_of()
        watch.on_verdict("held", (Stretch(-2500.0, boils_until_s, "boiling", ""),), 1800.0)
        assert watch.tick(ends_s + 23 * HOUR)[-1].onset_s == ends_s + 23 * HOUR


def test_the_two_hours_stand_still_while_a_restarted_hold_boils() -> None:
    boils = (Stretch(600.0, 1200.0, "boiling", ""), Stretch(1500.0, 2500.0, "boiling", ""))
    clock = failed_process_clock(boils, 0.0)
    assert (clock.start_s, clock.deadline_s) == (1200.0, 1200.0 + 7200.0 + 1000.0)
    assert failed_process_clock((), 50.0).deadline_s == 50.0 + 7200.0
    # Unknown time is no pause, and a boil after the window brings nothing back.
    assert (
        failed_process_clock((*boils[:1], Stretch(1200.0, 2500.0, "unknown", "")), 0.0).deadline_s == 8400.0
    )
    assert (
        failed_process_clock((*boils[:1], Stretch(9000.0, 9999.0, "boiling", "")), 0.0).deadline_s == 8400.0
    )


def test_the_end_of_the_hold_is_the_end_of_the_boil_that_held() -> None:
    stretches = (Stretch(0.0, 700.0, "boiling", ""), Stretch(900.0, 3000.0, "boiling", ""))
    assert hold_end_s(stretches, 1800.0) == 3000.0
    assert hold_end_s(stretches[:1], 1800.0) is None


def test_the_room_is_felt_with_the_jars_own_lag() -> None:
    """First-order lag: 63 % of a step after one time constant."""
    t_s = np.arange(0.0, 6001.0, 60.0)
    room = np.where(t_s > 0.0, 25.0, 20.0)
    assert smoothed(t_s, room, 3000.0)[50] == pytest.approx(25.0 - 5.0 * np.exp(-1.0), abs=0.01)


def test_a_whole_run_is_asked_at_once() -> None:
    t_s, jar_C = still_air("pint", 30.0)
    run = Run(
        "r",
        datetime(2026, 8, 14, tzinfo=UTC),
        Required(30.0),
        batch=Batch(jar="pint"),
        marks=(Mark(-3000.0, "jars_in"), Mark(0.0, "jars_lifted")),
        samples=tuple(
            Sample(float(t), None, room_C=22.0, jars={2: float(y)}) for t, y in zip(t_s, jar_C, strict=True)
        ),
    )
    (jar,), sentence = cooling_of(run)
    assert jar.jar == 2 and jar.cooled_s is not None
    assert abs(jar.cooled_s / 60.0 - 316.0) < 10.0
    passed_s = jar.passes_s(60.0)
    assert passed_s is not None and abs(passed_s / 60.0 - STILL_AIR["pint"][1]) < 1.0
    early = replace(run, samples=tuple(s for s in run.samples if s.t_s < 2400.0))
    (jar,), _ = cooling_of(early)
    ahead_s = jar.passes_s(60.0)
    assert ahead_s is not None and abs(ahead_s / 60.0 - STILL_AIR["pint"][1]) < 3.0
    assert sentence == "1 jar probe against the room."


def kinds_due(watch: CoolingWatch, until_s: float) -> list[str]:
    return sorted(event.kind for event in watch.tick(until_s))


@pytest.mark.parametrize("ends", [("heat_off",), ("jars_lifted",), ("heat_off", "jars_lifted")])
@pytest.mark.parametrize(
    ("word", "boiled_s", "owed"),
    [
        ("held", 2500.0, ["seal_check_due", "seal_check_overdue"]),
        ("broken", 300.0, ["reprocess_window_closing", "seal_check_due"]),
    ],
)
@pytest.mark.parametrize("judged", ["before", "after"])
def test_heat_on_again_takes_no_reminder_of_the_jars_back(
    ends: tuple[str, ...], word: str, boiled_s: float, owed: list[str], judged: str
) -> None:
    """The next pot, or a mistake: the verdict stays on the hold that ended, and so do the 2 h, 12 h and 24 h."""
    watch = CoolingWatch()
    watch.on_mark("jars_in", -3000.0)
    for end in ends:
        watch.on_mark(end, 0.0)
    stretches = (Stretch(-2600.0, boiled_s - 2600.0, "boiling", ""),)
    if judged == "before":
        watch.on_verdict(word, stretches, 1800.0)
    watch.on_mark("heat_on", 60.0)
    if judged == "after":
        assert watch.needs_verdict
        watch.on_verdict(word, stretches, 1800.0)
    assert kinds_due(watch, 25 * HOUR) == owed


def test_heat_on_again_lets_jars_on_the_counter_cool_and_no_jar_in_the_canner_be_disturbed() -> None:
    t_s, jar_C = still_air("pint")
    watch = watch_of("pint")
    watch.on_mark("heat_on", 30.0)
    feed(watch, t_s[:600], jar_C[:600])
    assert (watch.lifted_s, watch.tracks[1].lift_marked) == (0.0, True) and len(watch.tracks[1].t_s) > 100
    left_in = CoolingWatch("pint")
    left_in.on_mark("jars_in", -3000.0)
    left_in.on_mark("heat_off", 0.0)
    feed(left_in, t_s[:400], jar_C[:400])
    left_in.on_mark("heat_on", 4000.0)
    assert feed(left_in, t_s[400:600], jar_C[400:600] + 30.0) == [] and not left_in.tracks
    left_in.on_mark("heat_off", 6000.0)
    feed(left_in, t_s[600:700], jar_C[600:700] + 30.0)
    assert left_in.tracks[1].start_s == 6000.0 and left_in.heat_off_s == 0.0


def test_only_jars_that_go_in_begin_anew() -> None:
    watch = watch_of()
    watch.on_mark("heat_on", 30.0)
    watch.on_mark("jars_in", 60.0)
    assert (watch.jars_in_s, watch.heat_off_s, watch.lifted_s) == (60.0, None, None)
    assert kinds_due(watch, 25 * HOUR) == []
