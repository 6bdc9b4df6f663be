"""The live page's cost: bytes and delay of a refresh, the server's share of a core a viewer, time to visible.

Run by hand: ``python tests/benchmarks/live_page.py [SECONDS]``. A collector, a node at life's pace and the
pages run for real; Chromium shares the machine with them. Budget: a refresh under 300 ms (95th percentile) and
100 KB, under a tenth of a core a viewer, visible within 2.5 s of a cold start of the browser.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import threading
from pathlib import Path
from time import monotonic, sleep

from playwright.sync_api import WebSocket, sync_playwright

from dashboard.launch import free_port
from monitor.cli._demo_house import DemoHouse

FLAGS = ["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu", "--disable-background-networking"]
WATCH_S = 20.0


class House(DemoHouse):
    """The demonstration's house, its page server's process id in reach."""

    @property
    def pages_pid(self) -> int:
        return self._children[1].pid


def cpu_s(pid: int) -> float:
    """Processor time a process has used. [s]"""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def watch(url: str, pid: int, watch_s: float) -> None:
    """Open the page cold, then count what its refreshes cost."""
    frames: list[tuple[float, int]] = []

    def received(payload: str | bytes) -> None:
        frames.append((monotonic(), len(payload)))

    def opened(socket: WebSocket) -> None:
        socket.on("framereceived", received)

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS)
        page = browser.new_page()
        page.on("websocket", opened)
        began_s = monotonic()
        page.goto(url)
        page.wait_for_selector(".bw-digits")
        print(f"cold start to the board visible   {monotonic() - began_s:6.2f} s")
        page.wait_for_selector("canvas")
        print(f"cold start to the trace visible   {monotonic() - began_s:6.2f} s")
        sleep(3.0)
        frames.clear()
        used_s, began_s = cpu_s(pid), monotonic()
        while monotonic() - began_s < watch_s:
            page.wait_for_timeout(200)
        span_s = monotonic() - began_s
        share = (cpu_s(pid) - used_s) / span_s
        browser.close()
    bursts: list[list[tuple[float, int]]] = []
    for frame in frames:
        if bursts and frame[0] - bursts[-1][-1][0] < 0.4:
            bursts[-1].append(frame)
        else:
            bursts.append([frame])
    sizes = [sum(size for _, size in burst) / 1000.0 for burst in bursts]
    delays = sorted((burst[-1][0] - burst[0][0]) * 1000.0 for burst in bursts)
    print(f"refreshes                         {len(bursts):6d} in {span_s:.0f} s")
    print(f"a refresh: median, greatest       {statistics.median(sizes):6.1f} KB, {max(sizes):.1f} KB")
    print(f"first to last frame, 95th pct.    {delays[int(0.95 * (len(delays) - 1))]:6.0f} ms")
    print(f"page server                       {share * 100.0:6.1f} % of a core, one viewer")


def main() -> None:
    watch_s = float(sys.argv[1]) if len(sys.argv) > 1 else WATCH_S
    with tempfile.TemporaryDirectory(prefix="boilwitness-benchmark-") as folder:
        house = House(Path(folder), free_port(0), 1.0, "pty")
        stop = threading.Event()
        try:
            house.start()
            player = threading.Thread(target=house.play, args=(stop, lambda line: None))
            player.start()
            watch(house.url, house.pages_pid, watch_s)
            stop.set()
            player.join()
        finally:
            stop.set()
            house.end()


if __name__ == "__main__":
    main()
