"""``boilwitness collect --dashboard``: one command for a kitchen; the collector outlives pages and browsers."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from time import monotonic, sleep
from typing import Any

import pytest

from monitor.cli._demo_node import DemoNode, PtyLink
from monitor.record import header_to_json
from monitor.simulate.node import NODE_NAME, demo_canner
from monitor.store.database import open_reader
from monitor.store.entries import append_entry
from monitor.store.stamp import SYSTEM_TIME


class Kitchen:
    """A node on a serial line, once a second, and the command that a person types."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        link = PtyLink()
        self.node = DemoNode(link)
        command = [sys.executable, "-m", "monitor", "collect", "--data", str(folder), *link.collect_option]
        self.process = subprocess.Popen(
            [*command, "--dashboard"], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        self.said: list[str] = []
        self.stop = threading.Event()
        self.threads = [threading.Thread(target=one, daemon=True) for one in (self._listen, self._speak)]
        self.node.open()
        for thread in self.threads:
            thread.start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        self.said.extend(self.process.stdout)

    def _speak(self) -> None:
        began_s = monotonic()
        for sample in demo_canner().samples:
            if self.stop.wait(max(0.0, began_s + sample.t_s - monotonic())):
                return
            self.node.say(sample)

    def heard(self, pattern: str) -> str:
        until_s = monotonic() + 90.0
        while monotonic() < until_s:
            for line in list(self.said):
                if found := re.search(pattern, line):
                    return found[0]
            sleep(0.05)
        raise AssertionError(f"never said {pattern!r}: {self.said}")

    def samples(self) -> int:
        conn = open_reader(self.folder)
        try:
            return int(conn.execute("SELECT count(*) FROM samples").fetchone()[0])
        finally:
            conn.close()

    def pages_pid(self) -> int:
        """The dashboard among the collector's own children."""
        mine = f"/proc/{self.process.pid}/task/{self.process.pid}/children"
        for pid in Path(mine).read_text().split():
            if b"dashboard" in Path(f"/proc/{pid}/cmdline").read_bytes():
                return int(pid)
        raise AssertionError("the dashboard is no child of the collector")


@pytest.fixture
def kitchen(tmp_path: Path) -> Iterator[Kitchen]:
    house = Kitchen(tmp_path)
    try:
        yield house
    finally:
        house.stop.set()
        house.process.kill()
        house.process.wait()
        house.node.close()


def test_the_collector_outlives_the_pages_and_every_browser(
    kitchen: Kitchen, visit: Callable, wait: Any
) -> None:
    url = kitchen.heard(r"http://127\.0\.0\.1:\d+")
    header = replace(demo_canner().header, run_id="r1", canner="stove", started_at=SYSTEM_TIME.utc_now())
    append_entry(kitchen.folder, "node_assigned", {"node": NODE_NAME, "canner": "stove"})
    append_entry(kitchen.folder, "run_started", header_to_json(header), run_id="r1")
    kitchen.heard("run r1 is on")
    with visit() as visitor:
        page = visitor.go(url)
        page.wait_for_selector(".bw-title:text-is('stove')")
        page.wait_for_selector(".bw-word:text-is('Coming up')")
        page.wait_for_selector("text=/Water.*[67][0-9]\\.[0-9]/")
    # Every browser is closed.
    before = kitchen.samples()
    wait(lambda: kitchen.samples() >= before + 3, what="for samples without a browser")
    pages_pid = kitchen.pages_pid()
    with visit() as visitor:
        page = visitor.go(url)
        page.wait_for_selector(".bw-digits")
        signal.pidfd_send_signal(pidfd(pages_pid), signal.SIGKILL)
        page.wait_for_function(
            "() => document.querySelector('.bw-digits')?.textContent.startsWith('NO DATA')"
        )
    before = kitchen.samples()
    wait(lambda: kitchen.samples() >= before + 3, what="for samples without the pages")
    assert kitchen.process.poll() is None
    kitchen.process.send_signal(signal.SIGINT)
    assert kitchen.process.wait(60.0) == 0
    kitchen.heard("everything that came in is stored")


def test_ctrl_c_ends_the_pages_too(kitchen: Kitchen) -> None:
    kitchen.heard(r"http://127\.0\.0\.1:\d+")
    pages_pid = kitchen.pages_pid()
    kitchen.process.send_signal(signal.SIGINT)
    assert kitchen.process.wait(60.0) == 0
    assert not Path(f"/proc/{pages_pid}").exists()


def pidfd(pid: int) -> int:
    """A handle of exactly this process, so that no other is ever hit."""
    return os.pidfd_open(pid)
