"""Two runs that read alike are told apart by their ids, and what is over is not told as if it were to come."""

from __future__ import annotations

import http.client
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path

import pytest
from app_page import opened, shown
from kitchen_store import take_in
from streamlit.testing.v1 import AppTest

from dashboard import figures, launch, look, node_data, nodes_model, settings
from dashboard.settings import Settings
from monitor.simulate.node import demo_canner
from monitor.store.database import open_writer
from monitor.store.stamp import utc_text


@pytest.fixture
def forgotten() -> Iterator[None]:
    yield
    settings._current = None


@pytest.mark.usefixtures("forgotten")
def test_each_run_s_id_stands_in_the_list_and_on_its_page(tmp_path: Path) -> None:
    """In text; and the search says that it looks there too."""
    shown_run = demo_canner(cooling_s=60.0)
    for run_id in ("2026-06-12-canner-1-a", "2026-06-12-canner-1-c"):
        take_in(tmp_path, shown_run, hours_ago=13.0, run_id=run_id)
    app = opened(tmp_path, "views/runs.py")
    for run_id in ("2026-06-12-canner-1-a", "2026-06-12-canner-1-c"):
        assert re.findall(f">{run_id}<", shown(app)), run_id
    assert app.text_input(key="runs_words").label == "Food, jar, canner or run id"
    app.text_input(key="runs_words").set_value("1-c").run()
    assert "1 run" in shown(app) and ">2026-06-12-canner-1-a<" not in shown(app).split('aria-label="Runs"')[1]
    page = _run_page(tmp_path, "2026-06-12-canner-1-c")
    assert ">2026-06-12-canner-1-c<" in shown(page)


def _run_page(folder: Path, run_id: str) -> AppTest:
    settings.configure(Settings(folder))
    app = opened(folder, "views/runs.py")
    app.query_params["run"] = run_id
    app.switch_page("views/run.py").run()
    assert not app.exception
    return app


def test_a_run_that_is_over_has_had_its_events() -> None:
    assert "Nothing has happened yet" in look.events_table((), None)
    over = look.events_table((), None, over=True)
    assert "yet" not in over and "The record holds no event." in over


def test_a_time_in_the_engine_s_words_reads_as_beside_it() -> None:
    """As :func:`figures.local_day` writes it; the offset of an hour that comes twice stays."""
    assert figures.days_in_words("Until 2026-06-19 20:20: process again.") == (
        "Until Fri 19 Jun 2026, 20:20: process again."
    )
    assert figures.days_in_words("by 2026-11-01 01:30 -06:00") == "by Sun 1 Nov 2026, 01:30 -06:00"
    for other in ("run 2026-06-19-canner-1-a", "2026-99-19 20:20", "2026-06-19", "1.2026-06-19 20:201"):
        assert figures.days_in_words(other) == other


@pytest.mark.usefixtures("forgotten")
def test_a_silent_node_s_barometer_was_heard(tmp_path: Path) -> None:
    """What it said last, with its age, beside the water that it said last; not that it has none."""
    conn = open_writer(tmp_path)
    then = datetime.now(UTC) - timedelta(minutes=15)
    for number, name in ((1, "with"), (2, "without")):
        conn.execute(
            "INSERT INTO nodes (node_id, name, first_seen_utc, source, samples) VALUES (?, ?, ?, 'x', 1)",
            (number, name, utc_text(then)),
        )
        conn.execute(
            "INSERT INTO samples (node, boot, seq, at_s, arrival_s, water_C, pressure_kPa)"
            " VALUES (?1, 1, 0, ?2, ?2, 95.95, ?3)",
            (number, 1000.0, 84.69 if name == "with" else None),
        )
    conn.close()
    settings.configure(Settings(tmp_path))
    conn = open_writer(tmp_path)
    found = node_data.last_pressure(conn, 1, 1000.0 + 900.0, 1.0)
    assert found == (84.69, 900.0)
    assert node_data.last_pressure(conn, 2, 1000.0 + 900.0, 1.0) == (None, None)
    conn.close()
    reading = nodes_model.Reading(900.0, 95.95, None, *found)
    assert nodes_model.barometer(reading, False).startswith("846.9 hPa 15 min ago, water boils at ")
    assert node_data._readings(tmp_path)["with"].pressure_kPa == 84.69


def asked(port: int, path: str) -> http.client.HTTPResponse:
    """As a browser asks for a page."""
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    link.request("GET", path, headers={"Accept": "text/html,application/xhtml+xml"})
    return link.getresponse()


def test_an_address_that_is_no_page_leads_to_the_first_one(
    tmp_path: Path, serve: Callable, visit: Callable
) -> None:
    """The library's box about it would lie over the alarm; pages and what they load stay what they are."""
    names = re.findall(r'url_path="(\w+)"', Path(launch.__file__).with_name("app.py").read_text("utf-8"))
    assert tuple(names) == launch.PAGE_NAMES
    pages = serve(tmp_path)
    for path in ("/live", "/live/", "/a/b", "/run.html"):
        answer = asked(pages.port, path + "?run=x")
        assert (answer.status, answer.headers["location"]) == (303, "/"), path
        assert "content-security-policy" in answer.headers
    for path in ("/", "/runs", "/run?run=x", "/?far=1"):
        assert asked(pages.port, path).status == 200, path
    with visit() as visitor:
        page = visitor.go(f"{pages.url}/live")
        page.wait_for_selector("text=There is nothing to show yet")
        assert "Page not found" not in unescape(page.inner_text("body"))
        assert page.url.rstrip("/") == pages.url
