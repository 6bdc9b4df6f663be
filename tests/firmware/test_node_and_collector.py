"""The node program under MicroPython, over a pseudo-terminal or a broker, to the real collector and its store.

What was measured is what is stored: each test breaks something on the way and then asks the store whether
any sample is missing, doubled or changed.
"""

from __future__ import annotations

import re
import signal
import sqlite3
import ssl
import subprocess
import sys
import textwrap
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from monitor.collector.service import Collector
from monitor.intake.mqtt import MqttSource
from monitor.intake.mqtt_settings import MqttSettings
from monitor.intake.serial_port import SerialSource
from monitor.intake.source import Source
from monitor.store.database import store_path

NODE = Path(__file__).parents[2] / "firmware_notes" / "node"

#: Ten times as fast as a real node, so that a minute's worth of trouble fits into seconds.
PERIOD_MS = 100
#: So many different readings a node has to say; after them it says the last one for ever.
ROWS = 4000


def true_C(seq: int) -> float:
    """What sample ``seq`` says."""
    return round(20 + min(seq, ROWS - 1) / 100, 2)


def rows_file(folder: Path) -> Path:
    """Readings in which every sample is different."""
    path = folder / "rows.csv"
    lines = ["t_s,water,chip,pressure"] + [f"{n},{true_C(n):.2f},27.5,83250" for n in range(ROWS)]
    path.write_text("\n".join(lines))
    return path


class Stored:
    """What the store holds of a node."""

    def __init__(self, data: Path) -> None:
        self._data = data

    def _ask(self, question: str) -> list[tuple[Any, ...]]:
        if not store_path(self._data).exists():
            return []
        conn = sqlite3.connect(f"file:{store_path(self._data)}?mode=ro", uri=True)
        try:
            return conn.execute(question).fetchall()
        except sqlite3.OperationalError:
            return []  # not made yet
        finally:
            conn.close()

    def rows(self) -> list[tuple[int, int, float, int, float, float]]:
        """(boot, seq, water_C, late, at_s, arrival_s) by boot and seq."""
        return self._ask("SELECT boot, seq, water_C, late, at_s, arrival_s FROM samples ORDER BY boot, seq")

    def longest_off_s(self) -> float:
        """By how much a step between two placed times differs from the node's own clock, at most; inf without any."""
        placed = self._ask("SELECT at_s - uptime_s FROM samples ORDER BY boot, seq")
        return max((abs(later[0] - before[0]) for before, later in pairwise(placed)), default=float("inf"))

    def late_ways_s(self) -> list[float]:
        """How long those were on their way that are marked late. [s]"""
        return [arrival_s - at_s for *_, late, at_s, arrival_s in self.rows() if late]

    def on_time(self, from_seq: int = 0) -> int:
        """How many from a number on are not marked late."""
        return sum(1 for _, seq, _, late, *_ in self.rows() if seq >= from_seq and not late)

    def count(self) -> int:
        return len(self.rows())

    def lost(self) -> int:
        return sum(row[0] for row in self._ask("SELECT count FROM lost"))

    def conflicts(self) -> int:
        return len(self._ask("SELECT 1 FROM conflicts"))

    def whole(self) -> bool:
        """Every number from the first to the last of each start is here, as it was measured, once."""
        rows = self.rows()
        for boot in {row[0] for row in rows}:
            mine = [(seq, water_C) for row_boot, seq, water_C, *_ in rows if row_boot == boot]
            expected = [(seq, true_C(seq)) for seq in range(mine[-1][0] + 1)]
            if [(seq, round(water_C, 3)) for seq, water_C in mine] != expected:
                return False
        return bool(rows) and not self.conflicts() and not self.lost()


class Collecting:
    """A collector in this process; ``end`` stops it as an orderly stop does."""

    def __init__(self, data: Path, source: Source) -> None:
        data.mkdir(exist_ok=True)
        self._stop = threading.Event()
        self.said: list[str] = []
        collector = Collector(data, [source], say=lambda run, line: self.said.append(line))
        self._thread = threading.Thread(target=collector.run, args=(self._stop,), daemon=True)
        self._thread.start()

    def end(self) -> None:
        self._stop.set()
        self._thread.join(60.0)
        assert not self._thread.is_alive()


