"""The jars at rest: the lid's moment by a jar's own course and by the clock, and the words beside it."""

from __future__ import annotations

from dataclasses import replace
from math import log
from pathlib import Path

import pytest

from monitor.jars import rest_words
from monitor.jars.rest import rest_of, station_of
from monitor.jars.times import times_of
from monitor.judge import judge
from monitor.record.model import Run, Site
from monitor.record.read import read_run

RECORDED = Path(__file__).parents[2] / "recorded_runs"


@pytest.fixture(scope="module")
def night() -> Run:
    return read_run(RECORDED / "a-night-of-cooling")


@pytest.fixture(scope="module")
def verdict(night: Run) -> dict[str, object]:
    return judge(night).as_json()


def test_a_night_with_three_probes(night: Run, verdict: dict[str, object]) -> None:
    """The model's jars are within 3 K of the room at 23011, 22446 and 21839 s; its lids pull down at 78 to 93 °C."""
    rest = rest_of(night, times_of(night, verdict))
    assert rest.sentence == "3 jar probes against the room."
    for jar, truth_s in zip(rest.jars, (23011.0, 22446.0, 21839.0), strict=True):
        assert jar.cooling.cooled_s is not None and abs(jar.cooling.cooled_s - truth_s) <= 900.0
        assert jar.pull is not None and jar.pull.early_s < jar.pull.late_s
        assert jar.vacuum is not None and 40.0 < jar.vacuum.low_kPa < jar.vacuum.high_kPa < 83.0
        if jar.heard_s is not None:
            assert jar.pull.early_s - 120.0 <= jar.heard_s <= jar.pull.late_s
    assert rest.jars[0].heard_s is not None
    told = "\n".join(rest_words.lines(night, rest, str))
    assert "100% to 108% of its nominal volume to the brim (from memory)" in told, (
        "no figure passes for a published one"
    )
    assert "a hint, never the test" in told and "never a proof" in told and "information only" in told


def test_without_a_jar_probe_the_clock_alone_and_the_record_says_so(
    night: Run, verdict: dict[str, object]
) -> None:
    """Pints in still air at 82 kPa: a lid that asks for 10 to 30 kPa goes between minutes and three quarters of an hour
    after lifting, for up to 30 % of air.

    At sea level a pint with 10 % of air pulls 10 kPa at 94.0 °C, one with 30 % pulls 30 kPa at 78.4 °C (steam tables:
    tests/judge/test_headspace.py). Contents of 97 °C in air of 22 °C get there in 3 to 22 min, by Newton's law with the
    76 min of a hot pint (natural convection by Churchill and Chu, radiation, glass and inner film).
    """
    in_air_min = [76.0 * log((97.0 - 22.0) / (pulls_C - 22.0)) for pulls_C in (94.0, 78.4)]
    assert in_air_min == pytest.approx([3.0, 22.0], abs=0.5)
    bare = replace(night, samples=tuple(sample._replace(jars={}) for sample in night.samples))
    rest = rest_of(bare, times_of(bare, verdict))
    assert rest.jars == () and rest.sentence.startswith("No jar probe: the clock alone")
    assert rest.pull is not None
    lifted_s = 3085.0
    assert 0.0 <= rest.pull.early_s - lifted_s <= 10 * 60.0 < rest.pull.late_s - lifted_s <= 75 * 60.0
    assert "by the clock" in rest_words.pull(bare, rest.pull)


def test_the_pressure_is_the_barometers_else_the_stated_else_the_altitudes(night: Run) -> None:
    assert station_of(night) == pytest.approx(82.5, abs=0.6)
    silent = replace(night, samples=())
    assert station_of(silent) == pytest.approx(83.05, abs=0.05), "1650 m, standard atmosphere"
    assert station_of(replace(silent, site=Site())) is None


def test_an_unknown_jar_has_a_course_and_no_expectation(night: Run, verdict: dict[str, object]) -> None:
    odd = replace(night, batch=replace(night.batch, jar="bucket"))
    rest = rest_of(odd, times_of(odd, verdict))
    assert rest.jars[0].vacuum is None and rest.jars[0].pull is None and rest.pull is None
    assert rest_words.assumptions(rest) == []
