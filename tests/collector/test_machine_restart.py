"""The machine starts anew in the middle of a run, with a wall clock that nobody kept: a small board after a power cut.

How long it was away nobody knows, so nothing counts across it; and house time never goes back behind what is held.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.collector import clock as house_clock
from monitor.collector.wallclock import WallClock
from monitor.intake.wire import Pack
from monitor.judge import judge
from monitor.record import header_to_json, read_run
from monitor.simulate.node import DemoCanner, demo_canner
from monitor.store import entries, reader
from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.store.export import export_run
from monitor.timesource import ManualTime

START = "2026-08-14T09:12:00-06:00"
BEGAN_S = 1000.0
#: The steady clock of the machine when its collector is back. [s]
UP_S = 20.0


class SetClock(ManualTime):
    """A machine whose wall clock is wrong."""

    wrong_s = 0.0

    def utc_now(self) -> datetime:
        return super().utc_now() + timedelta(seconds=self.wrong_s)


class Machine:
    """Starts anew when it is told to."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.boot = "first start"
        for room in (house_clock, entries):
            monkeypatch.setattr(room, "machine_boot", lambda: self.boot)
        monkeypatch.setattr(house_clock, "wall_clock", lambda: WallClock(False, None), raising=False)


@pytest.fixture
def restarts(monkeypatch: pytest.MonkeyPatch) -> Machine:
    return Machine(monkeypatch)


@pytest.fixture(scope="module")
def demo() -> DemoCanner:
    """Boil, power dip, boil again, hold, heat off."""
    return demo_canner(minutes=5.0, cooling_s=60.0)


def packs_of(demo: DemoCanner, boot: int = 3) -> list[tuple[float, Pack]]:
    return [
        (
            BEGAN_S + one.t_s,
            Pack(
                "n1",
                boot=boot,
                seq=number,
                uptime_s=round(50.0 + one.t_s, 3),
                water_C=one.water_C,
                chip_C=one.chip_C,
                pressure_kPa=one.pressure_kPa,
            ),
        )
        for number, one in enumerate(demo.samples)
    ]


class Kitchen:
    """A run of the demonstration's batch, up to a power cut and after it."""

    def __init__(
        self, data: Path, fed: Callable[[ManualTime], Any], machine: Machine, demo: DemoCanner
    ) -> None:
        self.data, self._fed, self._machine, self._demo = data, fed, machine, demo
        self.clock = SetClock(datetime.fromisoformat(START), BEGAN_S)
        append_entry(data, "node_assigned", {"node": "n1", "canner": "c1"}, time=self.clock)
        parts = {key: header_to_json(demo.header)[key] for key in ("site", "batch", "probe")}
        header = {"format": "boilwitness-run/1", "run_id": "r1", "canner": "c1", "started_at": START, **parts}
        header["required"] = {"minutes": 4, "source": "chosen for the test"}
        append_entry(data, "run_started", header, run_id="r1", time=self.clock)
        self.collector = fed(self.clock)

    def until(self, at_s: float) -> None:
        """The batch goes on up to ``at_s`` after the run's start; then the power goes."""
        marks = [mark for mark in self._demo.marks if mark.t_s <= at_s]
        packs = [pack for pack in packs_of(self._demo) if pack[0] <= BEGAN_S + at_s]
        for mark in marks:
            self.collector.say([pack for pack in packs if pack[0] < BEGAN_S + mark.t_s])
            packs = [pack for pack in packs if pack[0] >= BEGAN_S + mark.t_s]
            self.clock.advance(max(0.0, BEGAN_S + mark.t_s - self.clock.monotonic_s()))
            append_entry(self.data, "mark", {"kind": mark.kind}, run_id="r1", time=self.clock)
        self.collector.say(packs)
        self.collector.pass_time(1.0)
        self.collector.end()

    def power_back(self, real_s: float, wrong_s: float) -> SetClock:
        """So long after the run's start the machine is up again, its wall clock wrong by so much."""
        self._machine.boot = "second start"
        self.clock = SetClock(datetime.fromisoformat(START) + timedelta(seconds=real_s), UP_S)
        self.clock.wrong_s = wrong_s
        return self.clock

    def collect(self) -> None:
        self.collector = self._fed(self.clock)
        # Else time passes before it looks at its clock for the first time.
        assert self.collector.source.ready.wait(90.0)

    def after(self, real_s: float, since_s: float, until_s: float) -> list[tuple[float, Pack]]:
        """What a node says that started anew with the power: the batch as it truly went on."""
        rest = [pack for pack in packs_of(self._demo, boot=4) if since_s <= pack[0] - BEGAN_S <= until_s]
        return [
            (
                UP_S + at_s - BEGAN_S - real_s,
                pack._replace(seq=number, uptime_s=round(2.0 + at_s - BEGAN_S - real_s, 3)),
            )
            for number, (at_s, pack) in enumerate(rest)
        ]

    def mark(self, kind: str) -> None:
        append_entry(self.data, "mark", {"kind": kind}, run_id="r1", time=self.clock)

    def end(self) -> None:
        append_entry(self.data, "run_ended", {}, run_id="r1", time=self.clock)
        self.collector.pass_time(3.0)


