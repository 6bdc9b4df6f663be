"""What is started, marked and stopped, from the command line or a page, shows within 2 s on every open page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from itertools import count, cycle
from math import inf
from pathlib import Path
from time import monotonic, sleep
from typing import Any

import pytest
from kitchen_store import runs, until
from playwright.sync_api import Page

from dashboard.words import MARKS
from monitor.cli.main import main
from monitor.plan.registration import PLACES
from monitor.store.entries import append_entry
from monitor.store.marking import TWICE_S
from monitor.store.probes import newest_reading
from monitor.store.reader import list_runs, load_run, open_reader

PAGES = ("", "plan", "probe", "runs")
LIMIT_S = 2.0
#: Marks that ask nothing first, unless they come twice within seconds.
UNASKED = ("heat_on", "lid_on", "water_checked", "water_added")


def say(folder: Path, *words: str) -> None:
    """As by the command line, by name."""
    runs(folder, *words, "--by", "Ada")


def wait_for_a_reading(folder: Path) -> None:
    """The node has just been switched on."""
    until(lambda conn: newest_reading(conn, "demo-node-1")[0] is not None, folder, "the node was never heard")


def unasked() -> Iterator[tuple[str, str]]:
    """A mark's kind, and what the page calls it; the same again only when it is no doubt any more."""
    said_s: dict[str, float] = {}
    for kind in cycle(UNASKED):
        sleep(max(0.0, said_s.get(kind, -inf) + TWICE_S + 1.0 - monotonic()))
        yield kind, MARKS[kind].capitalize()
        # Asked for the next one: this one was seen on every page.
        said_s[kind] = monotonic()


def slowest_s(pages: list[Page], words: str, *, gone: bool = False) -> float:
    """How long it takes from now until every page shows these words, or shows them no longer. [s]"""
    began_s = monotonic()
    for page in pages:
        page.wait_for_selector(f"text={words}", state="hidden" if gone else "visible")
    return monotonic() - began_s


def test_start_mark_and_stop_show_everywhere_within_two_seconds(
    idle: Any, tmp_path: Path, visit: Callable, in_time: Callable
) -> None:
    """Four pages in four windows. The command line starts, marks and ends runs; a mark is clicked on a page."""
    with ExitStack() as stack:
        pages = [stack.enter_context(visit()).go(f"{idle.url}/{name}") for name in PAGES]
        live, elsewhere = pages[0], pages[1:]
        live.wait_for_selector("text=No canner is on.")
        numbers, marks = count(1), unasked()

        def start_s() -> float:
            run = f"r{next(numbers)}"
            where = ["--canner", f"stove {run}", "--node", "demo-node-1", "--run-id", run]
            say(tmp_path, "start", "--already-boiling", "--minutes", "20", *where)
            return slowest_s(pages, f"stove {run}")

        def mark_s() -> float:
            kind, button = next(marks)
            say(tmp_path, "mark", kind)
            return slowest_s(pages, f"last said: {button.lower()}")

        def click_s() -> float:
            _, button = next(marks)
            live.get_by_role("button", name=button, exact=True).click()
            return slowest_s(pages, f"last said: {button.lower()}")

        def end_s() -> float:
            say(tmp_path, "end")
            return slowest_s(elsewhere, "last said", gone=True)

        def whole_s() -> float:
            started_s = start_s()
            say(tmp_path, "mark", "heat_on")
            slowest_s(pages, "last said: heat on")
            return max(started_s, end_s())

        in_time(whole_s, LIMIT_S)
        live.wait_for_selector("text=No canner is on.")
        start_s()
        in_time(mark_s, LIMIT_S)
        live.get_by_text("Say what you did or saw at stove").click()
        in_time(click_s, LIMIT_S)
        end_s()
        live.wait_for_selector("text=No canner is on.")


def test_the_command_line_starts_with_the_checks_of_the_page(
    idle: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is missing is listed and stops it, exit status 3; with everything there the run starts and is the one that
    the page would have started; boiling jars are recorded anyway, capped."""
    probe = {"probe_id": "red K", "kind": "type K class 1", "converter": "linearised, 0.0078 K steps"}
    wait_for_a_reading(tmp_path)
    append_entry(tmp_path, "probe_registered", probe | {"place": PLACES[0]})
    words = [
        "plan",
        "--food",
        "pears",
        "--pack",
        "hot",
        "--jar",
        "pint",
        "--altitude-m",
        "1650",
        "--altitude-uncertainty-m",
        "10",
        "--start",
    ]
    words += ["--data", str(tmp_path), "--altimeter-hPa", "1018", "--node", "demo-node-1", "--probe", "red K"]
    assert main(words) == 3
    said = capsys.readouterr().out
    assert said.startswith("This set-up cannot prove a boil, whatever it reads.\n")
    assert "Check this probe at the ice point and at the boil" in said
    for missing in (
        "time zone",
        "confirm its altitude",
        "how many jars",
        "who starts",
        "coldest filled jar",
        "alarm",
    ):
        assert missing in said
    batch = [
        "--zone",
        "America/Denver",
        "--jars",
        "7",
        "--coldest-jar-C",
        "70",
        "--loading-water-C",
        "85",
        "--by",
        "Ada",
    ]
    assert main([*words, *batch, "--already-boiling"]) == 0
    assert "no more than unproven" in capsys.readouterr().out
    everything = ["place", "rims", "sound", "clock", "power", "probe"]
    assert main([*words, *batch, "--confirm", *everything]) == 0
    said = capsys.readouterr().out
    assert "! The water for the hot-packed jars is 85.0 °C" in said
    conn = open_reader(tmp_path)
    newest, first = list_runs(conn)
    run, capped = load_run(conn, newest.run_id), load_run(conn, first.run_id)
    conn.close()
    assert newest.run_id.endswith("-canner-1-b") and f"run {newest.run_id} started" in said
    assert "capped_at_unproven" in capped.extra and "capped_at_unproven" not in run.extra
    assert run.site.station_pressure_kPa == pytest.approx(83.42, abs=0.01)
    assert len(run.extra["deviations"]) == 1
    assert run.batch.extra["lot_code"] != capped.batch.extra["lot_code"]
    capsys.readouterr()
    assert main(["runs", "--data", str(tmp_path), "--lot", capped.batch.extra["lot_code"].lower()]) == 0
    listed = capsys.readouterr().out
    assert first.run_id in listed and newest.run_id not in listed
