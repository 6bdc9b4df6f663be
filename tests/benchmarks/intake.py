"""How fast, and how soon: the durable collector beside a subscriber that writes a file and one that only receives.

Run by hand::

    python tests/benchmarks/intake.py throughput   # ratios, side by side on the same traffic
    python tests/benchmarks/intake.py latency      # publish to visible in another process
    python tests/benchmarks/intake.py backlog      # what waited at the broker, and the alarm path meanwhile

Everything is real: mosquitto, mosquitto_pub and mosquitto_sub, paho, the collector as a process of its own.
Rates differ between machines and hours; only the ratios within one run mean anything. On a machine with other work
the processor time a message is the steadier figure: it is what the way in costs, however long it had to wait.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from _parts import LINES_EACH, PUBLISHERS, TOTAL, Rows, broker, collector, connected, cpu_s, pack, publish

from monitor.intake.framing import frame


class Rate(NamedTuple):
    """Messages a second by the clock, and processor time a message in the receiving process. [1/s, µs]"""

    by_clock: float
    cost_us: float


def timed(folder: Path, port: int, boot: int, arrived: Callable[[], int], pid: int) -> Rate:
    """From the first publish until all have arrived; ``pid``: whose processor time counts."""
    used_s, began = cpu_s(pid), time.monotonic()
    publishers = publish(folder, port, boot)
    while arrived() < TOTAL:
        time.sleep(0.02)
        if time.monotonic() - began > 120:
            raise SystemExit(f"only {arrived()} of {TOTAL} arrived")
    rate = Rate(TOTAL / (time.monotonic() - began), 1e6 * (cpu_s(pid) - used_s) / TOTAL)
    for publisher in publishers:
        publisher.wait()
    return rate


def to_a_file(folder: Path, boot: int) -> Rate:
    with broker(folder) as server:
        path = folder / f"sub-{boot}"
        with path.open("wb") as out:
            where = ["-h", "127.0.0.1", "-p", str(server.port)]
            command = ["mosquitto_sub", *where, "-q", "1", "-t", "boilwitness/+/samples"]
            subscriber = subprocess.Popen(command, stdout=out)
            time.sleep(0.5)
            size = sum(
                len(pack(f"n{n}", seq, boot)) + 1 for n in range(PUBLISHERS) for seq in range(LINES_EACH)
            )

            def arrived() -> int:
                return TOTAL if path.stat().st_size >= size else 0

            # mosquitto_sub holds back up to one buffer of 4096 bytes until it is told to end.
            def nearly() -> int:
                return TOTAL if path.stat().st_size >= size - 4096 else 0

            rate = timed(folder, server.port, boot, nearly, subscriber.pid)
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


def only_received(folder: Path, boot: int) -> Rate:
    with broker(folder) as server:
        command = [sys.executable, "-c", RECEIVER, str(server.port), str(TOTAL)]
        receiver = subprocess.Popen(command, stdout=subprocess.PIPE, bufsize=0)
        assert receiver.stdout is not None
        pipe = receiver.stdout
        assert pipe.readline() == b"ready\n"
        os.set_blocking(pipe.fileno(), False)

        def arrived() -> int:
            return TOTAL if b"all" in (pipe.read() or b"") else 0

        try:
            return timed(folder, server.port, boot, arrived, receiver.pid)
        finally:
            receiver.kill()
            receiver.wait()


def stored_durably(folder: Path, boot: int) -> Rate:
    with broker(folder) as server, collector(folder, server.port) as (data, process):
        return timed(folder, server.port, boot, Rows(data).count, process.pid)


def throughput(rounds: int) -> None:
    ways = {
        "mosquitto_sub to a file": to_a_file,
        "paho only receives": only_received,
        "the collector": stored_durably,
    }
    rates: dict[str, list[Rate]] = {name: [] for name in ways}
    for boot in range(1, rounds + 1):
        for name, way in ways.items():
            with tempfile.TemporaryDirectory() as folder:
                rates[name].append(way(Path(folder), boot))
    for name, found in rates.items():
        by_clock = statistics.median(rate.by_clock for rate in found)
        cost_us = statistics.median(rate.cost_us for rate in found)
        each = [round(rate.by_clock) for rate in found]
        print(f"{name:26} {by_clock:8.0f} msg/s   {cost_us:5.1f} µs of a processor a message   {each}")
    ours = rates["the collector"]
    for name in list(ways)[:2]:
        pairs = list(zip(ours, rates[name], strict=True))
        ratio = statistics.median(a.by_clock / b.by_clock for a, b in pairs)
        cost = statistics.median(b.cost_us / a.cost_us for a, b in pairs)
        print(f"ratio to {name:26} {ratio:.2f} by the clock, {cost:.2f} by processor time")


def latency(messages: int) -> None:
    """20 messages a second; another process polls data_version every 20 ms and then looks."""
    with tempfile.TemporaryDirectory() as name, broker(Path(name)) as server:
        with collector(Path(name), server.port) as (data, _):
            watcher = subprocess.Popen(
                [sys.executable, "-c", WATCHER, str(data), str(messages)], stdout=subprocess.PIPE, text=True
            )
            client, sent = connected(server.port), []
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
    with tempfile.TemporaryDirectory() as name, broker(Path(name)) as server:
        folder, port = Path(name), server.port
        with collector(folder, port):
            time.sleep(1.0)
        for boot in range(1, 1 + messages // TOTAL):
            for publisher in publish(folder, port, boot):
                publisher.wait()
        queued = messages // TOTAL * TOTAL
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


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("what", choices=["throughput", "latency", "backlog"])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--messages", type=int, default=500)
    args = parser.parse_args()
    if args.what == "throughput":
        throughput(args.rounds)
    elif args.what == "latency":
        latency(args.messages)
    else:
        backlog(max(args.messages, 2 * TOTAL))


if __name__ == "__main__":
    with suppress(KeyboardInterrupt):
        main()
