"""What a set-up is said to prove before the heat is what the verdict of a true hold with it then says.

The water's true temperature is known, the probe reads it with the scatter of a real one (white, 0.03 K, seeded), and
the hold lasts what is asked. The terms have their sources in `tests/judge/test_budget.py`.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import pytest

from monitor.judge import Verdict, judge
from monitor.judge.verdict import HELD
from monitor.physics.pressure import standard_pressure_kPa
from monitor.physics.saturation import boiling_point_C
from monitor.plan.place import site_of
from monitor.plan.pressure import ALTIMETER, STATION, PressureGiven, StationPressure, station_pressure
from monitor.plan.setup import CANNOT, PROVES, PROVES_IF_SEEN, SetUp, what_it_proves
from monitor.record.model import Calibration, Mark, Probe, Required, Run, Sample

NOW = datetime(2026, 8, 14, 15, 0, tzinfo=UTC)
FINE, COARSE = "linearised, 0.0078 K steps", "straight-line, 0.25 K steps"
#: The plan takes 30 min of come-up, these take 17: between them weather of 5 hPa an hour makes up to so much of U. The
#: verdict may be so much narrower, and wider only by its rounding to 0.01 K. [K]
NARROWER_K, WIDER_K = 0.08, 0.011


@dataclass(frozen=True)
class Case:
    """A kitchen and what is known of it. ``off_kPa``: the true air against the standard one."""

    altitude_m: float = 2150.0
    minutes: float = 35.0
    way: str = ALTIMETER
    off_kPa: float = 0.0
    read_before_min: float = 0.0
    compared: bool = False
    converter: str = FINE
    check_U_K: float = 0.2

    @property
    def true_kPa(self) -> float:
        return standard_pressure_kPa(self.altitude_m) + self.off_kPa

    def header(self) -> Run:
        at = NOW - timedelta(minutes=self.read_before_min)
        pressure = None
        if self.way in (ALTIMETER, STATION):
            # What the room's air is; that a setting was brought up to it is said by its kind.
            found = station_pressure(
                PressureGiven(STATION, self.true_kPa * 10.0, "hPa", at), self.altitude_m, 15.0, NOW
            )
            assert isinstance(found, StationPressure)
            pressure = replace(found, kind=self.way)
        site = site_of(
            "hill kitchen",
            self.altitude_m,
            15.0,
            pressure=pressure,
            barometer=self.way == "barometer",
            barometer_checked_at=NOW - timedelta(days=30) if self.compared else None,
        )
        check = Calibration(
            0.0, self.check_U_K, 2.0, 0.0, 0.0, NOW - timedelta(days=9), "ice and boiling points"
        )
        probe = Probe(kind="type K class 1", converter=self.converter, calibration=check)
        return Run("r", NOW, Required(self.minutes, "a time chosen for the test"), site=site, probe=probe)

    def plan(self) -> SetUp:
        return what_it_proves(self.header(), self.true_kPa if self.way == "barometer" else None)

    def verdict(self, *, seen: bool) -> Verdict:
        """A true hold: jars in at once, 17 min to the boil, and as long as asked with a few minutes to spare."""
        noise = random.Random(5)
        boil_C = boiling_point_C(self.true_kPa) + 0.15
        up_s, step_K = 1000.0, 0.25 if self.converter == COARSE else 0.0078125
        end_s = up_s + self.minutes * 60.0 + 240.0
        samples = []
        for second in range(int(end_s) + 60):
            true_C = min(boil_C, boil_C - 30.0 * (1.0 - second / up_s))
            if second > end_s:
                true_C = boil_C - (second - end_s) * 0.02
            read_C = round((true_C + noise.gauss(0.0, 0.03)) / step_K) * step_K
            pressure_kPa = self.true_kPa if self.way == "barometer" and second % 10 == 0 else None
            samples.append(
                Sample(
                    float(second),
                    read_C,
                    pressure_kPa=pressure_kPa,
                    chip_C=25.0 + 0.0625 * (second % 3),
                    boot=7,
                    seq=second,
                )
            )
        marks = [Mark(0.0, "jars_in"), Mark(end_s, "heat_off")]
        if seen:
            marks.insert(1, Mark(up_s + 30.0, "rolling_boil_seen"))
        return judge(replace(self.header(), marks=tuple(marks), samples=tuple(samples)))


CASES = {
    "a setting of today": Case(),
    "a setting of a low": Case(off_kPa=-1.9),
    "a setting of a low, a long process": Case(off_kPa=-1.9, minutes=100.0),
    "a setting read two hours before": Case(read_before_min=120.0),
    "a coarse probe": Case(converter=COARSE, check_U_K=0.36),
    "a barometer read by hand": Case(way=STATION),
    "one that reads low": Case(way=STATION, off_kPa=-2.6),
    "the node's, compared": Case(way="barometer", compared=True, off_kPa=-3.0),
    "the node's, never compared": Case(way="barometer"),
    "the node's, never compared, in a low": Case(way="barometer", off_kPa=-3.2),
    "the node's, far from any weather": Case(way="barometer", off_kPa=-3.8),
    "the altitude alone, at the sea": Case(altitude_m=5.0, minutes=20.0, way="altitude"),
    "the altitude alone, on a hill": Case(way="altitude"),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_the_plan_and_the_verdict_say_the_same(case: Case) -> None:
    """The ± before the heat and the ± of the verdict, within what the come-up makes of it; and what they lead to: held
    without a look where the set-up proves a boil by itself, with a look where one is asked, never where it cannot."""
    plan, alone, looked = case.plan(), case.verdict(seen=False), case.verdict(seen=True)
    for verdict in (alone, looked):
        assert verdict.expanded_uncertainty_K is not None
        apart_K = plan.budget.expanded_K - verdict.expanded_uncertainty_K
        assert -WIDER_K <= apart_K <= NARROWER_K, (plan.budget, verdict.budget)
    assert (looked.verdict == HELD) is (plan.answer != CANNOT)
    if plan.answer == PROVES:
        assert alone.verdict == HELD
    assert (plan.budget.cannot_prove == "") is (plan.answer == PROVES)
    if plan.answer == PROVES_IF_SEEN:
        assert "marks the rolling boil" in plan.budget.cannot_prove


def test_what_a_long_process_makes_of_a_typed_pressure_is_said() -> None:
    """100 min and a come-up: 2.2 h of weather; read anew half-way it is half as old at either end. A process of 6 h
    outlasts what was typed, and the altitude alone is left."""
    plan = CASES["a setting of a low, a long process"].plan()
    assert plan.answer == PROVES_IF_SEEN
    assert any("as old by then" in text for text in plan.text)
    anew = next(way for way in plan.ways if way.what.startswith("Read the pressure anew"))
    assert anew.answer == PROVES and "correction of the run" in anew.what
    whole_day = replace(CASES["a setting of today"], minutes=600.0).plan()
    assert any("read it anew on the way" in text for text in whole_day.text)
    assert "By the end the pressure that was typed is too old" in whole_day.why_altitude


def test_what_helps_a_barometer_that_was_never_compared() -> None:
    """To compare it, or to type the setting instead; each tried on the budget."""
    plan = CASES["the node's, never compared, in a low"].plan()
    assert plan.answer != PROVES
    ways = {way.what: way.answer for way in plan.ways}
    assert (
        ways["Compare the node's barometer with the altimeter setting (QNH) of an airport near by"] == PROVES
    )
    assert ways["Type today's altimeter setting (QNH) of an airport near by"] == PROVES


def test_a_barometer_that_cannot_be_is_named_before_the_start() -> None:
    """Sea-level air at 2150 m, as a forecast gives it (physics facts, P14, P15)."""
    header = replace(CASES["the node's, never compared"].header())
    plan = what_it_proves(header, 101.3)
    assert plan.answer == CANNOT
    assert "sea-level-corrected pressure" in plan.text[0]
    assert any(way.what.startswith("Type today's altimeter setting") for way in plan.ways)
    unheard = what_it_proves(header)
    assert any("taken for granted" in text for text in unheard.text)
    assert not any("taken for granted" in text for text in plan.text)


def test_against_what_the_uncertainty_counts_is_said() -> None:
    """Boiling point less 0.6 K, less 1.0 K once the boil was marked (the allowances of DESIGN.md, 5)."""
    case = CASES["the node's, compared"]
    boil_C = boiling_point_C(case.true_kPa)
    plan = case.plan()
    (line,) = (text for text in plan.text if text.startswith("It counts as boiling only where"))
    assert f"less these {plan.budget.expanded_K:.2f} K, is above {boil_C - 0.6:.1f} °C" in line
    assert f"above {boil_C - 1.0:.1f} °C" in line
    assert any("do not add up" in text for text in plan.text)
    assert any("95 of 100" in text for text in plan.text)
