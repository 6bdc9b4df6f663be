"""The live page in a real browser, on a real collector and a node on a real serial line, at life's pace."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from kitchen_store import samples_in, until
from playwright.sync_api import Page

from dashboard.launch import free_port
from monitor.cli._demo_house import DemoHouse
from monitor.store.entries import append_entry, read_entries
from monitor.store.reader import live, open_reader

HOSTILE = '<img src=x onerror="window.owned=1">**b** $x$ [l](javascript:window.owned=1)'


class Kitchen(DemoHouse):
    """The demonstration's house at life's pace, its parts to be hurt one by one."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, free_port(0), 1.0, "pty")
        self.stop = threading.Event()
        self.folder = folder
        self.player = threading.Thread(target=self.play, args=(self.stop, lambda line: None), daemon=True)

    @property
    def collector_pid(self) -> int:
        return self._children[0].pid

    @property
    def pages_pid(self) -> int:
        return self._children[1].pid

    def begin(self) -> None:
        self.start()
        self.player.start()

    def silence_node(self) -> None:
        self.stop.set()
        self.player.join()

    def pages_again(self) -> None:
        self._children[1].wait()
        self._child("dashboard", str(self.folder), str(self._port))
        self._children[1] = self._children.pop()
        self._wait("the dashboard", self._pages_ready)


@pytest.fixture(scope="module")
def kitchen(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kitchen]:
    house = Kitchen(tmp_path_factory.mktemp("kitchen"))
    try:
        house.begin()
        yield house
    finally:
        house.stop.set()
        house.end()


def watch_its_pace(page: Page) -> None:
    """Note from now on by how much a timer of the page itself is late at most: a browser without time draws late."""
    page.evaluate(
        "() => { clearInterval(window.pace); window.late_ms = 0; let last_ms = performance.now();"
        " window.pace = setInterval(() => { const now_ms = performance.now();"
        " window.late_ms = Math.max(window.late_ms, now_ms - last_ms - 250); last_ms = now_ms; }, 250); }"
    )


def assert_told_within_5_s(page: Page) -> None:
    """The silence that the page itself counts when it first says that it has no data is at most 5 s, but for what its
    own timers were late since :func:`watch_its_pace`."""
    silent_s, late_s = page.wait_for_function(
        "() => { const said = /^NO DATA (\\d+) s$/.exec(document.querySelector('.bw-digits')?.textContent ?? '');"
        " return said && [Number(said[1]), window.late_ms / 1000]; }"
    ).json_value()
    assert silent_s <= 5 + late_s


def test_marks_sound_names_and_the_view_across_the_room(kitchen: Kitchen, visit: Callable) -> None:
    """A mark reaches the store and the page; sound is off until a tap; hostile names stay text."""
    run_id = run_that_is_on(kitchen.folder)
    append_entry(kitchen.folder, "header_changed", {"batch": {"food": HOSTILE}}, run_id=run_id)
    with visit(width=390, height=844) as visitor:
        page = visitor.go(kitchen.url)
        page.wait_for_selector(".bw-sound[data-armed=no]")
        assert "SOUND IS OFF" in page.inner_text(".bw-sound")
        # By keyboard alone.
        tab_to(page, ".bw-sound button")
        page.keyboard.press("Enter")
        page.wait_for_selector(".bw-sound[data-armed=yes]")
        assert int(page.get_attribute(".bw-sound", "data-beeps")) == 1

        page.wait_for_function(
            "words => document.querySelector('.bw-batch')?.textContent.includes(words)", arg=HOSTILE
        )
        assert page.evaluate("window.owned") is None
        assert page.locator(".bw-board img").count() == 0
        assert visitor.overflow() <= 0
        assert visitor.faults() == []
        visitor.picture("live-390")

        page.get_by_text("Say what you did or saw").click()
        page.get_by_role("button", name="Water added").click()
        page.get_by_text("Written down: water added.").wait_for()
        conn = open_reader(kitchen.folder)
        kinds = [entry.body["kind"] for entry in read_entries(conn, run_id, ["mark"])]
        conn.close()
        assert "water_added" in kinds

        page.set_viewport_size({"width": 1280, "height": 800})
        page.get_by_role("link", name="Show this across the room").click()
        page.wait_for_selector(".bw-far .bw-digits")
        page.wait_for_timeout(500)
        bottom = page.evaluate("document.querySelector('.bw-reason').getBoundingClientRect().bottom")
        digits = page.evaluate("document.querySelector('.bw-digits').getBoundingClientRect().height")
        assert bottom <= 800, "state, time and reason fit without scrolling"
        assert digits >= 200
        # On one line, whatever stands beside: the longest label, and more than an hour. All at once, between two ticks.
        for figure in ("10:00", "1:00:00"):
            lines, right = page.evaluate(
                "figure => { const digits = document.querySelector('.bw-digits');"
                " document.querySelector('.bw-label').textContent ="
                " 'to hold from the moment it boils again: all 10 min';"
                " digits.textContent = figure; digits.classList.toggle('bw-hours', figure.length > 5);"
                " return [digits.getBoundingClientRect().height / parseFloat(getComputedStyle(digits).fontSize),"
                " document.querySelector('.bw-label').getBoundingClientRect().right]; }",
                figure,
            )
            assert lines < 1.2 and right <= 1280, figure
        # On a tablet 217 mm wide, 4 m away: a capital is 0.7 of the type's size; 16 minutes of arc are 18.6 mm.
        size_px = page.evaluate("parseFloat(getComputedStyle(document.querySelector('.bw-state')).fontSize)")
        assert 0.7 * size_px * 217.0 / 1280.0 >= 18.5
        assert visitor.faults() == []
        visitor.picture("live-far")
        page.set_viewport_size({"width": 390, "height": 844})
        page.wait_for_timeout(300)
        assert visitor.overflow() <= 0


