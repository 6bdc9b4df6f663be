"""Every record that ships with the project, replayed against what is known to be true of it.

``about.json`` beside a record holds the truth of the kettle model and the expectations that follow from it
and from the rules of the record. They were written before any engine saw the record.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.judge import judge
from monitor.judge.verdict import Verdict
from monitor.record.read import read_run
from monitor.simulate.records import RECORDS, write_records

FOLDER = Path(__file__).parents[2] / "recorded_runs"
NAMES = sorted(path.name for path in FOLDER.iterdir() if path.is_dir())


def about(name: str) -> dict[str, Any]:
    form: dict[str, Any] = json.loads((FOLDER / name / "about.json").read_text(encoding="utf-8"))
    return form


@pytest.fixture(scope="module")
def verdicts() -> dict[str, Verdict]:
    return {name: judge(read_run(FOLDER / name)) for name in NAMES}


def test_there_is_a_record_of_every_kind() -> None:
    """Held low and high, dips, a simmer, silence, coarse steps, nobody looking, and records gone wrong."""
    assert len(NAMES) == len(RECORDS) >= 12
    assert {about(name)["expected"]["verdict"] for name in NAMES} == {"held", "broken", "unproven"}


@pytest.mark.parametrize("name", NAMES)
def test_the_verdict_is_the_expected_one(name: str, verdicts: dict[str, Verdict]) -> None:
    assert verdicts[name].verdict == about(name)["expected"]["verdict"], verdicts[name].reasons


@pytest.mark.parametrize("name", NAMES)
def test_every_expected_event_is_raised_with_its_onset(name: str, verdicts: dict[str, Verdict]) -> None:
    found = [(event.kind, event.onset_s) for event in verdicts[name].events]
    for wanted in about(name)["expected"]["events"]:
        onsets = [onset_s for kind, onset_s in found if kind == wanted["kind"]]
        off_s = min((abs(onset_s - wanted["onset_s"]) for onset_s in onsets), default=float("inf"))
        assert off_s <= wanted["tolerance_s"], (wanted, found)


@pytest.mark.parametrize("name", NAMES)
def test_no_more_is_credited_than_was_true(name: str, verdicts: dict[str, Verdict]) -> None:
    """5 s stand for the probe's own lag, which no reading can undo."""
    assert verdicts[name].proven_s <= about(name)["truth"]["longest_s"] + 5.0


@pytest.mark.parametrize("name", [name for name in NAMES if about(name)["expected"]["verdict"] == "held"])
def test_no_loss_is_cried_inside_a_true_boil(name: str, verdicts: dict[str, Verdict]) -> None:
    lost = [event.onset_s for event in verdicts[name].events if event.kind == "boil_lost"]
    for start_s, end_s in about(name)["truth"]["boiling"]:
        assert not [onset_s for onset_s in lost if start_s < onset_s < end_s - 10.0]


def test_each_record_says_that_it_is_invented() -> None:
    for name in NAMES:
        assert about(name)["origin"].startswith("invented: made by the kettle model"), name
        assert "invented" in read_run(FOLDER / name).extra["origin"], name
        assert "\n" not in about(name)["shows"], name


def test_the_records_are_those_that_the_generator_makes(tmp_path: Path) -> None:
    """Same seeds, same bytes: nobody has touched them by hand."""
    made = write_records(tmp_path)
    assert sorted(path.name for path in made) == NAMES
    assert (tmp_path / "README.md").read_bytes() == (FOLDER / "README.md").read_bytes()
    for path in made:
        for file in ("run.json", "samples.csv", "about.json"):
            assert (path / file).read_bytes() == (FOLDER / path.name / file).read_bytes(), (path.name, file)


def test_the_folder_stays_small() -> None:
    assert sum(path.stat().st_size for path in FOLDER.rglob("*") if path.is_file()) < 6_000_000
