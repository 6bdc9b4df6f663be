"""Rows without numbers: their values alone tell them apart, and the order of a file says nothing."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from monitor.judge import Session, judge
from monitor.judge.verdict import HELD
from monitor.record.model import Run, Sample

Build = Callable[..., Any]


def two_values(run: Run, lower_K: float) -> list[Sample]:
    """No numbers; from 300 s on, for 60 s, each time a second row that reads lower."""
    rows = [row._replace(boot=None, seq=None) for row in run.samples]
    twice = [row for row in rows if 300.0 <= row.t_s < 360.0]
    return rows + [row._replace(water_C=row.water_C - lower_K) for row in twice]


@pytest.mark.parametrize("lower_K", [0.3, 0.8, 1.6, 5.0, 40.0])
def test_two_values_at_one_time_are_judged_the_same_in_either_order(held_run: Build, lower_K: float) -> None:
    """Neither is said to be the other's repetition: the lower one decides, wherever it stands in the file."""
    run = held_run()
    rows = two_values(run, lower_K)
    verdicts = []
    for seed in range(4):
        random.Random(seed).shuffle(rows)
        verdicts.append(judge(replace(run, samples=tuple(rows))))
    assert all(verdict == verdicts[0] for verdict in verdicts)
    whole = Session(replace(run, samples=()))
    whole.feed(sorted(rows, key=lambda row: (row.t_s, -row.water_C)))
    whole.finish()
    assert whole.verdict() == verdicts[0]
    if lower_K >= 1.6:
        assert verdicts[0].verdict != HELD


def test_a_row_twice_is_one_wherever_the_other_stands(held_run: Build) -> None:
    """A, B, A in a file are two rows, as A, A, B are."""
    run = held_run()
    found = []
    for pattern in ("AAB", "ABA", "BAA"):
        rows = []
        for row in run.samples:
            plain = row._replace(boot=None, seq=None)
            other = plain._replace(water_C=row.water_C - 0.3)
            rows += [plain if sign == "A" else other for sign in (pattern if row.t_s == 300.0 else "A")]
        found.append(judge(replace(run, samples=tuple(rows))))
    assert found[0] == found[1] == found[2]
    assert found[0].counts["samples"] == len(run.samples) + 1
