"""The labelled runs: the same on any machine, truly labelled, within what their records state.

The figures are this project's own promises about its suite; no published one stands behind them.
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.record.read import read_run
from monitor.record.write import write_run
from monitor.simulate.kitchen import some_kitchen
from monitor.simulate.labelled import FAINT
from monitor.simulate.node import demo_canner
from monitor.simulate.scenarios import FAMILIES, draw, tell
from monitor.simulate.story import creditable_s
from monitor.simulate.truth import FALTER_K


@pytest.mark.parametrize("family", FAMILIES)
def test_a_seed_always_tells_the_same_run(family: str) -> None:
    first, again = tell(family, 3), tell(family, 3)
    assert first.run == again.run
    assert first.run.samples != tell(family, 4).run.samples


@pytest.mark.parametrize("family", FAMILIES)
def test_a_record_is_realistic(family: str) -> None:
    """Samples, marks and header in the record's form; the come-up starts 20 K below unless it is the point."""
    labelled = tell(family, 1)
    run = labelled.run
    assert len(run.samples) > 300 and run.probe.calibration is not None
    if family != "record_begins_at_boil":
        first = next(sample.water_C for sample in run.samples if sample.water_C is not None)
        assert first + run.probe.calibration.offset_K <= float(labelled.truth.boil_C[0]) - 15.0
    marked = {mark.kind for mark in run.marks}
    assert ("jars_in" in marked) == (family not in ("no_jars_in", "no_marks_at_all"))
    assert ("heat_off" in marked) == (family != "no_marks_at_all")


@pytest.mark.parametrize("side", ["held", "lost"])
def test_labels_follow_the_truth(side: str) -> None:
    for family, seed in draw(side, 120, 5):
        labelled = tell(family, seed)
        required_s = labelled.run.required_s
        if labelled.safe is True:
            assert creditable_s(labelled.truth, labelled.run) >= required_s + 90.0
        if labelled.safe is False:
            assert labelled.truth.longest_s(FALTER_K) < required_s
        if side == "held":
            assert labelled.safe is True or labelled.guarded or family == "seen_too_early_hold"


def test_a_cold_pause_between_two_stretches_is_found() -> None:
    """What is told as a power cut shows as a loss with its depth."""
    labelled = tell("dip_then_whole_hold", 2)
    assert len(labelled.losses) == 1
    loss = labelled.losses[0]
    assert loss.depth_K > 0.1 and loss.plainness > 5.0 and loss.end_s - loss.start_s > 60.0


def test_what_a_coarse_step_hides_is_not_plain() -> None:
    """The water sinks by 0.12 K in ten minutes, within a step of 0.25 K: the reading stands still."""
    labelled = tell("slow_fall", 2030000407)
    loss = labelled.losses[0]
    assert labelled.sensor == "coarse" and loss.depth_K > 0.1 and loss.end_s - loss.start_s > 500.0
    readings = [s.water_C for s in labelled.run.samples if loss.start_s < s.t_s < loss.start_s + 420.0]
    assert len(set(readings)) == 1
    assert loss.plainness < FAINT


def test_errors_stay_within_what_the_record_states() -> None:
    """Probe and barometer together within ±U, by the root sum of squares, at the boil and just below it."""
    rng = np.random.default_rng(11)
    for _ in range(300):
        kitchen = some_kitchen(rng)
        calibration = kitchen.stated_probe.calibration
        assert calibration is not None
        pressure_K = kitchen.node.barometer_error_kPa * 0.36
        widest_K = 2.0 * np.sqrt((calibration.expanded_uncertainty_K / 2) ** 2 + (0.2**2 + 0.3**2 + 0.05) / 3)
        assert abs(kitchen.probe.bias_K + kitchen.probe.plume_K - pressure_K) <= widest_K
        assert abs(kitchen.node.barometer_error_kPa) <= 0.1


def test_an_ordinary_run_is_told_in_some_milliseconds() -> None:
    """25,000 runs of the suite must not take a day: under 100 ms of the processor a run, 6 ms here."""
    import time

    started = time.process_time()
    for seed in range(10):
        tell("plain_hold", seed)
    assert (time.process_time() - started) / 10 < 0.1


def test_a_run_survives_the_record(tmp_path: object) -> None:
    """What is written is what is read, sample by sample."""
    from pathlib import Path

    run = tell("shuffled_hold", 1).run
    back = read_run(write_run(run, Path(str(tmp_path)) / "run"))
    assert back.samples == run.samples
    assert back.marks == run.marks and back.probe == run.probe


def test_the_demonstration_shows_what_it_promises() -> None:
    """Come-up, boil, a dip, boil again for longer than required, heat off, jars cooling; in about three minutes."""
    demo = demo_canner()
    assert demo.boiled_s < demo.power_gone_s < demo.power_back_s < demo.boiled_again_s < demo.heat_off_s
    stretches = demo.truth.stretches()
    assert len(stretches) == 2
    assert stretches[0].length_s < demo.header.required_s < stretches[1].length_s
    kinds = [mark.kind for mark in demo.marks]
    assert kinds[:2] == ["heat_on", "jars_in"] and kinds[-1] == "jars_lifted" and "heat_off" in kinds
    steps = list(demo.steps())
    assert [step.t_s for step in steps] == sorted(step.t_s for step in steps)
    assert len(steps) == len(demo.samples) + len(demo.marks)
    assert demo.boiled_s / 25.0 < 30.0 and 120.0 < demo.end_s / 25.0 < 240.0
    assert set(demo.samples[-1].jars) == {1, 2} and demo.samples[-1].jars[1] < 75.0
    assert "invented" in str(demo.header.site.name)
