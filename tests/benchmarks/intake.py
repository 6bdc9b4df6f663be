"""How fast, and how soon: the durable collector beside a subscriber that writes a file and one that only receives.

Run by hand::

    python tests/benchmarks/intake.py throughput   # ratios, side by side on the same traffic
    python tests/benchmarks/intake.py latency      # publish to visible in another process
    python tests/benchmarks/intake.py backlog      # what waited at the broker, and the alarm path meanwhile
    python tests/benchmarks/intake.py load         # CPU and memory at 50 nodes of 4 channels at 1 Hz
    python tests/benchmarks/intake.py week         # memory over simulated days, a run on, 600 times life's speed

Everything is real: mosquitto, mosquitto_pub and mosquitto_sub, paho, the collector as a process of its own.
Rates differ between machines and hours; only the ratios within one run mean anything.
"""

from __future__ import annotations

import argparse
import getpass
import json
import math
import os
import signal
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from queue import Queue

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.collector import Collector
from monitor.intake.framing import frame
from monitor.intake.source import Arrival, put_blocking
from monitor.store.entries import append_entry
from monitor.timesource import ScaledTime

MOSQUITTO = "/usr/sbin/mosquitto"
#: More than 65,535 lines in one mosquitto_pub -l lose some without a word.
LINES_EACH = 15_000
PUBLISHERS = 3


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def broker(folder: Path) -> Iterator[int]:
    port = free_port()
    config = folder / "mosquitto.conf"
    config.write_text(
        f"user {getpass.getuser()}\nlistener {port} 127.0.0.1\nallow_anonymous true\n"
        "max_queued_messages 1000000\nmax_inflight_messages 200\n"
    )
    process = subprocess.Popen([MOSQUITTO, "-c", str(config)], stderr=subprocess.DEVNULL)
    while True:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.02)
    try:
        yield port
    finally:
        process.kill()
        process.wait()


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


def timed(folder: Path, port: int, boot: int, arrived: Callable[[], int]) -> float:
    """Messages a second from the first publish until all have arrived."""
    began = time.monotonic()
    publishers = publish(folder, port, boot)
    total = LINES_EACH * PUBLISHERS
    while arrived() < total:
        time.sleep(0.02)
        if time.monotonic() - began > 120:
            raise SystemExit(f"only {arrived()} of {total} arrived")
    rate = total / (time.monotonic() - began)
    for publisher in publishers:
        publisher.wait()
    return rate


def to_a_file(folder: Path, boot: int) -> float:
    with broker(folder) as port:
        path = folder / f"sub-{boot}"
        with path.open("wb") as out:
            command = [
                "mosquitto_sub",
                "-h",
                "127.0.0.1",
                "-p",
                str(port),
                "-q",
                "1",
                "-t",
                "boilwitness/+/samples",
            ]
            subscriber = subprocess.Popen(command, stdout=out)
            time.sleep(0.5)
            size = sum(
                len(pack(f"n{n}", seq, boot)) + 1 for n in range(PUBLISHERS) for seq in range(LINES_EACH)
            )

            def arrived() -> int:
                return LINES_EACH * PUBLISHERS if path.stat().st_size >= size else 0

            # mosquitto_sub holds back up to one buffer of 4096 bytes until it is told to end.
            def nearly() -> int:
                return LINES_EACH * PUBLISHERS if path.stat().st_size >= size - 4096 else 0

            rate = timed(folder, port, boot, nearly)
            time.sleep(0.5)
            subscriber.send_signal(signal.SIGTERM)
            subscriber.wait()
            assert arrived(), f"mosquitto_sub wrote {path.stat().st_size} of {size} bytes"
        return rate


RECEIVER = """
import sys, time
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
count = 0
def on_message(c, u, m):
    global count
    count += 1
    if count == int(sys.argv[2]):
        print("all", flush=True)
client = paho.Client(CallbackAPIVersion.VERSION2, client_id="receiver", protocol=paho.MQTTv5)
client.on_message = on_message
client.on_connect = lambda c, *_: c.subscribe("boilwitness/+/samples", 1)
client.on_subscribe = lambda *_: print("ready", flush=True)
client.connect("127.0.0.1", int(sys.argv[1]))
client.loop_forever()
"""


