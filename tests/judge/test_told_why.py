"""What decides a verdict stands first, by its cause and with what helps; what a record says is not called left out.

A statement of conformity says what it rests on (ILAC-G8:09/2019, 4.2.3). Records are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from math import sqrt
from typing import Any

import pytest

from monitor.cli._verdict_words import in_words
from monitor.judge import budget_of, judge
from monitor.judge.caps import caps_of
from monitor.judge.pressure import NOT_HEARD, from_altitude, from_typed
from monitor.judge.verdict import BROKEN, HELD, UNPROVEN
from monitor.record.model import Batch, Run, Site

Build = Callable[..., Any]
#: dT/dp of the saturation line at 101.3 kPa: 0.0277 K/hPa (physics fact P6).
SLOPE_K_PER_HPA = 0.0277


@pytest.fixture
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")


def screen(run: Run) -> str:
    return " ".join(in_words(run, judge(run)).split())


# --- the cause of what is unknown -------------------------------------------------------------------------


@pytest.mark.usefixtures("narrow")
@pytest.mark.parametrize(
    ("changes", "channel", "cause"),
    [
        ({"days": 400}, "water", "The calibration is 400 days old"),
        ({"method": "ice point"}, "water", "made at the ice point alone"),
        ({}, "bath", "is for the channel “bath”"),
    ],
)
def test_a_calibration_that_decides_stands_on_the_default_screen(
    held_run: Build, changes: dict[str, Any], channel: str, cause: str
) -> None:
    """80 columns, 24 lines: the cause and the remedy, not only how close the reading lay to the floor."""
    run = held_run(minutes=20.0, batch=Batch(food="Pears", food_id="pears", pack="hot", jar="pint", jars=7))
    days = changes.pop("days", 13) if "days" in changes else 13
    calibration = replace(run.probe.calibration, at=run.started_at - timedelta(days=days), **changes)
    run = replace(run, probe=replace(run.probe, calibration=calibration, channel=channel))
    verdict = judge(run)
    assert verdict.verdict == UNPROVEN
    assert cause in verdict.reasons[0] and "What helps: check the probe" in verdict.reasons[0]
    told = screen(run)
    assert cause in told and "check the probe at the ice point and the boiling point" in told
    assert len(in_words(run, verdict).splitlines()) <= 24


def test_the_set_up_is_not_blamed_for_a_boil_that_was_lost(cook: Build) -> None:
    """An old calibration, and water that never came near the boil: that is the reason."""
    story = cook(minutes=10.0).go(-6.0, 4.0).stay(900.0).mark("heat_off")
    run = story.run()
    old = replace(run.probe.calibration, at=run.started_at - timedelta(days=400))
    verdict = judge(replace(run, probe=replace(run.probe, calibration=old)))
    assert verdict.verdict == BROKEN
    assert verdict.reasons[0].startswith("No full boil shows")


def test_a_record_that_begins_too_late_is_told_when_to_begin(cook: Build) -> None:
    """It has to rise through the floor from 5 K below it (our rule); the floor lies up to 1.0 K below boiling."""
    story = cook(start_K=-3.0).come_up()
    run = story.seen(story.now_s + 5.0).stay(500.0).mark("heat_off").run()
    verdict = judge(run)
    assert verdict.verdict == UNPROVEN
    assert "the record does not show the come-up" in verdict.reasons[0]
    assert "Begin the next record earlier" in verdict.reasons[0]
    assert "6 K below its boiling point" in verdict.reasons[0]


# --- the jars before --------------------------------------------------------------------------------------


def two_loads(cook: Build, first_s: float, second_s: float) -> Run:
    story = cook(minutes=10.0).come_up()
    story.seen(story.now_s + 5.0).stay(first_s).mark("heat_off").go(-2.0, 1.0).mark("jars_lifted").stay(60.0)
    story.mark("jars_in").go(-7.0, 4.0).go(0.15, 4.0)
    run: Run = story.seen(story.now_s + 5.0).stay(second_s).mark("heat_off").run()
    return run


@pytest.mark.usefixtures("narrow")
@pytest.mark.parametrize(
    ("first_s", "second_s", "verdict", "failed"),
    [(300.0, 800.0, HELD, True), (800.0, 300.0, BROKEN, False)],
)
def test_a_load_that_was_lifted_before_is_told_of(
    cook: Build, first_s: float, second_s: float, verdict: str, failed: bool
) -> None:
    """The verdict is on the jars that went in last (contract, section 5): nobody is to take it for the others'."""
    run = two_loads(cook, first_s, second_s)
    found = judge(run)
    assert found.verdict == verdict
    told = screen(run)
    assert "A load before this one went in at 15:00:00" in told and "verdict is not on it" in told
    assert ("Treat it as not processed" in told) is failed


