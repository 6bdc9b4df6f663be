"""Which of two nodes with a water channel leads a canner's record: real rows in a real store, in any order."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable
from typing import Any

import pytest

from monitor.record import Sample
from monitor.store import reader
from monitor.store.entries import append_entry
from monitor.store.handover import Batch
from monitor.store.merge import HEARD, Ranks, spans_of
from monitor.store.runs import read_house
from monitor.store.samples import Row
from monitor.store.stamp import epoch_s, epoch_text
from monitor.store.writer import StoreWriter
from monitor.timesource import ManualTime

START = "2026-08-14T09:12:00-06:00"
MakeRow = Callable[..., Row]
StoreRows = Callable[[list[Row]], list[Row]]


@pytest.fixture
def two_nodes(conn: sqlite3.Connection, begin: Callable[..., str], clock: ManualTime) -> sqlite3.Connection:
    """A canner served by n1, and by n2 from the same moment on."""
    begin()
    assign(conn, clock, "n2")
    return conn


def assign(conn: sqlite3.Connection, clock: ManualTime, node: str, t_s: float = 0.0) -> None:
    append_entry(
        conn,
        "node_assigned",
        {"node": node, "canner": "c1"},
        happened_utc=epoch_text(epoch_s(START) + t_s),
        time=clock,
    )


def first(make_row: MakeRow, count: int = 300, from_s: float = 0.6) -> list[Row]:
    return [make_row(n, from_s + n, water_C=90.0) for n in range(count)]


def second(make_row: MakeRow, count: int = 20, from_s: float = 100.3, every_s: float = 10.0) -> list[Row]:
    return [
        make_row(n + 1, from_s + every_s * n, node="n2", boot=9, water_C=91.0, room_C=21.0)
        for n in range(count)
    ]


def stray(make_row: MakeRow, **changes: Any) -> Row:
    """The second node's water from before the first node was first heard, out of its memory."""
    late = {"late": 1, "arrival_s": epoch_s(START) + 5000.0} | changes
    return make_row(0, 0.1, node="n2", boot=9, water_C=55.0, **late)


def record(conn: sqlite3.Connection) -> tuple[Sample, ...]:
    return reader.load_run(conn, "r1").samples


def test_a_late_stray_takes_the_lead_from_nobody(
    two_nodes: sqlite3.Connection, make_row: MakeRow, store_rows: StoreRows
) -> None:
    store_rows([*first(make_row), *second(make_row)])
    before = record(two_nodes)
    assert [row.water_C for row in before] == [90.0] * 300
    store_rows([stray(make_row)])
    after = record(two_nodes)
    assert len(after) == len(before)
    assert after[0] == before[0]._replace(water_2_C=55.0), "told beside the water, as the second node's is"
    assert after[1:] == before[1:]


def test_a_few_strays_on_time_do_not_take_it_either(
    two_nodes: sqlite3.Connection, make_row: MakeRow, store_rows: StoreRows
) -> None:
    """A node that was taken out of the pot just as the run began."""
    strays = [make_row(n, 0.01 * n, node="n2", boot=9, water_C=55.0) for n in range(HEARD - 1)]
    store_rows([*first(make_row), *strays])
    assert [row.water_C for row in record(two_nodes)] == [90.0] * 300


def test_the_first_to_be_heard_on_time_leads_whichever_was_assigned_first(
    two_nodes: sqlite3.Connection, make_row: MakeRow, store_rows: StoreRows
) -> None:
    store_rows([*second(make_row, 300, 1.3, 1.0), *first(make_row, 200, 60.6)])
    rows = record(two_nodes)
    assert {row.water_C for row in rows} == {91.0}
    assert len(rows) == 300 and {row.water_2_C for row in rows[60:250]} == {90.0}


def test_of_two_that_were_heard_at_the_same_moments_the_one_assigned_first_leads(
    conn: sqlite3.Connection,
    begin: Callable[..., str],
    clock: ManualTime,
    make_row: MakeRow,
    store_rows: StoreRows,
) -> None:
    begin(node=None)
    for node in ("n2", "n1"):
        assign(conn, clock, node)
    store_rows([*first(make_row, 50, 0.5), *second(make_row, 50, 0.5, 1.0)])
    rows = record(conn)
    assert {(row.boot, row.water_C, row.water_2_C) for row in rows[1:]} == {(9, 91.0, 90.0)}


