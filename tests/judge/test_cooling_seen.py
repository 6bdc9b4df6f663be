"""Heat off and jars out, seen in the record alone: against the kettle model's truth, which nobody marked."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.judge.cooling_seen import seen_after_hold
from monitor.record.model import Sample
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


def test_a_boil_that_came_back_is_no_end_of_the_heat() -> None:
    there_and_back = course((1200, 0.0), (600, -SLOW_K_PER_S), (600, SLOW_K_PER_S), (600, 0.0))
    assert seen_after_hold(there_and_back, 0.0, 900.0).heat_off is None
    off = seen_after_hold(course((1200, 0.0), (1200, -SLOW_K_PER_S)), 0.0, 900.0).heat_off
    assert off is not None and off.early_s < 1200.0 <= off.late_s


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
