"""What the intake benchmarks share: a real broker, the collector as a process, traffic, and questions to the system."""

from __future__ import annotations

import importlib.util
import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

#: More than 65,535 lines in one mosquitto_pub -l lose some without a word.
LINES_EACH = 15_000
PUBLISHERS = 3
TOTAL = LINES_EACH * PUBLISHERS


def from_tests(path: str) -> ModuleType:
    """A conftest of the tests as a module: the same broker and the same fed collector as theirs."""
    spec = importlib.util.spec_from_file_location("shared", Path(__file__).parents[1] / path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@contextmanager
def broker(folder: Path) -> Iterator[Any]:
    """A mosquitto that keeps much and sends much."""
    shared = from_tests("conftest.py")
    settings = "allow_anonymous true\nmax_queued_messages 1000000\nmax_inflight_messages 200\n"
    one = shared.Broker(folder, shared.free_port(), settings)
    try:
        yield one
    finally:
        one.kill()


def pack(node: str, seq: int, boot: int) -> str:
    """About 110 bytes: three records, as a small node says them."""
    return (
        f'[{{"bn":"{node}:","n":"boot","v":{boot}}},{{"n":"seq","v":{seq}}},'
        f'{{"n":"uptime","u":"s","v":{seq / 10:.1f}}},{{"n":"water","u":"Cel","v":{90 + seq % 100 / 10:.1f}}}]'
    )


def publish(folder: Path, port: int, boot: int) -> list[subprocess.Popen[bytes]]:
    publishers = []
    for number in range(PUBLISHERS):
        node = f"n{number}"
        path = folder / f"lines-{node}-{boot}"
        path.write_text("".join(pack(node, seq, boot) + "\n" for seq in range(LINES_EACH)))
        command = [
            "mosquitto_pub",
            "-h",
            "127.0.0.1",
            "-p",
            str(port),
            "-q",
            "1",
            "-t",
            f"boilwitness/{node}/samples",
            "-l",
        ]
        publishers.append(subprocess.Popen(command, stdin=path.open("rb")))
    return publishers


@contextmanager
def collector(folder: Path, port: int, *more: str) -> Iterator[tuple[Path, subprocess.Popen[str]]]:
    data = folder / "data"
    command = [sys.executable, "-m", "monitor", "collect", "--mqtt", f"127.0.0.1:{port}", "--data", str(data)]
    process = subprocess.Popen([*command, *more], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    while "connected" not in process.stdout.readline():
        pass
    os.set_blocking(process.stdout.fileno(), False)
    try:
        yield data, process
    finally:
        process.terminate()
        process.wait()


class Rows:
    """How many rows are in the store, asked often by one connection."""

    def __init__(self, data: Path) -> None:
        self._conn = sqlite3.connect(f"file:{data}/boilwitness.sqlite?mode=ro", uri=True)

    def count(self) -> int:
        row = self._conn.execute("SELECT coalesce(sum(samples), 0) FROM nodes").fetchone()
        return int(row[0])

    def has(self, node: str, seq: int) -> bool:
        """Whether a sample of a node is there."""
        row = self._conn.execute(
            "SELECT 1 FROM samples JOIN nodes ON node = node_id WHERE name = ? AND seq = ?", (node, seq)
        ).fetchone()
        return row is not None


def connected(port: int) -> paho.Client:
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def cpu_s(pid: int) -> float:
    """Processor time that a process has used. [s]"""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Memory that a process holds. [MiB]"""
    line = next(
        line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmRSS")
    )
    return int(line.split()[1]) / 1024
