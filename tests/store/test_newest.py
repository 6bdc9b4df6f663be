"""What is newest in the store, as the pages ask for it each second."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

import pytest

from monitor.store import newest
from monitor.store.entries import append_entry
from monitor.store.probes import water_between
from monitor.store.samples import Row
from monitor.store.stamp import epoch_s
from monitor.timesource import ManualTime

Begin = Callable[..., str]
MakeRow = Callable[..., Row]
StoreRows = Callable[[list[Row]], list[Row]]

START_S = epoch_s("2026-08-14T09:12:00-06:00")


def test_before_anything_was_stored(conn: sqlite3.Connection) -> None:
    """Zero, and never None: a number to compare with."""
    assert newest.newest_entry(conn) == newest.newest_entry(conn, "r1") == newest.newest_alarm(conn) == 0
    assert newest.newest_entries(conn) == {} and newest.newest_readings(conn) == []
    assert newest.newest_pressure(conn, 1, None, 600.0) is None
    assert water_between(conn, "n1", 0.0, 1e12) == []


def test_what_was_said_of_a_run_moves_its_marks(
    conn: sqlite3.Connection, begin: Begin, clock: ManualTime
) -> None:
    """The run's own number stays when another run is spoken of; what holds for the house, and its page, does not."""
    begin()
    own, all_of_it = newest.newest_entry(conn, "r1"), newest.newest_entry(conn)
    house, page = newest.house_mark(conn), newest.run_mark(conn, "r1")
    clock.advance(5.0)
    append_entry(conn, "mark", {"kind": "note", "text": "invented"}, run_id="r2", time=clock)
    assert newest.newest_entry(conn, "r1") == own and newest.newest_entry(conn) > all_of_it
    assert newest.newest_entries(conn) == {"r1": own, "r2": newest.newest_entry(conn)}
    assert newest.house_mark(conn) != house and newest.run_mark(conn, "r1") != page


def test_samples_alone_leave_what_was_said_as_it_is(
    conn: sqlite3.Connection, begin: Begin, make_row: MakeRow, store_rows: StoreRows
) -> None:
    """Else all that was said would be read anew each second."""
    begin()
    house = newest.house_mark(conn)
    store_rows([make_row(0)])
    assert newest.house_mark(conn) == house


def test_the_newest_of_each_node_by_its_own_time(
    conn: sqlite3.Connection, make_row: MakeRow, store_rows: StoreRows
) -> None:
    """What is heard late is not the newest."""
    store_rows([make_row(1, 10.0, water_C=94.5, water_fault=None), make_row(0, 5.0, late=1)])
    store_rows([make_row(0, 7.0, node="n2", water_C=None, water_fault="open")])
    found = {
        one.name: (one.at_s - START_S, one.water_C, one.water_fault) for one in newest.newest_readings(conn)
    }
    assert found == {"n1": (10.0, 94.5, None), "n2": (7.0, None, "open")}


def test_a_barometer_that_speaks_seldom_is_found_within_its_time(
    conn: sqlite3.Connection, make_row: MakeRow, store_rows: StoreRows
) -> None:
    """And what is older than asked for is none."""
    rows = [make_row(n, 60.0 * n, pressure_kPa=84.5 if n == 2 else None) for n in range(10)]
    store_rows(rows)
    node = rows[0][0]
    assert newest.newest_pressure(conn, node, START_S + 540.0, 600.0) == (84.5, START_S + 120.0)
    assert newest.newest_pressure(conn, node, None, 420.0) == (84.5, START_S + 120.0)
    assert newest.newest_pressure(conn, node, None, 419.0) is None
    assert newest.newest_pressure(conn, node, START_S + 900.0, 600.0) is None


@pytest.mark.parametrize(("low_s", "high_s", "expected"), [(0.0, 30.0, [90.0, 90.02]), (21.0, 30.0, [])])
def test_water_between(
    conn: sqlite3.Connection,
    make_row: MakeRow,
    store_rows: StoreRows,
    low_s: float,
    high_s: float,
    expected: list[float],
) -> None:
    """Of that node alone, and no value where the probe gave none."""
    store_rows([make_row(0), make_row(1, 10.0, water_C=None), make_row(2, 20.0), make_row(3, 31.0)])
    store_rows([make_row(4, 20.0, node="n2")])
    assert water_between(conn, "n1", START_S + low_s, START_S + high_s) == expected
