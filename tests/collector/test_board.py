"""The live engine on stored rows: however they come in, it says what ``judge`` says of the record."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms import AlarmMachine, Moment, State
from monitor.collector.afterwards import Afterwards
from monitor.collector.board import Board
from monitor.collector.liverun import Teller
from monitor.collector.resting import Resting
from monitor.judge import judge
from monitor.judge.engine import Engine
from monitor.proof.seal import seal_due
from monitor.record import Sample, header_to_json
from monitor.simulate.node import DemoCanner, demo_canner
from monitor.store import reader
from monitor.store.database import open_writer
from monitor.store.entries import append_entry, read_entries
from monitor.store.handover import Batch, Outbox
from monitor.store.runs import read_house
from monitor.store.samples import Row, row_values
from monitor.store.stamp import epoch_s, epoch_text
from monitor.store.writer import StoreWriter
from monitor.timesource import ManualTime

#: What is said where the judging of a run failed: it goes on, and no test may overlook it.
UNWATCHED = "is not watched any more. An error"
START = "2026-08-14T09:12:00-06:00"
START_S = epoch_s(START)


@pytest.fixture(scope="module")
def demo() -> DemoCanner:
    """An invented batch: boil, power dip, boil again, hold, heat off (monitor.simulate)."""
    return demo_canner(minutes=5.0, cooling_s=60.0)


@dataclass
class House:
    """A store with one run on, and the board of a collector over it."""

    writer: StoreWriter
    clock: ManualTime
    demo: DemoCanner
    said: list[str]
    #: Whether a test makes the judging itself fail; anywhere else that is a fault of the program.
    may_fail: bool = False

    def new_board(self) -> None:
        """As a collector that has just started."""
        self.outbox = Outbox()
        self.machine = machine = AlarmMachine()
        machine.restore((row.body for row in reader.alarms(self.writer.conn)), self.moment())
        teller = Teller(
            self.writer.conn, self.outbox, machine, lambda _, line: self.said.append(line), self.moment
        )
        self.board = Board(self.writer.conn, teller)
        teller.run_ids = {"r1", "r2"}
        self.refresh()

    def moment(self) -> Moment:
        return Moment(START_S + self.now_s, datetime.fromtimestamp(START_S + self.now_s, UTC))

    @property
    def now_s(self) -> float:
        return self.clock.monotonic_s()

    def refresh(self) -> None:
        self.board.refresh(read_house(self.writer.conn))

    def mark(self, kind: str, t_s: float) -> None:
        happened = epoch_text(START_S + t_s)
        append_entry(
            self.writer.conn, "mark", {"kind": kind}, run_id="r1", happened_utc=happened, time=self.clock
        )
        self.refresh()

    def store(self, rows: list[Row]) -> None:
        fresh = self.writer.commit(Batch(rows=rows))
        self.board.feed(fresh)
        self.board.publish(START_S + self.now_s)
        self.writer.write(self.outbox)

    def row(self, sample: Sample, number: int, node: str = "n1", late: bool = False) -> Row:
        at_s = START_S + sample.t_s
        numbered = sample._replace(boot=3, seq=number)
        return row_values(self.writer.node_id(node, "test"), numbered, at_s, at_s + 0.02, late=late)

    def play(self, pieces: Callable[[int], int], rows: list[Row], marks: bool = True) -> None:
        """Rows in pieces, each when its last sample is due, marks in between."""
        due = sorted(self.demo.marks, key=lambda mark: mark.t_s) if marks else []
        at = 0
        while at < len(rows):
            piece = rows[at : at + pieces(at)]
            at += len(piece)
            until_s = max(row[3] for row in piece) - START_S
            while due and due[0].t_s <= until_s:
                mark = due.pop(0)
                self.mark(mark.kind, mark.t_s)
            self.clock.advance(max(0.0, until_s + 0.1 - self.now_s))
            self.store(piece)
            self.board.tick(START_S + self.now_s, lambda heard_s, now_s: now_s - heard_s)

    def told(self) -> list[str]:
        return [event["kind"] for event in reader.events(self.writer.conn, "r1")]


@pytest.fixture
def house(tmp_path: Path, demo: DemoCanner) -> Iterator[House]:
    conn: sqlite3.Connection = open_writer(tmp_path)
    clock = ManualTime(datetime.fromisoformat(START))
    parts = {key: header_to_json(demo.header)[key] for key in ("site", "batch", "probe", "required")}
    header = {"format": "boilwitness-run/1", "run_id": "r1", "canner": "c1", "started_at": START, **parts}
    for node in ("n1", "n2"):
        append_entry(conn, "node_assigned", {"node": node, "canner": "c1"}, happened_utc=START, time=clock)
    append_entry(conn, "run_started", header, run_id="r1", happened_utc=START, time=clock)
    one = House(StoreWriter(conn), clock, demo, [])
    one.new_board()
    yield one
    conn.close()
    assert one.may_fail or not [line for line in one.said if UNWATCHED in line]


def agree(house: House) -> None:
    """What the live row says, ``judge`` says of the record in the store."""
    (live,) = reader.live(house.writer.conn)
    verdict = judge(reader.load_run(house.writer.conn, "r1"))
    assert live.verdict is not None
    assert (live.verdict["verdict"], verdict.verdict) == ("held", "held")
    assert live.verdict["proven_s"] == verdict.proven_s
    assert live.verdict["stretches"] == [stretch.as_json() for stretch in verdict.stretches]


def test_live_and_judged_agree(house: House, demo: DemoCanner) -> None:
    chance = random.Random(3)
    rows = [house.row(sample, number) for number, sample in enumerate(demo.samples)]
    house.play(lambda at: chance.choice([1, 1, 2, 5, 30]), rows)
    agree(house)
    told = house.told()
    assert [kind for kind in told if kind in ("boil_reached", "boil_lost", "boil_back", "hold_complete")] == [
        "boil_reached",
        "boil_lost",
        "boil_back",
        "hold_complete",
    ]
    raised = {row.kind for row in reader.alarms(house.writer.conn)}
    assert {"boil_lost", "hold_complete"} <= raised
    assert "hold_not_held" not in raised


def test_a_second_of_two_nodes_costs_the_same_however_long_the_run_is_on(house: House) -> None:
    """The jars' node has no water: that was found out anew with each batch, from its first row to its last."""
    steps = 0

    def count() -> int:
        nonlocal steps
        steps += 1
        return 0

    def second(number: int) -> list[Row]:
        water = Sample(float(number), 30.0)
        jars = Sample(float(number), None, room_C=21.0, uptime_s=float(number), jars={1: 40.0})
        return [house.row(water, number), house.row(jars, number, node="n2")]

    def cost_of(number: int) -> int:
        nonlocal steps
        rows = second(number)
        house.writer.commit(Batch(rows=rows))
        steps = 0
        house.writer.conn.set_progress_handler(count, 50)
        house.board.feed(rows)
        house.writer.conn.set_progress_handler(None, 0)
        return steps

    house.writer.commit(Batch(rows=[row for number in range(100) for row in second(number)]))
    house.new_board()
    early = cost_of(100)
    house.writer.commit(Batch(rows=[row for number in range(101, 6000) for row in second(number)]))
    house.new_board()
    assert cost_of(6000) <= early + 2