@pytest.fixture
def collect(tmp_path: Path) -> Iterator[Callable[[Source], Collecting]]:
    running: list[Collecting] = []

    def start(source: Source) -> Collecting:
        running.append(Collecting(tmp_path / "data", source))
        return running[-1]

    yield start
    for collecting in running:
        collecting.end()


@pytest.fixture
def stored(tmp_path: Path) -> Stored:
    return Stored(tmp_path / "data")


@pytest.fixture
def options(tmp_path: Path) -> list[str]:
    return ["--rows", str(rows_file(tmp_path)), "--period-ms", str(PERIOD_MS)]


class TestOverTheCable:
    def test_what_was_measured_is_what_is_stored(
        self, interpreter: str, make_node: Any, options: list[str], collect: Any, stored: Stored, wait: Any
    ) -> None:
        node = make_node(interpreter, *options)
        collect(SerialSource(str(node.port)))
        wait(lambda: stored.count() > 20 and stored.whole())
        # Steps of the placed times are the node's own, whatever the road added; what came before the road was known
        # is placed anew.
        wait(lambda: stored.longest_off_s() < 0.05, what="for the node's own steps")

    def test_the_cable_is_pulled_and_put_back(
        self, micropython: str, make_node: Any, options: list[str], collect: Any, stored: Stored, wait: Any
    ) -> None:
        node = make_node(micropython, *options)
        collect(SerialSource(str(node.port)))
        wait(lambda: stored.count() > 10)
        before = stored.count()
        node.pull()
        threading.Event().wait(0.7)
        node.plug()
        wait(lambda: stored.count() > before + 20 and stored.whole())

    def test_a_collector_away_for_less_than_the_ring_misses_nothing_and_says_what_came_late(
        self, micropython: str, make_node: Any, options: list[str], collect: Any, stored: Stored, wait: Any
    ) -> None:
        """At most 20 samples a second: the ring holds 75 s at least."""
        node = make_node(micropython, "--rows", options[1], "--period-ms", "50", "--keep", "1500")
        first = collect(SerialSource(str(node.port)))
        wait(lambda: stored.count() > 20)
        first.end()
        threading.Event().wait(6.5)
        back_at = stored.count()
        collect(SerialSource(str(node.port)))
        # Those of the first second of the absence, at least, are older than the 5 s that count as late; how many
        # others are is up to the machine, as one that stands still for seconds makes others late, too.
        wait(lambda: stored.late_ways_s() and stored.on_time(back_at) > 50 and stored.whole())
        assert min(stored.late_ways_s()) > 4.9

    def test_a_collector_away_for_longer_than_the_ring_records_what_is_gone(
        self, micropython: str, make_node: Any, options: list[str], collect: Any, stored: Stored, wait: Any
    ) -> None:
        node = make_node(micropython, "--rows", options[1], "--period-ms", "20", "--keep", "100")
        first = collect(SerialSource(str(node.port)))
        wait(lambda: stored.count() > 20)
        first.end()
        before = stored.count()
        # A ring's length takes 2 s; a busy machine's node has more time than that.
        threading.Event().wait(8.0)
        collect(SerialSource(str(node.port)))
        wait(lambda: stored.lost() > 0 and stored.count() > before + 60)

        def accounted_for() -> bool:
            rows = stored.rows()
            return len(rows) + stored.lost() == rows[-1][1] + 1

        wait(accounted_for)
        assert not stored.conflicts()
        assert all(round(water_C, 3) == true_C(seq) for _, seq, water_C, *_ in stored.rows())

    def test_the_node_starts_anew(
        self, micropython: str, make_node: Any, options: list[str], collect: Any, stored: Stored, wait: Any
    ) -> None:
        node = make_node(micropython, *options)
        collecting = collect(SerialSource(str(node.port)))
        # Whole: what was still to be said again would be gone with the power.
        wait(lambda: stored.count() > 10 and stored.whole())
        node.restart()
        wait(lambda: len({row[0] for row in stored.rows()}) == 2)
        before = stored.count()
        wait(lambda: stored.count() > before + 10 and stored.whole())
        assert any("started anew" in line for line in collecting.said)

    def test_a_killed_collector_loses_and_doubles_nothing(
        self, micropython: str, make_node: Any, options: list[str], stored: Stored, wait: Any, tmp_path: Path
    ) -> None:
        node = make_node(micropython, *options)
        command = [sys.executable, "-m", "monitor", "collect", "--serial", str(node.port), "--data"]
        for _ in range(2):
            before = stored.count()
            process = subprocess.Popen(
                [*command, str(tmp_path / "data")], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
            )
            try:
                wait(lambda before=before: stored.count() > before + 10)
            finally:
                process.send_signal(signal.SIGKILL)
                process.wait()
        process = subprocess.Popen([*command, str(tmp_path / "data")], stdout=subprocess.DEVNULL)
        try:
            before = stored.count()
            wait(lambda: stored.count() > before + 10 and stored.whole())
        finally:
            process.terminate()
            assert process.wait(60) == 0