@pytest.fixture
def kitchen(
    data: Path, fed: Callable[[ManualTime], Any], restarts: Machine, demo: DemoCanner
) -> Iterator[Kitchen]:
    yield Kitchen(data, fed, restarts, demo)


def rows_of(stored: Any) -> list[tuple[Any, ...]]:
    return stored.ask("SELECT boot, seq, at_s, uptime_s FROM samples ORDER BY boot, seq")


@pytest.mark.parametrize("wrong_s", [0.0, -97.0, -300.0, -1500.0, -86400.0])
def test_a_power_cut_in_a_hold_is_never_bridged_whatever_the_wall_clock_says(
    kitchen: Kitchen, demo: DemoCanner, stored: Any, tmp_path: Path, wrong_s: float
) -> None:
    """90 s of boil, 105 s of which nobody knows, 180 s of boil: no hold of 4 minutes, whatever a clock makes of it."""
    gone_s = demo.boiled_again_s + 120.0
    kitchen.until(gone_s)
    before = rows_of(stored)
    kitchen.power_back(gone_s + 105.0, wrong_s)
    kitchen.collect()
    kitchen.collector.say(kitchen.after(gone_s + 105.0, gone_s + 105.0, demo.heat_off_s))
    kitchen.mark("heat_off")
    kitchen.collector.pass_time(1.0)
    kitchen.end()
    verdict = json.loads(stored.ask("SELECT verdict FROM verdicts ORDER BY verdict_id DESC")[0][0])
    assert verdict["verdict"] != "held"
    # No more than the boil before the dip of the demonstration, which was the longest.
    assert verdict["proven_s"] < 240.0
    newest_s = max(row[2] for row in before)
    after = [row for row in rows_of(stored) if row[0] == 4]
    assert after and min(row[2] for row in after) > newest_s + 30.0
    assert kitchen.collector.heard("how long it was away is not known")
    with closing(stored.connection()) as conn:
        folder = export_run(conn, "r1", tmp_path / "out")
        assert [mark.kind for mark in reader.load_run(conn, "r1").marks][-1] == "heat_off"
    assert json.loads(json.dumps(judge(read_run(folder)).as_json())) == verdict


@pytest.mark.parametrize("wrong_s", [0.0, -300.0, -1500.0])
def test_a_boil_that_did_not_come_back_with_the_power_is_told_lost(
    kitchen: Kitchen, demo: DemoCanner, stored: Any, wrong_s: float
) -> None:
    gone_s = demo.power_gone_s
    kitchen.until(gone_s - 5.0)
    newest_s = max(row[2] for row in rows_of(stored))
    kitchen.power_back(gone_s + 60.0, wrong_s)
    kitchen.collect()
    # Silence first: it is noticed.
    kitchen.collector.pass_time(10.0)
    assert kitchen.collector.heard("node_silent")
    view = stored.live()
    assert (view["phase"], view["water_C"]) == ("unknown", None)
    assert view["at_s"] > view["last_sample_s"] + 30.0
    packs = kitchen.after(gone_s + 60.0, gone_s + 75.0, demo.power_back_s)
    kitchen.collector.say(packs, piece=5)
    kitchen.collector.pass_time(0.0)
    assert kitchen.collector.heard("boil_lost")
    assert not kitchen.collector.heard("starts anew again and again")
    assert stored.live()["phase"] != "hold"
    assert min(row[2] for row in rows_of(stored) if row[0] == 4) > newest_s


def test_what_was_said_before_the_collector_was_back_lies_after_the_power_cut(
    kitchen: Kitchen, demo: DemoCanner, stored: Any
) -> None:
    """Jars that go in then must not seem to have been in an old boil."""
    gone_s = demo.power_gone_s - 5.0
    kitchen.until(gone_s)
    clock = kitchen.power_back(gone_s + 60.0, -1500.0)
    kitchen.mark("jars_in")
    clock.advance(30.0)
    kitchen.collect()
    kitchen.collector.pass_time(1.0)
    with closing(stored.connection()) as conn:
        run = reader.load_run(conn, "r1")
    again = [mark for mark in run.marks if mark.kind == "jars_in"][-1]
    assert again.t_s > run.samples[-1].t_s + 30.0


