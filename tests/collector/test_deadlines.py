"""Runs that are over: what falls due for their jars is said, also what fell due while nobody listened."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from monitor.store.entries import append_entry

Boilwitness = Callable[..., subprocess.CompletedProcess[str]]


def ago(hours: float) -> str:
    return (datetime.now(UTC) - timedelta(hours=hours)).isoformat()


def a_run_of_yesterday(data: Path, boilwitness: Boilwitness, heat_off_h: float) -> None:
    """Two jars; nothing was recorded of the hold, so it is not held."""
    start = [
        "runs",
        "start",
        "--run-id",
        "r1",
        "--canner",
        "c1",
        "--minutes",
        "10",
        "--jars",
        "2",
        "--already-boiling",
    ]
    done = boilwitness(*start, "--altitude-m", "0", "--at", ago(heat_off_h + 1.0), "--reason", "a test")
    assert done.returncode == 0, done.stderr
    for kind, hours in (
        ("jars_in", heat_off_h + 0.9),
        ("heat_off", heat_off_h),
        ("jars_lifted", heat_off_h - 0.1),
    ):
        append_entry(data, "mark", {"kind": kind}, run_id="r1", happened_utc=ago(hours), reason="a test")
    append_entry(data, "run_ended", {}, run_id="r1", happened_utc=ago(heat_off_h - 0.2), reason="a test")


def test_what_fell_due_meanwhile_is_said_at_the_start_and_judged_seals_end_it(
    broker: Any, collect: Any, stored: Any, data: Path, boilwitness: Boilwitness, wait: Any
) -> None:
    a_run_of_yesterday(data, boilwitness, 12.5)
    collector = collect("--mqtt", broker.address)
    collector.wait_for("seal_check_due")
    last = "SELECT state FROM alarms WHERE kind = 'seal_check_due' ORDER BY id DESC LIMIT 1"
    wait(lambda: stored.ask(last) == [("active_unacknowledged",)])
    assert collector.stop() == 0
    # A second start says it again as standing, and raises nothing twice.
    collector.again()
    collector.wait_for("alarm since")
    (line, *_) = [text for text in collector.said if "alarm since" in text]
    # The canner, and the time to the second with its offset, as every line has it.
    assert re.search(
        r"^\d\d:\d\d:\d\d [+-]\d{4}  c1: alarm since \d{4}-\d\d-\d\d \d\d:\d\d:\d\d [+-]\d{4}: ", line
    )
    # And the run, which is not the one that may be on there now.
    assert "of run r1, which is over: " in line
    assert stored.ask("SELECT count(*) FROM events WHERE kind = 'seal_check_due'") == [(1,)]
    for jar in (1, 2):
        answers = {
            "jar": jar,
            "press": "firm",
            "sight": "dished",
            "tap": "ring",
            "lift": "holds",
            "broken": False,
        }
        append_entry(data, "jar_seal", answers, run_id="r1", by="Ana")
    wait(lambda: stored.ask(last) == [("returned_unacknowledged",)])
    collector.stop()


def test_the_two_hours_alarm_before_they_close_and_end_when_every_jar_has_a_place(
    broker: Any, collect: Any, stored: Any, data: Path, boilwitness: Boilwitness, wait: Any
) -> None:
    """The jars went in 1.7 h ago and never boiled: 18 of the 120 minutes are left."""
    a_run_of_yesterday(data, boilwitness, 0.8)
    collector = collect("--mqtt", broker.address)
    collector.wait_for("reprocess_window_closing")
    last = "SELECT state FROM alarms WHERE kind = 'reprocess_window_closing' ORDER BY id DESC LIMIT 1"
    wait(lambda: stored.ask(last) == [("active_unacknowledged",)])
    append_entry(data, "jar_disposition", {"jar": 1, "to": "refrigerate"}, run_id="r1", by="Ana")
    header = {"run_id": "r1-again1", "canner": "c2", "started_at": ago(0.0), "required": {"minutes": 10}}
    child = header | {"reprocess_of": "r1", "reprocess_jars": [2]}
    append_entry(data, "run_started", child, run_id="r1-again1", by="Ana")
    collector.wait_for("run r1-again1")
    assert stored.ask(last) == [("active_unacknowledged",)], "jar 2 still stands on the counter"
    append_entry(data, "mark", {"kind": "jars_in"}, run_id="r1-again1", by="Ana")
    wait(lambda: stored.ask(last) == [("returned_unacknowledged",)])
    collector.stop()


def test_a_run_long_over_is_left_alone(
    broker: Any, collect: Any, stored: Any, data: Path, boilwitness: Boilwitness
) -> None:
    a_run_of_yesterday(data, boilwitness, 72.0)
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    assert collector.stop() == 0
    assert stored.ask("SELECT count(*) FROM alarms") == [(0,)]
