"""A store is read whole for damage; that keeps nobody waiting, and nothing is written over what is damaged."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.collector import Collector, store_check, upkeep
from monitor.errors import StoreError
from monitor.intake.source import Arrival
from monitor.intake.wire import Pack, encode_pack
from monitor.store import database
from monitor.store.database import open_writer, store_path, transaction
from monitor.store.handover import Batch
from monitor.store.writer import StoreWriter
from monitor.timesource import ManualTime

#: The pages in which the journal of a store lies that :func:`filled` made.
JOURNAL_PAGES = range(60, 90)


@pytest.fixture
def clock() -> ManualTime:
    return ManualTime(datetime.fromisoformat("2026-08-14T09:00:00+00:00"), 1000.0)


@pytest.fixture
def filled(data: Path, clock: ManualTime) -> Path:
    """A store with a journal of some hundred pages, closed."""
    with closing(open_writer(data)) as conn:
        with transaction(conn):
            conn.executemany(
                "INSERT INTO journal (at_utc, kind, text, body) VALUES ('2026-08-01T00:00:00Z', 'old', ?, '{}')",
                [("x" * 900,) for _ in range(400)],
            )
        conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return data


@pytest.fixture
def large(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every store is one whose reading takes long."""
    monkeypatch.setattr(store_check, "READ_FIRST_BYTES", 0)


def damage(data: Path) -> None:
    """As a card does whose cells are worn."""
    content = bytearray(store_path(data).read_bytes())
    for page in JOURNAL_PAGES:
        content[page * 4096 : page * 4096 + 64] = os.urandom(64)
    store_path(data).write_bytes(content)


def on_disk(data: Path) -> list[bytes]:
    """The store and its log, without the index that is made anew each time."""
    files = sorted(data.glob("boilwitness.sqlite*"))
    return [path.read_bytes() for path in files if not path.name.endswith("-shm")]


def packs(low: int, high: int) -> list[tuple[float, Pack]]:
    return [
        (1000.0 + n, Pack("n1", boot=7, seq=n, uptime_s=50.0 + n, water_C=20.0 + n / 100))
        for n in range(low, high)
    ]


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """The reading goes on until this is set."""
    go_on = threading.Event()
    check = database.check_integrity

    def slowly(conn: sqlite3.Connection, path: Path) -> None:
        assert go_on.wait(300.0)
        check(conn, path)

    monkeypatch.setattr(database, "check_integrity", slowly)
    yield go_on
    go_on.set()


def test_nodes_are_listened_to_while_the_store_is_read(
    filled: Path, large: None, slow: threading.Event, clock: ManualTime, fed: Callable[[ManualTime], Any]
) -> None:
    collector = fed(clock)
    collector.say(packs(0, 30))
    assert collector.source.acknowledged == 30
    slow.set()
    collector.say(packs(30, 60))
    collector.pass_time(5.0)
    assert not collector.heard("damage") and not collector.heard("ALARM"), (
        "nothing is said of a store in order"
    )


def test_a_reading_that_is_not_done_holds_up_no_end(
    filled: Path, large: None, clock: ManualTime, fed: Callable[[ManualTime], Any]
) -> None:
    with closing(open_writer(filled)) as conn:
        node = StoreWriter(conn).node_id("n1", "test")
        many = [(node, 1, n, 1e9 + n, 1e9 + n, *[None] * 12) for n in range(100_000)]
        StoreWriter(conn).commit(Batch(rows=[(*row[:6], 0, *row[7:]) for row in many]))
    collector = fed(clock)
    collector.say(packs(0, 5))
    collector.end()
    assert not [one for one in threading.enumerate() if one.name == "store check"]
    assert not collector.heard("not known")