def test_where_nobody_was_heard_on_time_the_oldest_water_leads(
    two_nodes: sqlite3.Connection, make_row: MakeRow, store_rows: StoreRows
) -> None:
    """The collector was off: both nodes say from memory what they measured."""
    store_rows([(*row[:6], 1, *row[7:]) for row in (*first(make_row), *second(make_row))])
    assert {row.water_C for row in record(two_nodes)} == {90.0}


def test_a_node_that_is_assigned_again_keeps_the_lead(
    two_nodes: sqlite3.Connection, clock: ManualTime, make_row: MakeRow, store_rows: StoreRows
) -> None:
    """Its page was saved again two seconds into the run: it is the same service."""
    assign(two_nodes, clock, "n1", 2.0)
    store_rows([*first(make_row, 60, 0.5), *second(make_row, 59, 0.7, 1.0)])
    assert {row.water_C for row in record(two_nodes)} == {90.0}


@pytest.mark.parametrize("seed", range(6))
def test_the_same_rows_in_any_order_and_any_pieces_are_the_same_record(
    two_nodes: sqlite3.Connection, make_row: MakeRow, store_rows: StoreRows, seed: int
) -> None:
    rows = [*first(make_row, 80), *second(make_row, 30, 40.3, 1.0), stray(make_row)]
    chance = random.Random(seed)
    chance.shuffle(rows)
    while rows:
        piece = chance.randrange(1, 20)
        store_rows(rows[:piece])
        del rows[:piece]
    found = record(two_nodes)
    assert [(row.boot, row.seq, row.water_C) for row in found] == [(7, n, 90.0) for n in range(80)]
    # The stray beside the first row; the second node's others each beside the row after it.
    beside = {row.seq: row.water_2_C for row in found if row.water_2_C is not None}
    assert beside == {0: 55.0} | dict.fromkeys(range(40, 70), 91.0)


@pytest.mark.parametrize("seed", range(12))
def test_what_is_remembered_of_who_leads_is_what_all_rows_say(
    two_nodes: sqlite3.Connection,
    clock: ManualTime,
    make_row: MakeRow,
    writer: StoreWriter,
    seed: int,
) -> None:
    """Late and on time, with and without water, twice with another value, moved in time, assigned again."""
    chance = random.Random(seed)
    kept = Ranks()
    numbers = dict.fromkeys(("n1", "n2", "n3"), 0)
    assigned = False
    leaders = set()
    for _ in range(120):
        node = chance.choice(list(numbers))
        rows = []
        for _ in range(chance.randrange(1, 8)):
            seq = numbers[node] if chance.random() < 0.8 else chance.randrange(numbers[node] + 1)
            numbers[node] = max(numbers[node], seq + 1)
            water = chance.choice([{}, {"water_C": None}, {"water_C": None, "water_fault": "open"}])
            late = int(chance.random() < 0.7)
            rows.append(make_row(seq, 2.0 + chance.uniform(-3.0, 400.0), node=node, late=late, **water))
        kept.stored(writer.commit(Batch(rows=rows)))
        if chance.random() < 0.05:
            writer.remap(
                writer.node_id(node, "test"), rows[0][1], (0.0, 1e12), epoch_s(START) - 50.0, late_s=5.0
            )
            kept.forget()
        if not assigned and chance.random() < 0.05:
            assigned = True
            assign(two_nodes, clock, "n3", 30.0)
            assign(two_nodes, clock, "n1", 60.0)
        house = read_house(two_nodes)
        serving = house.serving("c1", house.run("r1").started_s, float("inf"))
        plain = spans_of(two_nodes, serving)
        assert spans_of(two_nodes, serving, remembered=kept) == plain
        leaders.add(tuple(span.node for span in plain if not span.auxiliary))
    assert len(leaders) > 1, "who leads changed on the way"