def test_a_node_whose_water_leads_only_once_it_is_on_the_disk_leads_then(house: House) -> None:
    """What waited for a disk that refused was fed before it was stored."""
    first = [house.row(Sample(float(n), 30.0), n) for n in range(20, 40)]
    second = [house.row(Sample(float(n), 31.0), n, node="n2") for n in range(10)]
    house.board.new_node()
    house.store(first)
    house.board.feed(second)
    house.board.stored(house.writer.commit(Batch(rows=second)))
    for n in range(41, 101):
        room = Sample(n + 0.5, None, room_C=21.0, uptime_s=n + 0.5)
        house.store([house.row(Sample(float(n), 30.0), n), house.row(room, n, node="n2")])
    (live,) = reader.live(house.writer.conn)
    assert live.view["last_sample_s"] == reader.load_run(house.writer.conn, "r1").samples[-1].t_s == 100.5


def test_a_collector_that_starts_anew_in_the_middle_tells_nothing_twice(
    house: House, demo: DemoCanner
) -> None:
    rows = [house.row(sample, number) for number, sample in enumerate(demo.samples)]
    cuts = iter(range(0, len(rows), 150))
    next_cut = next(cuts)

    def pieces(at: int) -> int:
        nonlocal next_cut
        if at >= next_cut:
            house.new_board()
            next_cut = next(cuts, len(rows) + 1)
        return 3

    house.play(pieces, rows)
    agree(house)
    told = [
        kind for kind in house.told() if kind in ("boil_reached", "boil_lost", "boil_back", "hold_complete")
    ]
    assert told == ["boil_reached", "boil_lost", "boil_back", "hold_complete"]


