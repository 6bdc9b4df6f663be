"""What an own timing must agree with, and which end of the hold begins the 24 hours.

University of Nebraska Extension, Saving home canned food: 2 h where the process failed, 24 h where a jar was processed
and did not seal. A signed timing moves jars from the one to the other, so it must not say what the record refutes.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from monitor.jars import own_timing_trouble
from monitor.jars.disposition import Basis
from monitor.record.model import Batch, Mark

HOUR = 3600.0


def timed(batch: Any, from_s: float, to_s: float) -> dict[str, str]:
    start = batch.run.started_at
    ends = [(start + timedelta(seconds=at_s)).isoformat() for at_s in (from_s, to_s)]
    return {"how": "kitchen timer, standing by", "from_utc": ends[0], "to_utc": ends[1]}


def trouble(batch: Any, from_s: float, to_s: float, signed_s: float = 3900.0) -> str:
    signed = batch.run.started_at + timedelta(seconds=signed_s)
    return own_timing_trouble(batch.run, batch.verdict, timed(batch, from_s, to_s), "Ada", signed)


@pytest.mark.parametrize(
    ("from_s", "to_s", "match"),
    [
        (-3600.0, -1200.0, "begins before the jars went in at 2026-08-14 09:00 -0600"),
        (-120.0, 2400.0, "begins before the jars went in"),
        (1560.0, 3480.0, "goes on after the heat was off at 2026-08-14 09:56 -0600"),
        (3800.0, 5660.0, "ends in the future"),
        (20 * HOUR, 21 * HOUR, "ends in the future"),
        (1200.0, 3300.0, "it did not boil from 09:00:00 to 09:25:22"),
        # The lost boil in the middle is shorter than the minute that the ends are rounded by.
        (1560.0, 3390.0, "it did not boil from 09:41:40 to 09:42:20"),
    ],
    ids=["before", "too early", "after the heat", "not over yet", "tomorrow", "come-up", "boil lost"],
)
def test_a_timing_that_the_record_refutes_is_refused_and_does_not_stand(
    kitchen: Any, from_s: float, to_s: float, match: str
) -> None:
    batch = kitchen("unproven", jars=1)
    lost = {"start_s": 2500.0, "end_s": 2540.0, "state": "not_boiling", "why": "boil lost"}
    batch.verdict["stretches"].append(lost)
    assert match in trouble(batch, from_s, to_s)
    batch.add("own_timing", 3900.0, **timed(batch, from_s, to_s))
    state = batch.state(4000.0)
    assert state.standing.basis is Basis.FAILED
    (said,) = state.refused
    assert said.startswith("own timing of Ada: ") and match in said


@pytest.mark.parametrize(
    ("from_s", "to_s"),
    [(1560.0, 3390.0), (1480.0, 3390.0), (1560.0, 3450.0)],
    ids=["inside", "typed in minutes at the start", "and at the end"],
)
def test_what_the_record_does_not_know_may_be_signed(kitchen: Any, from_s: float, to_s: float) -> None:
    """Unknown from 2422 s on; the clocks may differ by a minute."""
    batch = kitchen("unproven", jars=1)
    unknown = {"start_s": 2422.0, "end_s": 3400.0, "state": "unknown", "why": "no reading"}
    batch.verdict["stretches"].append(unknown)
    assert trouble(batch, from_s, to_s) == ""
    batch.add("own_timing", 3900.0, **timed(batch, from_s, to_s))
    state = batch.state(4000.0)
    assert state.standing.basis is Basis.OWN_TIMING and state.refused == ()


def test_jars_lifted_or_a_run_ended_end_a_timing_too(kitchen: Any) -> None:
    batch = kitchen("unproven", jars=1)
    marks = tuple(mark for mark in batch.run.marks if mark.kind != "heat_off")
    batch.run = replace(batch.run, marks=marks)
    assert trouble(batch, 1860.0, 3700.0) == ""
    assert "after the jars were lifted at" in trouble(batch, 1860.0, 3800.0)
    batch.run = replace(batch.run, marks=marks[:-1], ended_at_s=3600.0)
    assert "after the run ended at" in trouble(batch, 1860.0, 3700.0)


@pytest.mark.parametrize(
    ("food", "food_id", "refused"),
    [
        ("green beans", None, True),
        ("Chicken soup", None, True),
        ("pear halves", "pears", False),
        ("dilly beans", "beans_dilled", False),
        ("plum cordial of grandmother", None, False),
    ],
)
def test_no_timing_makes_low_acid_food_keep(
    kitchen: Any, food: str, food_id: str | None, refused: bool
) -> None:
    """USDA Complete Guide to Home Canning, Guide 1: low-acid food is never processed in boiling water."""
    batch = kitchen("unproven", jars=1)
    batch.run = replace(batch.run, batch=Batch(food=food, food_id=food_id, pack="hot", jar="pint", jars=1))
    assert ("low-acid food" in trouble(batch, 1560.0, 3390.0)) is refused
    batch.add("own_timing", 3900.0, **timed(batch, 1560.0, 3390.0))
    stands = batch.state(4000.0).standing.basis is Basis.OWN_TIMING
    assert stands is not refused


@pytest.mark.parametrize(
    ("gone", "also", "end_s"),
    [((), (), 3400.0), (("heat_off",), (), 3700.0), ((), (Mark(3300.0, "jars_lifted"),), 3300.0)],
    ids=["heat off", "lifting alone", "lifted before the heat was off"],
)
def test_the_24_hours_begin_no_later_than_heat_off_or_lifting(
    kitchen: Any, gone: tuple[str, ...], also: tuple[Mark, ...], end_s: float
) -> None:
    """USDA Complete Guide, reprocessing unsealed jars: within 24 h. Water that boils on moves nothing."""
    batch = kitchen("held", jars=1)
    batch.run = replace(
        batch.run, marks=(*(mark for mark in batch.run.marks if mark.kind not in gone), *also)
    )
    for still_s in (3800.0, 9000.0):
        batch.verdict["stretches"][-1]["end_s"] = still_s
        day = batch.state(still_s).day
        assert day is not None and (day - batch.run.started_at).total_seconds() == end_s + 24 * HOUR


def test_an_own_timing_begins_its_24_hours_at_its_own_end(kitchen: Any) -> None:
    batch = kitchen("unproven", jars=1)
    batch.add("own_timing", 3900.0, **timed(batch, 1500.0, 3330.0))
    state = batch.state(4000.0)
    assert state.standing.basis is Basis.OWN_TIMING
    (clock,) = state.clocks
    for closes in (clock.deadline, state.day, state.jars[0].due, state.review_due):
        assert closes is not None and (closes - batch.run.started_at).total_seconds() == 3330.0 + 24 * HOUR
