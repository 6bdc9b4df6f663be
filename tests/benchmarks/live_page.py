"""What the pages cost: the live page's refresh for one and several viewers, and how soon each page is seen.

Run by hand: ``python tests/benchmarks/live_page.py [SECONDS]``. A collector, a node at life's pace and the
pages run for real; Chromium shares the machine with them. Budget: from a refresh being asked for to its figures
on the page under 300 ms (95th percentile), under 100 KB, under a tenth of a core a viewer; from a cold browser to
visible under 2.5 s, with 2,000 past runs and with 100,000 samples of four channels.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import monotonic

import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright

from dashboard.launch import free_port
from monitor.cli._demo_house import DemoHouse
from monitor.cli.main import main as boilwitness
from monitor.record import Sample, write_run
from monitor.simulate.node import demo_canner
from monitor.store.database import open_writer
from monitor.store.stamp import utc_text

FLAGS = ["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu", "--disable-background-networking"]
WATCH_S = 20.0
VIEWERS = (1, 3)

#: Notes, on the page's own clock: each message sent and received, and each change of the boards.
LISTEN = """
window.noted = [];
const note = (kind, size) => window.noted.push([performance.now(), kind, size]);
const size = (data) => data.byteLength ?? data.size ?? data.length;
const Socket = window.WebSocket;
window.WebSocket = class extends Socket {
  constructor(...words) {
    super(...words);
    this.addEventListener("message", (event) => note("received", size(event.data)));
  }
  send(data) { note("sent", size(data)); super.send(data); }
};
new MutationObserver((changes) => {
  if (changes.some((change) => change.target.classList?.contains("bw-boards"))) note("drawn", 0);
}).observe(document, { subtree: true, attributes: true });
"""


class House(DemoHouse):
    """The demonstration's house, its page server's process id in reach."""

    @property
    def pages_pid(self) -> int:
        return self._children[1].pid


def cpu_s(pid: int) -> float:
    """Processor time a process has used. [s]"""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def chromium() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        yield browser
        browser.close()


def refreshes(noted: list[tuple[float, str, int]]) -> tuple[list[float], list[float]]:
    """(ms from asking to drawn, KB received) of each refresh that drew the boards."""
    delays, sizes = [], []
    asked_ms, received = None, 0
    for at_ms, kind, size in noted:
        if kind == "sent":
            asked_ms, received = at_ms if asked_ms is None else asked_ms, received
        elif kind == "received":
            received += size
        elif asked_ms is not None:
            delays.append(at_ms - asked_ms)
            sizes.append(received / 1000.0)
            asked_ms, received = None, 0
    return delays, sizes


def watch(url: str, pid: int, watch_s: float, viewers: int) -> None:
    """Let so many people look at the live page, and say what one refresh and one viewer cost."""
    with chromium() as browser:
        pages: list[Page] = []
        for _ in range(viewers):
            page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
            page.add_init_script(LISTEN)
            page.goto(url)
            page.wait_for_selector("canvas")
            pages.append(page)
        pages[0].wait_for_timeout(4000)
        for page in pages:
            page.evaluate("window.noted = []")
        used_s, began_s = cpu_s(pid), monotonic()
        pages[0].wait_for_timeout(watch_s * 1000)
        span_s = monotonic() - began_s
        share = (cpu_s(pid) - used_s) / span_s / viewers
        found = [refreshes(page.evaluate("window.noted")) for page in pages]
    delays = sorted(delay for own, _ in found for delay in own)
    sizes = [size for _, own in found for size in own]
    print(f"{viewers} viewer{'s' if viewers > 1 else ''}: {len(delays)} refreshes in {span_s:.0f} s")
    print(
        f"  asked to drawn, median and 95th pct. {statistics.median(delays):6.0f} ms {at_95(delays):6.0f} ms"
    )
    print(f"  received, median and greatest        {statistics.median(sizes):6.1f} KB {max(sizes):6.1f} KB")
    print(f"  page server, of a core each          {share * 100.0:6.1f} %")


def at_95(ordered: list[float]) -> float:
    return ordered[round(0.95 * (len(ordered) - 1))]


def visible(url: str, selector: str, name: str, times: int = 3) -> None:
    """From a browser that never saw the pages to what a person came for; the server has been used before."""
    spans = []
    for _ in range(times + 1):
        with chromium() as browser:
            page = browser.new_page(viewport={"width": 1280, "height": 800})
            began_s = monotonic()
            page.goto(url, wait_until="commit")
            page.wait_for_selector(selector)
            spans.append(monotonic() - began_s)
    print(f"{name:<38} {statistics.median(spans[1:]):6.2f} s, the server's first {spans[0]:.2f} s")


def fill(folder: Path) -> None:
    """2,000 finished runs without samples, and one from elsewhere with 100,000 samples of four channels."""
    conn = open_writer(folder)
    conn.execute("BEGIN")
    for number in range(2000):
        run_id, start = (
            f"run-{number:04d}",
            datetime(2023, 6, 1, 15, tzinfo=UTC) + timedelta(hours=9 * number),
        )
        header = {
            "format": "boilwitness-run/1", "run_id": run_id, "canner": "canner-1", "started_at": start.isoformat(),
            "batch": {"food": "plums", "pack": "hot", "jar": "pint", "jars": 7}, "required": {"minutes": 25},
        }  # fmt: skip
        conn.execute(
            "INSERT INTO entries (run_id, kind, body, at_utc, happened_utc, mono_s, machine_boot)"
            " VALUES (?, 'run_started', json(?), ?, ?, 0, 'then')",
            (run_id, json.dumps(header), utc_text(start), utc_text(start)),
        )
        form = {"verdict": "held", "proven_s": 1500.0, "advice": {"action": "store_after_seal_check"}}
        conn.execute(
            "INSERT INTO verdicts (run_id, at_utc, verdict) VALUES (?, ?, ?)",
            (run_id, utc_text(start), json.dumps(form)),
        )
    conn.execute("COMMIT")
    conn.close()
    shown = demo_canner(cooling_s=300.0)
    t_s = np.arange(100_000) * 0.25
    stretch = t_s[-1] / shown.end_s
    water_C = np.interp(
        t_s / stretch, [s.t_s for s in shown.samples], [s.water_C or 0.0 for s in shown.samples]
    )
    samples = tuple(
        Sample(
            t_s=float(at), water_C=round(float(C), 3), room_C=21.0, jars={1: 70.0, 2: 71.0}, boot=1, seq=place
        )
        for place, (at, C) in enumerate(zip(t_s, water_C, strict=True))
    )
    run = replace(shown.header, run_id="long", samples=samples, ended_at_s=float(t_s[-1]))
    write_run(run, folder / "record")
    boilwitness(["import", str(folder / "record"), "--data", str(folder)])


@contextmanager
def pages_of(folder: Path) -> Iterator[str]:
    """The pages alone, on a store without a collector."""
    port = free_port(0)
    command = [sys.executable, "-m", "monitor", "dashboard", "--data", str(folder), "--port", str(port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        try:
            server.stdout.readline()
            yield f"http://127.0.0.1:{port}"
        finally:
            server.terminate()


@contextmanager
def live_house(folder: Path) -> Iterator[House]:
    """Collector, node and pages at life's pace."""
    house = House(folder, free_port(0), 1.0, "pty")
    stop = threading.Event()
    player = threading.Thread(target=house.play, args=(stop, lambda line: None))
    try:
        house.start()
        player.start()
        yield house
    finally:
        stop.set()
        if player.ident:
            player.join()
        house.end()


def main() -> None:
    watch_s = float(sys.argv[1]) if len(sys.argv) > 1 else WATCH_S
    print(f"load of the machine before: {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory(prefix="boilwitness-benchmark-") as name:
        kept, on = Path(name) / "kept", Path(name) / "on"
        kept.mkdir()
        on.mkdir()
        fill(kept)
        print("from a cold browser to what a person came for, median of three:")
        with pages_of(kept) as url:
            visible(f"{url}/runs", "text=/2,001 runs/", "  2,000 past runs")
            visible(f"{url}/run?run=long", "canvas", "  the trace of 100,000 samples x 4")
        with live_house(on) as house:
            visible(house.url, ".bw-digits", "  the live board")
            for viewers in VIEWERS:
                watch(house.url, house.pages_pid, watch_s, viewers)


if __name__ == "__main__":
    main()
