"""The boiling point through a run, against the saturation line of IAPWS R7-97(2012), region 4: 99.974 °C at
101.325 kPa, 0.0277 K lower for each hPa less (its derivative there)."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.judge.engine import Engine
from monitor.record.model import Mark, Run, Sample

AT_SEA_LEVEL_C, PER_HPA_K = 99.974, 0.0277


@pytest.mark.parametrize(
    ("again", "boil_C"), [(True, AT_SEA_LEVEL_C - 10 * PER_HPA_K), (False, AT_SEA_LEVEL_C)]
)
def test_jars_that_go_in_again_are_judged_by_the_pressure_of_now(
    held_run: Callable[..., Run], again: bool, boil_C: float
) -> None:
    """The weather falls by 10 hPa while the canner cools with its heat off. Nothing hangs on it then, and it is asked
    each ten minutes only, at 1200 and at 1800 s; but once jars go in again, at 1700 s, at once."""
    run = held_run(minutes=5.0)
    engine = Engine(run)
    for sample in run.samples:
        engine.push(sample)
    last = run.samples[-1]
    if again:
        engine.add_mark(Mark(1700.0, "jars_in"))
    for n in range(1, int(1750.0 - last.t_s)):
        engine.push(Sample(t_s=last.t_s + n, water_C=80.0, pressure_kPa=100.325, boot=7, seq=last.seq + n))
    assert engine.state.point.boil_C == pytest.approx(boil_C, abs=0.003)