@pytest.mark.parametrize("newest_first", [True, False])
@pytest.mark.parametrize("piece", [40, 1000])
def test_a_node_that_went_on_shows_how_long_the_machine_was_away(
    kitchen: Kitchen, demo: DemoCanner, stored: Any, newest_first: bool, piece: int
) -> None:
    """It kept what it read meanwhile: that lies where it was taken, and not among what was stored before."""
    gone_s = demo.boiled_again_s - 250.0
    kitchen.until(gone_s)
    away_s = 400.0
    clock = kitchen.power_back(gone_s + away_s, -3000.0)
    kitchen.collect()
    kitchen.mark("note")
    clock.advance(5.0)
    now_s = gone_s + away_s + 5.0
    kept = [pack for at_s, pack in packs_of(demo) if gone_s < at_s - BEGAN_S <= now_s]
    if newest_first:
        kept = [kept[-1], *kept[:-1]]
    # As fast as a link brings it.
    said = [(clock.monotonic_s() + 0.002 * number, pack) for number, pack in enumerate(kept)]
    kitchen.collector.say(said, piece=piece)
    rest = [
        (clock.monotonic_s() + at_s - BEGAN_S - now_s, pack)
        for at_s, pack in packs_of(demo)
        if now_s + 1.0 < at_s - BEGAN_S <= now_s + 60.0
    ]
    kitchen.collector.say(rest)
    kitchen.collector.pass_time(15.0)
    rows = [row for row in rows_of(stored) if row[0] == 3]
    times = [row[2] for row in rows]
    assert times == sorted(times)
    apart = [row[2] - row[3] for row in rows]
    assert max(apart) - min(apart) < 2.0, "as its own clock has it"
    # What was said meanwhile lies where it was said, not where it was thought to be.
    with closing(stored.connection()) as conn:
        run = reader.load_run(conn, "r1")
    (note,) = [mark for mark in run.marks if mark.kind == "note"]
    assert note.t_s == pytest.approx(gone_s + away_s, abs=5.0)
    assert kitchen.collector.heard("longer; house time goes forward")
    assert not [event for event in judge(run).events if event.kind == "clock_stepped"]


def test_what_came_and_was_said_at_another_canner_meanwhile_keeps_its_distances(
    kitchen: Kitchen, demo: DemoCanner, data: Path, stored: Any
) -> None:
    """A second canner's run is on since the machine is back when the first one's node shows how long it was away."""
    gone_s = demo.power_gone_s - 5.0
    kitchen.until(gone_s)
    clock = kitchen.power_back(gone_s + 900.0, -3000.0)
    append_entry(data, "node_assigned", {"node": "n2", "canner": "c2"}, time=clock)
    kitchen.collect()
    header = {"format": "boilwitness-run/1", "run_id": "r2", "canner": "c2", "required": {"minutes": 4}}
    header["started_at"] = clock.utc_now().isoformat()
    append_entry(data, "run_started", header, run_id="r2", time=clock)
    packs = [
        (UP_S + 1.0 + at, Pack("n2", boot=9, seq=at, uptime_s=5.0 + at, water_C=40.0 + at / 10))
        for at in range(120)
    ]
    kitchen.collector.say(packs[:100])
    append_entry(data, "mark", {"kind": "jars_in"}, run_id="r2", time=clock)
    with closing(stored.connection()) as conn:
        before = reader.load_run(conn, "r2")
    # The first one's node is heard at last.
    (last,) = [pack for at_s, pack in packs_of(demo) if abs(at_s - BEGAN_S - gone_s) < 0.5][-1:]
    uptime_s = (last.uptime_s or 0.0) + 900.0 + 102.0
    seq = (last.seq or 0) + 1002
    kitchen.collector.say([(UP_S + 102.0, last._replace(uptime_s=uptime_s, seq=seq))])
    assert kitchen.collector.heard("longer; house time goes forward")
    kitchen.collector.say(packs[105:])
    kitchen.collector.pass_time(3.0)
    with closing(stored.connection()) as conn:
        after = reader.load_run(conn, "r2")
    assert len(before.samples) == 100
    assert [one.t_s for one in after.samples][:100] == [one.t_s for one in before.samples]
    assert [mark.t_s for mark in after.marks] == [mark.t_s for mark in before.marks]
    # What came afterwards does not join it: a gap of which nothing counts.
    assert after.samples[100].t_s - after.samples[99].t_s > 600.0
    assert stored.live()["phase"] == "unknown"


