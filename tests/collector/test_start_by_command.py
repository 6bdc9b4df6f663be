"""A run started from the command line, described or planned: one set of checks, said in the same sentences."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.store.entries import append_entry, read_entries

Boilwitness = Callable[..., subprocess.CompletedProcess[str]]

PLACE = "mid-depth, at jar-shoulder height, touching neither base nor glass"
PROBE = {
    "probe_id": "red K",
    "kind": "type K class 1",
    "converter": "linearised, 0.0078 K steps",
    "place": PLACE,
}
BATCH = ["--food", "pears", "--pack", "hot", "--jar", "pint", "--jars", "7"]
WHERE = ["--altitude-m", "1650", "--altitude-uncertainty-m", "10", "--zone", "America/Denver"]
#: USDA Complete Guide to Home Canning (2015), guide 2, pears, hot pack, pints, 3,001 to 6,000 ft: 30 min.
DESCRIBED = ["runs", "start", "--minutes", "30", *BATCH, *WHERE, "--node", "n1"]
PLANNED = ["plan", "--start", *BATCH, *WHERE, "--node", "n1"]
REST = ["--probe", "red K", "--coldest-jar-C", "70", "--loading-water-C", "75", "--by", "Ada", "--confirm"]
SEEN = ["place", "acid", "rims", "sound", "clock", "power", "probe"]


def missing(told: str) -> list[str]:
    """The sentences that say what is missing."""
    return [line.strip() for line in told.splitlines() if line.startswith("  ")]


def test_both_ways_ask_the_same_and_start_the_same(
    broker: Any, collect: Any, make_node: Any, data: Path, stored: Any, wait: Any, boilwitness: Boilwitness
) -> None:
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    node = make_node()
    node.sample()
    wait(stored.seqs, what="for a sample")
    append_entry(data, "probe_registered", PROBE)
    told = [boilwitness(*words) for words in (DESCRIBED, PLANNED)]
    assert [one.returncode for one in told] == [3, 3]
    asked = [missing(one.stdout) for one in told]
    assert asked[0] == asked[1]
    assert "Register the water probe: its kind, converter and place. (--probe)" in asked[0]
    assert all("can be no more than unproven. (--already-boiling)" in one.stdout for one in told)
    # One thing short: that alone is said.
    node.sample()
    short = [boilwitness(*words, *REST, *SEEN[:3], *SEEN[4:]) for words in (DESCRIBED, PLANNED)]
    assert [one.returncode for one in short] == [3, 3]
    alarm = ["Sound the alarm and confirm that you heard it where you will be. (--confirm sound)"]
    assert [missing(one.stdout) for one in short] == [alarm, alarm]
    assert not stored.ask("SELECT 1 FROM entries WHERE kind = 'run_started'")
    for words, canner in ((DESCRIBED, "canner-1"), (PLANNED, "canner-2")):
        node.sample()
        done = boilwitness(*words, "--canner", canner, *REST, *SEEN)
        assert done.returncode == 0, done.stdout + done.stderr
        collector.wait_for(f"{canner}: run")
    conn = stored.connection()
    first, second = [entry.body for entry in read_entries(conn, kinds=["run_started"])]
    kinds = [{entry.kind for entry in read_entries(conn, run_id=one["run_id"])} for one in (first, second)]
    conn.close()
    assert kinds[0] == kinds[1] == {"run_started", "plan", "checklist", "loading"}
    assert first["batch"].pop("lot_code") != second["batch"].pop("lot_code")
    for key in ("required", "batch", "probe", "zone", "confirmed_at_start", "started_by"):
        assert first[key] == second[key]
    assert "capped_at_unproven" not in first


@pytest.mark.parametrize(
    "words, says",
    [
        (["--minutes", "60", "--food", "green beans"], "low-acid"),
        (
            ["--minutes", "25", *BATCH, *WHERE],
            "The table asks 30 min for Pears, halved here; 25 min are shorter.",
        ),
        (["--minutes", "30", *BATCH[:4], "--jar", "half-gallon", *WHERE], "larger than the largest listed"),
        (["--minutes", "20", *BATCH, *WHERE, "--source", "A county sheet, 2026"], "Nobody has confirmed"),
    ],
)
def test_what_is_refused_is_refused_with_jars_in_boiling_water_too(
    boilwitness: Boilwitness, data: Path, words: list[str], says: str
) -> None:
    for more in ([], ["--already-boiling"]):
        done = boilwitness("runs", "start", *words, *more)
        assert done.returncode == 3, done.stderr
        assert says in done.stdout
    assert not (data / "boilwitness.sqlite").exists()


def test_jars_in_boiling_water_are_recorded_anyway_and_capped(boilwitness: Boilwitness, stored: Any) -> None:
    done = boilwitness("runs", "start", "--minutes", "30", *BATCH, *WHERE, "--already-boiling")
    assert done.returncode == 0
    assert "record anyway. The record can then be no more than unproven, because:" in done.stdout
    ((body,),) = stored.ask("SELECT body FROM entries WHERE kind = 'run_started'")
    capped = json.loads(body)["capped_at_unproven"]
    assert "Register the water probe: its kind, converter and place." in capped
    assert json.loads(body)["batch"]["lot_code"]
