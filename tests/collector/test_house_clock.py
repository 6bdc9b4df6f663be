"""House time: kept while a run is on, whatever is done to the wall clock; followed again afterwards."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.collector import clock as house_clock
from monitor.collector import storing
from monitor.collector.clock import HouseClock
from monitor.collector.nodetime import NodeClock
from monitor.collector.wallclock import WallClock, wall_clock
from monitor.errors import StoreError
from monitor.store import database
from monitor.store.clock import read_clocks
from monitor.store.database import open_writer, store_path
from monitor.store.entries import append_entry
from monitor.store.stamp import utc_text
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


@pytest.mark.parametrize("behind_s", [0.0, 60.0, 1500.0, 400_000.0])
def test_after_a_new_start_of_the_machine_in_a_run_house_time_goes_on_behind_nothing_that_is_held(
    conn: sqlite3.Connection, time: SetClock, monkeypatch: pytest.MonkeyPatch, behind_s: float
) -> None:
    """The machine has been up for 1000 s: so long ago at least was the newest that is held."""
    held_s = HouseClock(conn, time, run_open=True).now_s()
    monkeypatch.setattr(house_clock, "machine_boot", lambda: "another start")
    monkeypatch.setattr(house_clock, "wall_clock", lambda: WallClock(False, None))
    time.wrong_s = -behind_s
    after = HouseClock(conn, time, run_open=True, held_s=held_s)
    assert not after.continues and after.is_unsure
    assert after.now_s() == pytest.approx(held_s + 1000.0 + house_clock.AWAY_S)
    # And still unsure in a second life of the collector, with the same time.
    time.advance(5.0)
    second = HouseClock(conn, time, run_open=True, held_s=held_s)
    assert second.continues and second.is_unsure
    assert second.now_s() == pytest.approx(held_s + 1005.0 + house_clock.AWAY_S)


def test_a_wall_clock_that_is_known_to_be_right_or_lies_further_on_is_believed(
    conn: sqlite3.Connection, time: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    held_s = HouseClock(conn, time, run_open=True).now_s()
    monkeypatch.setattr(house_clock, "machine_boot", lambda: "another start")
    monkeypatch.setattr(house_clock, "wall_clock", lambda: WallClock(True, 0.01))
    # A store from a machine that is down, put into one that has been up for long. Nothing is bridged there either.
    assert HouseClock(conn, time, run_open=True, held_s=held_s).now_s() == pytest.approx(
        held_s + house_clock.AWAY_S
    )
    monkeypatch.setattr(house_clock, "machine_boot", lambda: "a third start")
    time.wrong_s = 5000.0
    assert HouseClock(conn, time, run_open=True, held_s=held_s).now_s() == pytest.approx(held_s + 5000.0)


def test_in_a_run_house_time_follows_only_forward_only_when_unsure_and_never_in_a_hold(
    conn: sqlite3.Connection, time: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    held_s = HouseClock(conn, time, run_open=True).now_s()
    monkeypatch.setattr(house_clock, "machine_boot", lambda: "another start")
    monkeypatch.setattr(house_clock, "wall_clock", lambda: WallClock(True, 0.01))
    after = HouseClock(conn, time, run_open=True, held_s=held_s)
    began_s = after.now_s()
    # So little might be bridged.
    time.wrong_s = house_clock.AWAY_S + 30.0
    assert after.check(run_open=True) == (pytest.approx(house_clock.AWAY_S + 30.0), 0.0)
    time.wrong_s = -4000.0
    assert after.check(run_open=True)[1] == 0.0
    time.wrong_s = 3600.0
    assert after.check(run_open=True, in_hold=True)[1] == 0.0
    time.advance(10.0)
    assert after.check(run_open=True)[1] == pytest.approx(3600.0 - house_clock.AWAY_S)
    assert after.now_s() - began_s == pytest.approx(3610.0 - house_clock.AWAY_S)
    # Once is enough: from here on it is as sure as any.
    time.wrong_s = 9000.0
    assert after.check(run_open=True)[1] == 0.0


def test_house_time_does_not_go_back_into_a_run_that_is_over(
    conn: sqlite3.Connection, time: SetClock
) -> None:
    """Else what the nodes say next would be part of it, and the 2 h and 24 h of its jars would ring too late."""
    house = HouseClock(conn, time, run_open=True)
    time.advance(600.0)
    ended_s = house.now_s()
    time.wrong_s = -300.0
    assert house.check(run_open=False, held_s=ended_s) == (pytest.approx(-300.0), 0.0)
    assert HouseClock(conn, time, run_open=False, held_s=ended_s).now_s() >= ended_s
    time.advance(301.0)
    assert house.check(run_open=False, held_s=ended_s) == (0.0, 0.0)
    # Nor by a restart of the collector, at any hour of that day.
    for _ in range(23):
        time.advance(3600.0)
        assert HouseClock(conn, time, run_open=False, held_s=ended_s).now_s() == pytest.approx(house.now_s())
    # Forward it goes: what is due rings early.
    time.wrong_s = 300.0
    assert house.check(run_open=False, held_s=ended_s)[1] == pytest.approx(300.0)
    time.advance(3600.0)
    time.wrong_s = 0.0
    assert house.check(run_open=False, held_s=ended_s)[1] == pytest.approx(-300.0)
    # A clock that had been wrong by years is followed back all the same.
    time.wrong_s = -1e8
    assert house.check(run_open=False, held_s=ended_s)[1] == pytest.approx(-1e8, abs=1.0)


def test_after_a_new_start_of_the_machine_house_time_does_not_go_back_into_a_run_that_is_over(
    conn: sqlite3.Connection, time: SetClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its jars have deadlines, and what the nodes say next is no part of it."""
    ended_s = HouseClock(conn, time, run_open=False).now_s()
    monkeypatch.setattr(house_clock, "machine_boot", lambda: "another start")
    monkeypatch.setattr(house_clock, "wall_clock", lambda: WallClock(False, None))
    time.wrong_s = -1500.0
    after = HouseClock(conn, time, run_open=False, held_s=ended_s)
    assert after.now_s() == pytest.approx(ended_s + 1000.0) and not after.is_unsure
    assert after.check(run_open=False, held_s=ended_s)[1] == 0.0
    # The network's time: followed at once, for no run is on.
    time.wrong_s = 1200.0
    assert after.check(run_open=False, held_s=ended_s)[1] == pytest.approx(200.0)


