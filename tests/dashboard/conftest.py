"""A browser, and servers of the pages. Chromium may talk to this machine alone: a request to anywhere else
fails, and is kept to be seen."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from time import monotonic, sleep
from urllib.request import urlopen

import pytest
from playwright.sync_api import Browser, Page, Request, expect

from dashboard.launch import free_port
from monitor.cli._demo_house import DemoHouse
from monitor.record import Sample

AXE = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
#: (rule, what its markup holds): faults inside Streamlit's own widgets, which a page cannot mend.
LIBRARY_S_OWN = (("target-size", 'aria-autocomplete="list"'),)
#: A page without data, on an idle machine of two cores. [s]
EMPTY_PAGE_S = 1.0
PICTURES = Path(__file__).parent.parent / "screenshots"


# As for whatever is waited for on a page: a busy machine is no fault.
expect.set_options(timeout=90_000)


@dataclass
class Seen:
    """What a page did behind one's back."""

    outside: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def request(self, request: Request) -> None:
        if not request.url.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:")):
            self.outside.append(request.url)


class Visitor:
    """One person's browser window, watched for outside requests and errors."""

    def __init__(self, browser: Browser, *, width: int = 1280, height: int = 800, dark: bool = False) -> None:
        self.context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            reduced_motion="reduce",
        )
        # A page that waits long shows a busy machine, not a fault; what must be quick says so itself.
        self.context.set_default_timeout(90_000)
        self.page: Page = self.context.new_page()
        self.seen = Seen()
        self.page.on("request", self.seen.request)
        self.page.on("pageerror", lambda error: self.seen.errors.append(str(error)))

    def go(self, url: str) -> Page:
        self.page.goto(url)
        self.page.wait_for_selector("[data-testid=stApp][data-test-script-state=notRunning]", timeout=90_000)
        return self.page

    def overflow(self) -> int:
        """By how much the page is wider than its window. [px]"""
        return int(
            self.page.evaluate(
                "Math.max(document.documentElement.scrollWidth - innerWidth,"
                " ...[...document.querySelectorAll('[data-testid=stMain]')].map(m => m.scrollWidth - m.clientWidth))"
            )
        )

    def slowest_motion_s(self) -> float:
        """The longest animation or transition on the page. [s]"""
        return float(
            self.page.evaluate(
                "Math.max(0, ...[...document.querySelectorAll('*')].flatMap(node => { const s = getComputedStyle(node);"
                " return [s.animationName === 'none' ? 0 : parseFloat(s.animationDuration),"
                " s.transitionProperty === 'none' ? 0 : parseFloat(s.transitionDuration)]; }))"
            )
        )

    def faults(self) -> list[str]:
        """What axe-core finds against WCAG 2.2 A and AA, without the page library's own listed faults."""
        self.page.evaluate(AXE)
        found = self.page.evaluate("tags => axe.run(document, {runOnly: {type: 'tag', values: tags}})", WCAG)
        return [
            f"{fault['id']} ({fault['impact']}): {node['html'][:160]}"
            for fault in found["violations"]
            for node in fault["nodes"]
            if not any(rule == fault["id"] and part in node["html"] for rule, part in LIBRARY_S_OWN)
        ]

    def picture(self, name: str) -> None:
        PICTURES.mkdir(exist_ok=True)
        self.page.screenshot(path=PICTURES / f"{name}.png")

    def close(self) -> None:
        self.context.close()
        assert self.seen.outside == []
        assert self.seen.errors == []


