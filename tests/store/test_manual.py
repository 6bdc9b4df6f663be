"""Readings by hand: kept with who and with what, always called manual, never evidence of a boil."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Any

import pytest

from monitor.errors import UsageError
from monitor.judge import judge
from monitor.store.manual import EVERY_S, enter_reading, manual_log
from monitor.store.reader import load_run
from monitor.store.stamp import epoch_text, utc_text
from monitor.timesource import ManualTime

Begin = Callable[..., str]


def series(conn: sqlite3.Connection, run_id: str, clock: ManualTime, every_s: float, count: int) -> None:
    start = clock.utc_now().timestamp()
    for n in range(count):
        happened = epoch_text(start + n * every_s)
        enter_reading(conn, run_id, 99.9, "T-2", "Ann", happened_utc=happened, reason="the logger was down")


def test_a_perfect_series_is_a_manual_record_and_proves_nothing(
    conn: sqlite3.Connection, begin: Begin, clock: ManualTime
) -> None:
    """FDA's guide to inspections, part 1, page 15: a failed log is no assurance without a person's judgement."""
    run_id = begin("r1")
    series(conn, run_id, clock, 60.0, 60)
    log = manual_log(conn, run_id)
    assert log is not None
    assert (len(log.readings), log.longest_pause_s) == (60, 60.0)
    assert log.in_words() == (
        "manual record: 60 readings by Ann with T-2; it proves no hold by itself, a person must decide"
    )
    run = load_run(conn, run_id)
    assert run.samples == ()
    verdict = judge(run)
    assert verdict.verdict != "held" and verdict.proven_s == 0.0


def test_pauses_of_more_than_five_minutes_are_said(
    conn: sqlite3.Connection, begin: Begin, clock: ManualTime
) -> None:
    run_id = begin("r1")
    series(conn, run_id, clock, EVERY_S + 60.0, 3)
    log = manual_log(conn, run_id)
    assert log is not None
    assert "up to 6 min apart, which is too far" in log.in_words()


def test_both_times_are_kept(conn: sqlite3.Connection, begin: Begin, clock: ManualTime) -> None:
    run_id = begin("r1")
    long_ago = utc_text(clock.utc_now())
    enter_reading(conn, run_id, 94.5, "T-2", "Ann", happened_utc=long_ago, reason="on paper first")
    log = manual_log(conn, run_id)
    assert log is not None
    (reading,) = log.readings
    assert (reading.happened_utc, reading.made_late) == (long_ago, True)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"water_C": 940.0}, "940 °C is outside"),
        ({"thermometer": " "}, "needs the thermometer's name"),
        ({"by": ""}, "and the person's"),
        ({"run_id": "other"}, "there is no run 'other'"),
    ],
)
def test_what_is_not_usable_is_refused(
    conn: sqlite3.Connection, begin: Begin, changes: dict[str, Any], said: str
) -> None:
    given = {"run_id": begin("r1"), "water_C": 94.0, "thermometer": "T-2", "by": "Ann"} | changes
    with pytest.raises(UsageError, match=said):
        enter_reading(conn, **given)
    assert manual_log(conn, "r1") is None
