"""A probe over the seasons: plateaus against boiling points, limits, when to check again, what a failure touches.

Limits and the run of eight: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2. The 0.5 K that a probe may move
between two checks is this project's rule. Other figures are made up for the case.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.judge import judge
from monitor.plan.basis import BoilBasis
from monitor.plan.check import BOIL, ICE, PointReading
from monitor.plan.drift import DriftPoint, batches_touched, drift_chart, next_check, plateau_point
from monitor.plan.outcome import ProbePast, outcome_of
from monitor.plan.registration import PLACES, ProbeRegistration
from monitor.record import read_run
from monitor.record.model import Calibration

NOW = datetime(2026, 8, 1, 16, 0, tzinfo=UTC)
DAY = timedelta(days=1)
RECORDED = Path(__file__).parents[2] / "recorded_runs"
PROBE = ProbeRegistration("T1", "type K class 1", "linearised, 0.0078 K steps", PLACES[0])
CHECK = Calibration(-0.4, 0.3, 2.0, -0.35, -0.42, NOW - 30 * DAY, "ice and boiling points")


def _holds(values: list[float]) -> list[DriftPoint]:
    return [DriftPoint(f"run {i}", NOW + timedelta(days=i), value) for i, value in enumerate(values)]


def test_control_limits_against_a_published_example() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flowrate example: ten values, mean 50.81, mean
    moving range 1.8778, limits 50.81 ± 2.66 × 1.8778 = 45.81 to 55.81. Here shifted by 50.81 and scaled by
    1/10, which scales the limits alike."""
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = drift_chart(_holds([(value - 50.81) / 10 for value in flow]))
    assert chart.centre_K == pytest.approx(0.0, abs=1e-9)
    assert chart.upper_K == pytest.approx((55.8041 - 50.81) / 10, abs=0.001)
    assert chart.lower_K == pytest.approx((45.8159 - 50.81) / 10, abs=0.001)
    assert chart.beyond == ()


def test_drift_is_noticed() -> None:
    """A hold beyond the limits, or eight on one side, asks for a check; few holds set no limits."""
    steady = [0.15, 0.18, 0.12, 0.16, 0.14, 0.17, 0.13, 0.15, 0.16, 0.14] * 2
    assert not drift_chart(_holds(steady)).check_again
    assert drift_chart(_holds([*steady, 0.45])).beyond == ("run 20",)
    assert "all stand above" in drift_chart(_holds([*steady, *[0.2] * 8])).text
    assert drift_chart(_holds([0.1, 0.1])).centre_K is None
    assert drift_chart(_holds([0.1, 0.7])).check_again


def test_batches_since_the_last_good_check_are_named() -> None:
    """All that could share the fault, and those that name no probe."""
    runs = [
        ("a", NOW - 9 * DAY, "T1"),
        ("b", NOW - 3 * DAY, "T1"),
        ("c", NOW - 2 * DAY, "T2"),
        ("d", NOW - DAY, None),
    ]
    assert batches_touched(runs, "T1", NOW - 5 * DAY, NOW) == ("b", "d")
    assert batches_touched(runs, "T1", None, NOW) == ("a", "b", "d")


def test_limits_are_those_since_the_last_check() -> None:
    """A new check is a new beginning: earlier holds are drawn and set no limits."""
    before = [DriftPoint(f"old {i}", NOW - (40 - i) * DAY, 0.6) for i in range(5)]
    chart = drift_chart([*before, *_holds([0.1, 0.12, 0.09, 0.11, 0.1])], NOW)
    assert chart.centre_K == pytest.approx(0.104)
    assert chart.beyond == ()
    assert len(chart.points) == 10


def test_a_recorded_hold_becomes_a_point() -> None:
    """The simulated kettle of this recording boils 0 to 0.4 K over the surface's boiling point (about.json: depth
    and superheat of the model); the point is the stored verdict's boiling point against the record's readings."""
    run = read_run(RECORDED / "held-low-altitude")
    point = plateau_point(run, judge(run).as_json())
    assert point is not None
    assert point.run_id == run.run_id
    assert -0.3 < point.plateau_minus_boiling_K < 0.5


def test_what_never_boiled_is_no_point() -> None:
    """No stretch, or one of seconds: nothing to learn about a probe."""
    run = read_run(RECORDED / "held-low-altitude")
    verdict = judge(run).as_json()
    assert plateau_point(run, verdict | {"stretches": []}) is None
    brief = [{"start_s": 2000.0, "end_s": 2030.0, "state": "boiling", "why": ""}]
    assert plateau_point(run, verdict | {"stretches": brief}) is None
    assert plateau_point(run, verdict | {"boiling_point_C": None}) is None


@pytest.mark.parametrize(
    ("calibration", "values", "now", "due", "says"),
    [
        (None, [], NOW, None, "no check"),
        (CHECK, [0.1], NOW, CHECK.at and CHECK.at + 365 * DAY, "by 2027-07-02"),
        (CHECK, [0.1, 0.9], NOW + 2 * DAY, None, "run 1"),
        (CHECK, [0.1], NOW + 366 * DAY, None, "over 12 months"),
        (CHECK, [0.1], NOW + 150 * DAY, None, "before the season"),
    ],
)
def test_when_to_check_again(
    calibration: Calibration | None, values: list[float], now: datetime, due: datetime | None, says: str
) -> None:
    """At once for a drift, an old check or a new season (21 CFR 113.40 as a pattern: yearly); else when it is due."""
    found = next_check(calibration, drift_chart(_holds(values)), now)
    assert found.due_at == due
    assert says in found.text


def _points(ice_C: float, boil_C: float) -> dict[str, PointReading]:
    return {
        point: PointReading(point, mean_C, 0.1, 60, 60.0, True)
        for point, mean_C in ((ICE, ice_C), (BOIL, boil_C))
    }


def test_a_failed_check_opens_a_deviation_for_every_batch_since_the_last_good_one() -> None:
    """0.6 K since the last check: the batches of that time, one step, in the entries to append."""
    basis = BoilBasis(94.6, 0.02, "station pressure", 83.3, "station pressure 833.0 hPa, typed")
    good = outcome_of(_points(0.35, 95.0), PROBE, basis, NOW - 9 * DAY, ProbePast())
    assert [kind for kind, _, _ in good.entries] == ["probe_registered", "probe_checked"]
    runs = (("a", NOW - 20 * DAY, "T1"), ("b", NOW - 3 * DAY, "T1"), ("c", NOW - DAY, "T2"))
    failed = outcome_of(_points(0.95, 95.6), PROBE, basis, NOW, ProbePast((good.as_json(),), runs))
    assert failed.result.blocked
    assert failed.touched == ("b",)
    kind, body, run_id = failed.entries[-1]
    assert (kind, run_id) == ("deviation_opened", "b")
    assert "T1" in body["what"] and "moved" in body["what"]
    fine = outcome_of(_points(0.36, 95.02), PROBE, basis, NOW, ProbePast((good.as_json(),), runs))
    assert fine.touched == ()


def test_a_blocked_probe_is_checked_again_now() -> None:
    """Its last good check does not count, so no date of it is told."""
    found = next_check(
        CHECK, drift_chart(_holds([0.1])), NOW, "After a fall it counts only once it was checked."
    )
    assert found.due_at is None
    assert "blocked" in found.text and "ice point and the boiling point" in found.text