def test_rows_that_come_late_are_put_in_their_place(house: House, demo: DemoCanner) -> None:
    """Two minutes of the hold come four minutes late, as from a node's ring."""
    rows = [house.row(sample, number) for number, sample in enumerate(demo.samples)]
    low_s, high_s = demo.boiled_again_s + 60.0, demo.boiled_again_s + 180.0
    kept = [row for row in rows if low_s <= row[3] - START_S < high_s]
    early = [row for row in rows if row not in kept]
    resume = next(at for at, row in enumerate(early) if row[3] - START_S > high_s + 240.0)
    late = [(*row[:6], 1, *row[7:]) for row in kept]
    order = [*early[:resume], *late, *early[resume:]]
    house.play(
        lambda at: len(late) if at == resume else 5 if at + 5 <= resume or at > resume else resume - at, order
    )
    agree(house)


def test_a_second_node_and_the_water_make_one_record(house: House, demo: DemoCanner) -> None:
    """The room and the pressure from a node of their own change nothing about the hold."""
    rows = [house.row(sample._replace(room_C=None), number) for number, sample in enumerate(demo.samples)]
    rows += [
        house.row(Sample(10.0 * n + 0.4, None, room_C=21.0), n, "n2") for n in range(int(demo.end_s / 10))
    ]
    rows.sort(key=lambda row: row[3])
    house.play(lambda at: 4, rows)
    agree(house)
    run = reader.load_run(house.writer.conn, "r1")
    assert sum(sample.room_C == 21.0 for sample in run.samples) == int(demo.end_s / 10)
    assert "node_restarted" not in house.told()


def test_a_second_nodes_late_water_from_before_changes_nothing_about_the_hold(
    house: House, demo: DemoCanner
) -> None:
    """Out of its memory, from before the first node was heard: in the midst of the boil it takes no lead."""
    rows = [house.row(sample, number) for number, sample in enumerate(demo.samples)]
    first_s = demo.samples[0].t_s
    beside = [
        house.row(Sample(sample.t_s - 0.2, (sample.water_C or 0.0) - 0.05, uptime_s=sample.t_s), n, "n2")
        for n, sample in enumerate(demo.samples[60::10], 1)
    ]
    stray = house.row(Sample(first_s - 0.1, 55.0, uptime_s=1.0), 0, "n2", late=True)
    rows = sorted([*rows, *beside], key=lambda row: row[3])
    middle = next(at for at, row in enumerate(rows) if row[3] - START_S > demo.boiled_again_s + 60.0)
    rows.insert(middle, stray)
    house.play(lambda at: 4, rows)
    agree(house)
    samples = reader.load_run(house.writer.conn, "r1").samples
    assert len(samples) == len(demo.samples)
    assert samples[0].water_2_C == 55.0
    assert [sample.water_C for sample in samples] == [
        reader.row_sample(house.row(sample, 0), START_S).water_C for sample in demo.samples
    ]
    told = [
        kind for kind in house.told() if kind in ("boil_reached", "boil_lost", "boil_back", "hold_complete")
    ]
    assert told == ["boil_reached", "boil_lost", "boil_back", "hold_complete"]