@pytest.fixture
def broker(make_broker: Callable[..., Any], tmp_path: Path) -> Any:
    """A broker that asks for a password."""
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "kitchen", "quiet"], check=True)
    return make_broker(f"allow_anonymous false\npassword_file {passwords}\n")


@pytest.fixture
def node_on_network(broker: Any, options: list[str]) -> Iterator[Callable[[str], subprocess.Popen[bytes]]]:
    nodes: list[subprocess.Popen[bytes]] = []

    def start(interpreter: str) -> subprocess.Popen[bytes]:
        link = ["--mqtt", f"127.0.0.1:{broker.port}", "--user", "kitchen", "--password", "quiet"]
        nodes.append(subprocess.Popen([interpreter, str(NODE / "host_run.py"), "mqtt", *link, *options]))
        return nodes[-1]

    yield start
    for node in nodes:
        node.kill()
        node.wait()


def source_for(broker: Any) -> MqttSource:
    return MqttSource(
        MqttSettings("127.0.0.1", broker.port, client_id="trial", username="kitchen", password="quiet")
    )


def blocks_of_the_page() -> list[str]:
    """What firmware_notes/README.md tells to type and to write down for TLS, block by block."""
    section = (NODE.parent / "README.md").read_text("utf-8").split("### TLS", 1)[1].split("\n##", 1)[0]
    return [textwrap.dedent(block) for block in section.split("\n\n") if re.fullmatch(r"( {4}.*\n?)+", block)]


def certificates_of_the_page(folder: Path) -> tuple[Path, Path, Path]:
    """(ca, cert, key) as firmware_notes/README.md tells to make them, for a broker at 127.0.0.1."""
    commands = blocks_of_the_page()[0]
    assert len([line for line in commands.splitlines() if line.startswith("openssl")]) == 3
    script = "set -e\n" + commands.replace("192.168.1.10", "127.0.0.1")
    subprocess.run(["bash", "-c", script], cwd=folder, check=True, capture_output=True)
    return folder / "ca.pem", folder / "cert.pem", folder / "key.pem"


def broker_of_the_page(folder: Path) -> str:
    """The broker's settings as the page has them, all but the port, with the files in ``folder``."""
    (settings,) = [block for block in blocks_of_the_page() if block.startswith("listener 8883\n")]
    for there in ("/etc/mosquitto/certs/", "/etc/mosquitto/"):
        settings = settings.replace(there, f"{folder}/")
    return settings.split("\n", 1)[1].rstrip() + "\n"