class Pages:
    """``boilwitness dashboard`` as a process of its own."""

    def __init__(self, folder: Path, *words: str, port: int | None = None) -> None:
        self.port = port or free_port(0)
        self.url = f"http://127.0.0.1:{self.port}"
        command = [
            sys.executable,
            "-m",
            "monitor",
            "dashboard",
            "--data",
            str(folder),
            "--port",
            str(self.port),
        ]
        self.process = subprocess.Popen(
            [*command, *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        self.wait()

    def wait(self) -> None:
        until_s = monotonic() + 90
        while monotonic() < until_s:
            try:
                with urlopen(f"{self.url}/_stcore/health", timeout=1):
                    return
            except OSError:
                assert self.process.poll() is None, "the dashboard ended at its start"
                sleep(0.1)
        raise AssertionError("the dashboard never answered")

    def end(self, number: int = signal.SIGTERM) -> tuple[int, str]:
        """End it; its exit status and all that it printed."""
        if self.process.poll() is None:
            os.kill(self.process.pid, number)
        told, _ = self.process.communicate(timeout=60)
        return self.process.returncode, told


Visit = Callable[..., AbstractContextManager[Visitor]]


def cold_s(visit: Visit, url: str, selector: str) -> float:
    """From a browser that never saw the pages to what a person came for. [s]"""
    with visit() as visitor:
        began_s = monotonic()
        visitor.page.goto(url, wait_until="commit")
        visitor.page.wait_for_selector(selector, timeout=90_000)
        return monotonic() - began_s


def empty_page_s(visit: Visit, url: str) -> float:
    """How long a page without data takes: by this one knows how fast the machine is now. [s]"""
    return cold_s(visit, f"{url}/pantry", "text=Pantry >> nth=1")


@pytest.fixture
def slowness(visit: Visit) -> Callable[[str], float]:
    """``slowness(url)``: how many times as slow as an idle machine this one is now with pages, at least 1."""
    return lambda url: max(1.0, empty_page_s(visit, url) / EMPTY_PAGE_S)


@pytest.fixture
def seen_in_time(visit: Visit) -> Callable[[Pages, str, str], None]:
    """A page is seen within 2.5 s of a cold browser; where other work shares the machine, within twice the time
    that a page without data takes there."""

    def check(pages: Pages, path: str, selector: str) -> None:
        spans_s, empty_s = [], []
        for _ in range(6):
            empty_s.append(empty_page_s(visit, pages.url))
            spans_s.append(cold_s(visit, f"{pages.url}/{path}", selector))
            if spans_s[-1] < max(2.5, 2.0 * empty_s[-1]):
                return
        raise AssertionError(f"seen after {spans_s} s, an empty page after {empty_s} s")

    return check


@pytest.fixture
def visit(browser: Browser) -> Visit:
    """``with visit(width=390) as visitor:``; at its end nothing may have gone outside or wrong."""

    @contextmanager
    def visiting(**window: int) -> Iterator[Visitor]:
        visitor = Visitor(browser, **window)
        try:
            yield visitor
        except BaseException:
            # What a person would have seen when it went wrong.
            visitor.page.set_viewport_size({"width": 1280, "height": 2600})
            visitor.picture("went-wrong")
            visitor.context.close()
            raise
        visitor.close()

    return visiting


@contextmanager
def serving() -> Iterator[Callable[..., Pages]]:
    started: list[Pages] = []

    def start(folder: Path, *words: str, port: int | None = None) -> Pages:
        started.append(Pages(folder, *words, port=port))
        return started[-1]

    yield start
    for pages in started:
        pages.end()


@pytest.fixture
def serve() -> Iterator[Callable[..., Pages]]:
    """Starts pages on a data directory, and ends whatever was started."""
    with serving() as start:
        yield start


@pytest.fixture(scope="module")
def serve_all() -> Iterator[Callable[..., Pages]]:
    """As ``serve``, for all tests of a module."""
    with serving() as start:
        yield start


class IdleKitchen(DemoHouse):
    """A node whose thermocouple reads a bath that can be changed; a barometer if given; eight times as fast as life."""

    def __init__(self, folder: Path, rate: float = 8.0) -> None:
        super().__init__(folder, free_port(0), rate, "pty")
        self.rate = rate
        self.water_C = 21.0
        self.pressure_kPa: float | None = None
        self.stop = threading.Event()
        self.talker = threading.Thread(target=self._talk, daemon=True)

    def begin(self) -> None:
        self.start()
        self.talker.start()

    def _talk(self) -> None:
        noise, seq = random.Random(5), 0
        began_s = monotonic()
        assert self._node is not None
        while not self.stop.wait(1.0 / self.rate):
            # By the clock, and not by what was said: a machine that is behind would make every reading look old.
            uptime_s = round((monotonic() - began_s) * self.rate, 3)
            reading_C = round((self.water_C + noise.gauss(0.0, 0.03)) * 128.0) / 128.0
            self._node.say(
                Sample(
                    uptime_s,
                    reading_C,
                    pressure_kPa=self.pressure_kPa,
                    chip_C=27.0,
                    boot=7,
                    seq=seq,
                    uptime_s=uptime_s,
                )
            )
            seq += 1

    def end(self) -> None:
        self.stop.set()
        self.talker.join()
        super().end()


@pytest.fixture
def idle(tmp_path: Path) -> Iterator[IdleKitchen]:
    house = IdleKitchen(tmp_path)
    try:
        house.begin()
        yield house
    finally:
        house.end()
