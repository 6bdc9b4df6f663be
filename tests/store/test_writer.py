"""The writer: every sample once, conflicts kept, refusals bounded, a full disk waited out."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.errors import StoreError
from monitor.store import reader
from monitor.store.database import open_reader
from monitor.store.handover import Batch, Loss, Outbox, Refusal
from monitor.store.samples import Row
from monitor.store.writer import REFUSAL_BYTES, REFUSALS_KEPT, StoreWriter

MakeRow = Callable[..., Row]


def stored(conn: sqlite3.Connection) -> list[tuple[int, int, float]]:
    return conn.execute("SELECT boot, seq, water_C FROM samples ORDER BY boot, seq").fetchall()


def test_a_repeat_is_stored_once(writer: StoreWriter, make_row: MakeRow) -> None:
    rows = [make_row(n, n) for n in range(5)]
    assert writer.commit(Batch(rows=rows)) == rows
    # It comes again, at another time, by another road: what the node said is the same.
    again = [make_row(n, n, arrival_s=1.9e9, at_s=1.9e9, late=1) for n in range(3, 7)]
    assert [row[2] for row in writer.commit(Batch(rows=again))] == [5, 6]
    assert [seq for _, seq, _ in stored(writer.conn)] == list(range(7))
    assert reader.conflicts(writer.conn) == []
    assert reader.nodes(writer.conn)[0].samples == 7


def test_twice_in_one_batch_is_once(writer: StoreWriter, make_row: MakeRow) -> None:
    assert len(writer.commit(Batch(rows=[make_row(1), make_row(1)]))) == 1


def test_a_new_start_is_no_repeat(writer: StoreWriter, make_row: MakeRow) -> None:
    writer.commit(Batch(rows=[make_row(0, boot=1), make_row(0, boot=2)]))
    assert len(stored(writer.conn)) == 2


def test_another_value_under_the_same_key_is_kept_and_shown(writer: StoreWriter, make_row: MakeRow) -> None:
    writer.commit(Batch(rows=[make_row(1, water_C=99.5)]))
    for _ in range(2):
        writer.commit(Batch(rows=[make_row(1, water_C=42.0), make_row(2)]))
    (conflict,) = reader.conflicts(writer.conn)
    assert (conflict["stored"]["water_C"], conflict["came"]["water_C"]) == (99.5, 42.0)
    assert stored(writer.conn)[0] == (7, 1, 99.5)
    assert reader.nodes(writer.conn)[0].conflicts == 1


def test_a_text_for_a_number_is_an_error_not_a_blank(writer: StoreWriter, make_row: MakeRow) -> None:
    """INSERT OR IGNORE would swallow it; then it would be acknowledged and lost."""
    with pytest.raises(sqlite3.IntegrityError):
        writer.commit(Batch(rows=[make_row(1), make_row(2, water_C="warm")]))
    assert stored(writer.conn) == []


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM samples",
        "UPDATE samples SET water_C = 100.0",
        "UPDATE samples SET seq = 9",
        "DELETE FROM conflicts",
        "DELETE FROM lost",
        "DELETE FROM clocks",
    ],
)
def test_what_was_measured_is_never_deleted_nor_changed(
    writer: StoreWriter, make_row: MakeRow, statement: str
) -> None:
    """Kept for longer than anyone asks (21 CFR 114.100(e): three years): there is no way to delete at all."""
    node = make_row(1)[0]
    writer.commit(Batch(rows=[make_row(1, water_C=99.5)], losses=[Loss(node, 7, 3, 1, "gone")]))
    writer.commit(Batch(rows=[make_row(1, water_C=42.0)]))
    writer.conn.execute("INSERT INTO clocks VALUES (1, 'b', 0.0, 1.0, 0.0, 't', 'w')")
    with pytest.raises(sqlite3.IntegrityError, match=r"never|stays"):
        writer.conn.execute(statement)


def test_refusals_are_bounded_and_counted_without_bound(writer: StoreWriter) -> None:
    refusal = Refusal("mqtt b", "n1", "not JSON", b"\x00<script>" * 1000)
    for _ in range(3):
        writer.commit(Batch(refusals=[refusal] * 700))
    assert reader.refusal_counts(writer.conn) == {"mqtt b": 2100}
    kept = reader.refusals(writer.conn, 5000)
    assert len(kept) == REFUSALS_KEPT
    assert (kept[0].size, len(kept[0].payload)) == (9000, REFUSAL_BYTES)


def test_losses_and_receipts(writer: StoreWriter, make_row: MakeRow) -> None:
    node = make_row(1)[0]
    writer.commit(Batch(losses=[Loss(node, 7, 3, 10, "gone")], receipts={(node, 7): 12}))
    writer.commit(Batch(losses=[Loss(node, 7, 3, 10, "gone")], receipts={(node, 7): 5}))
    assert reader.nodes(writer.conn)[0].lost == 10
    assert writer.conn.execute("SELECT upto FROM receipts").fetchall() == [(12,)]


def test_a_full_disk_stores_nothing_and_is_waited_out(writer: StoreWriter, make_row: MakeRow) -> None:
    """max_page_count makes SQLite say what it says on a full disk: SQLITE_FULL."""
    writer.commit(Batch(rows=[make_row(n) for n in range(10)]))
    pages = writer.conn.execute("PRAGMA page_count").fetchone()[0]
    writer.conn.execute(f"PRAGMA max_page_count={pages}")
    big = Batch(rows=[make_row(n) for n in range(10, 5000)])
    for _ in range(2):
        with pytest.raises(StoreError, match=r"full.*Free some space.*nothing is acknowledged"):
            writer.commit(big)
        assert not writer.conn.in_transaction
        assert len(stored(writer.conn)) == 10
    writer.conn.execute("PRAGMA max_page_count=1000000")
    assert len(writer.commit(big)) == 4990
    assert writer.conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_store_that_turns_read_only_stores_nothing_and_is_waited_out(
    writer: StoreWriter, make_row: MakeRow
) -> None:
    """query_only makes SQLite say what it says on a disk that was set to read-only: SQLITE_READONLY."""
    writer.commit(Batch(rows=[make_row(n) for n in range(10)]))
    writer.conn.execute("PRAGMA query_only=ON")
    more = Batch(rows=[make_row(n) for n in range(10, 20)])
    for _ in range(2):
        with pytest.raises(StoreError, match=r"readonly.*nothing is acknowledged"):
            writer.commit(more)
        assert not writer.conn.in_transaction
    writer.conn.execute("PRAGMA query_only=OFF")
    assert len(writer.commit(more)) == 10
    assert writer.conn.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_what_could_not_be_written_down_stays_in_the_outbox(writer: StoreWriter) -> None:
    outbox = Outbox(journal=[("started", "x", {})], events=[("r1", {"kind": "boil_lost", "onset_s": 1.0})])
    writer.conn.execute("PRAGMA query_only=ON")
    with pytest.raises(StoreError):
        writer.write(outbox)
    assert outbox.urgent
    writer.conn.execute("PRAGMA query_only=OFF")
    writer.write(outbox)
    assert outbox.empty
    assert [event["kind"] for event in reader.events(writer.conn, "r1")] == ["boil_lost"]


def test_a_batch_is_seen_by_another_connection_at_once(
    data: Path, writer: StoreWriter, make_row: MakeRow
) -> None:
    conn = open_reader(data)
    before = reader.data_version(conn)
    writer.commit(Batch(rows=[make_row(1)]))
    assert reader.data_version(conn) != before
    assert conn.execute("SELECT count(*) FROM samples").fetchone() == (1,)
    conn.close()


def test_rows_move_to_where_a_better_clock_puts_them(writer: StoreWriter, make_row: MakeRow) -> None:
    """Ten samples drained from a ring at one moment, ten seconds apart by the node's own count."""
    rows = [make_row(n, 600.0, uptime_s=100.0 + 10 * n) for n in range(10)]
    arrival_s = rows[0][4]
    rows.append(make_row(20, 600.0, uptime_s=100.0, arrival_s=arrival_s - 60.0))
    writer.commit(Batch(rows=rows))
    true_offset = rows[9][3] - rows[9][5]
    moved = writer.remap(rows[0][0], 7, (arrival_s - 30.0, arrival_s), true_offset, 5.0)
    assert moved == 9
    placed = writer.conn.execute("SELECT at_s - uptime_s FROM samples WHERE seq < 10").fetchall()
    assert all(offset == pytest.approx(true_offset) for (offset,) in placed)
    # What came before this estimate began is not its to move.
    assert writer.conn.execute("SELECT at_s FROM samples WHERE seq = 20").fetchone() == (rows[10][3],)
