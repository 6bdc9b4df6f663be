"""``boilwitness judge``: the contract's document and exit statuses, and a screenful for a person."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import textwrap
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.cli._verdict_words import _floor
from monitor.cli.main import main
from monitor.judge import judge
from monitor.record.read import read_run

RECORDED = Path(__file__).parents[2] / "recorded_runs"
NAMES = sorted(path.name for path in RECORDED.iterdir() if path.is_dir())
STATUS = {"held": 0, "broken": 10, "unproven": 11, None: 11}


def expected(name: str) -> str:
    about = json.loads((RECORDED / name / "about.json").read_text(encoding="utf-8"))
    return str(about["expected"]["verdict"])


@pytest.fixture(autouse=True)
def screen(monkeypatch: pytest.MonkeyPatch) -> None:
    """80 columns, 24 lines, and no store of the person who runs the tests."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    monkeypatch.setenv("BOILWITNESS_DATA", "/nonexistent/boilwitness-test")


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A record that may be damaged."""
    return Path(shutil.copytree(RECORDED / "held-low-altitude", tmp_path / "run"))


def change_header(folder: Path, **changes: Any) -> None:
    path = folder / "run.json"
    form = json.loads(path.read_text(encoding="utf-8"))
    form |= changes
    path.write_text(json.dumps(form), encoding="utf-8")


def test_a_document_is_printed_without_what_knows_of_jars() -> None:
    """Loading labels and pages takes as long as judging a short record; the words for a person need them, no document
    does."""
    told = (
        f"import sys; from monitor.cli.main import main; main(['judge', {str(RECORDED / NAMES[0])!r}, '--json']); "
        "print([name for name in sys.modules if name.startswith(('monitor.jars', 'monitor.proof', 'segno'))], "
        "file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


@pytest.mark.parametrize("name", NAMES)
def test_the_document_and_the_status_of_every_recorded_run(
    name: str, capsys: pytest.CaptureFixture[str], contract_keys: set[str]
) -> None:
    """Keys, types and exit status of the contract; more keys may follow."""
    status = main(["judge", str(RECORDED / name), "--json"])
    printed = capsys.readouterr()
    form = json.loads(printed.out)
    assert printed.err == ""
    assert form["verdict"] == expected(name)
    assert status == STATUS[form["verdict"]]
    assert set(form) >= contract_keys and form["format"] == "boilwitness-verdict/1"
    assert set(form["clock"]) == {"started_s", "completed_s"}
    assert set(form["advice"]) >= {"action", "until", "text", "guidance"}
    for number in ("required_s", "proven_s", "possible_s"):
        assert isinstance(form[number], float)
    assert form["proven_s"] <= form["possible_s"]
    assert isinstance(form["seen_by_eye"], bool)
    assert "published guidance names no temperature below boiling" in form["floor_from"]
    for stretch in form["stretches"]:
        assert set(stretch) == {"start_s", "end_s", "state", "why"}
        assert stretch["state"] in ("boiling", "not_boiling", "unknown") and stretch["why"]
    for event in form["events"]:
        assert set(event) >= {"kind", "onset_s", "raised_s", "text"}
    assert [e["raised_s"] for e in form["events"]] == sorted(e["raised_s"] for e in form["events"])
    assert all(guidance.startswith("G") for guidance in form["advice"]["guidance"])


@pytest.mark.parametrize("name", NAMES)
def test_a_person_gets_one_screenful(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """24 lines of 80 columns: the word first, what to do now, and no claim about the food."""
    main(["judge", str(RECORDED / name)])
    lines = capsys.readouterr().out.rstrip("\n").split("\n")
    assert len(lines) <= 24, "\n".join(lines)
    assert max(map(len, lines)) <= 80
    assert lines[0].split()[0] == expected(name).upper()
    text = " ".join(" ".join(lines).split())
    for label in (
        "run ",
        "required ",
        "proven ",
        "clock ",
        "boiling point ",
        "uncertainty ",
        "seen by eye ",
        "now ",
    ):
        assert any(line.startswith(label) for line in lines), label
    assert "nothing here says the food is good" in text
    assert "a floor of this program's own choice: published guidance names none" in text


def test_what_was_told_long_after_it_began_stands_where_it_was_told(
    copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rows of four minutes that came late, ten minutes after: both times are said, and the times of day go up.

    What begins to count is labelled by when it counts from, as the line *clock* has it.
    """
    lines = (copy / "samples.csv").read_text(encoding="utf-8").splitlines()
    head = [*lines[0].split(","), "late", "arrival_s"]
    at = head.index("t_s")
    began_s = next(
        mark["t_s"]
        for mark in json.loads((copy / "run.json").read_text(encoding="utf-8"))["marks"]
        if mark["kind"] == "rolling_boil_seen"
    )
    rows = []
    for line in lines[1:]:
        t_s = float(line.split(",")[at])
        late = began_s + 300.0 <= t_s < began_s + 540.0
        rows.append(f"{line},{int(late)},{began_s + 1200.0 if late else t_s}")
    (copy / "samples.csv").write_text("\n".join([",".join(head), *rows]) + "\n", encoding="utf-8")
    main(["judge", str(copy)])
    printed = capsys.readouterr().out
    told = re.search(r"^(\S+) +From (\S+) on: \d+ samples came late; with them", printed, re.MULTILINE)
    assert told is not None, printed
    since, said = (datetime.strptime(told[place], "%H:%M:%S") for place in (2, 1))
    assert (said - since).total_seconds() == pytest.approx(900.0, abs=2.0)
    labels = re.findall(r"^(\d\d:\d\d:\d\d) ", printed, re.MULTILINE)
    assert labels == sorted(labels) and len(labels) >= 3


