"""A start never ends another run without a word, and not at all while jars are in, unless that is asked for.

The rule is the published one, that the boil must last the whole time (University of Georgia, national centre for home
food preservation, Using boiling water canners): a record that is cut in the middle of a hold proves nothing.
"""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from monitor.cli._plan_start import may_go_on
from monitor.cli.main import main
from monitor.plan.start import StartDecision
from monitor.store.entries import append_entry, read_entries
from monitor.store.reader import house_in, open_reader

DESCRIBED = ["runs", "start", "--minutes", "30", "--already-boiling"]
PLANNED = [
    *["plan", "--start", "--food", "pears", "--pack", "hot", "--jar", "pint", "--altitude-m", "1650"],
    *["--zone", "America/Denver", "--already-boiling"],
]
WAYS = pytest.mark.parametrize("start", [DESCRIBED, PLANNED], ids=["described", "planned"])


@pytest.fixture(autouse=True)
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


def open_runs(data: Path) -> list[str]:
    house = house_in(data)
    assert house is not None
    return [facts.run_id for facts in house.open_runs()]


@WAYS
def test_a_run_with_its_jars_in_is_not_ended(
    data: Path, capsys: pytest.CaptureFixture[str], start: list[str]
) -> None:
    assert main([*DESCRIBED, "--run-id", "first", "--node", "n1"]) == 0
    assert main(["runs", "mark", "jars_in"]) == 0
    capsys.readouterr()
    assert main([*start, "--node", "n2"]) == 3
    told = capsys.readouterr().out
    assert "run first is on at canner-1 with its jars in" in told
    assert "runs mark first heat_off" in told and "--ends-the-run-that-is-on" in told
    assert open_runs(data) == ["first"]
    with closing(open_reader(data)) as conn:
        assert len(read_entries(conn, kinds=["node_assigned"])) == 1
    assert main([*start, "--node", "n2", "--ends-the-run-that-is-on"]) == 0
    assert "run first on canner-1 is ended by this one" in capsys.readouterr().out
    assert "first" not in open_runs(data) and len(open_runs(data)) == 1


@WAYS
@pytest.mark.parametrize("marks", [[], ["jars_in", "heat_off"]])
def test_one_that_has_not_begun_or_is_over_is_ended_and_said(
    data: Path, capsys: pytest.CaptureFixture[str], start: list[str], marks: list[str]
) -> None:
    assert main([*DESCRIBED, "--run-id", "first"]) == 0
    for number, mark in enumerate(marks):
        assert main(["runs", "mark", mark, "--ago", str((len(marks) - number) / 60)]) == 0
    capsys.readouterr()
    assert main([*start, "--node", "n1"]) == 0
    assert "run first on canner-1 is ended by this one" in capsys.readouterr().out
    assert "first" not in open_runs(data)


@WAYS
def test_a_node_is_not_taken_from_a_canner_that_holds_jars(
    data: Path, capsys: pytest.CaptureFixture[str], start: list[str]
) -> None:
    assert main([*DESCRIBED, "--run-id", "first", "--node", "n1"]) == 0
    other = [*start, "--canner", "canner-2", "--node", "n1"]
    assert main(["runs", "mark", "jars_in"]) == 0
    capsys.readouterr()
    assert main(other) == 3
    assert "node n1 watches canner-1, where run first is on with its jars in" in capsys.readouterr().out
    # A second node there, and the first may go.
    assert main(["runs", "assign", "n3", "canner-1"]) == 0
    assert main(other) == 0
    assert len(open_runs(data)) == 2


def test_a_probe_that_two_canners_name_is_said(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    append_entry(
        data,
        "probe_registered",
        {
            "probe_id": "red K",
            "kind": "type K class 1",
            "converter": "linearised, 0.0078 K steps",
            "place": "mid-depth, at jar-shoulder height, touching neither base nor glass",
        },
    )
    assert main([*PLANNED, "--node", "n1", "--probe", "red K"]) == 0
    assert "Probe red K" not in capsys.readouterr().out
    for start, canner, node in ((PLANNED, "canner-2", "n2"), (DESCRIBED, "canner-3", "n3")):
        assert main([*start, "--canner", canner, "--node", node, "--probe", "red K"]) == 0
        told = capsys.readouterr().out
        assert "! Probe red K is named for run" in told and "on canner-1 too, and that is on" in told


def test_jars_that_boil_already_cap_the_record(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The reason stands first in the header, whatever else was missing, and the run's name is printed too."""
    assert main([*PLANNED, "--node", "n1"]) == 0
    assert "started on canner-1; lot" in capsys.readouterr().out
    with closing(open_reader(data)) as conn:
        (entry,) = read_entries(conn, kinds=["run_started"])
    assert "come-up" in entry.body["capped_at_unproven"][0]


@WAYS
def test_a_run_that_was_started_meanwhile_is_not_ended(
    data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, start: list[str]
) -> None:
    """Somebody else's start, after this one has looked: it is refused, with the first's name, and keeps nothing."""

    def meanwhile(decision: StartDecision) -> bool:
        body = {"run_id": "theirs", "canner": "canner-1", "started_at": "2026-08-14T09:12:00-06:00"}
        append_entry(data, "run_started", body | {"required": {"minutes": 30}}, run_id="theirs")
        return may_go_on(decision)

    for module in ("_plan_start", "_runs_start"):
        monkeypatch.setattr(f"monitor.cli.{module}.may_go_on", meanwhile)
    assert main([*start, "--node", "n1"]) == 3
    told = capsys.readouterr().out
    assert "Not started: run theirs was started on canner-1 a moment ago" in told
    assert open_runs(data) == ["theirs"]
    with closing(open_reader(data)) as conn:
        assert [entry.kind for entry in read_entries(conn)] == ["run_started"]
