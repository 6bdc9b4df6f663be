"""A collector killed at random moments of an invented batch, faster than life: nothing is lost and nothing
invented, and the verdict is the one that an undisturbed collector would have given.

The node speaks over a pseudo-terminal and keeps what it was not told is stored. (Requirement after FDA's guide to
inspections, part 1, page 15, and 21 CFR 11.10(a): a record that was interrupted shows it and invents nothing.)
"""

from __future__ import annotations

import json
import random
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
from monitor.record import Mark, Sample, header_to_json
from monitor.simulate.node import NODE_NAME, DemoCanner, demo_canner
from monitor.store import reader
from monitor.store.clock import read_clocks
from monitor.store.entries import append_entry
from monitor.store.stamp import SYSTEM_TIME

#: Times as fast as life.
RATE = 60.0


class Kitchen:
    """The invented batch on a wire, and a collector that is killed and started again."""

    def __init__(self, data: Path) -> None:
        self.data = data
        self.link = PtyLink()
        # Sixty times as fast as life, a ring of twenty minutes would cover twenty seconds.
        self.node = DemoNode(self.link, keep=100_000)
        self.process = self._spawn()

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
        """The batch to its end, and after it the node goes on as a real one does."""
        self.begin(shown)
        start_s, ended = time.monotonic(), False
        for step in shown.steps():
            time.sleep(max(0.0, start_s + step.t_s / RATE - time.monotonic()))
            if step.t_s > over_s(shown) and not ended:
                append_entry(self.data, "run_ended", {}, run_id="r1")
                ended = True
            if isinstance(step, Mark):
                append_entry(self.data, "mark", {"kind": step.kind}, run_id="r1")
            else:
                self.node.say(step)


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


def batch_with_kills(times: int, seed: int, data: Path, shown: DemoCanner, stored: Any, wait: Any) -> None:
    kitchen = Kitchen(data)
    try:
        wait(kitchen.ready, 60.0)
        kitchen.node.open()
        player = threading.Thread(target=kitchen.play, args=(shown,))
        player.start()
        chance, whole_s = random.Random(seed), over_s(shown) / RATE
        began_s = time.monotonic()
        for moment_s in sorted(chance.uniform(0.0, whole_s) for _ in range(times)):
            time.sleep(max(0.0, began_s + moment_s - time.monotonic()))
            kitchen.again()
        player.join()
        due = [sample for sample in shown.samples if sample.t_s <= over_s(shown)]
        wait(lambda: len(rows(stored, due)) == len(due), 90.0, "for every sample")
        for (seq, water_C), sample in zip(rows(stored, due), due, strict=True):
            assert seq == sample.seq, "none lost, doubled or invented"
            assert water_C == pytest.approx(sample.water_C, abs=1e-3)

        def last() -> dict[str, Any]:
            found = stored.ask("SELECT verdict FROM verdicts ORDER BY verdict_id DESC LIMIT 1")
            return json.loads(found[0][0]) if found else {}

        undisturbed = judge(
            replace(shown.header, samples=tuple(due), marks=shown.marks, ended_at_s=over_s(shown))
        )
        assert undisturbed.verdict == "held"
        wait(lambda: last().get("verdict") == undisturbed.verdict, 90.0, "for the verdict on all of it")
        of_the_record = judge(reader.load_run(stored.connection(), "r1"))
        assert (last()["verdict"], last()["proven_s"]) == (of_the_record.verdict, of_the_record.proven_s)
        # Marks are placed by a clock that runs sixty times as fast as the process that makes them.
        assert last()["proven_s"] == pytest.approx(undisturbed.proven_s, abs=30.0)
        assert stored.ask("SELECT 1 FROM conflicts UNION ALL SELECT 1 FROM lost") == []
    finally:
        kitchen.kill()
        kitchen.node.close()


def test_killed_four_times_in_a_batch(
    data: Path, shown: DemoCanner, stored: Any, wait: Callable[..., None]
) -> None:
    batch_with_kills(4, 1, data, shown, stored, wait)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(20))
def test_killed_two_hundred_times_in_twenty_batches(
    seed: int, data: Path, shown: DemoCanner, stored: Any, wait: Callable[..., None]
) -> None:
    batch_with_kills(10, 100 + seed, data, shown, stored, wait)