def test_the_words_of_a_broken_run_say_what_the_rule_asks(capsys: pytest.CaptureFixture[str]) -> None:
    """Begin the whole time again (USDA Complete Guide to Home Canning, Guide 1); jars by the salvage clock."""
    assert main(["judge", str(RECORDED / "dip-stopped-short")]) == 10
    text = " ".join(capsys.readouterr().out.split())
    assert "begin the whole time again from zero" in text
    assert "process again in full" in text and "discard without tasting" in text


def test_the_budget_is_printed_when_asked(capsys: pytest.CaptureFixture[str]) -> None:
    """Term by term: what was given, its standard uncertainty and its source, with U = 2 u at the end and what u and U
    mean: each part and how it was found, so that a reader can do it again (Eurachem/CITAC guide on uncertainty, 9.2.1
    to 9.2.3; JCGM 100:2008, 7.2.7, from memory).
    """
    main(["judge", str(RECORDED / "held-2400-m"), "--budget"])
    text = capsys.readouterr().out
    table = text[text.index("uncertainty budget") :].split("\n")
    end = next(i for i, line in enumerate(table) if line.startswith("all together, U (k = 2)"))
    rows = [line for line in table[1:end] if line.strip()]
    sum_of_squares = sum(float(row.split()[-1]) ** 2 for row in rows)
    assert float(table[end].split()[-1]) == pytest.approx(2.0 * sum_of_squares**0.5, abs=0.01)
    told = " ".join(" ".join(table[end + 1 :]).split())
    for number in range(1, len(rows) + 1):
        assert f" {number} " in f" {told} "
    assert "standard uncertainty" in told and "data sheet" in told and "IAPWS-IF97" in told
    assert max(map(len, text.split("\n"))) <= 80