def test_one_load_is_not_told_of_as_two(held_run: Build) -> None:
    """Jars marked in twice without having been lifted are one load."""
    run = held_run()
    again = replace(run, marks=(*run.marks, replace(run.marks[0], t_s=5.0)))
    assert not any("load before" in reason for reason in (*judge(run).reasons, *judge(again).reasons))


def test_seen_and_not_seen_at_once_are_both_told(held_run: Build) -> None:
    """Two people, or one finger: the screen does not say yes beside a reason that says no."""
    run = held_run()
    seen = next(mark for mark in run.marks if mark.kind == "rolling_boil_seen")
    both = replace(run, marks=(*run.marks, replace(seen, kind="boil_not_seen")))
    assert "and at" in screen(both) and "that there was none" in screen(both)
    assert "yes, a person marked the rolling boil" in screen(run)


# --- pressure ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed_kPa", "said"),
    [
        (977.7, "looks like hPa, given where kPa are asked: 977.7 hPa are 97.77 kPa"),
        (29.0, "inches of mercury"),
    ],
)
def test_a_pressure_in_another_unit_is_named(cook: Build, typed_kPa: float, said: str) -> None:
    """1 inHg is 3.386389 kPa (NIST SP 811). Altitude and pressure are there: they are not called missing."""
    run = cook(pressure_kPa=None).run([])
    run = replace(run, site=replace(run.site, altitude_m=300.0, station_pressure_kPa=typed_kPa))
    words = budget_of(replace(run, site=replace(run.site, pressure_source="station pressure"))).cannot_prove
    assert said in words and "Nothing says at what temperature" not in words
    story = cook(pressure_kPa=None, site=run.site).come_up()
    verdict = judge(story.stay(400.0).mark("heat_off").run())
    assert any(said in reason for reason in verdict.reasons)
    assert not any("Nothing says at what temperature" in reason for reason in verdict.reasons)


def typed(run: Run, kPa: float, hours: float) -> Run:
    at = {"station_pressure_at": (run.started_at - timedelta(hours=hours)).isoformat()}
    site = Site(
        altitude_m=0.0,
        altitude_uncertainty_m=1.0,
        pressure_source="station pressure",
        station_pressure_kPa=kPa,
        extra=at,
    )
    return replace(run, site=site)


@pytest.mark.parametrize(
    ("hours", "weather_hPa"),
    [(0.1, 0.0), (1.0, 5.0 / sqrt(3.0)), (2.0, 10.0 / sqrt(3.0)), (5.0, sqrt(2.0) * 7.4)],
)
def test_a_typed_pressure_is_as_unsure_as_the_weather_since(
    cook: Build, hours: float, weather_hPa: float
) -> None:
    """Limits of 5 hPa an hour, as the deepest lows come (JCGM 100:2008, 4.3.7: a/√3), and no more than two moments
    of the weather at one place, √2 × 7.4 hPa (physics facts P11, P45)."""
    basis = from_typed(typed(cook().run([]), 101.325, hours), 0.0)
    assert basis is not None
    by_hand = SLOPE_K_PER_HPA * sqrt((1.0 / sqrt(3.0)) ** 2 + weather_hPa**2)
    assert basis.standard_K == pytest.approx(by_hand, abs=0.002)


def test_a_deep_low_typed_hours_ago_pays_for_lying_low(cook: Build) -> None:
    """20 hPa below the standard: half of the 10 beyond 10 hPa, as for a barometer that was never compared."""
    run = cook().run([])
    old, fresh = (from_typed(typed(run, 101.325 - 2.0, hours), 0.0) for hours in (5.0, 0.0))
    assert old is not None and fresh is not None
    assert old.added_K == pytest.approx(5.0 * SLOPE_K_PER_HPA, abs=0.003) and fresh.added_K == 0.0
    assert any(row.distribution == "added whole" for row in old.rows)


