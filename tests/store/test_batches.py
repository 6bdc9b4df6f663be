"""Batches from the store: whose verdict counts, what only the samples show, which runs share a fault."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.main import main
from monitor.errors import UsageError
from monitor.store.batches import load_batch, load_batches, sharing
from monitor.store.database import open_writer
from monitor.store.entries import append_entry

RECORDED = Path(__file__).parents[2] / "recorded_runs"
FORM = {"format": "boilwitness-run/1"}
NIGHT = "2026-08-28-canner-1-a"
NOW = datetime(2026, 8, 29, 20, 0, tzinfo=UTC)


@pytest.fixture
def night(tmp_path: Path) -> Any:
    """The recorded night of pears in a store of its own."""
    assert main(["import", str(RECORDED / "a-night-of-cooling"), "--data", str(tmp_path)]) == 0
    conn = open_writer(tmp_path)
    yield conn
    conn.close()


def test_a_verdict_is_asked_for_once_where_none_is_stored(night: sqlite3.Connection) -> None:
    asked = []

    def judged(run_id: str, newest: int) -> dict[str, Any]:
        asked.append(run_id)
        return {"verdict": "held", "required_s": 1800.0, "stretches": []}

    batch = load_batch(night, NIGHT, NOW, judged=judged)
    assert asked == [NIGHT]
    assert len(batch.state.jars) == 7 and batch.header["run_id"] == NIGHT and NIGHT in batch.known_ids


def test_an_entry_that_shapes_the_run_makes_a_stored_verdict_stale(night: sqlite3.Connection) -> None:
    """It takes effect when it is appended, collector running or not."""
    stored = '{"verdict": "held", "required_s": 1800.0, "stretches": [], "events": []}'
    night.execute(
        "INSERT INTO verdicts (run_id, at_utc, verdict) VALUES (?, ?, ?)",
        (NIGHT, "2099-01-01T00:00:00.000Z", stored),
    )
    night.commit()
    never: Any = None
    assert load_batch(night, NIGHT, NOW, judged=never).verdict["verdict"] == "held"
    night.execute(
        "INSERT INTO verdicts (run_id, at_utc, verdict) VALUES ('other', '2020-01-01T00:00:00.000Z', ?)",
        (stored,),
    )
    night.commit()
    append_entry(
        night,
        "run_started",
        FORM | {"run_id": "other", "canner": "c", "started_at": NOW.isoformat(), "required": {"minutes": 30}},
        run_id="other",
    )
    found = load_batch(night, "other", NOW, judged=lambda *_: {"verdict": "broken", "required_s": 1800.0})
    assert found.verdict["verdict"] == "broken"


def test_every_batch_that_is_over_is_listed_and_one_that_is_on_is_not(night: sqlite3.Connection) -> None:
    header = FORM | {
        "run_id": "on",
        "canner": "c",
        "started_at": NOW.isoformat(),
        "required": {"minutes": 30},
    }
    append_entry(night, "run_started", header, run_id="on", happened_utc=NOW.isoformat(), reason="a test")
    append_entry(night, "run_started", {"run_id": "damaged"}, run_id="damaged")
    append_entry(night, "run_ended", {}, run_id="damaged")
    assert [state.run_id for state in load_batches(night, NOW)] == [NIGHT]


def test_a_trial_entry_says_why_it_would_be_refused(night: sqlite3.Connection) -> None:
    batch = load_batch(night, NIGHT, NOW)
    refused = batch.refusal_of("jar_disposition", {"jar": 1, "to": "shelf"}, "Ada")
    assert "a jar goes on the shelf by itself once its seal and review are done" in refused
    assert batch.refusal_of("jar_disposition", {"jar": 1, "to": "refrigerate"}, "Ada") == ""
    assert len(load_batch(night, NIGHT, NOW).entries) == len(batch.entries), "nothing was written"


def test_a_fault_of_the_probe_touches_its_runs_since_the_last_good_check(tmp_path: Path) -> None:
    """Back to the last good evidence (held as in 21 CFR 113.89: a fault found later enlarges the hold)."""
    conn = open_writer(tmp_path)
    for number, (probe, days) in enumerate((("p1", 20), ("p1", 8), ("p2", 5), ("p1", 2))):
        at = NOW - timedelta(days=days)
        checked = {
            "offset_K": 0.0,
            "expanded_uncertainty_K": 0.3,
            "at": (NOW - timedelta(days=10)).isoformat(),
        }
        header = FORM | {
            "run_id": f"r{number}",
            "canner": "c1",
            "started_at": at.isoformat(),
            "required": {"minutes": 10},
            "probe": {"channel": "water", "probe_id": probe, "calibration": checked},
        }
        append_entry(
            conn, "run_started", header, run_id=f"r{number}", happened_utc=at.isoformat(), reason="a test"
        )
    assert sharing(conn, "r3", NOW) == ["r1"]
    with pytest.raises(UsageError, match="no run"):
        sharing(conn, "r9", NOW)
    conn.close()
