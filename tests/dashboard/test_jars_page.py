"""From heat-off to the labelled shelf, and a broken hold to its two hours, by clicks.

The records are the demonstration's invented batch, moved in time and imported.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from playwright.sync_api import Page, expect

from monitor.cli.main import main
from monitor.record import Required, write_run
from monitor.simulate.node import demo_canner
from monitor.store.entries import read_entries
from monitor.store.reader import open_reader


def imported(folder: Path, run_id: str, *, hours_ago: float, minutes: float = 10.0) -> None:
    """The demonstration's batch as a finished run of the store, begun ``hours_ago``."""
    shown = demo_canner(cooling_s=300.0)
    run = replace(
        shown.header,
        run_id=run_id,
        started_at=datetime.now(UTC) - timedelta(hours=hours_ago),
        required=Required(minutes, "a time chosen for this test"),
        samples=shown.samples,
        marks=shown.marks,
        ended_at_s=shown.end_s,
    )
    record = folder / "record" / run_id
    write_run(run, record)
    assert main(["import", str(record), "--data", str(folder)]) == 0


def settled(page: Page) -> None:
    page.wait_for_timeout(300)
    page.wait_for_selector("[data-testid=stApp][data-test-script-state=notRunning]")


def answer(page: Page, question: str, word: str) -> None:
    choice = page.locator(f".st-key-ask_{question}").get_by_text(word, exact=True)
    # While the next jar's screen replaces the last one, both are there for a moment.
    expect(choice).to_have_count(1)
    choice.click()
    settled(page)


def test_from_lifted_jars_to_labels(tmp_path: Path, serve: Callable, visit: Callable) -> None:
    """Six jars: one springs back, one is broken; four reach the shelf after a signed review, and their labels."""
    imported(tmp_path, "jam", hours_ago=14.0)
    pages = serve(tmp_path)
    with visit(width=390, height=844) as visitor:
        page = visitor.go(f"{pages.url}/jars?run=jam")
        page.get_by_label("Who is speaking").fill("Ada")
        page.get_by_label("Who is speaking").press("Enter")
        settled(page)
        for jar in range(1, 7):
            page.get_by_role("button", name=f"Keep this answer for jar {jar}").wait_for()
            if jar == 5:
                page.get_by_role("button", name="Jar 5 is broken").click()
                settled(page)
                continue
            answer(page, "press", "springs" if jar == 3 else "firm")
            answer(page, "sight", "dished")
            answer(page, "tap", "ring")
            answer(page, "lift", "holds")
            if jar == 1:
                assert visitor.overflow() <= 0
                visitor.picture("jars-390")
            page.get_by_role("button", name=f"Keep this answer for jar {jar}").click()
            settled(page)
        page.set_viewport_size({"width": 1280, "height": 1000})
        page.wait_for_selector("text=/jars? waits? for your decision/")
        page.locator(".st-key-place_jars").get_by_text("3", exact=True).click()
        settled(page)
        page.get_by_role("combobox", name="Place").click()
        page.get_by_role("option", name="Refrigerate").click()
        settled(page)
        page.get_by_role("button", name="Place them").click()
        settled(page)
        # The power dip is a deviation of every jar: it is closed before anything goes on the shelf.
        while page.get_by_text("Close a deviation").count():
            if not page.get_by_label("Cause").is_visible():
                page.get_by_text("Close a deviation").click()
            page.get_by_label("Cause").fill("power dip")
            page.get_by_label("What was done about it").fill("brought back, whole time again")
            page.get_by_role("button", name="Close it").click()
            settled(page)
        for box in page.get_by_label("Why it is accepted", exact=False).all():
            box.fill("looked at; the hold after it is whole")
        page.get_by_role("button", name="Sign the review").click()
        page.wait_for_selector("text=4 jars are on the shelf list.", timeout=15_000)
        visitor.picture("jars-done")
        with page.expect_download() as coming:
            page.get_by_role("button", name="Plain text").click()
        assert coming.value.path().read_text().count("strawberry jam") == 4
        page = visitor.go(f"{pages.url}/pantry")
        page.wait_for_selector("text=/5 jars; what to use first/")
        visitor.picture("pantry")

    conn = open_reader(tmp_path)
    said = read_entries(conn, "jam", ["jar_seal", "jar_disposition", "review"])
    conn.close()
    assert all(entry.by == "Ada" for entry in said)
    assert [entry.kind for entry in said].count("jar_seal") == 6


def test_a_broken_hold_shows_its_two_hours_and_every_jar_gets_a_place(
    tmp_path: Path, serve: Callable, visit: Callable
) -> None:
    """30 min asked for, some 11 held: the stricter clock runs, and the shelf is not on offer."""
    imported(tmp_path, "short", hours_ago=0.7, minutes=30.0)
    pages = serve(tmp_path)
    with visit() as visitor:
        page = visitor.go(f"{pages.url}/runs")
        page.wait_for_selector("text=To do first")
        page = visitor.go(f"{pages.url}/jars?run=short")
        page.wait_for_selector("text=6 jars wait for your decision.")
        page.wait_for_selector("text=/Failed process: until .* from now. 2 h for jars/")
        for jar in range(1, 7):
            page.locator(".st-key-place_jars").get_by_text(str(jar), exact=True).click()
            settled(page)
        page.get_by_role("combobox", name="Place").click()
        offered = page.get_by_role("option").all_inner_texts()
        assert "Queue for reprocessing" in offered and "Refrigerate" in offered
        assert not any("helf" in word for word in offered)
        page.get_by_role("option", name="Refrigerate").click()
        settled(page)
        visitor.picture("jars-broken-hold")
        page.get_by_role("button", name="Place them").click()
        page.wait_for_selector("text=Every jar has its place.", timeout=15_000)
        page = visitor.go(f"{pages.url}/runs")
        page.wait_for_selector("text=1 run: 1 broken.")
        assert page.get_by_text("To do first").count() == 0, "nothing is left to do"
