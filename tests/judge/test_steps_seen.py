"""In what steps a record really moves: a node may round more coarsely than its converter.

A step q has the standard uncertainty q/√12 (JCGM 100:2008, F.2.2.1); invented readings throughout.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from math import sqrt
from typing import Any

import numpy as np
import pytest

from monitor.judge import judge
from monitor.judge.session import Session
from monitor.judge.steps_seen import CHANGES, StepsSeen
from monitor.judge.verdict import HELD
from monitor.record.model import Run, Sample

FINE_K = 0.0078125
Build = Callable[..., Any]


def seen(values: list[float], stated_K: float = FINE_K) -> StepsSeen:
    steps = StepsSeen(stated_K)
    for before, after in pairwise(values):
        if after != before and steps.is_open:
            steps.take(after - before)
    return steps


@pytest.mark.parametrize("step_K", [0.05, 0.0625, 0.1, 0.25, 0.5, 0.1 / 1.8])
def test_a_grid_is_found(step_K: float) -> None:
    """Written to four places, as records are; a tenth of a degree Fahrenheit is 0.0556 K."""
    rng = np.random.default_rng(3)
    true = 99.0 + rng.normal(0.0, 2.0 * step_K, 200)
    values = [round(round(y / step_K) * step_K, 4) for y in true]
    assert seen(values).step_K == pytest.approx(step_K, abs=2e-4)


@pytest.mark.parametrize("sigma_K", [0.005, 0.01, 0.03, 0.3])
def test_a_fine_record_is_never_called_coarse(sigma_K: float) -> None:
    """However few its values are: 2,000 beginnings of 20 readings each, on a rise or level, none of them coarse."""
    rng = np.random.default_rng(5)
    for n in range(2000):
        rise = float(rng.uniform(0.0, 0.1)) if n % 2 else 0.0
        true = 95.0 + rise * np.arange(20) + rng.normal(0.0, sigma_K, 20)
        values = [round(round(y / FINE_K) * FINE_K, 4) for y in true]
        assert seen(values).step_K == FINE_K


def test_few_changes_show_nothing() -> None:
    """One less than enough."""
    values = [99.0 + 0.1 * (n % 2) for n in range(CHANGES)]
    assert seen(values).step_K == FINE_K
    assert seen([*values, values[-2]]).step_K == pytest.approx(0.1)


def test_finer_readings_than_the_converters_change_nothing() -> None:
    """The wider of the two is taken: a converter may be coarse under a node that averages."""
    assert seen([99.0 + 0.003 * n for n in range(50)], stated_K=0.25).step_K == 0.25


def rounded(run: Run, step_K: float) -> Run:
    rows = tuple(
        s._replace(water_C=None if s.water_C is None else round(round(s.water_C / step_K) * step_K, 4))
        for s in run.samples
    )
    return replace(run, samples=rows)


@pytest.mark.parametrize("step_K", [0.05, 0.1])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_node_that_rounds_is_not_called_frozen(held_run: Build, step_K: float, seed: int) -> None:
    """Scatter of 0.03 K in steps of 0.1 K under a fine converter's name: a good hold that no reading contradicts."""
    run = rounded(held_run(minutes=15.0, seed=seed), step_K)
    verdict = judge(run)
    assert verdict.verdict == HELD
    assert not [event for event in verdict.events if event.kind == "reading_frozen"]


def test_the_records_own_step_stands_in_the_budget_and_is_said(held_run: Build) -> None:
    """0.5 K: u = 0.144 K."""
    verdict = judge(rounded(held_run(minutes=15.0), 0.5))
    row = next(row for row in verdict.budget.rows if row.term == "resolution of the reading")
    assert row.value == "0.5" and row.standard_K == pytest.approx(0.5 / sqrt(12.0))
    assert any("move in steps of 0.5 K" in note for note in verdict.budget.notes)
    own = judge(held_run(minutes=15.0))
    assert not any("move in steps" in note for note in own.budget.notes)
    assert verdict.expanded_uncertainty_K is not None and own.expanded_uncertainty_K is not None
    assert verdict.expanded_uncertainty_K > own.expanded_uncertainty_K


def test_live_and_afterwards_see_the_same_steps(held_run: Build, pieces: Build) -> None:
    """One engine: in pieces, some rows a little late, and at once."""
    run = rounded(held_run(minutes=8.0), 0.1)
    rng = np.random.default_rng(9)
    rows = sorted(run.samples, key=lambda s: s.t_s + float(rng.uniform(0.0, 20.0)))
    session = Session(replace(run, samples=()))
    for piece in pieces(rng, rows, 40):
        session.feed(_ordered(piece))
    session.finish()
    live, whole = session.verdict(), judge(run)
    assert (live.verdict, live.proven_s, live.budget) == (whole.verdict, whole.proven_s, whole.budget)


def _ordered(piece: list[Sample]) -> list[Sample]:
    return sorted(piece, key=lambda s: s.t_s)
