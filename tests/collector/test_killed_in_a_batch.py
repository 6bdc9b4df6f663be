"""A collector killed at random moments of an invented batch, faster than life: nothing is lost and nothing
invented, and the verdict is the one that an undisturbed collector would have given.

The node speaks over a pseudo-terminal and keeps what it was not told is stored. (Requirement after FDA's guide to
inspections, part 1, page 15, and 21 CFR 11.10(a): a record that was interrupted shows it and invents nothing.)
"""

from __future__ import annotations

import json
import random
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.cli._demo_node import DemoNode, PtyLink
from monitor.errors import StoreError
from monitor.judge import judge
from monitor.record import Mark, Run, Sample, header_to_json
from monitor.simulate.node import COOLING_EVERY_S, NODE_NAME, DemoCanner, demo_canner
from monitor.store import reader
from monitor.store.clock import read_clocks
from monitor.store.entries import append_entry
from monitor.store.stamp import SYSTEM_TIME

#: Times as fast as life.
RATE = 60.0
#: A collector that stores nothing more for so long will store nothing more: a busy machine needs half a minute to
#: start one. [s]
STILL_S = 120.0
#: So far behind, marks lie more than half a minute of the house from what they mark. [s]
BEHIND_S = 0.5


class Kitchen:
    """The invented batch on a wire, and a collector that is killed and started again."""

    def __init__(self, data: Path) -> None:
        self.data = data
        self.link = PtyLink()
        # Sixty times as fast as life, a ring of twenty minutes would cover twenty seconds.
        self.node = DemoNode(self.link, keep=100_000)
        self.process = self._spawn()
        self.enough = threading.Event()
        #: Number of the node's newest sample.
        self.said = -1
        #: By how much the play fell behind, on a machine without time for it. [s of this machine]
        self.behind_s = 0.0

    def _spawn(self) -> subprocess.Popen[bytes]:
        where = [str(self.data), str(RATE), *self.link.collect_option]
        command = [sys.executable, "-m", "monitor.cli._demo_child", "collector", *where]
        return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()

    def again(self) -> None:
        self.kill()
        self.process = self._spawn()

    def ready(self) -> bool:
        assert self.process.poll() is None, "the collector ended by itself"
        try:
            with closing(reader.open_reader(self.data)) as conn:
                return bool(read_clocks(conn))
        except StoreError:
            return False  # not made yet

    def begin(self, shown: DemoCanner) -> None:
        header = header_to_json(shown.header) | {"run_id": "r1", "simulated": True}
        header["started_at"] = SYSTEM_TIME.utc_now().isoformat()
        for part in ("site", "probe"):
            # What was checked before the batch was computed is as old now as it was then.
            header[part] = _moved(header[part], SYSTEM_TIME.utc_now() - shown.header.started_at)
        append_entry(self.data, "node_assigned", {"node": NODE_NAME, "canner": header["canner"]})
        append_entry(self.data, "run_started", header, run_id="r1")

    def play(self, shown: DemoCanner) -> None:
        """The batch to its end; then the node goes on as a real one does, and what it says shows what is missing."""
        self.begin(shown)
        start_s, ended, last = time.monotonic(), False, shown.samples[0]
        for step in shown.steps():
            time.sleep(max(0.0, start_s + step.t_s / RATE - time.monotonic()))
            self.behind_s = max(self.behind_s, time.monotonic() - start_s - step.t_s / RATE)
            if step.t_s > over_s(shown) and not ended:
                append_entry(self.data, "run_ended", {}, run_id="r1")
                ended = True
            if isinstance(step, Mark):
                append_entry(self.data, "mark", {"kind": step.kind}, run_id="r1")
            else:
                self.node.say(step)
                last, self.said = step, step.seq or 0
        while not self.enough.wait(COOLING_EVERY_S / RATE):
            t_s, uptime_s = last.t_s + COOLING_EVERY_S, (last.uptime_s or 0.0) + COOLING_EVERY_S
            last = last._replace(t_s=t_s, uptime_s=uptime_s, seq=(last.seq or 0) + 1)
            self.node.say(last)
            self.said = last.seq or 0


def over_s(shown: DemoCanner) -> float:
    """When the run is ended. [s since its start]"""
    return shown.lifted_s + 30.0


def _moved(part: dict[str, Any], by: timedelta) -> dict[str, Any]:
    moved = dict(part)
    for key, value in part.items():
        if isinstance(value, dict):
            moved[key] = _moved(value, by)
        elif key in ("at", "barometer_checked_at") and isinstance(value, str):
            moved[key] = (datetime.fromisoformat(value) + by).isoformat()
    return moved


@pytest.fixture(scope="module")
def shown() -> DemoCanner:
    return demo_canner(minutes=4.0, cooling_s=500.0)


