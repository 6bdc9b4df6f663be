"""From nothing to a started run, by clicks, with a node that is heard over a real serial line."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import monotonic
from typing import Any

import pytest
from playwright.sync_api import Page

from dashboard.launch import free_port
from monitor.cli._demo_house import DemoHouse
from monitor.simulate.node import demo_canner
from monitor.store.entries import append_entry, read_entries
from monitor.store.reader import list_runs, load_run, open_reader


class IdleKitchen(DemoHouse):
    """A node that says its temperatures, and no run."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, free_port(0), 1.0, "pty")
        self.stop = threading.Event()
        self.talker = threading.Thread(target=self._talk, daemon=True)

    def begin(self) -> None:
        self.start()
        self.talker.start()

    def _talk(self) -> None:
        assert self._node is not None
        for sample in demo_canner().samples:
            self._node.say(sample)
            if self.stop.wait(1.0):
                return

    def end(self) -> None:
        self.stop.set()
        self.talker.join()
        super().end()


#: What ``boilwitness calibrate`` writes after a good check.
CHECK: dict[str, Any] = {
    "probe_id": "red K",
    "calibration": {
        "offset_K": -0.4,
        "expanded_uncertainty_K": 0.15,
        "coverage_factor": 2.0,
        "method": "ice and boiling points",
        "pressure_source": "altimeter setting",
    },
}


@pytest.fixture
def idle(tmp_path: Path) -> Iterator[IdleKitchen]:
    house = IdleKitchen(tmp_path)
    try:
        house.begin()
        yield house
    finally:
        house.end()


def settled(page: Page) -> None:
    page.wait_for_timeout(250)
    page.wait_for_selector("[data-testid=stApp][data-test-script-state=notRunning]")


def fill(page: Page, label: str, value: str) -> None:
    box = page.get_by_label(label, exact=True)
    box.fill(value)
    box.press("Enter")
    settled(page)


def tick(page: Page, key: str) -> None:
    page.locator(f".st-key-{key} label").first.click(position={"x": 8, "y": 12})
    settled(page)


def choose(page: Page, label: str, option: str) -> None:
    box = page.get_by_role("combobox", name=label)
    box.click()
    box.fill(option)
    page.get_by_role("option", name=option, exact=True).click()
    settled(page)


def test_from_nothing_to_a_started_run_in_under_two_minutes(
    idle: IdleKitchen, tmp_path: Path, visit: Callable
) -> None:
    """An unchecked probe is said to prove nothing, the altitude alone little; a check and an altimeter
    setting prove a boil; then start."""
    with visit() as visitor:
        page = visitor.go(f"{idle.url}/plan")
        began_s = monotonic()
        fill(page, "Altitude of the kitchen [m]", "1650")
        choose(page, "Found by", "survey or topographic map")
        choose(page, "Time zone", "America/Denver")
        fill(page, "What is in the jars", "green beans")
        page.wait_for_selector(".bw-headline")
        assert "low-acid" in page.inner_text(".bw-page:has(.bw-headline)").lower()
        fill(page, "What is in the jars", "pears")
        page.get_by_role("radio", name="pint").or_(page.get_by_role("button", name="pint")).first.click()
        settled(page)
        page.wait_for_selector("text=30 min at a full boil, without a break.")

        page.get_by_label("Name written on the probe").fill("red K")
        page.get_by_role("button", name="Register this probe").click()
        page.wait_for_selector("text=Never checked: its kind's published tolerance is taken instead.")
        page.wait_for_selector("text=This set-up cannot prove a boil, whatever it reads.")
        checked_at = datetime.now(UTC) - timedelta(days=1)
        calibration = {**CHECK["calibration"], "at": checked_at.isoformat()}
        append_entry(tmp_path, "probe_checked", {**CHECK, "calibration": calibration})
        page.wait_for_timeout(2100)
        fill(page, "Who starts", "Ada")
        page.wait_for_selector("text=add -0.40 K")
        page.wait_for_selector("text=This set-up can prove a boil if you look and mark the rolling boil.")
        page.wait_for_selector("text=/altitude alone .*0.4/")
        visitor.picture("plan-altitude-alone")
        choose(page, "Air pressure", "An altimeter setting (QNH) from an airport near by")
        fill(page, "Read just now [hPa]", "1018")
        page.wait_for_selector("text=This set-up can prove a boil by itself.")

        fill(page, "Jars", "7")
        fill(page, "Coldest filled jar [°C]", "70")
        fill(page, "Water when the jars go in [°C]", "75")
        assert page.get_by_role("button", name="Start the run").count() == 0
        for box in page.get_by_test_id("stCheckbox").all():
            if "already in boiling water" not in box.inner_text():
                box.locator("label").first.click(position={"x": 8, "y": 12})
                settled(page)
        visitor.picture("plan-ready")
        page.get_by_role("button", name="Start the run").click()
        page.wait_for_selector(".bw-board", timeout=15_000)
        assert monotonic() - began_s < 120
        assert "7 pint jars of" in page.inner_text(".bw-batch")

    conn = open_reader(tmp_path)
    (row,) = list_runs(conn)
    run = load_run(conn, row.run_id)
    kinds = {entry.kind for entry in read_entries(conn, row.run_id)}
    conn.close()
    assert run.required.minutes == 30.0
    assert run.site.altitude_m == 1650.0
    # A 1018 hPa setting at 1650 m is 834.6 hPa in the kitchen (U.S. Standard Atmosphere, lowest layer).
    assert run.site.station_pressure_kPa == pytest.approx(83.46, abs=0.05)
    assert run.probe.calibration is not None and run.probe.calibration.offset_K == -0.4
    assert kinds == {"run_started", "plan", "checklist", "loading"}