@pytest.fixture
def as_strict_as_newer_pythons(monkeypatch: pytest.MonkeyPatch) -> None:
    """From 3.13 on ``ssl.create_default_context`` sets these two flags by itself."""
    make = ssl.create_default_context

    def strict(*args: Any, **named: Any) -> ssl.SSLContext:
        context = make(*args, **named)
        context.verify_flags |= ssl.VERIFY_X509_STRICT | ssl.VERIFY_X509_PARTIAL_CHAIN
        return context

    monkeypatch.setattr(ssl, "create_default_context", strict)


class TestOverTheBroker:
    def test_what_was_measured_is_what_is_stored(
        self, interpreter: str, broker: Any, node_on_network: Any, collect: Any, stored: Stored, wait: Any
    ) -> None:
        collect(source_for(broker))
        node_on_network(interpreter)
        wait(lambda: stored.count() > 20 and stored.whole())

    @pytest.mark.usefixtures("as_strict_as_newer_pythons")
    def test_inside_tls_with_an_authority_of_ones_own(
        self,
        interpreter: str,
        make_broker: Any,
        options: list[str],
        collect: Any,
        stored: Stored,
        wait: Any,
        tmp_path: Path,
    ) -> None:
        """With the certificates that the page's own commands make, and its broker's settings; both sides check."""
        ca, _, _ = certificates_of_the_page(tmp_path)
        passwords = tmp_path / "passwords"
        subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "kitchen", "quiet"], check=True)
        broker = make_broker(broker_of_the_page(tmp_path))
        settings = MqttSettings("127.0.0.1", broker.port, tls=True, ca_file=ca)
        settings = replace(settings, client_id="trial", username="kitchen", password="quiet")
        collect(MqttSource(settings))
        link = ["--mqtt", broker.address, "--ca", str(ca), "--user", "kitchen", "--password", "quiet"]
        node = subprocess.Popen([interpreter, str(NODE / "host_run.py"), "mqtt", *link, *options])
        try:
            wait(lambda: stored.count() > 30 and stored.whole())
            broker.kill()
            threading.Event().wait(1.0)
            broker.start()
            before = stored.count()
            wait(lambda: stored.count() > before + 30 and stored.whole())
        finally:
            node.kill()
            node.wait()

    def test_a_broker_that_another_authority_vouches_for_gets_nothing(
        self,
        interpreter: str,
        make_broker: Any,
        make_certificates: Any,
        options: list[str],
        collect: Any,
        stored: Stored,
        wait: Any,
        tmp_path: Path,
    ) -> None:
        right, wrong = make_certificates(tmp_path / "right"), make_certificates(tmp_path / "wrong")
        broker = make_broker(f"allow_anonymous true\ncertfile {wrong[1]}\nkeyfile {wrong[2]}\n")
        collect(
            MqttSource(MqttSettings("127.0.0.1", broker.port, client_id="trial", tls=True, ca_file=wrong[0]))
        )
        link = ["--mqtt", broker.address, "--ca", str(right[0])]
        node = subprocess.Popen([interpreter, str(NODE / "host_run.py"), "mqtt", *link, *options])
        try:
            # As in RFC 8446, section 6.2: the node does not know who vouches for this broker. It tries again and again.
            wait(lambda: broker.said().count("alert unknown ca") >= 2, what="for the node to turn away twice")
            assert stored.count() == 0
            assert node.poll() is None, "it goes on sampling, and trying"
        finally:
            node.kill()
            node.wait()

    def test_broker_killed_collector_stopped_nothing_missing(
        self, micropython: str, broker: Any, node_on_network: Any, collect: Any, stored: Stored, wait: Any
    ) -> None:
        """The broker keeps nothing on disk: only the node's own memory can make the record whole."""
        node = node_on_network(micropython)
        first = collect(source_for(broker))
        wait(lambda: stored.count() > 10)
        broker.kill()
        threading.Event().wait(1.0)
        broker.start()
        before = stored.count()
        wait(lambda: stored.count() > before + 30 and stored.whole())
        first.end()
        broker.kill()
        threading.Event().wait(1.0)
        broker.start()
        before = stored.count()
        collect(source_for(broker))
        wait(lambda: stored.count() > before + 30 and stored.whole())
        assert node.poll() is None