def test_a_mark_said_long_after_is_judged_as_if_it_had_been_said_then(house: House, demo: DemoCanner) -> None:
    rows = [house.row(sample, number) for number, sample in enumerate(demo.samples)]
    house.play(lambda at: 20, rows, marks=False)
    for mark in demo.marks:
        house.mark(mark.kind, mark.t_s)
    house.clock.advance(2.0)
    house.board.publish(START_S + house.now_s)
    house.writer.write(house.outbox)
    agree(house)


def late_row(house: House, sample: Sample, number: int, arrived_s: float) -> Row:
    numbered = sample._replace(boot=3, seq=number)
    at_s = START_S + sample.t_s
    return row_values(house.writer.node_id("n1", "test"), numbered, at_s, START_S + arrived_s, late=True)


def revised(house: House) -> list[dict[str, object]]:
    return [body for body in reader.events(house.writer.conn, "r1") if body["kind"] == "verdict_revised"]


@pytest.mark.parametrize("starts_anew", [False, True])
@pytest.mark.parametrize("after_s", [30.0, 260.0])
def test_what_a_node_sends_again_in_the_run_is_told_once_when_it_is_in(
    house: House, demo: DemoCanner, after_s: float, starts_anew: bool
) -> None:
    """40 s come 30 s late, in the boil before the dip; or later than the engine can put them in their place, in
    the hold that counts. Only the second changes what the whole record proves."""
    counts = after_s > 120.0
    low_s = (demo.boiled_again_s if counts else demo.boiled_s) + 60.0
    arrived_s = low_s + 40.0 + after_s
    on_time, late = [], []
    for number, sample in enumerate(demo.samples):
        if low_s <= sample.t_s < low_s + 40.0:
            late.append(late_row(house, sample, number, arrived_s))
        else:
            on_time.append(house.row(sample, number))
    waiting = sorted(demo.marks, key=lambda mark: mark.t_s)

    def play(rows: list[Row], piece: int = 10) -> None:
        for at in range(0, len(rows), piece):
            while waiting and START_S + waiting[0].t_s <= rows[at][3]:
                mark = waiting.pop(0)
                house.mark(mark.kind, mark.t_s)
            house.play(lambda at: piece, rows[at : at + piece], marks=False)

    before = [row for row in on_time if row[3] < START_S + arrived_s]
    play(before)
    assert revised(house) == []
    for at in range(0, len(late), 15):
        house.store(late[at : at + 15])
        assert revised(house) == [], "more of it is on its way"
    if starts_anew:
        house.new_board()
    play(on_time[len(before) : len(before) + 7], 1)
    (one,) = revised(house)
    assert one["raised_s"] == pytest.approx(arrived_s)
    assert "samples came late" in str(one["text"])
    house.new_board()
    play(on_time[len(before) + 7 :])
    assert len(revised(house)) == 1
    alarms = [row for row in reader.alarms(house.writer.conn) if row.kind == "verdict_revised"]
    assert {row.body["priority"] for row in alarms} == {"medium"}
    assert len({row.alarm_id for row in alarms}) == 1
    agree(house)
    (live,) = reader.live(house.writer.conn)
    assert live.verdict is not None
    shown = [event["text"] for event in live.verdict["events"] if event["kind"] == "verdict_revised"]
    assert len(shown) == counts and all("held" in text for text in shown)


def test_what_came_late_just_before_the_end_is_told_at_the_end(house: House, demo: DemoCanner) -> None:
    """The run is ended while what was sent again comes in: nobody waits for more of it."""
    low_s = demo.boiled_s + 60.0
    end_s = low_s + 70.0
    rows, late = [], []
    for number, sample in enumerate(demo.samples):
        if low_s <= sample.t_s < low_s + 40.0:
            late.append(late_row(house, sample, number, end_s - 1.0))
        elif sample.t_s < end_s:
            rows.append(house.row(sample, number))
    house.play(lambda at: 10, rows)
    house.store(late)
    assert revised(house) == []
    append_entry(house.writer.conn, "run_ended", {}, run_id="r1", time=house.clock)
    house.refresh()
    house.writer.write(house.outbox)
    (one,) = revised(house)
    assert f"{len(late)} samples came late" in str(one["text"])