def test_damage_is_told_of_aloud_and_nothing_more_is_written(
    filled: Path,
    large: None,
    slow: threading.Event,
    clock: ManualTime,
    fed: Callable[[ManualTime], Any],
    stored: Any,
    wait: Any,
) -> None:
    damage(filled)
    collector = fed(clock)
    collector.say(packs(0, 30))
    slow.set()

    def told() -> bool:
        collector.pass_time(0.0)
        return bool(collector.heard("ALARM: the store"))

    wait(told, what="for the alarm")
    alarm = next(line for line in collector.said if "ALARM" in line)
    assert "is damaged" in alarm and "Nothing more is written to it" in alarm and "--data" in alarm
    assert "judged from memory" in alarm
    before = on_disk(filled)
    strange = encode_pack(Pack("n2", boot=1, seq=0, uptime_s=1.0, water_C=5.0))
    collector.source.put([Arrival("fed", None, strange, clock.monotonic_s())])
    for at_s, pack in packs(30, 60):
        clock.advance(max(0.0, at_s - clock.monotonic_s()))
        collector.source.put([Arrival("fed", None, encode_pack(pack), clock.monotonic_s())])
    collector.pass_time(60.0)
    assert on_disk(filled) == before
    assert collector.at_work
    assert collector.source.acknowledged == 30, "what is not stored stays with the nodes"
    assert not collector.heard("can be written again")
    collector.end()
    assert stored.ask("SELECT count(*) FROM samples") == [(30,)]


def test_what_keeps_the_store_from_being_read_is_no_damage(
    filled: Path,
    large: None,
    clock: ManualTime,
    fed: Callable[[ManualTime], Any],
    monkeypatch: pytest.MonkeyPatch,
    wait: Any,
) -> None:
    def refuse(conn: sqlite3.Connection, path: Path) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(database, "check_integrity", refuse)
    collector = fed(clock)
    collector.say(packs(0, 5))

    def told() -> bool:
        collector.pass_time(0.0)
        return bool(collector.heard("whether the store is damaged is not known: disk I/O error"))

    wait(told, what="for what is said")
    collector.say(packs(5, 30))
    assert collector.source.acknowledged == 30


def test_a_damaged_page_that_is_met_while_writing_ends_the_writing_and_not_the_watch(
    filled: Path,
    clock: ManualTime,
    fed: Callable[[ManualTime], Any],
    monkeypatch: pytest.MonkeyPatch,
    wait: Any,
) -> None:
    collector = fed(clock)
    collector.say(packs(0, 10))

    def broken(self: StoreWriter, rows: list[Any]) -> list[Any]:
        trouble = sqlite3.DatabaseError("database disk image is malformed")
        trouble.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise trouble

    monkeypatch.setattr(StoreWriter, "_insert", broken)
    for at_s, pack in packs(10, 20):
        clock.advance(max(0.0, at_s - clock.monotonic_s()))
        collector.source.put([Arrival("fed", None, encode_pack(pack), clock.monotonic_s())])
    wait(lambda: collector.heard("is damaged: database disk image is malformed"), what="for the alarm")
    collector.pass_time(5.0)
    assert collector.at_work and collector.source.acknowledged == 10


def test_a_damaged_page_that_is_met_while_sealing_is_told_of_as_damage(
    filled: Path, clock: ManualTime, fed: Callable[[ManualTime], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any, **__: Any) -> list[str]:
        trouble = sqlite3.DatabaseError("database disk image is malformed")
        trouble.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise trouble

    collector = fed(clock)
    collector.say(packs(0, 10))
    monkeypatch.setattr(upkeep, "seal_due", broken)
    collector.pass_time(70.0)
    assert collector.heard("is damaged: database disk image is malformed. Keep the file")
    assert collector.heard("Nothing more is written to it") and collector.at_work


def test_a_small_store_is_read_before_anything_is_written(filled: Path, clock: ManualTime) -> None:
    damage(filled)
    before = store_path(filled).read_bytes()
    with pytest.raises(StoreError, match="is damaged"):
        Collector(filled, [], say=lambda _, line: None, time=clock).run(threading.Event())
    assert store_path(filled).read_bytes() == before


def test_it_says_that_it_listens_once_it_does(data: Path, clock: ManualTime) -> None:
    order: list[str] = []
    stop = threading.Event()

    class Opened:
        name = "opened"

        def start(self, queue: Any, stop: threading.Event) -> None:
            order.append("opened")

        def __getattr__(self, name: str) -> Any:
            return lambda *_: None

    def listening() -> None:
        order.append("listening")
        stop.set()

    Collector(data, [Opened()], say=lambda _, line: None, time=clock, listening=listening).run(stop)
    assert order == ["opened", "listening"]
