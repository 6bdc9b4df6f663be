"""Real parts around a collector: a broker, a collector process, nodes that keep what is not yet stored."""

from __future__ import annotations

import contextlib
import json
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from queue import Queue
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.alarms.channels import Channel
from monitor.collector import Collector, service
from monitor.collector.awake import Awake
from monitor.collector.service import TICK_S
from monitor.intake.source import Arrival, put_blocking
from monitor.intake.wire import Pack, decode_pack, encode_pack
from monitor.judge.engine import Engine
from monitor.record import Sample
from monitor.store.database import open_reader, store_path
from monitor.timesource import ManualTime

Wait = Callable[..., None]

#: What takes so long will not come, on a busy machine either. [s]
PATIENCE_S = 90.0
#: By so much time must have passed for the collector to look at it again, and a little more. [s]
LOOK_S = TICK_S + 0.05
#: What a collector says that lost a run to an error of its own: it goes on, and no test may overlook it.
UNWATCHED = "is not watched any more. An error"


class Collecting:
    """``boilwitness collect`` as a process of its own; what it says is kept."""

    def __init__(self, wait: Wait, data: Path, *options: str) -> None:
        self._wait = wait
        self._command = [sys.executable, "-m", "monitor", "collect", "--data", str(data), *options]
        self.said: list[str] = []
        self.process = self._spawn()

    def _spawn(self) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            self._command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, bufsize=1
        )
        threading.Thread(target=self._listen, args=(process,), daemon=True).start()
        return process

    def _listen(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        with contextlib.suppress(ValueError):
            for line in process.stdout:
                self.said.append(line.rstrip("\n"))

    def heard(self, words: str) -> bool:
        return any(words in line for line in list(self.said))

    def wait_for(self, words: str) -> None:
        self._wait(lambda: self.heard(words), what=f"for {words!r}")

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()

    def again(self) -> None:
        """Start anew after a kill."""
        self.process = self._spawn()

    def stop(self) -> int:
        """End it as a person or the system does; its exit status."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        return self.process.wait(60.0)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def collect(data: Path, wait: Wait) -> Iterator[Callable[..., Collecting]]:
    running: list[Collecting] = []

    def start(*options: str, at: Path = data) -> Collecting:
        running.append(Collecting(wait, at, *options))
        return running[-1]

    yield start
    for one in running:
        one.kill()
        assert not one.heard(UNWATCHED), one.said


class FedSource:
    """A source that is fed by hand, for a collector in this process whose time is fed as well.

    ``feed`` returns when everything is stored and acknowledged, ``put`` at once.
    """

    name = "fed"

    def __init__(self) -> None:
        self.ready = threading.Event()
        self._news = threading.Condition()
        self.asked: list[tuple[str, bytes]] = []
        #: How many arrivals were put on the queue, and how many of them were acknowledged.
        self.given = self.acknowledged = 0
        #: How often the collector has looked at the time: each source hears of it, before anything else is done.
        self.looks = 0
        #: Whether it leads to other rooms, as a broker does; what was said there: level of the topic, kind, state.
        self.out: bool | None = None
        self.told: list[tuple[str, str, str]] = []

    def start(self, queue: Queue[Arrival], stop: threading.Event) -> None:
        self._queue, self._stop = queue, stop
        self.ready.set()

    def put(self, arrivals: list[Arrival]) -> None:
        assert self.ready.wait(PATIENCE_S)
        self.given += len(arrivals)
        put_blocking(self._queue, arrivals, self._stop)

    def feed(self, arrivals: list[Arrival]) -> None:
        self.put(arrivals)
        self.wait_for(lambda: self.acknowledged >= self.given, "for an acknowledgement")

    def wait_for(self, claim: Callable[[], bool], what: str) -> None:
        """Wait for a claim about ``acknowledged`` or ``looks``."""
        with self._news:
            assert self._news.wait_for(claim, PATIENCE_S), f"waited in vain {what}"

    def waiting(self) -> int:
        """How many arrivals the collector has not taken off the queue."""
        return self._queue.qsize()

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        with self._news:
            self.acknowledged += len(arrivals)
            self._news.notify_all()

    def ask(self, node: str, payload: bytes) -> bool:
        self.asked.append((node, payload))
        return True

    def stop(self) -> None:
        return

    def close(self) -> None:
        return

    def publish_alarm(self, node: str, payload: bytes) -> bool:
        pack = {record["n"]: record.get("vs") for record in json.loads(payload)}
        self.told.append((node, pack["alarm"], pack["state"]))
        return bool(self.out)

    def overhear(self, wanted: bool) -> None:
        with self._news:
            self.looks += 1
            self._news.notify_all()

    def reaches_out(self) -> bool | None:
        return self.out

    def status(self) -> str:
        return "fed by hand"


class Fed:
    """A collector in this process with its source and its time, both fed by hand."""

    def __init__(
        self, data: Path, clock: ManualTime, *, push: Channel | None = None, out: bool | None = None
    ) -> None:
        self.clock = clock
        self.source = FedSource()
        self.source.out = out
        self.said: list[str] = []
        self._stop = threading.Event()
        collector = Collector(
            data, [self.source], say=lambda facts, line: self.said.append(line), time=clock, push=push
        )
        self._thread = threading.Thread(target=collector.run, args=(self._stop,), daemon=True)
        self._thread.start()

    def say(self, packs: Sequence[tuple[float, Pack]], piece: int = 60) -> None:
        """Each pack at its time [s of the clock]; a piece of them is stored before the next one comes."""
        for at in range(0, len(packs), piece):
            arrivals = []
            for at_s, pack in packs[at : at + piece]:
                self.clock.advance(max(0.0, at_s - self.clock.monotonic_s()))
                arrivals.append(Arrival("fed", None, encode_pack(pack), self.clock.monotonic_s()))
            self.source.feed(arrivals)

    def pass_time(self, seconds_s: float) -> None:
        """Let time pass, and the collector do whatever is due by then; a second more passes with that.

        The first look may have begun before; when the third begins, the second is done.
        """
        self.clock.advance(seconds_s)
        for _ in range(3):
            seen = self.source.looks
            self.clock.advance(LOOK_S)
            self.source.wait_for(lambda seen=seen: self.source.looks > seen, "for the collector to look")

    @property
    def at_work(self) -> bool:
        return self._thread.is_alive()

    def heard(self, words: str) -> bool:
        return any(words in line for line in list(self.said))

    def end(self) -> None:
        self._stop.set()
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> ManualTime:
    """The clock by which a collector in this process notices that its machine was stalled: it stands still, for what
    this machine does besides is no part of a time that is fed."""
    still = ManualTime(datetime(2026, 8, 14, 15, 0, tzinfo=UTC))
    monkeypatch.setattr(service, "Awake", lambda rate: Awake(rate, still))
    return still


@pytest.fixture
def fed(data: Path, machine: ManualTime) -> Iterator[Callable[..., Fed]]:
    running: list[Fed] = []

    def start(clock: ManualTime, **ways: Any) -> Fed:
        running.append(Fed(data, clock, **ways))
        return running[-1]

    yield start
    for one in running:
        one.end()
        assert not one.heard(UNWATCHED), one.said


class RingNode:
    """A node over MQTT that keeps its samples until it was told that they are stored, as the contract asks.

    Sample n of a start reads ``20 + n/100`` °C, so that a changed or invented value shows.
    """

    def __init__(self, wait: Wait, port: int, name: str = "n1", boot: int = 7, keep: int = 100_000) -> None:
        self.name, self.boot, self.made = name, boot, 0
        self.stored = -1
        self._began_s = time.monotonic()
        self._ring: dict[int, bytes] = {}
        self._keep = keep
        self._lock = threading.Lock()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"node-{name}-{boot}")
        self._client.reconnect_delay_set(1, 1)
        self._client.max_queued_messages_set(0)
        self._client.on_connect = lambda client, *_: client.subscribe(f"boilwitness/{name}/ask", 1)
        self._client.on_message = self._asked
        self._client.connect("127.0.0.1", port, keepalive=5)
        self._client.loop_start()
        wait(self._client.is_connected, what="for the node's link")

    def sample(self, **channels: Any) -> None:
        """Take the next sample and send it, if there is a link; keep it either way."""
        with self._lock:
            seq = self.made
            self.made += 1
            values = {"water_C": round(20 + seq / 100, 2), **channels}
            uptime_s = round(time.monotonic() - self._began_s + 3.0, 3)
            payload = encode_pack(Pack(self.name, boot=self.boot, seq=seq, uptime_s=uptime_s, **values))
            self._ring[seq] = payload
            for old in sorted(self._ring)[: -self._keep]:
                del self._ring[old]
        self._send(payload)

    def send_raw(self, payload: bytes, *, retain: bool = False) -> None:
        self._client.publish(f"boilwitness/{self.name}/samples", payload, qos=1, retain=retain)

    def _send(self, payload: bytes) -> None:
        # Without a link nothing is queued in the library: the ring is the queue.
        if self._client.is_connected():
            self._client.publish(f"boilwitness/{self.name}/samples", payload, qos=1)

    def _asked(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        ask = decode_pack(message.payload)
        if ask.boot != self.boot:
            return
        with self._lock:
            if ask.stored is not None:
                self.stored = max(self.stored, ask.stored)
                for old in [seq for seq in self._ring if seq <= self.stored]:
                    del self._ring[old]
            if ask.resend is None:
                return
            held = sorted(seq for seq in self._ring if seq >= ask.resend)
            missing = (held[0] if held else self.made) - ask.resend
            again = [self._ring[seq] for seq in held]
        if missing > 0:
            gone = Pack(self.name, boot=self.boot, gone=missing, resend=ask.resend)
            client.publish(f"boilwitness/{self.name}/samples", encode_pack(gone), qos=1)
        for payload in again:
            self._send(payload)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def make_node(broker: Any, wait: Wait) -> Iterator[Callable[..., RingNode]]:
    nodes: list[RingNode] = []

    def make(*arguments: Any, **options: Any) -> RingNode:
        nodes.append(RingNode(wait, broker.port, *arguments, **options))
        return nodes[-1]

    yield make
    for node in nodes:
        node.close()


class Stored:
    """Questions to the store from outside, while others write it."""

    def __init__(self, data: Path) -> None:
        self._data = data

    def ask(self, question: str, *values: Any) -> list[tuple[Any, ...]]:
        if not store_path(self._data).exists():
            return []
        conn = sqlite3.connect(f"file:{store_path(self._data)}?mode=ro", uri=True, timeout=60.0)
        try:
            return conn.execute(question, values).fetchall()
        except sqlite3.OperationalError:
            return []  # not made yet
        finally:
            conn.close()

    def seqs(self, boot: int = 7) -> list[int]:
        return [row[0] for row in self.ask("SELECT seq FROM samples WHERE boot = ? ORDER BY seq", boot)]

    def whole(self, made: int, boot: int = 7) -> bool:
        """Every sample once, as it was made; none that was never made; no conflict."""
        rows = self.ask("SELECT seq, round(water_C, 3) FROM samples WHERE boot = ? ORDER BY seq", boot)
        expected = [(seq, round(20 + seq / 100, 2)) for seq in range(made)]
        return rows == expected and not self.ask("SELECT 1 FROM conflicts")

    def live(self) -> dict[str, Any]:
        rows = self.ask("SELECT view FROM live")
        return json.loads(rows[0][0]) if rows else {}

    def connection(self) -> sqlite3.Connection:
        return open_reader(self._data)


@pytest.fixture
def stored(data: Path) -> Stored:
    return Stored(data)


@pytest.fixture
def boilwitness(data: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """The command line on the test's store."""

    def run(*words: str, data_to: Path | None = data) -> subprocess.CompletedProcess[str]:
        more = ["--data", str(data_to)] if data_to else []
        command = [sys.executable, "-m", "monitor", *words, *more]
        return subprocess.run(command, capture_output=True, text=True, timeout=180, check=False)

    return run


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], Callable[[], None]]:
    """``mend = broken(run_id)``: the judging of that run fails at its sample of 200 s, until it is mended."""
    plain = Engine.push

    def breaking(run_id: str) -> Callable[[], None]:
        def push(engine: Engine, sample: Sample, conflict: bool = False) -> None:
            if engine.header.run_id == run_id and sample.t_s >= 200.0:
                raise ZeroDivisionError("float division by zero")
            plain(engine, sample, conflict)

        monkeypatch.setattr(Engine, "push", push)
        return lambda: monkeypatch.setattr(Engine, "push", plain)

    return breaking