def only_received(folder: Path, boot: int) -> float:
    with broker(folder) as port:
        total = LINES_EACH * PUBLISHERS
        command = [sys.executable, "-c", RECEIVER, str(port), str(total)]
        receiver = subprocess.Popen(command, stdout=subprocess.PIPE, bufsize=0)
        assert receiver.stdout is not None
        pipe = receiver.stdout
        assert pipe.readline() == b"ready\n"
        os.set_blocking(pipe.fileno(), False)

        def arrived() -> int:
            return total if b"all" in (pipe.read() or b"") else 0

        try:
            return timed(folder, port, boot, arrived)
        finally:
            receiver.kill()
            receiver.wait()


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


def stored_durably(folder: Path, boot: int) -> float:
    with broker(folder) as port, collector(folder, port) as (data, _):
        return timed(folder, port, boot, Rows(data).count)


def throughput(rounds: int) -> None:
    ways = {
        "mosquitto_sub to a file": to_a_file,
        "paho only receives": only_received,
        "the collector": stored_durably,
    }
    rates: dict[str, list[float]] = {name: [] for name in ways}
    for boot in range(1, rounds + 1):
        for name, way in ways.items():
            with tempfile.TemporaryDirectory() as folder:
                rates[name].append(way(Path(folder), boot))
    medians = {name: statistics.median(values) for name, values in rates.items()}
    for name, rate in medians.items():
        print(f"{name:26} {rate:8.0f} msg/s   {[round(value) for value in rates[name]]}")
    ours = rates["the collector"]
    for name in list(ways)[:2]:
        ratio = statistics.median(a / b for a, b in zip(ours, rates[name], strict=True))
        print(f"ratio to {name:26} {ratio:.2f}")


def connected(port: int) -> paho.Client:
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def latency(messages: int) -> None:
    """20 messages a second; another process polls data_version every 20 ms and then looks."""
    with tempfile.TemporaryDirectory() as name, broker(Path(name)) as port:
        with collector(Path(name), port) as (data, _):
            watcher = subprocess.Popen(
                [sys.executable, "-c", WATCHER, str(data), str(messages)], stdout=subprocess.PIPE, text=True
            )
            client, sent = connected(port), []
            time.sleep(1.0)
            for seq in range(messages):
                sent.append(time.monotonic())
                client.publish("boilwitness/n0/samples", pack("n0", seq, 1), qos=1)
                time.sleep(0.05)
            seen = dict(json.loads(watcher.communicate(timeout=30)[0]))
        delays = sorted(1000 * (seen[str(seq)] - at) for seq, at in enumerate(sent))
        print(
            f"publish to visible, {messages} messages at 20 a second: p50 {delays[len(delays) // 2]:.0f} ms, "
            f"p99 {delays[len(delays) * 99 // 100]:.0f} ms, worst {delays[-1]:.0f} ms"
        )


WATCHER = """
import json, sqlite3, sys, time
conn = sqlite3.connect(f"file:{sys.argv[1]}/boilwitness.sqlite?mode=ro", uri=True)
seen, version, upto, end = {}, None, -1, time.monotonic() + 120
while len(seen) < int(sys.argv[2]) and time.monotonic() < end:
    now = conn.execute("PRAGMA data_version").fetchone()[0]
    if now != version:
        version = now
        for (seq,) in conn.execute("SELECT seq FROM samples WHERE seq > ? ORDER BY seq", (upto,)).fetchall():
            seen[seq] = time.monotonic()
            upto = seq
    time.sleep(0.02)
print(json.dumps(seen))
"""