def rows(stored: Any, due: list[Sample]) -> list[tuple[int, float | None]]:
    """(seq, water) in the store, as far as the run goes."""
    question = "SELECT seq, water_C FROM samples WHERE seq <= ? ORDER BY seq"
    return [(seq, water_C) for seq, water_C in stored.ask(question, due[-1].seq)]


def wait_while_moving(claim: Callable[[], bool], moving: Callable[[], object], what: str) -> None:
    """Wait for a claim to come true for as long as something still moves towards it."""
    seen, since_s = moving(), time.monotonic()
    while not claim():
        if (now := moving()) != seen:
            seen, since_s = now, time.monotonic()
        assert time.monotonic() - since_s < STILL_S, f"waited in vain {what}: {seen}"
        time.sleep(0.05)


def placed_late_s(due: list[Sample], recorded: Run) -> float:
    """How much later than it was taken a sample lies in the record. [s of the house]"""
    true_s = {sample.seq: sample.t_s for sample in due}
    return statistics.median(one.t_s - true_s[one.seq] for one in recorded.samples if one.seq in true_s)


def undisturbed(shown: DemoCanner, due: list[Sample], recorded: Run) -> Run:
    """The batch as it was, on the record's own time and with the marks as they were made.

    Sixty times as fast as life, a tenth of a second in which the machine did something else is six seconds between
    what the node and the person meant to do at the same moment; that is no doing of the collector's.
    """
    apart_s = placed_late_s(due, recorded)
    placed = tuple(sample._replace(t_s=sample.t_s + apart_s) for sample in due)
    return replace(shown.header, samples=placed, marks=recorded.marks, ended_at_s=recorded.ended_at_s)


def batch_with_kills(times: int, seed: int, data: Path, shown: DemoCanner, stored: Any) -> None:
    kitchen = Kitchen(data)
    player = threading.Thread(target=kitchen.play, args=(shown,))
    try:
        wait_while_moving(kitchen.ready, lambda: None, "for the first collector")
        kitchen.node.open()
        player.start()
        chance, whole_s = random.Random(seed), over_s(shown) / RATE
        began_s = time.monotonic()
        for moment_s in sorted(chance.uniform(0.0, whole_s) for _ in range(times)):
            time.sleep(max(0.0, began_s + moment_s - time.monotonic()))
            kitchen.again()
        due = [sample for sample in shown.samples if sample.t_s <= over_s(shown)]
        wait_while_moving(
            lambda: len(rows(stored, due)) == len(due), lambda: len(rows(stored, due)), "for every sample"
        )
        for (seq, water_C), sample in zip(rows(stored, due), due, strict=True):
            assert seq == sample.seq, "none lost, doubled or invented"
            assert water_C == pytest.approx(sample.water_C, abs=1e-3)

        def last() -> tuple[str, float]:
            found = stored.ask("SELECT verdict FROM verdicts ORDER BY verdict_id DESC LIMIT 1")
            verdict = json.loads(found[0][0]) if found else {}
            return verdict.get("verdict", ""), verdict.get("proven_s", 0.0)

        def newest() -> int:
            return int(stored.ask("SELECT max(seq) FROM samples")[0][0])

        # Only what is said now shows where the node's clock lies; until then it comes from its memory.
        wait_while_moving(lambda: newest() >= kitchen.said - 3, newest, "for what the node says now")

        def settled() -> bool:
            """Each sample where it was taken, within a second of this machine, and the verdict given on that."""
            recorded = reader.load_run(stored.connection(), "r1")
            verdict = judge(recorded)
            return last() == (verdict.verdict, verdict.proven_s) and abs(placed_late_s(due, recorded)) <= RATE

        wait_while_moving(settled, last, "for the verdict on all of it")
        as_meant = judge(
            replace(shown.header, samples=tuple(due), marks=shown.marks, ended_at_s=over_s(shown))
        )
        as_it_was = judge(undisturbed(shown, due, reader.load_run(stored.connection(), "r1")))
        assert as_meant.verdict == "held"
        assert last()[0] == as_it_was.verdict
        # A play that fell behind marks the boil when it is over: then less is rightly held.
        assert last()[0] == "held" or kitchen.behind_s > BEHIND_S
        assert last()[1] == pytest.approx(as_it_was.proven_s, abs=5.0)
        assert stored.ask("SELECT 1 FROM conflicts UNION ALL SELECT 1 FROM lost") == []
    finally:
        kitchen.enough.set()
        kitchen.kill()
        if player.ident is not None:
            player.join()
        kitchen.node.close()


def test_killed_four_times_in_a_batch(data: Path, shown: DemoCanner, stored: Any) -> None:
    batch_with_kills(4, 1, data, shown, stored)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(20))
def test_killed_two_hundred_times_in_twenty_batches(
    seed: int, data: Path, shown: DemoCanner, stored: Any
) -> None:
    batch_with_kills(10, 100 + seed, data, shown, stored)
