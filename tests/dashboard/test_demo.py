"""``boilwitness demo``, watched in a real browser from its start to Ctrl-C."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from time import monotonic

from playwright.sync_api import TimeoutError

from dashboard.launch import free_port
from monitor.cli.demo import LEAST_MINUTES, MINUTES, SPEED
from monitor.simulate.node import demo_canner
from monitor.store.reader import alarms, open_reader


def processes_holding(words: str) -> list[str]:
    """Command lines of running processes that contain ``words``."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                line = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
            except OSError:
                # It ended while we looked.
                continue
            if words in line:
                found.append(line)
    return found


def start(folder: Path, *words: str) -> tuple[subprocess.Popen[str], str]:
    port = free_port(0)
    command = [sys.executable, "-m", "monitor", "demo", "--no-browser", "--port", str(port)]
    demo = subprocess.Popen(
        [*command, "--data", str(folder), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    return demo, f"http://127.0.0.1:{port}"


def wait_line(demo: subprocess.Popen[str], pattern: str) -> str:
    assert demo.stdout is not None
    told = []
    for line in demo.stdout:
        told.append(line)
        if re.search(pattern, line):
            return line
    raise AssertionError(f"the demonstration ended without saying {pattern!r}: {told}")


def test_the_demonstration_from_start_to_ctrl_c(tmp_path: Path, visit: Callable) -> None:
    """Come-up, boil, a power dip, the clock from zero, a held hold, the finished run; then nothing is left."""
    demo, url = start(tmp_path, "--speed", "30", "--minutes", "5")
    try:
        wait_line(demo, r"30 times as fast as life \(Ctrl-C ends everything\)")
        with visit() as visitor:
            page = visitor.go(url)
            page.wait_for_selector(".bw-simulated:text-is('simulated, 30× life')")
            page.wait_for_selector(".bw-word:text-is('Coming up')")
            page.click(".bw-sound button")
            page.wait_for_selector(".bw-sound[data-armed=yes][data-sounding=no]")
            page.wait_for_selector(".bw-word:text-is('Full boil')")
            # Taken at once: at this pace the boil is back in a few seconds.
            label, digits = page.wait_for_function(
                "() => { const said = name => document.querySelector(name)?.textContent;"
                " return said('.bw-word') === 'Boil lost' && [said('.bw-label'), said('.bw-digits')]; }"
            ).json_value()
            assert "to hold from the moment it boils again: all 5 min" in label
            assert digits == "5:00"
            page.wait_for_selector(".bw-headline:has-text('The boil is lost')")
            page.wait_for_selector(".bw-sound[data-sounding=high]")
            visitor.picture("demo-boil-lost")
            page.get_by_role("button", name="Quiet for 2 minutes").click()
            page.wait_for_selector(".bw-sound[data-sounding=no]")
            page.wait_for_selector(".bw-word:text-is('Full boil')")
            # What the come-up and the dip have shown of the canner.
            page.wait_for_selector("[data-kettle]:has-text('on the way up, and lost')")
            seen = page.get_by_role("button", name="I have seen it")
            while seen.count():
                # What is over by itself takes its button with it.
                with suppress(TimeoutError):
                    seen.first.click(timeout=5_000)
                page.wait_for_timeout(700)
            page.wait_for_selector(".bw-sound[data-sounding=no]")
            page.wait_for_selector(".bw-word:text-is('Held')")
            run_url = wait_line(demo, r"/run\?run=").split()[0]
            page.wait_for_selector("text=No canner is on.")
            page = visitor.go(run_url)
            page.wait_for_selector(".bw-verdict:has-text('Held')")
            page.wait_for_selector("text=simulated: invented data")
            page.wait_for_selector("[data-testid=stEChartsChart] canvas, canvas")
            assert visitor.overflow() <= 0
            visitor.picture("run-held")
        os.kill(demo.pid, signal.SIGINT)
        told, _ = demo.communicate(timeout=60)
        assert demo.returncode == 0
        assert told.endswith("Everything has ended.\n")
    finally:
        if demo.poll() is None:
            demo.terminate()
            demo.wait(60)
    assert processes_holding(str(tmp_path)) == []
    # A good node raises nothing of its own, however busy this machine is.
    conn = open_reader(tmp_path)
    kinds = {row.kind for row in alarms(conn)}
    conn.close()
    assert "boil_lost" in kinds
    assert kinds.isdisjoint({"node_silent", "reading_frozen", "probe_fault"})


def test_the_story_is_told_within_a_minute() -> None:
    """Come-up, hold, power dip and the boil that is back: by the script and at the pace that the command has by itself,
    so that what else this machine does is no part of it."""
    assert demo_canner(minutes=MINUTES).boiled_again_s / SPEED < 60.0
    assert demo_canner(minutes=LEAST_MINUTES).boiled_again_s / SPEED < 60.0


def test_the_demonstration_ends_at_sigterm(tmp_path: Path) -> None:
    """As a system that goes down ends it: status 0, its last words, nothing left."""
    demo, _ = start(tmp_path)
    wait_line(demo, "as fast as life")
    os.kill(demo.pid, signal.SIGTERM)
    told, _ = demo.communicate(timeout=60)
    assert demo.returncode == 0
    assert told.endswith("Everything has ended.\n")
    assert processes_holding(str(tmp_path)) == []


def test_children_end_with_their_parent_however_it_ends(tmp_path: Path) -> None:
    """Through a broker, so that a broker is there too; even after SIGKILL none of ours stays."""
    demo, _ = start(tmp_path, "--through", "broker")
    wait_line(demo, "as fast as life")
    assert len(processes_holding(str(tmp_path))) == 5
    os.kill(demo.pid, signal.SIGKILL)
    demo.communicate(timeout=60)
    until_s = monotonic() + 60
    while processes_holding(str(tmp_path)) and monotonic() < until_s:
        pass
    assert processes_holding(str(tmp_path)) == []