def test_an_open_run_has_no_verdict_and_status_11(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The record stops in the hold, nothing ended it."""
    samples = (copy / "samples.csv").read_text(encoding="utf-8").splitlines()
    started_s = 0.0
    marks = json.loads((copy / "run.json").read_text(encoding="utf-8"))["marks"]
    kept = [mark for mark in marks if mark["kind"] in ("jars_in", "rolling_boil_seen", "lid_on", "heat_on")]
    started_s = next(mark["t_s"] for mark in kept if mark["kind"] == "rolling_boil_seen")
    rows = [row for row in samples[1:] if float(row.split(",")[0]) < started_s + 200.0]
    (copy / "samples.csv").write_text("\n".join([samples[0], *rows]) + "\n", encoding="utf-8")
    change_header(copy, marks=kept)
    assert main(["judge", str(copy), "--json"]) == 11
    assert json.loads(capsys.readouterr().out)["verdict"] is None
    assert main(["judge", str(copy)]) == 11
    assert capsys.readouterr().out.startswith("OPEN")


def test_a_run_capped_in_its_header_is_unproven(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Recorded anyway although the start was refused: 11, with the reason."""
    change_header(copy, capped_at_unproven=["The probe was never checked."])
    assert main(["judge", str(copy)]) == 11
    assert "The probe was never checked." in capsys.readouterr().out


def damaged(copy: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """The one line that a damaged record gets."""
    assert main(["judge", str(copy), "--json"]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    lines = printed.err.strip().split("\n")
    assert len(lines) == 1 and lines[0].startswith("boilwitness: ")
    return lines[0]


@pytest.mark.parametrize(
    ("row", "column", "value", "said"),
    [
        (5, "t_s", "soon", ["row 5", "column t_s", "seconds", '"soon"']),
        (7, "t_s", "", ["row 7", "column t_s", "found nothing"]),
        (9, "water_C", "nan", ["row 9", "column water_C"]),
        (9, "water_C", "9_5", ["row 9", "column water_C"]),
        (11, "water_C", "-300", ["row 11", "column water_C", "-100 to 1000"]),
        (4, "boot", "-1", ["row 4", "column boot", "whole number"]),
        (1500, "seq", "1.5", ["row 1500", "column seq", "whole number"]),
        (6, "water_fault", "melted", ["row 6", "column water_fault", "open"]),
        (8, "pressure_kPa", "high", ["row 8", "column pressure_kPa", "kPa"]),
    ],
)
def test_a_damaged_cell_is_named(
    copy: Path, capsys: pytest.CaptureFixture[str], row: int, column: str, value: str, said: list[str]
) -> None:
    """File, row, column, what was expected and what was found."""
    lines = (copy / "samples.csv").read_text(encoding="utf-8").split("\n")
    cells = lines[row - 1].split(",")
    cells[lines[0].split(",").index(column)] = value
    lines[row - 1] = ",".join(cells)
    (copy / "samples.csv").write_text("\n".join(lines), encoding="utf-8")
    line = damaged(copy, capsys)
    assert "samples.csv" in line
    assert all(part in line for part in said), line


def test_a_row_of_the_wrong_width_is_named(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A torn line in the middle."""
    lines = (copy / "samples.csv").read_text(encoding="utf-8").split("\n")
    lines[99] = lines[99][:10]
    (copy / "samples.csv").write_text("\n".join(lines), encoding="utf-8")
    line = damaged(copy, capsys)
    assert "row 100" in line and "columns" in line


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"format": "boilwitness-run/9"}, "boilwitness-run/1"),
        ({"run_id": None}, "run_id"),
        ({"started_at": "yesterday"}, "started_at"),
        ({"started_at": "2026-08-14T09:12:00"}, "UTC offset"),
        ({"required": {"minutes": "ten"}}, "required.minutes"),
        ({"required": None}, "required"),
        ({"marks": [{"t_s": 0, "kind": "lid_blown_off"}]}, "marks[0].kind"),
        ({"zone": "Nowhere/Land"}, "zone"),
        ({"probe": {"calibration": {"offset_K": 0.1}}}, "expanded_uncertainty_K"),
    ],
)
def test_a_damaged_header_is_named(
    copy: Path, capsys: pytest.CaptureFixture[str], change: dict[str, Any], said: str
) -> None:
    """The key, and what was expected there."""
    change_header(copy, **change)
    line = damaged(copy, capsys)
    assert "run.json" in line and said in line


def test_no_such_run_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither a folder nor an id in a store."""
    assert "no such run folder" in damaged(tmp_path / "nowhere", capsys)


@pytest.mark.parametrize("file", ["run.json", "samples.csv"])
def test_a_missing_or_binary_file_is_one_line(
    copy: Path, capsys: pytest.CaptureFixture[str], file: str
) -> None:
    """Not there, or not text."""
    (copy / file).write_bytes(b"\xff\xfe\x00garbage\x80" * 20)
    assert file in damaged(copy, capsys)
    (copy / file).unlink()
    assert file in damaged(copy, capsys)


def test_a_wrong_usage_is_status_2() -> None:
    """argparse's own."""
    with pytest.raises(SystemExit) as stopped:
        main(["judge"])
    assert stopped.value.code == 2


def test_the_installed_command_does_the_same() -> None:
    """As a process: status and document, nothing on the error stream."""
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "judge", str(RECORDED / "short-by-a-minute"), "--json"],
        capture_output=True,
        text=True,
        timeout=180,
        env={**os.environ, "PYTHONWARNINGS": "error"},
    )
    assert (done.returncode, done.stderr) == (10, "")
    assert json.loads(done.stdout)["verdict"] == "broken"


def test_a_closed_pipe_is_no_trouble() -> None:
    """``judge ... | head -1``: no traceback."""
    command = f"{sys.executable} -m monitor judge '{RECORDED / 'held-2400-m'}' --json | head -1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=180)
    assert done.stdout == "{\n" and "Traceback" not in done.stderr


README = Path(__file__).parents[2] / "README.md"


def test_the_readme_prints_what_the_program_prints(capsys: pytest.CaptureFixture[str]) -> None:
    """Its example is the command's own output on that recorded run, on a screen of 80 columns."""
    text = README.read_text(encoding="utf-8")
    found = re.findall(
        r"^    \$ boilwitness judge recorded_runs/(\S+)\n((?:    .*\n|\n)+)", text, re.MULTILINE
    )
    assert found
    for name, printed in found:
        main(["judge", str(RECORDED / name)])
        assert textwrap.dedent(printed).strip() == capsys.readouterr().out.strip()


def test_the_readme_counts_the_recorded_runs_right() -> None:
    """As many as there are folders."""
    words = {16: "Sixteen", 17: "Seventeen", 18: "Eighteen", 19: "Nineteen", 20: "Twenty"}
    assert f"{words[len(NAMES)]} invented runs in" in README.read_text(encoding="utf-8")


@pytest.mark.parametrize("width", [60, 80])
@pytest.mark.parametrize("name", [name for name in NAMES if expected(name) == "unproven"])
def test_why_it_is_not_proven_is_always_said(
    name: str, width: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """However small the screen; what is left out is named by kind, and there is a way to it."""
    monkeypatch.setenv("COLUMNS", str(width))
    main(["judge", str(RECORDED / name), "--json"])
    reasons = json.loads(capsys.readouterr().out)["reasons"]
    main(["judge", str(RECORDED / name)])
    text = " ".join(capsys.readouterr().out.replace("sea-level- corrected", "sea-level-corrected").split())
    assert reasons and any(line.split(":")[0][:40] in text for line in reasons)
    if "more:" in text:
        assert "--json lists them all" in text.split("more:")[1]


@pytest.mark.parametrize(
    ("proven_s", "said"),
    [
        (1900.0, "floor 93.48 °C, by which it was judged; 93.88 °C for a boil after it that nobody saw"),
        (600.0, "floor 93.48 °C, where a person saw it; 93.88 °C for a boil after it that nobody saw"),
    ],
)
def test_of_two_floors_it_is_said_which_one_judged(proven_s: float, said: str) -> None:
    """Seen, lost, and back unseen."""
    verdict = judge(read_run(RECORDED / "held-low-altitude"))
    two = replace(verdict, boiling_point_C=94.48, floor_C=93.88, seen_by_eye=True)
    assert _floor(replace(two, proven_s=proven_s, required_s=1800.0)) == said


def test_a_look_at_another_boil_is_said_to_be_one(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """In water that is not warm yet."""
    form = json.loads((copy / "run.json").read_text(encoding="utf-8"))
    kept = [mark for mark in form["marks"] if mark["kind"] != "rolling_boil_seen"]
    change_header(copy, marks=[*kept, {"t_s": 10.0, "kind": "rolling_boil_seen"}])
    main(["judge", str(copy)])
    assert "no; what a person marked was not the boil judged here" in capsys.readouterr().out