def test_a_second_block_is_told_by_a_collector_that_starts_anew_before_it_was(
    house: House, demo: DemoCanner
) -> None:
    """That a block before it was told is no reason for silence."""
    blocks = [(demo.boiled_s + 60.0, 30.0), (demo.boiled_s + 160.0, 10.0)]
    late: list[list[Row]] = [[], []]
    on_time = []
    for number, sample in enumerate(demo.samples):
        for rows, (low_s, after_s) in zip(late, blocks, strict=True):
            if low_s <= sample.t_s < low_s + 40.0:
                rows.append(late_row(house, sample, number, low_s + 40.0 + after_s))
                break
        else:
            on_time.append(house.row(sample, number))
    house.mark("jars_in", 0.0)
    at, arrivals = 0, [low_s + 40.0 + after_s for low_s, after_s in blocks]
    for rows, arrived_s in zip(late, arrivals, strict=True):
        upto = next(n for n, row in enumerate(on_time) if row[3] >= START_S + arrived_s)
        house.play(lambda at: 10, on_time[at:upto], marks=False)
        at = upto
        house.store(rows)
    assert [one["raised_s"] for one in revised(house)] == pytest.approx(arrivals[:1])
    for _ in range(2):
        house.new_board()
        house.play(lambda at: 1, on_time[at : at + 8], marks=False)
        at += 8
        assert [one["raised_s"] for one in revised(house)] == pytest.approx(arrivals)


def test_a_hold_that_was_told_complete_and_is_proven_no_more_rings_once(house: House) -> None:
    """By whatever took it back: here rows of the come-up and the boil that were placed elsewhere."""
    rows = [house.row(sample, number) for number, sample in enumerate(house.demo.samples)]
    told_s = house.demo.heat_off_s - 10.0
    house.play(lambda at: 20, [row for row in rows if row[3] - START_S <= told_s])
    assert house.told().count("hold_complete") == 1 and "verdict_revised" not in house.told()
    house.writer.conn.execute("UPDATE samples SET at_s = at_s - 600.0")
    for _ in range(2):
        house.board.rebuild_node(1)
        for _ in range(3):
            house.clock.advance(2.0)
            house.board.publish(START_S + house.now_s)
            house.writer.write(house.outbox)
    assert house.told().count("verdict_revised") == 1
    text = next(
        one["text"] for one in reader.events(house.writer.conn, "r1") if one["kind"] == "verdict_revised"
    )
    assert "told complete" in text
    rung = [row for row in reader.alarms(house.writer.conn, "r1") if row.kind == "verdict_revised"]
    assert [row.state for row in rung[:1]] == ["active_unacknowledged"], "it rings"


def required(house: House, minutes: int) -> None:
    """The time asked for is corrected."""
    body = {"required": {"minutes": minutes, "source": "an invented time"}}
    append_entry(
        house.writer.conn, "header_changed", body, run_id="r1", by="Ann", reason="slip", time=house.clock
    )
    house.refresh()
    told(house)


def told(house: House) -> None:
    house.clock.advance(2.0)
    house.board.publish(START_S + house.now_s)
    house.writer.write(house.outbox)


def losses(house: House) -> list[dict[str, Any]]:
    """The alarms or notices of lost boils, as they were raised."""
    rows = reader.alarms(house.writer.conn, "r1")
    return [row.body["alarm"] for row in rows if row.kind == "boil_lost" and row.body["alarm"]]


def play_from(house: House, from_s: float, to_s: float) -> None:
    """The samples and the marks between two times, and then what is told of them."""
    rows = [house.row(sample, number) for number, sample in enumerate(house.demo.samples)]
    for mark in (*house.demo.marks, None):
        until_s = to_s if mark is None else min(mark.t_s, to_s)
        house.play(lambda at: 5, [row for row in rows if from_s <= row[3] - START_S < until_s], marks=False)
        if mark is not None and from_s <= mark.t_s < to_s:
            house.mark(mark.kind, mark.t_s)
        from_s = max(from_s, until_s)
    told(house)


