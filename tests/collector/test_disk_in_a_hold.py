"""A disk that refuses while a boil is on: the boil is watched from memory, and what came is stored afterwards."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from monitor.alarms import Message
from monitor.collector import storing, upkeep
from monitor.errors import StoreError
from monitor.intake.source import Arrival
from monitor.intake.wire import Pack, encode_pack
from monitor.judge import judge
from monitor.record import header_to_json
from monitor.simulate.node import DemoCanner, demo_canner
from monitor.store import reader
from monitor.store.entries import append_entry
from monitor.store.handover import Batch, Outbox
from monitor.store.samples import Row
from monitor.store.writer import StoreWriter
from monitor.timesource import ManualTime

START = "2026-08-14T09:12:00-06:00"
BEGAN_S = 1000.0


@pytest.fixture(scope="module")
def demo() -> DemoCanner:
    """Boil, power dip, boil again, hold, heat off."""
    return demo_canner(minutes=5.0, cooling_s=60.0)


class Disk:
    """Refuses, or takes, what the collector puts down; what people append goes another way."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.full = False
        commit, write, node_id = StoreWriter.commit, StoreWriter.write, StoreWriter.node_id
        disk = self

        def checked(writer: StoreWriter, batch: Batch) -> list[Row]:
            disk.check()
            return commit(writer, batch)

        def written(writer: StoreWriter, outbox: Outbox) -> None:
            disk.check()
            write(writer, outbox)

        def numbered(writer: StoreWriter, name: str, source: str) -> int:
            if not writer.knows(name):
                disk.check()
            return node_id(writer, name, source)

        monkeypatch.setattr(StoreWriter, "commit", checked)
        monkeypatch.setattr(StoreWriter, "write", written)
        monkeypatch.setattr(StoreWriter, "node_id", numbered)
        monkeypatch.setattr(storing, "RETRY_S", 0.05)

    def check(self) -> None:
        if self.full:
            raise StoreError("the store cannot be written: database or disk is full.")


@pytest.fixture
def disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    return Disk(monkeypatch)


def packs_of(demo: DemoCanner) -> list[tuple[float, Pack]]:
    return [
        (
            BEGAN_S + one.t_s,
            Pack(
                "n1",
                boot=3,
                seq=number,
                uptime_s=50.0 + one.t_s,
                water_C=one.water_C,
                chip_C=one.chip_C,
                pressure_kPa=one.pressure_kPa,
            ),
        )
        for number, one in enumerate(demo.samples)
    ]


class Kitchen:
    """The invented batch before a collector whose time is fed."""

    def __init__(self, data: Path, demo: DemoCanner, fed: Callable[[ManualTime], Any], wait: Any) -> None:
        self.data, self.demo, self.wait = data, demo, wait
        self.clock = ManualTime(datetime.fromisoformat(START), BEGAN_S)
        self._enter("node_assigned", {"node": "n1", "canner": "c1"}, None)
        parts = {key: header_to_json(demo.header)[key] for key in ("site", "batch", "probe", "required")}
        header = {"format": "boilwitness-run/1", "run_id": "r1", "canner": "c1", "started_at": START, **parts}
        self._enter("run_started", header, "r1")
        self.packs = packs_of(demo)
        self.marks = sorted(demo.marks, key=lambda mark: mark.t_s)
        self.collector = fed(self.clock)

    def _enter(self, kind: str, body: dict[str, Any], run_id: str | None) -> None:
        append_entry(self.data, kind, body, run_id=run_id, time=self.clock)

    def play(self, low_s: float, high_s: float, *, stored: bool) -> None:
        """What the node says between two times of the run, and the marks; whether or not it can be stored."""
        packs = [one for one in self.packs if low_s <= one[0] - BEGAN_S < high_s]
        for mark in [mark for mark in self.marks if low_s <= mark.t_s < high_s]:
            before = [one for one in packs if one[0] - BEGAN_S <= mark.t_s]
            packs = packs[len(before) :]
            self._say(before, stored)
            self._enter("mark", {"kind": mark.kind}, "r1")
        self._say(packs, stored)

    def _say(self, packs: list[tuple[float, Pack]], stored: bool) -> None:
        if stored:
            self.collector.say(packs)
            return
        source = self.collector.source
        for at in range(0, len(packs), 5):
            arrivals = []
            for at_s, pack in packs[at : at + 5]:
                self.clock.advance(max(0.0, at_s - self.clock.monotonic_s()))
                arrivals.append(Arrival("fed", None, encode_pack(pack), self.clock.monotonic_s()))
            source.put(arrivals)
            self.wait(lambda: not source.waiting(), what="for the collector to take it in")

    @property
    def rows(self) -> int:
        with closing(reader.open_reader(self.data)) as conn:
            return int(conn.execute("SELECT count(*) FROM samples").fetchone()[0])


