"""Every page: through the entry point without a browser, and in a browser with hostile names, dark, narrow."""

from __future__ import annotations

import json
import random
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
from kitchen_store import take_in
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import kept_passcode, settings
from dashboard.launch import free_port
from dashboard.settings import Settings
from monitor.record import Required
from monitor.simulate.node import demo_canner
from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.store.stamp import utc_text

APP = str(Path(dashboard.__file__).with_name("app.py"))
HOSTILE = '<img src=x onerror="window.owned=1"><script>window.owned=1</script>**b** $x$ ‮'
PAGES = ("plan", "probe", "jars", "pantry", "runs", "compare", "nodes", "run")


@pytest.fixture
def told() -> Iterator[Callable[[Path], None]]:
    yield lambda folder: settings.configure(Settings(folder))
    settings._current = None


def season(folder: Path, count: int, begin: datetime = datetime(2024, 6, 1, 15, tzinfo=UTC)) -> None:
    """Finished runs, judged, as the store keeps them; without samples."""
    conn = open_writer(folder)
    conn.execute("BEGIN")
    for number in range(count):
        run_id = f"run-{number:04d}"
        start = begin + timedelta(hours=9 * number)
        header = {
            "format": "boilwitness-run/1",
            "run_id": run_id,
            "canner": "canner-1",
            "started_at": start.isoformat(),
            "zone": "America/Denver",
            "batch": {"food": "plums" if number % 3 else "pears", "pack": "hot", "jar": "pint", "jars": 7},
            "required": {"minutes": 25},
        }
        conn.execute(
            "INSERT INTO entries (run_id, kind, body, at_utc, happened_utc, mono_s, machine_boot)"
            " VALUES (?, 'run_started', json(?), ?, ?, 0, 'then')",
            (run_id, json.dumps(header), utc_text(start), utc_text(start)),
        )
        verdict = "broken" if number % 40 == 8 else "held"
        action = "reprocess_or_refrigerate" if verdict == "broken" else "store_after_seal_check"
        form = {"verdict": verdict, "proven_s": 1500.0 + number % 60, "advice": {"action": action}}
        conn.execute(
            "INSERT INTO verdicts (run_id, at_utc, verdict) VALUES (?, ?, ?)",
            (run_id, utc_text(start), json.dumps(form)),
        )
    conn.execute("COMMIT")
    conn.close()


def imported(folder: Path, run_id: str) -> None:
    shown = demo_canner(cooling_s=300.0)
    take_in(
        folder,
        shown,
        hours_ago=13.0,
        run_id=run_id,
        canner=HOSTILE,
        batch=replace(shown.header.batch, food=HOSTILE),
        required=Required(10.0, HOSTILE),
        marks=tuple(replace(mark, by=HOSTILE, text=HOSTILE) for mark in shown.marks),
    )


def heard_and_refused(folder: Path) -> None:
    """A node with a hostile name, and input that was refused, as the collector keeps them."""
    conn = open_writer(folder)
    now = datetime.now(UTC)
    conn.execute(
        "INSERT INTO nodes (node_id, name, first_seen_utc, source, samples) VALUES (1, ?, ?, ?, 1)",
        (HOSTILE, utc_text(now), HOSTILE),
    )
    conn.execute(
        "INSERT INTO samples (node, boot, seq, at_s, arrival_s, water_C, pressure_kPa)"
        " VALUES (1, 1, 0, ?1, ?1, 90, 84)",
        (now.timestamp(),),
    )
    conn.execute(
        "INSERT INTO refusals (at_utc, source, node_hint, why, size, payload) VALUES (?, ?, ?, ?, 90, ?)",
        (utc_text(now), HOSTILE, HOSTILE, HOSTILE, b"\x00\xff" + HOSTILE.encode()),
    )
    conn.execute(
        "INSERT INTO refusal_counts (source, count, last_utc) VALUES (?, 1, ?)", (HOSTILE, utc_text(now))
    )
    conn.close()


def test_without_a_store_every_page_says_what_to_do(tmp_path: Path, told: Callable) -> None:
    """No page fails on an empty directory."""
    told(tmp_path)
    app = AppTest.from_file(APP, default_timeout=60).run()
    assert not app.exception
    for page in PAGES:
        app.switch_page(f"views/{page}.py").run()
        assert not app.exception, page