@pytest.mark.parametrize("starts_anew", [False, True])
def test_after_a_hold_told_complete_was_taken_back_a_lost_boil_rings_as_loudly_as_any(
    house: House, demo: DemoCanner, starts_anew: bool
) -> None:
    """The time was mistyped, told complete, and corrected before the power dip: it is owed again."""
    required(house, 2)
    play_from(house, 0.0, demo.power_gone_s - 40.0)
    assert "hold_complete" in house.told()
    required(house, 5)
    assert house.told()[-1] == "verdict_revised"
    if starts_anew:
        house.new_board()
    assert house.board.hold_owed
    told(house)
    turn_off = [row for row in reader.alarms(house.writer.conn, "r1") if row.kind == "hold_complete"]
    assert turn_off[-1].state == "returned_unacknowledged", "'Turn the heat off' is over"
    play_from(house, demo.power_gone_s - 40.0, demo.power_back_s)
    (lost,) = losses(house)
    assert (lost["priority"], lost["in_hold"]) == ("high", True)
    assert "Turn off the heat" not in lost["do"] and "from zero" in lost["do"]
    assert lost["due_utc"]
    assert house.machine.state_of("r1", "boil_lost") is State.ACTIVE_UNACKNOWLEDGED


@pytest.mark.parametrize("starts_anew", [False, True])
def test_what_a_person_saw_and_said_late_takes_a_hold_back_and_rings_as_loudly(
    house: House, demo: DemoCanner, starts_anew: bool
) -> None:
    play_from(house, 0.0, demo.heat_off_s - 20.0)
    assert house.told()[-1] == "hold_complete"
    if starts_anew:
        house.new_board()
    house.mark("boil_not_seen", house.now_s - 150.0)
    told(house)
    assert losses(house)[-1]["priority"] == "high"
    assert "Turn off the heat" not in losses(house)[-1]["do"]
    assert house.machine.state_of("r1", "hold_complete") is State.RETURNED_UNACKNOWLEDGED
    assert house.machine.state_of("r1", "verdict_revised") is not State.NORMAL


@pytest.mark.parametrize("starts_anew", [False, True])
def test_a_hold_that_held_after_all_asks_for_nothing_more(
    house: House, demo: DemoCanner, starts_anew: bool
) -> None:
    """What took it back was a slip: a boil that ends then is no alarm."""
    required(house, 2)
    play_from(house, 0.0, demo.power_gone_s - 40.0)
    required(house, 5)
    required(house, 2)
    if starts_anew:
        house.new_board()
    play_from(house, demo.power_gone_s - 40.0, demo.power_back_s)
    assert [lost["priority"] for lost in losses(house)] == ["notice"]
    assert house.machine.state_of("r1", "boil_lost") is State.NORMAL


@pytest.mark.parametrize("starts_anew", [False, True])
def test_an_end_marked_by_mistake_is_taken_back_while_the_hold_goes_on(
    house: House, demo: DemoCanner, starts_anew: bool
) -> None:
    """The mark stays in the store; the run is judged without it, its alarms are those of a hold, and its true end is
    told as any other."""
    rows = [house.row(sample, number) for number, sample in enumerate(demo.samples)]
    slip_s = demo.boiled_again_s + 90.0
    before = [row for row in rows if row[3] - START_S <= slip_s]
    house.play(lambda at: 5, before, marks=False)
    for mark in demo.marks:
        if mark.t_s <= slip_s:
            house.mark(mark.kind, mark.t_s)
    house.mark("heat_off", slip_s - 1.0)
    house.board.publish(START_S + house.now_s)
    house.writer.write(house.outbox)
    (live,) = reader.live(house.writer.conn)
    assert live.view["phase"] == "ended" and live.verdict is not None and live.verdict["verdict"] == "broken"
    (slip,) = [
        entry for entry in read_entries(house.writer.conn, "r1", ["mark"]) if entry.body["kind"] == "heat_off"
    ]
    append_entry(
        house.writer.conn,
        "correction",
        {"withdrawn": True},
        run_id="r1",
        corrects=slip.id,
        by="Ann",
        reason="slip",
        time=house.clock,
    )
    if starts_anew:
        house.new_board()
    house.refresh()
    (on,) = house.board._runs.values()
    assert on.watch.hold_owed, "its alarms are a hold's again"
    house.writer.write(house.outbox)
    broken = [row.state for row in reader.alarms(house.writer.conn) if row.kind == "hold_not_held"]
    assert broken[-1] == "returned_unacknowledged"
    rest = [row for row in rows if row[3] - START_S > slip_s]
    due = [mark for mark in demo.marks if mark.t_s > slip_s]
    house.said.clear()
    house.play(lambda at: 5, rest, marks=False)
    for mark in due:
        house.mark(mark.kind, mark.t_s)
    house.clock.advance(2.0)
    house.board.publish(START_S + house.now_s)
    house.writer.write(house.outbox)
    agree(house)
    assert sum(line.startswith("verdict: held.") for line in house.said) == 1
    assert len(read_entries(house.writer.conn, "r1", ["mark"])) == len(demo.marks) + 1


