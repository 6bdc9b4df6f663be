"""House time: kept while a run is on, whatever is done to the wall clock; followed again afterwards."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.collector.clock import HouseClock
from monitor.collector.nodetime import NodeClock
from monitor.collector.wallclock import WallClock, wall_clock
from monitor.store.clock import read_clocks
from monitor.store.database import open_writer
from monitor.timesource import ManualTime


class SetClock(ManualTime):
    """A machine whose wall clock somebody sets."""

    wrong_s = 0.0

    def utc_now(self) -> datetime:
        return super().utc_now() + timedelta(seconds=self.wrong_s)


@pytest.fixture
def time() -> SetClock:
    return SetClock(datetime(2026, 8, 14, 15, 0, tzinfo=UTC), 1000.0)


@pytest.fixture
def conn(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    connection = open_writer(tmp_path)
    yield connection
    connection.close()


@pytest.mark.parametrize("by_s", [3600.0, -3600.0, -86400.0])
def test_a_run_does_not_notice_that_the_clock_was_set(
    conn: sqlite3.Connection, time: SetClock, by_s: float
) -> None:
    clock = HouseClock(conn, time, run_open=True)
    began_s = clock.now_s()
    time.advance(600.0)
    time.wrong_s = by_s
    assert clock.check(run_open=True) == (pytest.approx(by_s), 0.0)
    assert clock.check(run_open=True) == (0.0, 0.0), "said once"
    time.advance(1200.0)
    assert clock.now_s() - began_s == pytest.approx(1800.0)
    # The collector starts anew in the middle of it.
    after = HouseClock(conn, time, run_open=True)
    assert after.continues
    assert after.now_s() - began_s == pytest.approx(1800.0)
    # No run is on any more: people's time is followed again, and that is written down.
    assert after.check(run_open=False) == (0.0, pytest.approx(by_s))
    assert after.now_s() == pytest.approx(time.utc_now().timestamp())
    assert len(read_clocks(conn)) == 2


def test_a_slow_correction_of_the_clock_is_no_step(conn: sqlite3.Connection, time: SetClock) -> None:
    clock = HouseClock(conn, time, run_open=False)
    for _ in range(100):
        time.advance(1.0)
        time.wrong_s += 0.0005
        assert clock.check(run_open=True) == (0.0, 0.0)


def test_without_a_run_a_new_collector_reads_the_wall_clock_anew(
    conn: sqlite3.Connection, time: SetClock
) -> None:
    HouseClock(conn, time, run_open=False)
    time.wrong_s = 500.0
    assert not HouseClock(conn, time, run_open=False).continues


def test_the_source_of_the_times_of_day_is_known_or_said_to_be_unknown() -> None:
    """adjtimex(2): a machine that nothing synchronises says so."""
    clock = wall_clock()
    assert clock.in_words()
    assert (clock.error_s is not None) == (clock.synchronised is True)
    assert WallClock(True, 0.016).in_words().endswith("within 0.016 s")
    assert "may be wrong" in WallClock(False, None).in_words()


class TestNodeClock:
    """Cases beyond ordinary traffic; accuracy has its own file."""

    def test_one_mad_uptime_moves_nothing(self) -> None:
        clock = NodeClock()
        for seq in range(50):
            mad = seq == 20
            uptime_s = 4e9 if mad else 100.0 + seq
            at_s = clock.place(seq, uptime_s, 0.0, 1000.0 + seq)
            # Never later than it came; and all others stay where they belong.
            assert at_s == pytest.approx(1000.0 + seq, abs=0.01)

    def test_a_ring_drained_at_first_contact_settles_on_the_newest(self) -> None:
        """300 samples of 1 s each come within half a second: only the last ones are new."""
        clock = NodeClock()
        for seq in range(300):
            clock.place(seq, float(seq), 0.0, 5000.0 + seq / 600)
        assert clock.fell
        assert clock.place(300, 300.0, 0.0, 5001.5) == pytest.approx(5001.5, abs=0.1)
        assert clock.offset_s == pytest.approx(4701.5, abs=0.01)

    def test_an_old_sample_said_with_its_age(self) -> None:
        clock = NodeClock()
        clock.place(0, 100.0, 0.0, 1000.0)
        assert clock.place(1, 101.0, 40.0, 1041.0) == pytest.approx(1001.0)

    def test_house_time_itself_was_moved(self) -> None:
        clock = NodeClock()
        clock.place(0, 100.0, 0.0, 1000.0)
        clock.shift(3600.0)
        assert clock.place(1, 101.0, 0.0, 4601.0) == pytest.approx(4601.0)