def test_a_damaged_store_is_told_and_is_not_an_empty_one(tmp_path: Path, told: Callable) -> None:
    """Each page that shows records says what is wrong; what cannot be written is told in words, not as a trace."""
    (tmp_path / "boilwitness.sqlite").write_bytes(random.Random(4).randbytes(30_000))
    told(tmp_path)
    app = AppTest.from_file(APP, default_timeout=60).run()
    for page in ("jars", "pantry", "runs", "compare", "nodes"):
        app.switch_page(f"views/{page}.py").run()
        assert "file is not a database" in "".join(str(item.value) for item in app.get("html")), page
    app.switch_page("views/probe.py").run()
    app.text_input[0].set_value("k1")
    app.button[0].click().run()
    assert not app.exception
    assert "file is not a database" in "".join(str(item.value) for item in app.get("html"))


def test_a_hostile_node_and_what_was_refused_are_written_as_text(tmp_path: Path, told: Callable) -> None:
    """A node's name, its way in, refused bytes and the reason: none of it is markup."""
    heard_and_refused(tmp_path)
    told(tmp_path)
    app = AppTest.from_file(APP, default_timeout=60).run()
    app.switch_page("views/nodes.py").run()
    assert not app.exception
    text = "".join(str(item.value) for item in app.get("html"))
    assert "<img" not in text and "<script" not in text
    assert text.count("&lt;img src=x") >= 6


def test_past_runs_filter_and_what_is_to_do_first(tmp_path: Path, told: Callable) -> None:
    """The sum follows the filter; a broken run of these days heads the page, an old one does not."""
    season(tmp_path, 90, datetime.now(UTC) - timedelta(hours=9 * 90))
    told(tmp_path)
    app = AppTest.from_file(APP, default_timeout=60).run()
    app.switch_page("views/runs.py").run()
    text = "".join(str(item.value) for item in app.get("html"))
    assert "To do first" in text and "90 runs: 87 held, 3 broken." in text
    # The list tells what a verdict advised when it was given, with or without a head over it; what is left to do is
    # called so.
    first, whole = text.split('aria-label="Runs"')
    assert ">To do</th>" in first and ">Advised then</th>" in whole and ">To do</th>" not in whole
    assert whole.count("advised then: </span>") == 50 and "advised then" not in first
    app.text_input(key="runs_words").set_value("pears").run()
    text = "".join(str(item.value) for item in app.get("html"))
    assert "30 runs: 29 held, 1 broken." in text


def test_hostile_names_stay_text_on_every_page(tmp_path: Path, serve: Callable, visit: Callable) -> None:
    """Food, canner, source, who and words of a mark; light and narrow, dark and wide.
    No page is wider than its window, none has a fault that axe finds, and none moves where motion is not wanted."""
    imported(tmp_path, "a<b>'\"&c")
    heard_and_refused(tmp_path)
    append_entry(tmp_path, "deviation_opened", {"what": HOSTILE}, run_id="a<b>'\"&c", by=HOSTILE)
    pages = serve(tmp_path)
    query = "?run=a%3Cb%3E%27%22%26c"
    faults: list[str] = []
    narrow = {"width": 390, "height": 844}
    windows = (
        ("390", narrow, ("", *PAGES)),
        ("dark", {"dark": True}, ("", *PAGES)),
        # The page with the widest table, in the two other looks as well.
        ("390-dark", narrow | {"dark": True}, ("nodes",)),
        ("light", {}, ("nodes",)),
    )
    for name, window, names in windows:
        with visit(**window) as visitor:
            for page_name in names:
                page = visitor.go(f"{pages.url}/{page_name}{query if page_name in ('run', 'jars') else ''}")
                page.wait_for_timeout(400)
                assert page.evaluate("window.owned") is None, page_name
                assert page.locator("img[src='x']").count() == 0, page_name
                assert page.locator("[data-testid=stException]").count() == 0, page_name
                assert visitor.overflow() <= 0, page_name
                assert visitor.slowest_motion_s() <= 0.01, page_name
                if page_name == "nodes":
                    page.get_by_role("table", name="Refused input").wait_for()
                    assert page.get_by_role("table").count() >= 2
                if page_name in ("run", "compare"):
                    page.wait_for_selector("canvas")
                faults += [f"{page_name or 'now'}, {name}: {fault}" for fault in visitor.faults()]
                visitor.picture(f"{page_name or 'now'}-{name}")
    assert faults == []


def test_two_thousand_runs_are_seen_within_2_5_s(
    tmp_path: Path, serve: Callable, visit: Callable, seen_in_time: Callable
) -> None:
    """A season at a glance: from a cold browser to its sum and its first lines."""
    season(tmp_path, 2000)
    pages = serve(tmp_path)
    seen_in_time(pages, "runs", "text=/2,000 runs: 1,950 held, 50 broken/")
    with visit() as visitor:
        visitor.go(f"{pages.url}/runs")
        visitor.picture("runs-season")


