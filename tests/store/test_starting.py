"""Two starts on one canner at the same moment: the second has not been told of the first, so it must not end it."""

from __future__ import annotations

import threading
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import RefusedError
from monitor.store.entries import append_entry, read_entries
from monitor.store.occupied import StartClashes, start_clashes
from monitor.store.reader import house_in, open_reader
from monitor.store.starting import start_run


def header(run_id: str, canner: str = "canner-1") -> dict[str, Any]:
    return {
        "format": "boilwitness-run/1",
        "run_id": run_id,
        "canner": canner,
        "started_at": "2026-08-14T09:12:00-06:00",
        "required": {"minutes": 30},
        "started_by": f"who started {run_id}",
    }


def start(folder: Path, run_id: str, seen: StartClashes, canner: str = "canner-1") -> None:
    entries = [("run_started", header(run_id, canner)), ("checklist", {"done": []})]
    start_run(folder, run_id, entries, canner=canner, nodes=["n1"], seen=seen, by="Ada")


def open_runs(folder: Path) -> list[str]:
    house = house_in(folder)
    return [facts.run_id for facts in house.open_runs()] if house else []


def test_of_many_starts_at_once_one_is_made_and_the_others_are_told_of_it(tmp_path: Path) -> None:
    """All saw an empty canner; whoever comes later is refused by the first's name, and leaves no entry."""
    told: list[str] = []
    together = threading.Barrier(6)

    def try_it(number: int) -> None:
        together.wait()
        try:
            start(tmp_path, f"run-{number}", StartClashes())
        except RefusedError as refused:
            told.append(str(refused))

    threads = [threading.Thread(target=try_it, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    (first,) = open_runs(tmp_path)
    assert len(told) == 5
    assert all(f"run {first} was started on canner-1 by who started {first}" in line for line in told)
    with closing(open_reader(tmp_path)) as conn:
        assert len(read_entries(conn)) == 2


def test_what_was_said_before_is_ended(tmp_path: Path) -> None:
    start(tmp_path, "first", StartClashes())
    start(tmp_path, "second", start_clashes(house_in(tmp_path), "canner-1"))
    assert open_runs(tmp_path) == ["second"]


def test_jars_that_went_in_meanwhile_stop_it(tmp_path: Path) -> None:
    """The run was said to be ended without harm; then its jars went in."""
    start(tmp_path, "first", StartClashes())
    seen = start_clashes(house_in(tmp_path), "canner-1")
    append_entry(tmp_path, "mark", {"kind": "jars_in"}, run_id="first", happened_utc="2026-08-14T15:13:00Z")
    with pytest.raises(RefusedError, match="run first is on at canner-1 with its jars in"):
        start(tmp_path, "second", seen)
    assert open_runs(tmp_path) == ["first"]


def test_an_id_that_was_taken_meanwhile_is_not_used_twice(tmp_path: Path) -> None:
    start(tmp_path, "same", StartClashes())
    with pytest.raises(RefusedError, match="there is a run same by now"):
        start(tmp_path, "same", StartClashes(), "canner-2")


def test_a_start_that_takes_a_node_and_a_canner_says_both(tmp_path: Path) -> None:
    """Jars are in at both canners: neither run is kept silent about."""
    for number in (1, 2):
        append_entry(tmp_path, "node_assigned", {"node": f"n{number}", "canner": f"canner-{number}"})
        append_entry(tmp_path, "run_started", header(f"r{number}", f"canner-{number}"), run_id=f"r{number}")
        append_entry(
            tmp_path, "mark", {"kind": "jars_in"}, run_id=f"r{number}", happened_utc="2026-08-14T15:13:00Z"
        )
    clashes = start_clashes(house_in(tmp_path), "canner-2", ["n1"])
    assert "run r1" in clashes.why and "run r2" in clashes.why
    assert clashes.ends == "r2"