def test_the_sound_stays_on_over_a_reload_or_says_that_it_does_not(
    kitchen: Kitchen, visit: Callable, wait: Any
) -> None:
    """What the page itself writes is read, for a script from outside would count as a tap."""
    run_that_is_on(kitchen.folder)
    with visit() as visitor:
        page = visitor.page
        page.add_init_script(
            "setInterval(() => { const line = document.querySelector('.bw-sound');"
            " if (line) console.log(`sound ${line.dataset.armed} ${line.innerText.slice(0, 12)}`); }, 200)"
        )
        page.goto(kitchen.url)
        page.wait_for_selector(".bw-sound[data-armed=no]")
        page.click(".bw-sound button")
        page.wait_for_selector(".bw-sound[data-armed=yes]")
        told: list[str] = []
        page.on("console", lambda message: told.append(message.text))
        page.reload()
        told.clear()

        def settled() -> bool:
            """The page has said the same for some seconds."""
            page.wait_for_timeout(200)
            spoken = [line for line in told if line.startswith("sound")]
            return len(spoken) >= 15 and len(set(spoken[-15:])) == 1

        wait(settled, what="for the line about the sound")
        assert told[-1].startswith(("sound yes Sound is on", "sound no SOUND IS OFF"))


def test_a_silent_server_collector_and_node_are_each_noticed_within_5_s(
    kitchen: Kitchen, visit: Callable, wait: Any
) -> None:
    """The old figure gives way to NO DATA, and it says who is silent; what comes back is shown again."""
    with visit() as visitor, visit(width=390, height=844) as elsewhere, visit() as across:
        far = across.go(f"{kitchen.url}/?far=1")
        page = visitor.go(kitchen.url)
        page.wait_for_selector(".bw-word:text('Coming up')")
        page.wait_for_selector(".bw-simulated:text-is('simulated')")
        other = elsewhere.go(f"{kitchen.url}/runs")
        other.wait_for_selector(".bw-line .bw-word:text('Coming up')")
        assert elsewhere.faults() == []
        assert elsewhere.overflow() <= 0

        stored = samples_in(kitchen.folder)
        watch_its_pace(page)
        os.kill(kitchen.pages_pid, signal.SIGKILL)
        assert_told_within_5_s(page)
        assert "server" in page.inner_text(".bw-sentence")
        # On every other page too an old number gives way.
        other.wait_for_selector(".bw-line .bw-digits:text('NO DATA')")
        elsewhere.picture("line-no-data-390")
        wait(lambda: samples_in(kitchen.folder) >= stored + 3, what="for samples without the pages")
        whole_across_the_room(far, "The dashboard's server does not answer. Go and look at the canner.")
        # The page library has a box of its own for that, after some 20 s; it never covers the board.
        far.wait_for_timeout(22_000)
        assert far.get_by_text("are you connected to the internet").count() == 0
        assert page.get_by_test_id("stDialog").count() == 0
        kitchen.pages_again()
        page.wait_for_selector(".bw-word:text('Coming up')")

        watch_its_pace(page)
        os.kill(kitchen.collector_pid, signal.SIGSTOP)
        assert_told_within_5_s(page)
        assert "collector" in page.inner_text(".bw-sentence")
        visitor.picture("live-no-data")
        page.wait_for_selector("text=Nobody watches: the collector has stopped")
        whole_across_the_room(far, "The collector has stopped writing. Go and look at the canner.")
        across.picture("live-far-no-data")
        os.kill(kitchen.collector_pid, signal.SIGCONT)
        page.wait_for_selector(".bw-word:text('Coming up')")

        watch_its_pace(page)
        kitchen.silence_node()
        assert_told_within_5_s(page)
        assert "node" in page.inner_text(".bw-sentence")
        far.wait_for_selector(".bw-alarm")
        whole_across_the_room(far, "The node in the kitchen is silent. Go and look at the canner.")


def whole_across_the_room(far: Page, told: str) -> None:
    """NO DATA once, with who is silent and what to do, all of it on the screen."""
    far.wait_for_selector(".bw-far .bw-lost .bw-word:text-is('NO DATA')")
    assert "NO DATA" not in far.inner_text(".bw-digits")
    assert far.inner_text(".bw-sentence") == told
    for part in (".bw-state", ".bw-digits", ".bw-sentence"):
        box = far.locator(part).bounding_box()
        assert box is not None and box["height"] > 20 and box["y"] + box["height"] <= 800
        assert box["x"] + box["width"] <= 1280


def tab_to(page: Page, selector: str) -> None:
    """Press Tab until this has the focus."""
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("selector => document.activeElement?.matches(selector) ?? false", selector):
            return
    raise AssertionError(f"the keyboard never comes to {selector}")


def run_that_is_on(folder: Path) -> str:
    """Waits until the collector has written a first live row; its run's id."""
    run_id: str = until(live, folder, "no run came on")[0].run_id
    return run_id
