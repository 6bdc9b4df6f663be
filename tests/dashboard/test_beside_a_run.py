"""Every page while a canner is on and an alarm of an earlier run still waits to be seen; the plan to its start."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from time import sleep
from typing import Any

from kitchen_store import runs, until
from page_forms import fill, pick, press, settled, tick, tick_if_there, tick_what_a_start_asks
from playwright.sync_api import Page, expect

from dashboard.alarm_model import standing
from monitor.plan.registration import PLACES
from monitor.store.entries import Entry, append_entry, read_entries
from monitor.store.probes import newest_reading
from monitor.store.reader import alarms, list_runs, live, open_reader

EVERY = ("", "plan", "probe", "jars?run=before", "pantry", "runs", "compare", "nodes", "run?run=before")


def begin(folder: Path, run_id: str) -> None:
    where = ["--canner", "stove", "--node", "demo-node-1", "--minutes", "20", "--run-id", run_id]
    runs(folder, "start", "--already-boiling", *where)
    runs(folder, "mark", "jars_in")


def one_on_and_an_alarm_waiting(folder: Path) -> None:
    """A run that was ended without its hold, so that its alarm waits to be seen; then another that is on."""
    until(lambda conn: newest_reading(conn, "demo-node-1")[0] is not None, folder, "the node was never heard")
    begin(folder, "before")
    sleep(1.0)
    runs(folder, "end")
    until(
        lambda conn: any(item.run_id == "before" and item.unacknowledged for item in standing(alarms(conn))),
        folder,
        "the first run's alarm never came",
    )
    begin(folder, "now")
    until(lambda conn: "now" in [row.run_id for row in live(conn)], folder, "the second run is not on")


def checked_probe(folder: Path) -> None:
    probe = {"probe_id": "red K", "kind": "type K class 1", "converter": "linearised, 0.0078 K steps"}
    good = {
        "offset_K": 0.0,
        "expanded_uncertainty_K": 0.1,
        "coverage_factor": 2.0,
        "ice_offset_K": 0.0,
        "boil_offset_K": 0.0,
        "at": datetime.now(UTC).isoformat(),
        "method": "ice and boiling points",
    }
    append_entry(folder, "probe_registered", probe | {"place": PLACES[0]})
    append_entry(folder, "probe_checked", {"probe_id": "red K", "calibration": good, "text": []})
    kitchen = {"altitude_m": 10.0, "altitude_uncertainty_m": 5.0, "zone": "Europe/Berlin"}
    append_entry(folder, "settings", kitchen)


def start_another(page: Page) -> None:
    """From the food to *Start the run*, for a canner of its own."""
    fill(page, "Canner", "big pot")
    fill(page, "Altitude of the kitchen [m]", "10")
    fill(page, "What is in the jars", "pears")
    pick(page, "pint")
    page.wait_for_selector("text=4. The batch")
    tick_if_there(page, "is the altitude of")
    fill(page, "Jars", "7")
    fill(page, "Coldest filled jar [°C]", "70")
    fill(page, "Water when the jars go in [°C]", "75")
    fill(page, "Who starts", "Ada")
    tick_what_a_start_asks(page)
    # The tap that sounds it also lets this browser sound: there is one sound on the page, far above.
    page.wait_for_selector(".bw-sound[data-armed=no]")
    press(page, "Sound the alarm")
    page.wait_for_selector(".bw-sound[data-armed=yes][data-sounding=high]")
    press(page, "I heard it where I will be")
    page.wait_for_selector("text=The alarm was heard.")
    # Both watch with the one node there is: that is said, and costs a tick of its own.
    taken = page.get_by_text("node demo-node-1 watches stove, where run now is on with its jars in")
    taken.wait_for()
    tick(page, "at the cost of run now")
    assert page.get_by_role("button", name="Start the run", exact=True).count() == 0
    tick(page, "at the cost of run now")
    press(page, "Start the run")
    page.wait_for_selector(".bw-batch:has-text('7 pint jars of')")


def test_no_page_stops_while_a_canner_is_on_and_an_alarm_waits(
    idle: Any, tmp_path: Path, visit: Callable, serve: Callable
) -> None:
    """Each page to its end, the plan as far as a second run's start; the server's own log tells of no error."""
    checked_probe(tmp_path)
    one_on_and_an_alarm_waiting(tmp_path)
    pages = serve(tmp_path)
    with visit() as visitor:
        for name in EVERY:
            page = visitor.go(f"{pages.url}/{name}")
            page.wait_for_selector(".bw-alarm")
            # Long enough for each piece of a page to be drawn again by itself.
            page.wait_for_timeout(2500)
            assert page.get_by_test_id("stException").count() == 0, (name, pages.end())
            assert page.locator(".bw-sound").count() == 1, name
            # The alarm is the ended run's, perhaps of yesterday, not that of the run that is on at the same canner.
            told = page.locator(".bw-alarm").first.inner_text()
            assert re.search(r"– stove, its ended run of (.*, )?\d\d:\d\d, raised (.*, )?\d\d:\d\d", told), (
                told
            )
            assert "full boil" not in told, told
        page = visitor.go(f"{pages.url}/plan")
        start_another(page)
        assert page.get_by_test_id("stException").count() == 0
        visitor.picture("now-two-on")
    conn = open_reader(tmp_path)
    assert next(row.canner for row in list_runs(conn)) == "big pot"
    conn.close()
    status, told = pages.end()
    assert status == 0
    # What the pages print by themselves is where they are.
    assert [line for line in told.splitlines() if line and "The pages are at" not in line] == []


def entries_of(folder: Path, kind: str, run_id: str | None = None) -> list[Entry]:
    conn = open_reader(folder)
    try:
        return read_entries(conn, run_id, [kind])
    finally:
        conn.close()


def test_a_second_jars_in_asks_first_and_what_is_said_has_a_name(
    idle: Any, tmp_path: Path, visit: Callable, wait: Callable
) -> None:
    """A slip of the finger in a hold changes nothing; no mark waits for a name, and once one is given all carry it."""
    one_on_and_an_alarm_waiting(tmp_path)

    def jars_in() -> int:
        return len([one for one in entries_of(tmp_path, "mark", "now") if one.body["kind"] == "jars_in"])

    with visit(width=390, height=844) as visitor:
        page = visitor.go(idle.url)
        page.get_by_text(
            "No name yet: what you mark, confirm or acknowledge is written down all the same"
        ).wait_for()
        page.get_by_text("Say what you did or saw at stove").click()
        press(page, "Jars in")
        page.wait_for_selector("text=/Jars have been in since [0-9:]+. .*the time begins again from zero/")
        assert visitor.faults() == []
        assert visitor.overflow() <= 0
        visitor.picture("jars-in-again-390")
        press(page, "No, leave it as it is")
        page.wait_for_selector("text=/Jars have been in since/", state="detached")
        assert jars_in() == 1
        press(page, "Jars in")
        press(page, "Jars in now: the time begins again")
        page.get_by_text("Written down: jars in.").wait_for()
        assert jars_in() == 2
        assert entries_of(tmp_path, "mark", "now")[-1].by is None

        fill(page, "Your name, for the record", "Zoë Ada")
        fill(page, "Your name, for the record", "Ada")
        page.wait_for_selector("text=/No name yet/", state="detached")
        press(page, "Water added")
        page.get_by_text("Written down: water added.").wait_for()
        assert entries_of(tmp_path, "mark", "now")[-1].by == "Ada"
        # A busy machine may have raised another one besides, which is seen as well.
        page.get_by_role("button", name="I have seen it", exact=True).first.click()
        wait(lambda: entries_of(tmp_path, "alarm_acknowledged"), what="for the alarm to be seen")
        assert entries_of(tmp_path, "alarm_acknowledged")[-1].by == "Ada"
        # A page that is loaded anew, as by each link, still knows who speaks; another browser does not.
        other = visitor.go(f"{idle.url}/nodes")
        # A field is drawn empty first, and filled a moment later.
        expect(other.get_by_label("Who is speaking")).to_have_value("Ada")
        with visit() as elsewhere:
            page = elsewhere.go(f"{idle.url}/nodes")
            page.wait_for_timeout(1000)
            expect(page.get_by_label("Who is speaking")).to_have_value("")
        page = visitor.go(idle.url)
        page.get_by_text("Say what you did or saw at stove").click()
        # With the heat off the jars of this canner are another matter: nothing is asked.
        press(page, "Heat off")
        page.get_by_text("20 min still owed: the hold ends here.").wait_for()
        press(page, "Heat off: the hold ends here")
        wait(lambda: entries_of(tmp_path, "mark", "now")[-1].body["kind"] == "heat_off", what="for heat off")
        press(page, "Jars in")
        wait(lambda: jars_in() == 3, what="for the mark")


def test_a_place_is_confirmed_with_a_name(idle: Any, tmp_path: Path, visit: Callable, wait: Callable) -> None:
    """The name is asked for beside it, and once: who starts the run is known then."""
    checked_probe(tmp_path)
    with visit() as visitor:
        page = visitor.go(f"{idle.url}/plan")
        fill(page, "Altitude of the kitchen [m]", "1650")
        fill(page, "Your name, for the record", "Ada")
        box = page.get_by_test_id("stCheckbox").filter(has_text="1650 m is the altitude of")
        box.locator("label").first.click(position={"x": 8, "y": 12})
        wait(
            lambda: any("place_confirmed" in one.body for one in entries_of(tmp_path, "settings")),
            what="for the place",
        )
        assert entries_of(tmp_path, "settings")[-1].by == "Ada"
        settled(page)
        assert page.get_by_label("Your name, for the record").count() == 0
        fill(page, "What is in the jars", "pears")
        pick(page, "pint")
        page.wait_for_selector("text=4. The batch")
        expect(page.get_by_label("Who starts", exact=True)).to_have_value("Ada")
