"""One run's page: a long record seen at once and looked at closely, its history, its files. One server for all.

The long record is the demonstration's invented batch laid out over 100,000 samples of four channels.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Page, WebSocket

from dashboard.trace import between, envelope, trace
from monitor.cli.main import main
from monitor.judge import judge
from monitor.proof.verify import verify_path
from monitor.record import Run, Sample, read_run, write_run
from monitor.simulate.node import demo_canner
from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.store.manual import enter_reading

SAMPLES = 100_000
EVERY_S = 0.25
DIP_AT = 61_234
HOSTILE = '<img src=x onerror="window.owned=1">**b** $x$ ‮'


def long_run() -> Run:
    """Four samples a second for seven hours: water, room and two jars, one single sample 3 K too low."""
    shown = demo_canner(cooling_s=300.0)
    t_s = np.arange(SAMPLES) * EVERY_S
    stretch = t_s[-1] / shown.end_s
    known_s = [sample.t_s * stretch for sample in shown.samples]
    water_C = np.interp(t_s, known_s, [sample.water_C or 0.0 for sample in shown.samples])
    water_C += np.random.default_rng(7).normal(0.0, 0.05, SAMPLES)
    water_C[DIP_AT] -= 3.0
    samples = tuple(
        Sample(
            t_s=float(at), water_C=round(float(C), 3), room_C=21.0, jars={1: 70.0, 2: 71.0}, boot=1, seq=place
        )
        for place, (at, C) in enumerate(zip(t_s, water_C, strict=True))
    )
    return replace(
        shown.header,
        run_id="long",
        started_at=datetime.now(UTC) - timedelta(hours=20),
        samples=samples,
        marks=tuple(replace(mark, t_s=mark.t_s * stretch) for mark in shown.marks),
        ended_at_s=float(t_s[-1]),
    )


def short_run() -> Run:
    shown = demo_canner(cooling_s=300.0)
    return replace(
        shown.header,
        run_id="short",
        started_at=datetime.now(UTC) - timedelta(hours=13),
        samples=shown.samples,
        marks=shown.marks,
        ended_at_s=shown.end_s,
    )


def alarm(conn: object, change: str, state: str, at_utc: str, **more: object) -> None:
    body = {"change": change, "priority": "high", "headline": "The boil is lost", **more}
    conn.execute(  # type: ignore[attr-defined]
        "INSERT INTO alarms (alarm_id, run_id, at_utc, kind, state, body) VALUES (?, 'short', ?, 'boil_lost', ?, ?)",
        ("short:boil_lost:1", at_utc, state, json.dumps(body)),
    )


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with both runs, and all that people and alarms said of the short one."""
    folder = tmp_path_factory.mktemp("kept")
    for run in (short_run(), long_run()):
        record = folder / run.run_id
        write_run(run, record)
        assert main(["import", str(record), "--data", str(folder)]) == 0
    when = (datetime.now(UTC) - timedelta(hours=12, minutes=50)).isoformat()
    first = append_entry(
        folder, "mark", {"kind": "note", "text": "lid rattled"}, run_id="short", by="Ada", happened_utc=when
    )
    append_entry(
        folder,
        "correction",
        {"text": "lid hummed"},
        run_id="short",
        by="Ben",
        corrects=first,
        reason="misheard",
    )
    append_entry(folder, "deviation_opened", {"what": HOSTILE}, run_id="short", by=HOSTILE)
    conn = open_writer(folder)
    alarm(conn, "raised", "active_unacknowledged", when)
    for minute, water_C in ((5, 61.4), (9, 94.6), (20, 94.7)):
        read_at = (datetime.now(UTC) - timedelta(hours=13) + timedelta(minutes=minute)).isoformat()
        enter_reading(
            conn, "short", water_C, f"glass {HOSTILE}", "Ada", happened_utc=read_at, reason="no logger"
        )
    alarm(conn, "acknowledged", "active_acknowledged", when, by=HOSTILE)
    conn.close()
    return folder


@pytest.fixture(scope="module")
def pages(kept: Path, serve_all: Callable) -> Any:
    return serve_all(kept)


def test_each_sample_of_a_closer_look_is_drawn() -> None:
    """A window of a long record keeps every sample in it; the whole keeps the one low sample."""
    whole = trace(long_run().samples)
    assert DIP_AT in envelope(whole.channels["water"], 1500)
    seen = between(whole, DIP_AT * EVERY_S - 60.0, DIP_AT * EVERY_S + 60.0)
    assert len(seen.t_s) == 481
    assert seen.channels["water"].min() == whole.channels["water"][DIP_AT]