def upgrade(port: int, host: str, origin: str | None) -> int:
    """Status of a WebSocket handshake (RFC 6455, section 4) with these headers."""
    lines = [
        "GET /_stcore/stream HTTP/1.1",
        f"Host: {host}",
        "Upgrade: websocket",
        "Connection: Upgrade",
        "Sec-WebSocket-Version: 13",
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
    ] + ([f"Origin: {origin}"] if origin else [])
    with socket.create_connection(("127.0.0.1", port), timeout=60) as link:
        link.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        return int(link.recv(200).split()[1])


def test_foreign_host_names_are_refused(tmp_path: Path, serve: Callable) -> None:
    """DNS rebinding: a foreign name that resolves to this machine reaches neither pages nor data."""
    pages = serve(tmp_path)
    own = f"127.0.0.1:{pages.port}"
    assert upgrade(pages.port, own, f"http://{own}") == 101
    assert upgrade(pages.port, own, "http://evil.example") in (400, 403)
    assert upgrade(pages.port, "evil.example", "http://evil.example") in (400, 403)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_dashboard_ends_cleanly(tmp_path: Path, serve: Callable, number: int) -> None:
    """Ctrl-C or SIGTERM: exit status 0 and no traceback."""
    pages = serve(tmp_path)
    status, told = pages.end(number)
    assert status == 0
    assert "Traceback" not in told
    assert told.startswith(f"The pages are at {pages.url}")


def test_whoever_is_quick_waits_and_is_not_refused(tmp_path: Path) -> None:
    """The address is said once it can be opened: the pages come, however long the server takes to get ready."""
    command = [
        sys.executable,
        "-m",
        "monitor",
        "dashboard",
        "--data",
        str(tmp_path),
        "--port",
        str(free_port(0)),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as pages:
        try:
            assert pages.stdout is not None
            found = re.search(r"http://[0-9.]+:\d+", pages.stdout.readline())
            assert found is not None
            with urlopen(found[0], timeout=90.0) as answer:
                assert answer.status == 200
        finally:
            pages.terminate()


def kept(visitor: Any) -> list[dict[str, Any]]:
    visitor.page.wait_for_timeout(50)
    return [one for one in visitor.context.cookies() if one["name"] == kept_passcode.COOKIE]


def test_on_the_home_network_a_change_asks_for_the_passcode(
    tmp_path: Path, serve: Callable, visit: Callable, monkeypatch: pytest.MonkeyPatch, wait: Callable
) -> None:
    """Looking is free; the plan page opens with the right passcode and not with a wrong one."""
    monkeypatch.setenv("BOILWITNESS_PASSCODE", "plum-jam-7")
    pages = serve(tmp_path, "--lan")
    with visit() as visitor:
        page = visitor.go(f"{pages.url}/plan")
        assert page.get_by_text("1. The kitchen").count() == 0
        for words, shown in (("plum-jam-8", "That is not the passcode."), ("plum-jam-7", "1. The kitchen")):
            page.get_by_label("Passcode").fill(words)
            page.get_by_role("button", name="Give the passcode").click()
            page.get_by_text(shown).wait_for()
        # Once for this device: neither a reload nor another page asks again, and no script can read why.
        wait(lambda: kept(visitor), what="for the cookie")
        (cookie,) = kept(visitor)
        assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
        assert 0 < cookie["expires"] - time.time() <= 12 * 3600
        assert kept_passcode.COOKIE not in page.evaluate("document.cookie")
        page.reload()
        page.get_by_text("1. The kitchen").wait_for()
        visitor.go(f"{pages.url}/probe").get_by_text("Name written on the probe").wait_for()
        assert page.get_by_label("Passcode").count() == 0
    with visit() as visitor:
        # Another device is asked; so is one whose cookie was changed.
        page = visitor.go(f"{pages.url}/plan")
        page.get_by_label("Passcode").wait_for()
        later = cookie | {
            "value": str(int(cookie["value"].split(".")[0]) + 60) + "." + cookie["value"].split(".")[1]
        }
        visitor.context.add_cookies([later])
        page.reload()
        page.get_by_label("Passcode").wait_for()
        assert page.request.post(f"{pages.url}/passcode/keep", data="a guess").status == 403
    status, told = pages.end()
    assert status == 0
    assert re.search(r"The pages are at http://[0-9.]+:\d+", told) and "█" in told
    assert "plum-jam" not in told
