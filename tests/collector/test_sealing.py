"""Seals of the runs that are over, put down by the collector: what goes wrong with one of them ends nothing else."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.main import main
from monitor.collector.upkeep import SEAL_AGAIN_S, SEAL_EVERY_S
from monitor.proof.seal import seal_due
from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.timesource import ManualTime

RECORDED = Path(__file__).parents[2] / "recorded_runs" / "dip-stopped-short"


@pytest.fixture
def two_records(data: Path, tmp_path: Path, broken: Callable) -> Callable[[], None]:
    """Two records from elsewhere; the judging of the first ends in an error, until this is called."""
    header = json.loads((RECORDED / "run.json").read_text("utf-8"))
    for run_id in ("a", "b"):
        folder = tmp_path / f"record-{run_id}"
        folder.mkdir()
        (folder / "run.json").write_text(json.dumps(header | {"run_id": run_id}), encoding="utf-8")
        (folder / "samples.csv").write_bytes((RECORDED / "samples.csv").read_bytes())
        assert main(["import", str(folder), "--data", str(data)]) == 0
    return broken("a")


def test_a_record_that_cannot_be_judged_ends_no_collector(
    data: Path, two_records: Callable[[], None], fed: Any, stored: Any, wait: Any
) -> None:
    clock = ManualTime(datetime(2027, 3, 1, 15, 0, tzinfo=UTC), 1000.0)
    collector = fed(clock)
    sealed = "SELECT DISTINCT run_id FROM seals WHERE run_id != '' ORDER BY 1"
    wait(lambda: not collector.at_work or clock.advance(1.0) or stored.ask(sealed))
    assert collector.at_work
    # Tried again, and not said again.
    collector.pass_time(SEAL_AGAIN_S)
    assert stored.ask(sealed) == [("b",)]
    told = [line for line in collector.said if line.startswith("run a cannot be sealed")]
    assert len(told) == 1 and collector.heard("ZeroDivisionError: float division by zero")
    ((text, body),) = stored.ask("SELECT text, body FROM journal WHERE kind = 'run_unsealed'")
    assert text.startswith("run a cannot be sealed") and "ZeroDivisionError" in json.loads(body)["traceback"]
    # What is said meanwhile gets its seal all the same.
    append_entry(data, "settings", {"units": "C"}, time=clock)
    collector.pass_time(SEAL_EVERY_S)
    ((upto,),) = stored.ask(
        "SELECT json_extract(statement, '$.entries.upto') FROM seals ORDER BY seal_id DESC LIMIT 1"
    )
    assert [(upto,)] == stored.ask("SELECT max(id) FROM entries")
    two_records()
    collector.pass_time(SEAL_AGAIN_S)
    assert collector.at_work and stored.ask(sealed) == [("a",), ("b",)]


def test_a_record_that_cannot_be_judged_keeps_no_other_from_its_proof(
    data: Path, two_records: Callable[[], None], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "b.html"
    assert main(["prove", "b", "--data", str(data), "--to", str(page)]) in (0, 10, 11) and page.exists()
    assert "run a cannot be sealed" in capsys.readouterr().err


def test_an_error_that_nobody_takes_is_not_swallowed(data: Path, two_records: Callable[[], None]) -> None:
    with closing(open_writer(data)) as conn, pytest.raises(ZeroDivisionError):
        seal_due(conn)