def test_a_hundred_thousand_samples_are_seen_within_2_5_s(
    pages: Any, visit: Callable, seen_in_time: Callable
) -> None:
    """From a cold browser to the trace, though the record came from elsewhere and was never judged here; then its
    verdict, and by keyboard each sample of a few minutes."""
    seen_in_time(pages, "run?run=long", "canvas")
    received: list[int] = []

    def opened(socket: WebSocket) -> None:
        socket.on("framereceived", lambda payload: received.append(len(payload)))

    with visit() as visitor:
        page = visitor.page
        page.on("websocket", opened)
        page.goto(f"{pages.url}/run?run=long")
        page.wait_for_selector(
            ".bw-verdict:has-text('Held'), .bw-verdict:has-text('Unproven')", timeout=90_000
        )
        page.get_by_text("100,000 of 100,000 samples").wait_for()
        assert sum(received) < 1_500_000
        page.get_by_role("slider").first.focus()
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        page.get_by_text("99,280 of 100,000 samples").wait_for()


def test_a_run_s_history_and_its_files(kept: Path, pages: Any, visit: Callable, tmp_path: Path) -> None:
    """Jars, deviation, alarms, a correction beside what it corrects; the proof verifies, the record reads back."""
    with visit() as visitor:
        page = visitor.go(f"{pages.url}/run?run=short")
        page.get_by_role("heading", name="Take it along").wait_for()
        text = page.inner_text("[data-testid=stMain]")
        assert "acknowledged by <img src=x" in text
        assert "lid rattled" in text and "replaced by entry" in text and "reason: misheard" in text
        assert "Judge seals, place jars, review" in text and "Each jar" not in text
        assert HOSTILE[:36] in text and page.evaluate("window.owned") is None
        assert visitor.faults() == []
        proof = tmp_path / "proof.html"
        proof.write_bytes(downloaded(page, "Proof (HTML)"))
        assert main(["verify", str(proof)]) == 0
        with zipfile.ZipFile(io.BytesIO(downloaded(page, "Record (ZIP)"))) as archive:
            archive.extractall(tmp_path)
        assert read_run(tmp_path / "short").run_id == "short"
        verdict = json.loads(downloaded(page, "Verdict (JSON)"))
        assert verdict["format"] == "boilwitness-verdict/1" and verdict["verdict"] == "held"
        assert json.loads((tmp_path / "short" / "verdict.json").read_text()) == verdict
        assert main(["verify", str(tmp_path / "short")]) == 0
        assert verify_path(tmp_path / "short").sealed
        visitor.picture("run-short")


@pytest.mark.parametrize("width", [1280, 390])
def test_how_fast_the_canner_warms_and_cools_is_a_quiet_line(
    kept: Path, pages: Any, visit: Callable, width: int
) -> None:
    """The engine's own sentence, once, as small as a note; it fits the page, light and dark."""
    told = judge(short_run()).kettle
    assert "on the way up" in told
    for dark in (False, True):
        with visit(width=width, height=900, dark=dark) as visitor:
            page = visitor.go(f"{pages.url}/run?run=short")
            line = page.locator("[data-kettle]")
            line.wait_for()
            assert line.inner_text() == told and line.count() == 1
            assert line.get_attribute("class") == "bw-note"
            assert visitor.overflow() <= 0 and visitor.faults() == []
            line.scroll_into_view_if_needed()
            visitor.picture(f"run-kettle-{width}-{'dark' if dark else 'light'}")


def test_readings_by_hand_are_shown_as_what_they_are(kept: Path, pages: Any, visit: Callable) -> None:
    """A log kept by hand is always labelled so and proves nothing (FDA's guide to inspections of low-acid canned
    food, part 1, page 15: without several readings of the thermometer there is no assurance)."""
    with visit() as visitor:
        page = visitor.go(f"{pages.url}/run?run=short")
        page.get_by_role("heading", name="Read by hand").wait_for()
        table = page.get_by_role("table", name="Readings by hand")
        assert table.locator("tbody tr").count() == 3
        told = table.inner_text()
        assert "61.4" in told and "Ada" in told and "glass <img" in told and told.count("later") == 3
        text = page.inner_text("[data-testid=stMain]")
        assert "No part of the verdict." in text and "up to 11 min apart, which is too far" in text
        assert "it proves no hold by itself, a person must decide" in text
        assert page.evaluate("window.owned") is None
        assert visitor.faults() == []
        page.get_by_role("heading", name="The trace").scroll_into_view_if_needed()
        visitor.picture("run-by-hand")
        page.goto(f"{pages.url}/run?run=long")
        page.get_by_role("heading", name="Take it along").wait_for()
        assert page.get_by_role("heading", name="Read by hand").count() == 0


def downloaded(page: Page, name: str) -> bytes:
    with page.expect_download(timeout=90_000) as waiting:
        page.get_by_role("button", name=name).click()
    return Path(waiting.value.path()).read_bytes()
