"""The verdict of a record from elsewhere is kept as long as all that it depends on stands, and no longer."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.main import main
from monitor.judge import judge
from monitor.store import judged
from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.store.judged import KEPT_NAME, Judged
from monitor.store.reader import load_run, read_house
from monitor.store.take_in import import_run

RECORD = Path(__file__).parents[2] / "recorded_runs" / "held-low-altitude"
RUN = json.loads((RECORD / "run.json").read_text("utf-8"))["run_id"]


@pytest.fixture
def conn(tmp_path: Path) -> Iterator[Any]:
    with closing(open_writer(tmp_path)) as conn:
        import_run(conn, RECORD)
        yield conn


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every judging that is really done."""
    done: list[str] = []

    def counting(run: Any) -> Any:
        done.append(run.run_id)
        return judge(run)

    monkeypatch.setattr(judged, "judge", counting)
    return done


def ask(conn: Any, folder: Path, rules: str = "rules") -> dict[str, Any]:
    house = read_house(conn)
    return Judged(folder, rules).verdict(conn, house, house.run(RUN))


def test_it_is_judged_once_and_comes_back_the_same(conn: Any, tmp_path: Path, counted: list[str]) -> None:
    first = ask(conn, tmp_path)
    assert ask(conn, tmp_path) == first == json.loads(json.dumps(judge(load_run(conn, RUN)).as_json()))
    assert counted == [RUN]


def test_what_it_depends_on_makes_it_anew(conn: Any, tmp_path: Path, counted: list[str]) -> None:
    """Something said that shapes the record, and other rules; what was kept by those is gone."""
    assert ask(conn, tmp_path)["verdict"] == "held"
    append_entry(
        conn, "header_changed", {"required": {"minutes": 55}}, run_id=RUN, by="Ada", reason="misread"
    )
    assert ask(conn, tmp_path)["verdict"] != "held"
    append_entry(conn, "jar_seal", {"jar": 1, "press": "firm"}, run_id=RUN, by="Ada")
    ask(conn, tmp_path)
    assert counted == [RUN] * 2
    ask(conn, tmp_path, "other rules")
    ask(conn, tmp_path)
    assert counted == [RUN] * 4


def test_a_file_that_is_damaged_or_may_not_be_written_costs_time_and_nothing_else(
    conn: Any, tmp_path: Path, counted: list[str]
) -> None:
    first = ask(conn, tmp_path)
    (tmp_path / KEPT_NAME).write_bytes(b"no database" * 1000)
    assert ask(conn, tmp_path) == first
    assert ask(conn, tmp_path / "not" / "there") == first
    assert len(counted) == 3
    for _ in range(2):
        ask(conn, tmp_path)
    assert len(counted) == 4


def test_the_list_and_the_pantry_judge_no_record_twice(
    conn: Any, tmp_path: Path, counted: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    for _ in range(2):
        assert main(["runs", "--data", str(tmp_path)]) == 0
        assert "held (imported)" in capsys.readouterr().out
        assert main(["jars", "pantry", "--data", str(tmp_path)]) == 0
    assert counted == [RUN]


def test_many_are_told_of_before(
    conn: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("monitor.cli._runs_look._MANY", 1)
    for told in ("judging 1 runs that have no verdict here; their verdicts are kept", ""):
        assert main(["runs", "--data", str(tmp_path)]) == 0
        assert told in (said := capsys.readouterr().err) and bool(said) is bool(told)
