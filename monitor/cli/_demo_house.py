"""The demonstration's house: a node, a collector and the pages as processes of their own, and the batch
played through them. Nothing in the collector or the pages knows that it is a demonstration; the run's header
says that its data are invented, and the collector is handed a clock that runs faster than life.
"""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from urllib.request import urlopen

from monitor.cli._demo_node import BrokerLink, DemoNode, Link, PtyLink
from monitor.errors import ConfigError, StoreError
from monitor.record import Mark, header_to_json
from monitor.simulate.node import NODE_NAME, DemoCanner, demo_canner
from monitor.store.clock import read_clocks
from monitor.store.entries import append_entry
from monitor.store.reader import list_runs, open_reader
from monitor.store.stamp import SYSTEM_TIME

#: How long the parts may take to be ready, and to end. [s]
READY_S = 30.0
END_S = 10.0
#: The run is ended so long after the jars were lifted: enough to see them cool. [s of the run]
COOL_S = 120.0


class DemoHouse:
    """Start it, play the batch, end it. ``end`` leaves no process behind."""

    def __init__(self, folder: Path, port: int, rate: float, through: str) -> None:
        self._folder, self._port, self._rate = folder, port, rate
        self._children: list[subprocess.Popen[bytes]] = []
        self._through = through
        self._node: DemoNode | None = None
        self.url = f"http://127.0.0.1:{port}"

    # --- the parts --------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the collector and the pages; returns when both are ready. Raises ``ConfigError``."""
        link: Link = PtyLink() if self._through == "pty" else BrokerLink(self._broker())
        self._node = DemoNode(link)
        self._child("collector", str(self._folder), str(self._rate), *link.collect_option)
        self._child("dashboard", str(self._folder), str(self._port))
        self._wait("the collector", self._collector_ready)
        self._wait("the dashboard", self._pages_ready)
        self._node.open()

    def _child(self, *words: str) -> None:
        command = [sys.executable, "-m", "monitor.cli._demo_child", *words]
        # A session of its own: Ctrl-C comes to the parent alone, which then ends its children in order.
        self._children.append(subprocess.Popen(command, stdin=subprocess.PIPE, start_new_session=True))

    def _broker(self) -> int:
        """Start a broker on this machine; returns its port."""
        program = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
        if program is None:
            raise ConfigError(
                "there is no mosquitto on this machine.", "Install it, or leave out --through broker."
            )
        with socket.create_server(("127.0.0.1", 0)) as trial:
            port = int(trial.getsockname()[1])
        settings = self._folder / "broker.conf"
        settings.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self._child("broker", str(self._folder), program)
        self._wait("the broker", lambda: _answers(port))
        return port

    def _wait(self, name: str, ready: Callable[[], bool]) -> None:
        until_s = SYSTEM_TIME.monotonic_s() + READY_S
        pause = threading.Event()
        while not ready():
            ended = [child.returncode for child in self._children if child.poll() is not None]
            if ended or SYSTEM_TIME.monotonic_s() > until_s:
                raise ConfigError(f"{name} did not start (exit status {ended or 'none yet'}).")
            pause.wait(0.1)

    def _collector_ready(self) -> bool:
        try:
            conn = open_reader(self._folder)
        except StoreError:
            # Not made yet.
            return False
        try:
            clocks = read_clocks(conn)
            return bool(clocks) and clocks[-1].rate == self._rate
        finally:
            conn.close()

    def _pages_ready(self) -> bool:
        try:
            with urlopen(f"{self.url}/_stcore/health", timeout=1) as answer:
                return int(answer.status) == 200
        except OSError:
            return False

    # --- the batch --------------------------------------------------------------------------------------

    def play(self, stop: threading.Event, tell: Callable[[str], None], minutes: float = 10.0) -> str | None:
        """Play the batch until its end or ``stop``; returns the run's id when it ended by itself."""
        if self._node is None:
            raise TypeError("start comes before play")
        shown = demo_canner(minutes=minutes)
        run_id = self._begin(shown)
        tell(f"{self.url}  a simulated canner, {self._rate:g} times as fast as life (Ctrl-C ends everything)")
        start_s = SYSTEM_TIME.monotonic_s()
        until_s = shown.lifted_s + COOL_S
        for step in shown.steps():
            if step.t_s > until_s:
                break
            if stop.wait(max(0.0, start_s + step.t_s / self._rate - SYSTEM_TIME.monotonic_s())):
                return None
            if isinstance(step, Mark):
                append_entry(self._folder, "mark", {"kind": step.kind}, run_id=run_id, by="the demonstration")
            else:
                self._node.say(step)
        append_entry(self._folder, "run_ended", {}, run_id=run_id, by="the demonstration")
        tell(f"{self.url}/run?run={run_id}  the finished run")
        return run_id

    def _begin(self, shown: DemoCanner) -> str:
        now = SYSTEM_TIME.utc_now()
        run_id = self._free_id(f"demo-{now:%Y-%m-%d}")
        # A recorded barometer check stays as old as it was when the batch was computed.
        site = shown.header.site
        if site.barometer_checked_at is not None:
            age = shown.header.started_at - site.barometer_checked_at
            site = replace(site, barometer_checked_at=now - max(age, timedelta(0)))
        calibration = shown.header.probe.calibration
        probe = shown.header.probe
        if calibration is not None and calibration.at is not None:
            age = shown.header.started_at - calibration.at
            probe = replace(probe, calibration=replace(calibration, at=now - max(age, timedelta(0))))
        header = replace(shown.header, run_id=run_id, started_at=now, site=site, probe=probe)
        append_entry(
            self._folder,
            "node_assigned",
            {"node": NODE_NAME, "canner": header.canner},
            by="the demonstration",
        )
        body = header_to_json(header) | {"simulated": True}
        append_entry(self._folder, "run_started", body, run_id=run_id, by="the demonstration")
        return run_id

    def _free_id(self, stem: str) -> str:
        conn = open_reader(self._folder)
        try:
            taken = {row.run_id for row in list_runs(conn)}
        finally:
            conn.close()
        return next(name for name in (f"{stem}-{number}" for number in range(1, 10_000)) if name not in taken)

    # --- the end ----------------------------------------------------------------------------------------

    def end(self) -> None:
        """End every part, the pages first, the broker last; whoever does not listen is killed."""
        if self._node is not None:
            self._node.close()
        for child in reversed(self._children):
            if child.poll() is None:
                child.terminate()
        for child in self._children:
            try:
                child.wait(END_S)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()
            if child.stdin is not None:
                child.stdin.close()


def _answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=0.5).close()
    except OSError:
        return False
    return True