def test_a_run_whose_end_was_taken_back_is_watched_as_one_that_is_on(house: House) -> None:
    conn = house.writer.conn
    resting = Resting(conn, house.board._teller)
    for _ in range(2):
        house.clock.advance(60.0)
        ended = append_entry(conn, "run_ended", {}, run_id="r1", time=house.clock)
        resting.refresh(read_house(conn), START_S + house.now_s)
        assert resting.live_of("r1") is not None
        withdrawn = {"withdrawn": True}
        append_entry(conn, "correction", withdrawn, run_id="r1", corrects=ended, time=house.clock)
        resting.refresh(read_house(conn), START_S + house.now_s)
        assert resting.live_of("r1") is None


# --- an error in the program itself -----------------------------------------------------------------------


@pytest.fixture
def two(house: House, demo: DemoCanner) -> House:
    """A second run at another canner, with a node of its own."""
    parts = {key: header_to_json(demo.header)[key] for key in ("site", "batch", "probe", "required")}
    header = {"format": "boilwitness-run/1", "run_id": "r2", "canner": "c2", "started_at": START, **parts}
    conn, clock = house.writer.conn, house.clock
    append_entry(conn, "node_assigned", {"node": "n3", "canner": "c2"}, happened_utc=START, time=clock)
    append_entry(conn, "run_started", header, run_id="r2", happened_utc=START, time=clock)
    house.refresh()
    house.may_fail = True
    return house


@pytest.fixture
def breaks(broken: Callable) -> Callable[[], None]:
    """From now on the engine of r1 fails at its sample of 200 s; asked again, it does no more."""
    return broken("r1")


def both(house: House, demo: DemoCanner, from_s: float, to_s: float) -> list[Row]:
    return [
        house.row(sample, number, node)
        for number, sample in enumerate(demo.samples)
        for node in ("n1", "n3")
        if from_s <= sample.t_s < to_s
    ]


def unwatched(house: House) -> list[tuple[str, str, str]]:
    """Change, state and class of each alarm of that kind, in order."""
    found = [row for row in reader.alarms(house.writer.conn) if row.kind == "run_unwatched"]
    return [(str(row.body["change"]), row.state, str(row.run_id)) for row in found]


def views(house: House) -> dict[str, dict[str, Any]]:
    return {row.run_id: dict(row.view) for row in reader.live(house.writer.conn)}


def test_one_run_s_error_ends_no_other(two: House, demo: DemoCanner, breaks: Callable[[], None]) -> None:
    two.play(lambda _: 2, both(two, demo, 0.0, 260.0))
    seen = views(two)
    assert seen["r2"]["state"] != "unknown" and seen["r2"]["last_sample_s"] > 258.0
    assert (seen["r1"]["state"], seen["r1"]["phase"], seen["r1"]["water_C"]) == ("unknown", "unknown", None)
    assert "not watched any more" in seen["r1"]["sentence"]
    assert two.board.any_open and two.board.hold_owed, (
        "nobody knows: no alarm of the highest class is put aside"
    )