def test_a_simmer_after_a_storm_is_not_held_by_the_pressure_of_the_storm(cook: Build) -> None:
    """Typed 5 h ago in a deep low, 20 hPa risen since; 1.1 K below boiling, marked all the same."""
    story = cook(pressure_kPa=None).go(-1.1, 4.0).seen().stay(500.0).mark("heat_off").go(-4.0, 1.0)
    assert judge(typed(story.run(), 101.325 - 2.0, 5.0)).verdict != HELD


def test_the_weathers_row_is_in_kelvin(cook: Build) -> None:
    """σ 0.21 K (P11): 7.4 hPa at sea level, and fewer where 1 hPa is 0.0376 K (P6, 3000 m)."""
    run = cook().run([])
    row = from_altitude(replace(run, site=Site(altitude_m=3000.0))).rows[0]
    assert (row.value, row.unit, row.standard_K) == ("±0.42", "K", 0.21)


def test_a_barometer_that_is_named_and_silent_is_told_of(held_run: Build) -> None:
    """The boiling point comes from the altitude, and where it comes from says why."""
    silent = judge(held_run(pressure_kPa=None, minutes=5.0))
    assert NOT_HEARD in silent.boiling_point_from and NOT_HEARD in silent.budget.notes
    assert NOT_HEARD not in judge(held_run()).boiling_point_from


# --- the published time -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("batch", "altitude_m", "said"),
    [
        ({}, None, "the record does not say the altitude."),
        ({"jar": None}, None, "the record does not say the size of the jars and the altitude."),
        ({"pack": "tight"}, 0.0, "the tables do not know the pack “tight”."),
    ],
)
def test_what_a_record_leaves_out_is_not_called_unknown_words(
    cook: Build, batch: dict[str, Any], altitude_m: float | None, said: str
) -> None:
    """Guidance G24: a tested process holds for its own jar and pack, so all of it must be known."""
    pears = {"food": "pears", "food_id": "pears", "pack": "hot", "jar": "pint"}
    run = cook(batch=Batch(**{**pears, **batch})).run([])
    assert caps_of(replace(run, site=replace(run.site, altitude_m=altitude_m))).not_compared.endswith(said)


def test_an_altitude_to_half_a_metre_is_not_rounded_to_nothing(cook: Build) -> None:
    """304.5 ± 0.5 m reaches past 1,000 ft, 304.8 m, where pears need 25 min (USDA Complete Guide, Guide 2)."""
    batch = Batch(food="pears", food_id="pears", pack="hot", jar="pint")
    run = cook(minutes=20.0, batch=batch).run([])
    site = replace(run.site, altitude_m=304.495, altitude_uncertainty_m=0.5)
    (reason,) = caps_of(replace(run, site=site)).reasons
    assert "The altitude of 304.5 m is known to ±0.5 m" in reason


# --- words that a layman misreads -------------------------------------------------------------------------


@pytest.mark.parametrize("fault", [None, "open"])
def test_a_node_that_sends_no_water_value_is_not_said_to_have_a_faulty_probe(
    cook: Build, fault: str | None
) -> None:
    """Packs without the water, for a minute and at the end: a fault only where the node reports one."""
    story = cook().come_up().seen().stay(400.0)
    away_s = story.now_s - 200.0
    rows = [
        row._replace(water_C=None, water_fault=fault) if away_s <= row.t_s < away_s + 60.0 else row
        for row in story.samples()
    ]
    whys = [each.why for each in judge(story.run(rows)).stretches]
    assert any(why.startswith("probe fault: a wire is broken") for why in whys) is (fault is not None)
    assert any("probe fault" in why for why in whys) is (fault is not None)
    cut = judge(story.run([row for row in rows if row.t_s < away_s + 60.0])).stretches[-1]
    said = "the samples carry no reading of the water" if fault is None else "probe fault: a wire is broken"
    assert cut.why.startswith(said)


def test_what_is_too_recent_to_be_sure_of_is_not_called_a_fall(cook: Build) -> None:
    """The last seconds of a record, and those before a gap: no fall began, and none is spoken of."""
    whys = {each.why for each in judge(cook().come_up().seen().stay(400.0).run()).stretches}
    assert "not followed by enough boil to be sure" in whys
    assert not any("fall that began" in why for why in whys)
