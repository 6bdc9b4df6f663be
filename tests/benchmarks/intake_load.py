"""What it takes to keep going: processor time and memory of the collector under a house's load, and over a week.

Run by hand::

    python tests/benchmarks/intake_load.py load    # 50 nodes of 4 channels at 1 Hz, one run on
    python tests/benchmarks/intake_load.py week    # memory over a simulated week: a node at 1 Hz, two batches a day
    python tests/benchmarks/intake_load.py forgotten   # the same, in one run that nobody ends

The week is not slept through: samples and the collector's clock are fed as fast as they are stored, in pieces of a
minute, which takes about two minutes.
"""

from __future__ import annotations

import argparse
import gc
import math
import os
import random
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from _parts import broker, collector, connected, cpu_s, from_tests, memory_mb

from monitor.intake.wire import Pack
from monitor.store.entries import append_entry
from monitor.timesource import ManualTime

HALF_DAY_S = 43_200
#: A batch: jars in at once, heat off after an hour, over after an hour and a half. [s]
HEAT_OFF_S, OVER_S = 3600, 5400


def load(minutes: float) -> None:
    """50 nodes, 4 channels, 1 Hz; one run on. CPU of the collector as a share of one core, and its memory."""
    with tempfile.TemporaryDirectory() as name, broker(Path(name)) as server:  # noqa: SIM117
        with collector(Path(name), server.port) as (data, process):
            start = ["runs", "start", "--minutes", "30", "--node", "n0", "--already-boiling", "--data"]
            subprocess.run(
                [sys.executable, "-m", "monitor", *start, str(data)], check=True, stdout=subprocess.DEVNULL
            )
            client = connected(server.port)
            used_s, began = cpu_s(process.pid), time.monotonic()
            seconds = int(minutes * 60)
            for seq in range(seconds):
                for node in range(50):
                    whole = (
                        f'[{{"bn":"n{node}:","bu":"Cel","n":"boot","v":1}},{{"n":"seq","v":{seq}}},'
                        f'{{"n":"uptime","u":"s","v":{seq}}},{{"n":"water","v":{20 + seq / 60:.2f}}},'
                        f'{{"n":"room","v":21.5}},{{"n":"chip","v":24.25}},{{"n":"jar-1","v":60.5}}]'
                    )
                    client.publish(f"boilwitness/n{node}/samples", whole, qos=1)
                    time.sleep(0.0005)
                time.sleep(max(0.0, began + seq + 1 - time.monotonic()))
            used = (cpu_s(process.pid) - used_s) / (time.monotonic() - began)
            print(
                f"50 nodes of 4 channels at 1 Hz, {seconds} s: {used:.1%} of one core, {memory_mb(process.pid):.0f} MB"
            )


class House:
    """A store with one canner, its clock, and the entries that a person makes."""

    def __init__(self, data: Path) -> None:
        self.data = data
        self.clock = ManualTime(datetime(2026, 8, 14, tzinfo=UTC), 1000.0)
        self._enter("node_assigned", {"node": "n1", "canner": "c1"}, None)

    def _enter(self, kind: str, body: dict[str, Any], run_id: str | None) -> None:
        append_entry(self.data, kind, body, run_id=run_id, time=self.clock)

    def begin(self, run_id: str) -> None:
        header = {
            "format": "boilwitness-run/1",
            "run_id": run_id,
            "canner": "c1",
            "started_at": self.clock.utc_now().isoformat(),
            "required": {"minutes": 30},
            "site": {"altitude_m": 1650},
            "simulated": True,
        }
        self._enter("run_started", header, run_id)
        self._enter("mark", {"kind": "jars_in"}, run_id)

    def due(self, second: int) -> None:
        """Two batches a day."""
        run_id, into_s = f"r{second // HALF_DAY_S}", second % HALF_DAY_S
        if into_s == 0:
            self.begin(run_id)
        elif into_s == HEAT_OFF_S:
            self._enter("mark", {"kind": "heat_off"}, run_id)
        elif into_s == OVER_S:
            self._enter("run_ended", {}, run_id)


def water_C(second: int, chance: random.Random) -> float:
    """Cold, to the boil in 25 min, on until heat off, then cooling; quiet for the rest of the half day."""
    into_s = second % HALF_DAY_S
    if into_s < HEAT_OFF_S:
        return 20.0 + 74.5 * min(1.0, into_s / 1500) + chance.gauss(0.0, 0.03)
    return 21.0 + 73.0 * math.exp(-(into_s - HEAT_OFF_S) / 5000.0) + chance.gauss(0.0, 0.02)


def week(days: float, *, forgotten: bool) -> None:
    """Memory each quarter of a day. With ``forgotten`` one run is on all the time."""
    fed, chance = from_tests("collector/conftest.py").Fed, random.Random(7)
    with tempfile.TemporaryDirectory() as name:
        house = House(Path(name))
        if forgotten:
            house.begin("r0")
        running = fed(house.data, house.clock)
        began = time.monotonic()
        for minute in range(int(days * 1440)):
            if not forgotten:
                house.due(minute * 60)
            start_s = house.clock.monotonic_s()
            running.say(
                [
                    (
                        start_s + n + 1,
                        Pack("n1", boot=1, seq=seq, uptime_s=float(seq), water_C=water_C(seq, chance)),
                    )
                    for n, seq in enumerate(range(minute * 60, minute * 60 + 60))
                ]
            )
            if (minute + 1) % 360 == 0:
                gc.collect()
                took_s = time.monotonic() - began
                print(
                    f"{(minute + 1) / 1440:5.2f} days: {memory_mb(os.getpid()):.1f} MB   ({took_s:.0f} s)",
                    flush=True,
                )
        running.end()


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("what", choices=["load", "week", "forgotten"])
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--days", type=float, default=7.0)
    args = parser.parse_args()
    if args.what == "load":
        load(args.minutes)
    else:
        week(args.days, forgotten=args.what == "forgotten")


if __name__ == "__main__":
    with suppress(KeyboardInterrupt):
        main()
