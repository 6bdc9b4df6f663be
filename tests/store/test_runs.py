"""What the entries add up to."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest

from monitor.store import reader
from monitor.store.clock import ClockRow, write_clock
from monitor.store.entries import append_entry
from monitor.store.runs import read_house
from monitor.store.samples import Row
from monitor.store.stamp import epoch_s, machine_boot
from monitor.timesource import ManualTime

Begin = Callable[..., str]
MakeRow = Callable[..., Row]
StoreRows = Callable[[list[Row]], list[Row]]

START = "2026-08-14T09:12:00-06:00"


class SetClock(ManualTime):
    """A machine whose wall clock somebody sets while its steady clock goes on."""

    wrong_s = 0.0

    def utc_now(self) -> datetime:
        return super().utc_now() + timedelta(seconds=self.wrong_s)


def test_a_run_is_its_entries(conn: sqlite3.Connection, begin: Begin, clock: ManualTime) -> None:
    begin()
    clock.advance(30.0)
    append_entry(conn, "mark", {"kind": "jars_in"}, run_id="r1", by="Ana", time=clock)
    clock.advance(60.0)
    append_entry(conn, "mark", {"kind": "heat_off", "text": "done"}, run_id="r1", time=clock)
    append_entry(conn, "run_ended", {}, run_id="r1", time=clock)
    run = reader.load_run(conn, "r1")
    assert [(mark.t_s, mark.kind, mark.by, mark.text) for mark in run.marks] == [
        (30.0, "jars_in", "Ana", None),
        (90.0, "heat_off", None, "done"),
    ]
    assert run.ended_at_s == 90.0
    assert run.started_at == datetime.fromisoformat(START)


def test_samples_belong_by_canner_and_time(
    conn: sqlite3.Connection, begin: Begin, make_row: MakeRow, store_rows: StoreRows, clock: ManualTime
) -> None:
    begin()
    rows = [make_row(n, t_s) for n, t_s in enumerate((-5.0, 0.0, 10.0, 20.0, 61.0))]
    store_rows([*rows, make_row(0, 10.0, node="another")])
    clock.advance(60.0)
    append_entry(conn, "run_ended", {}, run_id="r1", time=clock)
    assert [sample.seq for sample in reader.load_run(conn, "r1").samples] == [1, 2, 3]


def test_a_node_serves_only_from_when_a_person_said_so(
    conn: sqlite3.Connection, begin: Begin, make_row: MakeRow, store_rows: StoreRows, clock: ManualTime
) -> None:
    begin(node=None)
    store_rows([make_row(n, 10.0 * n) for n in range(6)])
    assert reader.load_run(conn, "r1").samples == ()
    clock.advance(25.0)
    append_entry(conn, "node_assigned", {"node": "n1", "canner": "c1"}, time=clock)
    assert [sample.seq for sample in reader.load_run(conn, "r1").samples] == [3, 4, 5]
    clock.advance(20.0)
    append_entry(conn, "node_assigned", {"node": "n1", "canner": None}, time=clock)
    assert [sample.seq for sample in reader.load_run(conn, "r1").samples] == [3, 4]


def test_the_next_load_ends_the_one_before(conn: sqlite3.Connection, begin: Begin, clock: ManualTime) -> None:
    begin()
    clock.advance(3600.0)
    begin("r2", started_at="2026-08-14T10:12:00-06:00")
    begin("other", canner="c2", node="n2", started_at="2026-08-14T10:00:00-06:00")
    house = read_house(conn)
    assert house.runs["r1"].ended_s == house.runs["r2"].started_s
    assert [facts.run_id for facts in house.open_runs()] == ["other", "r2"]


def test_a_changed_header_keeps_what_it_does_not_name(conn: sqlite3.Connection, begin: Begin) -> None:
    begin()
    append_entry(
        conn, "header_changed", {"site": {"altitude_m": 1700.0}, "run_id": "forged"}, run_id="r1", by="Ana"
    )
    run = reader.load_run(conn, "r1")
    assert (run.run_id, run.site.altitude_m, run.site.altitude_uncertainty_m) == ("r1", 1700.0, 10.0)


def test_a_corrected_mark_moves_and_a_withdrawn_one_goes_but_both_stay_in_the_store(
    conn: sqlite3.Connection, begin: Begin, clock: ManualTime
) -> None:
    begin()
    clock.advance(100.0)
    first = append_entry(conn, "mark", {"kind": "jars_in"}, run_id="r1", time=clock)
    second = append_entry(conn, "mark", {"kind": "heat_off"}, run_id="r1", time=clock)
    append_entry(
        conn,
        "mark",
        {"kind": "jars_in"},
        run_id="r1",
        happened_utc="2026-08-14T09:12:40-06:00",
        corrects=first,
        reason="pressed late",
        time=clock,
    )
    append_entry(
        conn, "correction", {"withdrawn": True}, run_id="r1", corrects=second, reason="slip", time=clock
    )
    assert [(mark.t_s, mark.kind) for mark in reader.load_run(conn, "r1").marks] == [(40.0, "jars_in")]
    assert conn.execute("SELECT count(*) FROM entries").fetchone() == (6,)


@pytest.mark.parametrize("set_by_s", [3600.0, -3600.0, -86400.0])
def test_setting_the_clock_in_a_hold_moves_no_mark(
    conn: sqlite3.Connection, begin: Begin, set_by_s: float
) -> None:
    """EN 12830's idea: a recorder's durations must not come from a clock that can be set."""
    clock = SetClock(datetime.fromisoformat(START), 500.0)
    offset_s = epoch_s(START) - 500.0
    write_clock(conn, ClockRow(machine_boot(), 400.0, 1.0, offset_s, START, "test"))
    append_entry(conn, "run_started", header_at(START), run_id="r1", time=clock)
    clock.advance(100.0)
    append_entry(conn, "mark", {"kind": "jars_in"}, run_id="r1", time=clock)
    clock.wrong_s = set_by_s
    clock.advance(1800.0)
    append_entry(conn, "mark", {"kind": "heat_off"}, run_id="r1", time=clock)
    said_late = (clock.utc_now() - timedelta(seconds=60)).isoformat()
    append_entry(conn, "mark", {"kind": "note"}, run_id="r1", happened_utc=said_late, time=clock)
    marks = {mark.kind: mark.t_s for mark in reader.load_run(conn, "r1").marks}
    assert marks == {"jars_in": 100.0, "heat_off": 1900.0, "note": 1840.0}


def test_a_demonstration_faster_than_life(conn: sqlite3.Connection) -> None:
    clock = ManualTime(datetime.fromisoformat(START), 500.0)
    offset_s = epoch_s(START) - 500.0 * 25
    write_clock(conn, ClockRow(machine_boot(), 400.0, 25.0, offset_s, START, "test"))
    append_entry(conn, "run_started", header_at(START), run_id="r1", time=clock)
    clock.advance(10.0)
    append_entry(conn, "mark", {"kind": "jars_in"}, run_id="r1", time=clock)
    assert reader.load_run(conn, "r1").marks[0].t_s == 250.0


def header_at(started_at: str) -> dict[str, Any]:
    return {
        "format": "boilwitness-run/1",
        "run_id": "r1",
        "canner": "c1",
        "started_at": started_at,
        "required": {"minutes": 30},
    }


def test_a_header_that_cannot_be_read_is_kept_and_said(conn: sqlite3.Connection) -> None:
    append_entry(conn, "run_started", {"format": "something"}, run_id="odd")
    (row,) = reader.list_runs(conn)
    assert (row.run_id, row.required_s) == ("odd", None)