@pytest.mark.parametrize("moves", ["check", "go_forward"])
def test_a_store_that_cannot_be_written_moves_no_clock(
    conn: sqlite3.Connection, time: SetClock, tmp_path: Path, moves: str
) -> None:
    house = HouseClock(conn, time, run_open=False)
    before_s = house.now_s()
    conn.execute("PRAGMA busy_timeout=10")
    other = sqlite3.connect(store_path(tmp_path), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    time.wrong_s = 30.0
    with pytest.raises(StoreError):
        if moves == "check":
            house.check(run_open=False)
        else:
            house.go_forward(30.0)
    assert house.now_s() == before_s
    other.execute("ROLLBACK")
    other.close()
    # It is found again, and as news.
    assert house.check(run_open=False) == (pytest.approx(30.0), pytest.approx(30.0))


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


def test_a_wall_clock_set_while_another_program_holds_the_store_ends_nothing(
    data: Path, fed: Callable[[ManualTime], Any], time: SetClock, stored: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "BUSY_TIMEOUT_MS", 50)
    monkeypatch.setattr(storing, "RETRY_S", 0.05)
    collector = fed(time)
    assert collector.source.ready.wait(90.0)
    collector.pass_time(70.0)
    other = sqlite3.connect(store_path(data), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    time.wrong_s = 30.0
    collector.pass_time(1.0)
    assert collector.at_work
    assert collector.heard("ALARM: the store cannot be written")
    other.execute("ROLLBACK")
    other.close()
    for _ in range(100):
        collector.pass_time(1.0)
        if collector.heard("was set by +30.0 s"):
            break
    assert collector.heard("the store can be written again")
    assert len(stored.ask("SELECT 1 FROM clocks")) == 2


@pytest.mark.parametrize(
    ("by_s", "says"), [(-7200.0, "stay ahead of the clock"), (600.0, "stay behind the clock")]
)
def test_a_clock_set_in_a_run_is_told_with_what_it_does_to_the_times_shown(
    data: Path, fed: Callable[[ManualTime], Any], time: SetClock, by_s: float, says: str
) -> None:
    header = {
        "format": "boilwitness-run/1",
        "run_id": "r1",
        "canner": "c1",
        "started_at": utc_text(time.utc_now()),
    }
    required = {"minutes": 10, "source": "chosen for the test"}
    append_entry(data, "run_started", {**header, "required": required}, run_id="r1", time=time)
    collector = fed(time)
    assert collector.source.ready.wait(90.0)
    collector.pass_time(2.0)
    time.wrong_s = by_s
    collector.pass_time(2.0)
    assert collector.heard(f"was set by {by_s:+.1f} s; no duration changes") and collector.heard(says)