def test_a_second_start_of_the_collector_takes_nothing_kept_for_time_away(
    kitchen: Kitchen, demo: DemoCanner, stored: Any
) -> None:
    """A node first heard then, with a minute that it kept: that was taken since the machine is back."""
    gone_s = demo.power_gone_s - 5.0
    kitchen.until(gone_s)
    clock = kitchen.power_back(gone_s + 300.0, -1500.0)
    kitchen.collect()
    kitchen.collector.pass_time(200.0)
    kitchen.collector.end()
    kitchen.collect()
    kept = [Pack("n1", boot=4, seq=at, uptime_s=100.0 + at, water_C=60.0) for at in range(61)]
    said = [(clock.monotonic_s() + 0.002 * at, one) for at, one in enumerate([kept[-1], *kept[:-1]])]
    kitchen.collector.say(said)
    kitchen.collector.pass_time(1.0)
    assert not kitchen.collector.heard("house time goes forward")
    assert len(stored.ask("SELECT 1 FROM clocks")) == 2


def test_a_node_that_was_up_long_before_the_machine_fills_no_gap(
    kitchen: Kitchen, demo: DemoCanner, stored: Any
) -> None:
    """The node is back after 100 s, the machine only after 400: the 100 s are not hidden by what it kept."""
    gone_s = demo.boiled_again_s - 100.0
    kitchen.until(gone_s)
    newest_s = max(row[2] for row in rows_of(stored))
    clock = kitchen.power_back(gone_s + 400.0, -3000.0)
    kitchen.collect()
    kept = [pack for at_s, pack in packs_of(demo, 4) if gone_s + 100.0 < at_s - BEGAN_S <= gone_s + 400.0]
    began_s = kept[0].uptime_s or 0.0
    kept = [one._replace(seq=at, uptime_s=(one.uptime_s or 0.0) - began_s) for at, one in enumerate(kept)]
    said = [(clock.monotonic_s() + 0.002 * at, one) for at, one in enumerate([kept[-1], *kept[:-1]])]
    kitchen.collector.say(said, piece=40)
    kitchen.collector.pass_time(15.0)
    after = [row for row in rows_of(stored) if row[0] == 4]
    assert len(after) == len(kept)
    assert min(row[2] for row in after) > newest_s + 30.0


def test_a_wall_clock_put_right_in_the_run_shows_the_gap_and_lengthens_nothing(
    kitchen: Kitchen, demo: DemoCanner, stored: Any
) -> None:
    """The network's time comes three minutes later: forward, as a gap, once no boil is broken off by it."""
    gone_s = demo.power_gone_s - 5.0
    kitchen.until(gone_s)
    real_s = gone_s + 900.0
    clock = kitchen.power_back(real_s, -1500.0)
    kitchen.collect()
    packs = [
        (UP_S + number, Pack("n1", boot=4, seq=number, uptime_s=2.0 + number, water_C=60.0))
        for number in range(240)
    ]
    kitchen.collector.say(packs[:180])
    kitchen.collector.pass_time(0.0)
    clock.wrong_s = 0.0
    kitchen.collector.pass_time(0.5)
    kitchen.collector.say(packs[184:])
    kitchen.collector.pass_time(0.5)
    assert kitchen.collector.heard("longer than was recorded")
    with closing(stored.connection()) as conn:
        run = reader.load_run(conn, "r1")
    newest = run.samples[-1]
    # True time again.
    assert newest.t_s == pytest.approx(real_s + clock.monotonic_s() - UP_S, abs=5.0)
    verdict = judge(run)
    assert not any(one.state == "boiling" and one.end_s > gone_s for one in verdict.stretches)
    # A second life of the collector keeps it.
    kitchen.collector.end()
    kitchen.collect()
    kitchen.collector.say([(clock.monotonic_s() + 1.0, packs[-1][1]._replace(seq=240, uptime_s=246.0))])
    assert rows_of(stored)[-1][2] >= max(row[2] for row in rows_of(stored))


def test_a_newest_sample_that_lies_ahead_of_now_is_no_reading_of_now(
    kitchen: Kitchen, demo: DemoCanner, data: Path, stored: Any
) -> None:
    """Its time is wrong, or the house's: the page must not go on to show the boil that was."""
    kitchen.until(demo.power_gone_s - 5.0)
    assert stored.live()["phase"] == "hold"
    with closing(open_writer(data)) as conn:
        conn.execute("UPDATE samples SET at_s = at_s + 1500.0 WHERE seq = (SELECT max(seq) FROM samples)")
    kitchen.collect()
    kitchen.collector.pass_time(5.0)
    view = stored.live()
    assert (view["state"], view["phase"], view["water_C"]) == ("unknown", "unknown", None)
    assert view["at_s"] < view["last_sample_s"]
    assert not view["is_heard"]