def backlog(messages: int) -> None:
    """What waited while the collector was away, and meanwhile a node on a cable that speaks ten times a second."""
    with tempfile.TemporaryDirectory() as name, broker(Path(name)) as port:
        folder = Path(name)
        with collector(folder, port):
            time.sleep(1.0)
        for boot in range(1, 1 + messages // (LINES_EACH * PUBLISHERS)):
            for publisher in publish(folder, port, boot):
                publisher.wait()
        queued = messages // (LINES_EACH * PUBLISHERS) * LINES_EACH * PUBLISHERS
        cable, port_end = os.openpty()
        tty.setraw(port_end)
        began = time.monotonic()
        with collector(folder, port, "--serial", os.ttyname(port_end)) as (data, _):
            rows, delays = Rows(data), [0.0]
            while not rows.has("cable", 0):
                # Opening the port throws away what came before.
                os.write(cable, frame(pack("cable", 0, 1).encode()))
                time.sleep(0.02)
            while rows.count() < queued + len(delays):
                sent = time.monotonic()
                os.write(cable, frame(pack("cable", len(delays), 1).encode()))
                while not rows.has("cable", len(delays)):
                    time.sleep(0.005)
                delays.append(1000 * (time.monotonic() - sent))
                time.sleep(0.1)
            took = time.monotonic() - began
        delays = sorted(delays[1:])
        print(
            f"backlog of {queued} messages stored in {took:.1f} s: {queued / took:.0f} msg/s, start included"
        )
        print(
            f"meanwhile a sample on a cable was stored after p50 {delays[len(delays) // 2]:.0f} ms, "
            f"worst {delays[-1]:.0f} ms ({len(delays)} samples)"
        )


def load(minutes: float) -> None:
    """50 nodes, 4 channels, 1 Hz; one run on. CPU of the collector as a share of one core, and its memory."""
    with tempfile.TemporaryDirectory() as name, broker(Path(name)) as port:  # noqa: SIM117
        with collector(Path(name), port) as (data, process):
            start = ["runs", "start", "--minutes", "30", "--node", "n0", "--canner", "c1", "--data"]
            subprocess.run(
                [sys.executable, "-m", "monitor", *start, str(data)], check=True, stdout=subprocess.DEVNULL
            )
            client = connected(port)
            cpu_s, began = cpu(process.pid), time.monotonic()
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
            used = (cpu(process.pid) - cpu_s) / (time.monotonic() - began)
            print(
                f"50 nodes of 4 channels at 1 Hz, {seconds} s: {used:.1%} of one core, {memory_mb(process.pid):.0f} MB"
            )


class SimulatedNode:
    """A source that is a node: one sample a second of its own, faster clock."""

    name = "simulated"

    def __init__(self, clock: ScaledTime) -> None:
        self._clock = clock
        self._over = threading.Event()

    def start(self, queue: Queue[Arrival], stop: threading.Event) -> None:
        threading.Thread(target=self._work, args=(queue, stop), daemon=True).start()

    def _work(self, queue: Queue[Arrival], stop: threading.Event) -> None:
        began_s, seq = self._clock.monotonic_s(), 0
        while not stop.is_set():
            wait_s = (began_s + seq - self._clock.monotonic_s()) / self._clock.rate
            if wait_s > 0:
                time.sleep(wait_s)
            payload = (
                f'[{{"bn":"n1:","n":"boot","v":1}},{{"n":"seq","v":{seq}}},{{"n":"uptime","u":"s","v":{seq}}},'
                f'{{"n":"water","u":"Cel","v":{90 + 5 * math.sin(seq / 7000) + seq % 7 / 100:.2f}}}]'
            )
            put_blocking(queue, Arrival(self.name, None, payload.encode(), self._clock.monotonic_s()), stop)
            seq += 1

    def stop(self) -> None:
        return

    def close(self) -> None:
        return

    def ask(self, node: str, payload: bytes) -> bool:
        return True

    def publish_alarm(self, node: str, payload: bytes) -> bool:
        return True

    def reaches_out(self) -> bool | None:
        return None

    def status(self) -> str:
        return "running"


def week(days: float) -> None:
    clock = ScaledTime(600.0)
    with tempfile.TemporaryDirectory() as name:
        data = Path(name)
        append_entry(data, "node_assigned", {"node": "n1", "canner": "c1"})
        header = {
            "format": "boilwitness-run/1",
            "run_id": "r1",
            "canner": "c1",
            "started_at": datetime.now(UTC).isoformat(),
            "required": {"minutes": 30},
            "site": {"altitude_m": 1650},
            "simulated": True,
        }
        append_entry(data, "run_started", header, run_id="r1")
        stop = threading.Event()
        service = Collector(data, [SimulatedNode(clock)], say=lambda facts, line: None, time=clock)
        thread = threading.Thread(target=service.run, args=(stop,))
        thread.start()
        began = time.monotonic()
        for step in range(1, int(days * 4) + 1):
            time.sleep(max(0.0, began + step * 6 * 3600 / clock.rate - time.monotonic()))
            rows = Rows(data).count()
            print(f"{step / 4:5.2f} days: {rows} samples, {memory_mb(os.getpid()):.1f} MB", flush=True)
        stop.set()
        thread.join()


def cpu(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    line = next(
        line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmRSS")
    )
    return int(line.split()[1]) / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("what", choices=["throughput", "latency", "backlog", "load", "week"])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--messages", type=int, default=500)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--days", type=float, default=7.0)
    args = parser.parse_args()
    if args.what == "throughput":
        throughput(args.rounds)
    elif args.what == "latency":
        latency(args.messages)
    elif args.what == "backlog":
        backlog(max(args.messages, 90_000))
    elif args.what == "week":
        week(args.days)
    else:
        load(args.minutes)


if __name__ == "__main__":
    with suppress(KeyboardInterrupt):
        main()
