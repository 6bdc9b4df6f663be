"""Marks on the page Now: what ends a hold is asked about, what was earlier is said so, a slip is taken back."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from kitchen_store import runs, until
from page_forms import choose, fill, press
from playwright.sync_api import Page

from dashboard.compare_model import WATER_KEY
from monitor.store.entries import Entry, read_entries
from monitor.store.probes import newest_reading
from monitor.store.reader import live, open_reader
from monitor.store.runs import read_house


def begin(folder: Path, run_id: str = "r1") -> None:
    until(lambda conn: newest_reading(conn, "demo-node-1")[0] is not None, folder, "the node was never heard")
    where = ["--canner", "stove", "--node", "demo-node-1", "--minutes", "20", "--run-id", run_id]
    runs(folder, "start", "--already-boiling", *where)
    runs(folder, "mark", "jars_in")
    until(lambda conn: live(conn), folder, "the run is not on")


def said(folder: Path, *kinds: str) -> list[Entry]:
    with closing(open_reader(folder)) as conn:
        return read_entries(conn, "r1", kinds or ("mark",))


def told(folder: Path) -> list[str]:
    return [str(entry.body["kind"]) for entry in said(folder)]


def type_in(page: Page, label: str, value: str) -> None:
    """Into a field of a form, which Enter would send."""
    box = page.get_by_label(label, exact=True)
    box.fill(value)
    box.press("Tab")


def opened(page: Page) -> None:
    page.get_by_text("Say what you did or saw at stove").click()
    page.get_by_role("button", name="Heat off", exact=True).wait_for()


@pytest.mark.parametrize(("name", "kind"), [("Heat off", "heat_off"), ("Jars lifted", "jars_lifted")])
def test_what_ends_a_hold_is_asked_about_and_taken_back(
    idle: Any, tmp_path: Path, visit: Callable, wait: Callable, name: str, kind: str
) -> None:
    begin(tmp_path)
    with visit(width=390, height=844) as visitor:
        page = visitor.go(idle.url)
        opened(page)
        press(page, name)
        page.get_by_text("20 min still owed: the hold ends here.").wait_for()
        assert visitor.faults() == [] and visitor.overflow() <= 0
        press(page, "No, leave it as it is")
        page.wait_for_selector("text=/still owed/", state="detached")
        assert told(tmp_path) == ["jars_in"]
        press(page, name)
        press(page, f"{name}: the hold ends here")
        wait(lambda: told(tmp_path) == ["jars_in", kind], what="for the mark")
        page.wait_for_selector(".bw-word:has-text('Ended'), .bw-word:has-text('Broken')")
        # A slip after all: who and why, and the run goes on.
        press(page, "Take it back")
        page.get_by_text("Say which mark.").wait_for()
        option = page.get_by_role("combobox", name="Marked by mistake")
        option.click()
        page.get_by_role("option", name=name).click()
        press(page, "Take it back")
        page.get_by_text("give a name").wait_for()
        fill(page, "Your name, for the record", "Ann")
        press(page, "Take it back")
        page.get_by_text("Say why the mark is taken back.").wait_for()
        type_in(page, "Why it is taken back", "slip of the finger")
        press(page, "Take it back")
        wait(lambda: said(tmp_path, "correction"), what="for the correction")
        (entry,) = said(tmp_path, "correction")
        assert (entry.by, entry.reason, entry.body) == ("Ann", "slip of the finger", {"withdrawn": True})
        assert told(tmp_path) == ["jars_in", kind]
        page.wait_for_selector(".bw-word:has-text('Unknown')")
        page.wait_for_selector(".bw-said:has-text('last said: jars in')")


def test_what_was_some_minutes_ago_is_said_so(
    idle: Any, tmp_path: Path, visit: Callable, wait: Callable
) -> None:
    """As --ago: in a demonstration the minutes are those of its own clock; beyond five they want a reason."""
    begin(tmp_path)
    with visit() as visitor:
        page = visitor.go(idle.url)
        opened(page)
        choose(page, "It happened earlier", "Full boil seen")
        type_in(page, "Minutes ago", "60")
        press(page, "Mark it")
        page.get_by_text("This happened 60 min ago: say why it is entered late.").wait_for()
        assert told(tmp_path) == ["jars_in"]
        # What was chosen stands still; only the reason is missing.
        type_in(page, "Why it is said late (beyond 5 min)", "hands full")
        # More than there can be: not the minutes that stood there before.
        type_in(page, "Minutes ago", "700")
        press(page, "Mark it")
        page.get_by_text("700 min cannot be: 0 to 600 min.").first.wait_for()
        assert told(tmp_path) == ["jars_in"]
        type_in(page, "Minutes ago", "60,0")
        press(page, "Mark it")
        wait(lambda: told(tmp_path)[-1] == "rolling_boil_seen", what="for the mark")
        entry = said(tmp_path)[-1]
        assert entry.reason == "hands full"
        with closing(open_reader(tmp_path)) as conn:
            by_kind = {mark.kind: mark.t_s for mark in read_house(conn).runs["r1"].marks}
        assert by_kind["rolling_boil_seen"] < by_kind["jars_in"], "an hour of the run, not of the wall"
        choose(page, "It happened earlier", "Heat off")
        type_in(page, "Minutes ago", "60")
        type_in(page, "Why it is said late (beyond 5 min)", "the batch before")
        press(page, "Mark it")
        page.get_by_text("it ends nothing of this batch").wait_for()
        assert "heat_off" not in told(tmp_path)


def test_water_is_written_down_as_it_was_typed_or_not_at_all(
    idle: Any, tmp_path: Path, visit: Callable, wait: Callable
) -> None:
    begin(tmp_path)
    with visit() as visitor:
        page = visitor.go(idle.url)
        opened(page)
        type_in(page, "Water in the canner, litres", "9,5")
        press(page, "Write it down")
        wait(lambda: said(tmp_path, "header_changed"), what="for the litres")
        type_in(page, "Water in the canner, litres", "95")
        press(page, "Write it down")
        page.get_by_text("95 L cannot be: 1 to 60 L.").wait_for()
        assert [entry.body for entry in said(tmp_path, "header_changed")] == [{WATER_KEY: 9.5}]


def test_a_second_device_is_told_that_it_is_marked_already(
    idle: Any, tmp_path: Path, visit: Callable, wait: Callable
) -> None:
    begin(tmp_path)
    with visit() as first, visit() as second:
        pages = [visitor.go(idle.url) for visitor in (first, second)]
        for page in pages:
            opened(page)
        fill(pages[0], "Your name, for the record", "Ann")
        pages[0].get_by_role("button", name="Full boil seen", exact=True).click()
        wait(lambda: "rolling_boil_seen" in told(tmp_path), what="for the first")
        pages[1].get_by_role("button", name="Full boil seen", exact=True).click()
        pages[1].get_by_text("Full boil seen was marked already by Ann").wait_for()
        assert told(tmp_path) == ["jars_in", "rolling_boil_seen"]
        press(pages[1], "Full boil seen once more")
        wait(lambda: told(tmp_path).count("rolling_boil_seen") == 2, what="for the second")