@pytest.fixture
def kitchen(data: Path, demo: DemoCanner, fed: Any, wait: Any) -> Kitchen:
    return Kitchen(data, demo, fed, wait)


def lost_s(demo: DemoCanner) -> float:
    """When the dip is called on the record."""
    return next(
        one.raised_s
        for one in judge(replace(demo.header, samples=demo.samples, marks=demo.marks)).events
        if one.kind == "boil_lost"
    )


def test_a_boil_that_is_lost_while_the_disk_refuses_is_told_at_once_and_nothing_is_lost(
    kitchen: Kitchen, disk: Disk, demo: DemoCanner, data: Path
) -> None:
    collector, called_s = kitchen.collector, lost_s(demo)
    kitchen.play(0.0, called_s - 40.0, stored=True)
    assert not collector.heard("boil_lost")
    acknowledged, before = collector.source.acknowledged, kitchen.rows
    disk.full = True
    kitchen.play(called_s - 40.0, called_s + 20.0, stored=False)
    kitchen.wait(lambda: collector.heard("boil_lost"), what="for the lost boil")
    assert kitchen.rows == before
    assert collector.source.acknowledged == acknowledged, "nothing may be acknowledged"
    (alarm, *_) = [line for line in collector.said if line.startswith("ALARM")]
    assert "judged from memory" in alarm and "not on the disk" in alarm
    assert not collector.heard("asleep")
    # A mark that people could still append judges the run anew from the store: what waits belongs to it.
    kitchen.play(called_s + 20.0, called_s + 120.0, stored=False)
    disk.full = False
    kitchen.wait(lambda: collector.heard("can be written again"), what="for the disk")
    waited = sum(1 for at_s, _ in kitchen.packs if called_s - 40.0 <= at_s - BEGAN_S < called_s + 120.0)
    kitchen.wait(lambda: kitchen.rows >= before + waited, what="for the samples")
    assert kitchen.rows == before + waited
    kitchen.wait(lambda: collector.source.acknowledged == acknowledged + waited, what="for receipts")
    kitchen.play(called_s + 120.0, float("inf"), stored=True)
    kitchen._enter("run_ended", {}, "r1")
    collector.pass_time(1.0)
    kitchen.wait(lambda: collector.heard("is over"), what="for the end")
    with closing(reader.open_reader(data)) as conn:
        lost = [one for one in reader.events(conn, "r1") if one["kind"] == "boil_lost"]
        assert sum(abs(one["raised_s"] - called_s) < 60.0 for one in lost) == 1, "told once, and kept"
        told, again = reader.verdict_of(conn, "r1"), judge(reader.load_run(conn, "r1")).as_json()
    assert told is not None and told["verdict"] == again["verdict"] == "held"
    assert told["proven_s"] == again["proven_s"]