def test_somebody_is_called_once_and_the_traceback_is_kept(
    two: House, demo: DemoCanner, breaks: Callable[[], None]
) -> None:
    two.play(lambda _: 2, both(two, demo, 0.0, 260.0))
    assert unwatched(two) == [("raised", "active_unacknowledged", "r1")]
    (standing,) = (row for row in two.machine.board(two.moment()) if row["kind"] == "run_unwatched")
    assert standing["priority"] == "high" and standing["canner"] == "c1"
    assert standing["what"].startswith("An error in this program ended its judging at 0:03:20.")
    assert any("ZeroDivisionError" in line for line in two.said)
    rows = two.writer.conn.execute("SELECT text, body FROM journal WHERE kind = 'run_unwatched'").fetchall()
    assert rows and all("r1" in text and "ZeroDivisionError" in body for text, body in rows)


def test_a_restart_does_not_die_of_it_and_calls_again(
    two: House, demo: DemoCanner, breaks: Callable[[], None]
) -> None:
    two.play(lambda _: 2, both(two, demo, 0.0, 230.0))
    two.new_board()
    two.play(lambda _: 2, both(two, demo, 230.0, 260.0))
    assert [change for change, _, _ in unwatched(two)] == ["raised", "raised"]
    assert views(two)["r2"]["last_sample_s"] > 258.0


def test_what_goes_again_is_watched_again(two: House, demo: DemoCanner, breaks: Callable[[], None]) -> None:
    """Judged anew from all that is stored: as if nothing had been."""
    two.play(lambda _: 2, both(two, demo, 0.0, 230.0))
    breaks()
    two.play(lambda _: 2, both(two, demo, 230.0, 1e9))
    assert [change for change, _, _ in unwatched(two)] == ["raised", "returned"]
    live = {row.run_id: row.verdict for row in reader.live(two.writer.conn)}
    whole = judge(reader.load_run(two.writer.conn, "r1"))
    assert live["r1"] is not None and live["r1"]["proven_s"] == whole.proven_s
    assert whole.verdict == live["r1"]["verdict"] == "held"


def test_a_run_that_is_over_and_cannot_be_judged_ends_nothing(
    two: House, demo: DemoCanner, breaks: Callable[[], None]
) -> None:
    two.play(lambda _: 2, both(two, demo, 0.0, 260.0))
    append_entry(
        two.writer.conn,
        "run_ended",
        {},
        run_id="r1",
        happened_utc=epoch_text(START_S + 262.0),
        time=two.clock,
    )
    teller = Teller(two.writer.conn, two.outbox, two.machine, lambda _, line: None, two.moment)
    resting = Resting(two.writer.conn, teller)
    afterwards = Afterwards(two.writer.conn, teller, resting)
    house = read_house(two.writer.conn)
    two.refresh()
    afterwards.look_back(house, START_S + 263.0)
    resting.refresh(house, START_S + 263.0)
    resting.tick(START_S + 270.0)
    afterwards.judge(house)
    assert not two.outbox.verdicts, "missing is unknown"
    assert seal_due(two.writer.conn, time=two.clock, besides=two.board.unwatched) == []
    two.play(lambda _: 2, both(two, demo, 260.0, 280.0))
    assert views(two)["r2"]["last_sample_s"] > 278.0
    assert unwatched(two)[0] == ("raised", "active_unacknowledged", "r1")
    breaks()
    afterwards.look_back(house, START_S + 290.0)
    afterwards.judge(house)
    assert "r1" in two.outbox.verdicts
    two.writer.write(two.outbox)
    assert unwatched(two)[-1][0] == "returned"


def test_the_disk_s_troubles_are_no_run_s(
    house: House, monkeypatch: pytest.MonkeyPatch, demo: DemoCanner
) -> None:
    def refuse(*_: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(Engine, "push", refuse)
    rows = [house.row(demo.samples[0], 0)]
    house.board.new_node()
    with pytest.raises(sqlite3.OperationalError):
        house.store(rows)