def test_when_no_more_fits_into_memory_it_says_that_nothing_is_watched(
    kitchen: Kitchen, disk: Disk, demo: DemoCanner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing more is taken off the queue then; and when there is room, everything is stored."""
    monkeypatch.setattr(storing, "MOST_WAITING", 20)
    kitchen.play(0.0, 20.0, stored=True)
    disk.full = True
    said = kitchen.packs[20:60]
    arrivals = [Arrival("fed", None, encode_pack(pack), at_s) for at_s, pack in said]
    source = kitchen.collector.source
    source.put(arrivals[:20])
    kitchen.wait(lambda: kitchen.collector.heard("NOTHING IS WATCHED"), what="for the alarm")
    source.put(arrivals[20:])
    kitchen.collector.pass_time(1.0)
    assert source.waiting() == 20
    before = kitchen.rows
    disk.full = False
    kitchen.wait(lambda: kitchen.rows == before + 40, what="for the samples")


def test_a_node_that_is_heard_first_while_the_disk_refuses_is_kept_and_ends_nothing(
    kitchen: Kitchen, disk: Disk, demo: DemoCanner
) -> None:
    kitchen.play(0.0, 20.0, stored=True)
    before = kitchen.rows
    disk.full = True
    source = kitchen.collector.source
    pack = Pack("n2", boot=1, seq=0, uptime_s=1.0, water_C=20.0)
    source.put([Arrival("fed", None, encode_pack(pack), BEGAN_S + 20.0)])
    kitchen.play(20.0, 30.0, stored=False)
    assert kitchen.collector.at_work
    disk.full = False
    kitchen.wait(lambda: kitchen.rows == before + 11, what="for the samples of both")


def test_what_held_the_collector_up_is_named(
    kitchen: Kitchen, machine: ManualTime, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store that is slow, or that another program holds, is no machine asleep."""
    monkeypatch.setattr(storing, "wait", SimpleNamespace(monotonic=machine.monotonic_s))
    commit = StoreWriter.commit

    def slow(writer: StoreWriter, batch: Batch) -> list[Row]:
        machine.advance(6.0)
        return commit(writer, batch)

    monkeypatch.setattr(StoreWriter, "commit", slow)
    kitchen.play(0.0, 3.0, stored=True)
    kitchen.wait(lambda: kitchen.collector.heard("nothing was watched meanwhile"), what="for the line")
    assert kitchen.collector.heard("the disk kept the collector waiting")
    assert not kitchen.collector.heard("asleep")


@dataclass
class Phone:
    """A push service that takes everything."""

    got: list[str] = field(default_factory=list)

    def send(self, message: Message) -> bool:
        self.got.append(message.title)
        return True


def of_the_store(collector: Any) -> list[tuple[str, str]]:
    """Where a broker was told that the store cannot be written, and how it stood."""
    told = [
        (level, state) for level, kind, state in list(collector.source.told) if kind == "store_unwritable"
    ]
    return list(dict.fromkeys(told))


def test_a_disk_that_refuses_is_told_on_the_phone_and_kept_on_the_board_of_alarms(
    data: Path, demo: DemoCanner, fed: Any, wait: Any, disk: Disk
) -> None:
    phone = Phone()
    kitchen = Kitchen(data, demo, partial(fed, push=phone, out=True), wait)
    collector = kitchen.collector
    kitchen.play(0.0, 20.0, stored=True)
    disk.full = True
    kitchen.play(20.0, 40.0, stored=False)
    wait(lambda: phone.got == ["The record cannot be written"], what="for the phone")
    assert of_the_store(collector) == [("collector", "active_unacknowledged")]
    disk.full = False
    wait(lambda: collector.heard("can be written again"), what="for the disk")
    collector.pass_time(1.0)
    wait(lambda: of_the_store(collector)[-1] == ("collector", "normal"), what="for the end")

    def kept() -> list[str]:
        with closing(reader.open_reader(data)) as conn:
            return [row.state for row in reader.alarms(conn) if row.kind == "store_unwritable"]

    wait(lambda: kept() == ["active_unacknowledged", "returned_unacknowledged"], what="for the journal")
    assert phone.got == ["The record cannot be written"]


@pytest.mark.parametrize("trouble", [StoreError("no room."), sqlite3.OperationalError("database is locked")])
def test_a_seal_that_could_not_be_written_is_no_alarm_for_ever(
    data: Path,
    demo: DemoCanner,
    fed: Any,
    wait: Any,
    disk: Disk,
    monkeypatch: pytest.MonkeyPatch,
    trouble: Exception,
) -> None:
    """Nothing waited to be stored: what shows that the store takes things again is the next thing that is written."""
    left = [trouble]
    seal_due = upkeep.seal_due

    def refused_once(*words: Any, **options: Any) -> Iterator[str]:
        if left:
            raise left.pop()
        return seal_due(*words, **options)

    kitchen = Kitchen(data, demo, partial(fed, out=True), wait)
    collector = kitchen.collector
    kitchen.play(0.0, 5.0, stored=True)
    monkeypatch.setattr(upkeep, "seal_due", refused_once)
    for _ in range(4):
        collector.pass_time(20.0)
    wait(lambda: collector.heard("ALARM: "), what="for the alarm")
    wait(lambda: collector.heard("can be written again"), what="for its end")
    collector.pass_time(1.0)
    wait(
        lambda: of_the_store(collector) == [("collector", "active_unacknowledged"), ("collector", "normal")],
        what="for the brokers",
    )
