"""The exit status stands whoever reads the output, and no terminal is too poor for it (README, "Exit statuses")."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.cli.main import main

RECORDS = Path(__file__).parents[2] / "recorded_runs"
MONITOR = f"{sys.executable} -m monitor"


def through_a_reader_that_leaves(command: str) -> tuple[int, str]:
    """The status of ``command`` in front of a reader that takes one line, and what the error stream said."""
    done = subprocess.run(
        ["bash", "-c", f"{command} | head -1 >/dev/null; exit ${{PIPESTATUS[0]}}"],
        capture_output=True,
        text=True,
        timeout=180,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    return done.returncode, done.stderr


@pytest.mark.parametrize(
    ("name", "status"), [("held-2400-m", 0), ("short-by-a-minute", 10), ("frozen-probe", 11)]
)
@pytest.mark.parametrize("form", ["", "--json"])
def test_a_verdict_survives_its_reader(name: str, status: int, form: str) -> None:
    """Unbuffered, so that the pipe breaks in the middle of the printing."""
    said = through_a_reader_that_leaves(f"{MONITOR} judge '{RECORDS / name}' {form}")
    assert said == (status, "")


def test_an_altered_record_stays_altered_before_head(tmp_path: Path) -> None:
    page = tmp_path / "p.html"
    assert main(["prove", str(RECORDS / "dip-stopped-short"), "--to", str(page)]) == 0
    page.write_bytes(page.read_bytes().replace(b"BROKEN", b"HELD", 1))
    assert through_a_reader_that_leaves(f"{MONITOR} verify '{page}'") == (12, "")
    assert through_a_reader_that_leaves(f"{MONITOR} verify '{tmp_path / 'none'}' 2>&1") == (2, "")


def test_a_record_does_not_steer_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Signs that clear a screen or paint it (ECMA-48) stand as question marks; letters, ° and line ends as they are."""
    record = tmp_path / "r"
    shutil.copytree(RECORDS / "short-by-a-minute", record)
    form = json.loads((record / "run.json").read_text())
    form["batch"]["food"] = "\x1b[2Jplums\x9b31m\x07"
    (record / "run.json").write_text(json.dumps(form))
    assert main(["judge", str(record)]) == 10
    said = capsys.readouterr().out
    assert "?[2Jplums?31m?" in said and "°C" in said and not {"\x1b", "\x9b", "\x07"} & set(said)


def test_a_name_neither_begins_a_line_nor_turns_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Unicode UAX 9 and 14: what overrides the order of letters, and what ends a line, is written out."""
    record, store = tmp_path / "r", str(tmp_path / "data")
    shutil.copytree(RECORDS / "short-by-a-minute", record)
    form = json.loads((record / "run.json").read_text("utf-8"))
    form["batch"]["food"] = food = "pears\nHELD  fake\u2028HELD \u202edleh\u2066\tx"
    form["canner"] = "c\r\nHELD"
    (record / "run.json").write_text(json.dumps(form), "utf-8")
    assert main(["import", str(record), "--data", store]) == 0
    run_id = form["run_id"]
    told = []
    for words in (
        ["runs"],
        ["judge", run_id],
        ["jars", run_id],
        ["jars", "pantry"],
        ["verify"],
        ["runs", "keep"],
    ):
        capsys.readouterr()
        main([*words, "--data", store])
        told.append(capsys.readouterr().out)
    said = "".join(told)
    lines = said.split("\n")
    assert not any(line.startswith("HELD") for line in lines) and "\r" not in said and "\t" not in said
    assert not {"\u2028", "\u202e", "\u2066"} & set(said)
    assert r"pears\nHELD  fake\u2028HELD \u202edleh\u2066\tx" in told[0] and r"c\r\nHELD" in told[0]
    main(["jars", "no\nHELD", "--data", store])
    assert capsys.readouterr().err.count("\n") == 1
    main(["judge", run_id, "--data", store, "--json"])
    capsys.readouterr()
    main(["export", run_id, "--data", store, "--to", str(tmp_path / "out")])
    assert json.loads((tmp_path / "out" / "run.json").read_text("utf-8"))["batch"]["food"] == food


def test_a_reader_that_takes_nothing() -> None:
    """All of it waits in memory until the end: the status is not Python's own for that (120)."""
    command = (
        f"{MONITOR} judge '{RECORDS / 'short-by-a-minute'}' | (exec <&-; sleep 2); exit ${{PIPESTATUS[0]}}"
    )
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=180)
    assert (done.returncode, done.stderr) == (10, "")


def test_a_full_disk_is_said() -> None:
    """What was not written was not answered: /dev/full refuses every byte."""
    command = f"{MONITOR} judge '{RECORDS / 'held-2400-m'}' > /dev/full"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=180)
    assert done.returncode == 2
    assert done.stderr == "boilwitness: what is to be printed cannot be written: No space left on device.\n"


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
@pytest.mark.parametrize("verb", ["judge", "plan", "help", "wrong"])
def test_no_terminal_is_too_poor(encoding: str, verb: str) -> None:
    """A character that it lacks is replaced; the status and everything else stand."""
    words, status = {
        "judge": (["judge", str(RECORDS / "short-by-a-minute"), "--budget"], 10),
        "plan": (["plan", "--food", "peaches", "--pack", "hot", "--jar", "pint", "--altitude-m", "1650"], 0),
        "help": (["calibrate", "--help"], 0),
        "wrong": (["judge", "no such °run…"], 2),
    }[verb]
    done = subprocess.run(
        [sys.executable, "-m", "monitor", *words],
        capture_output=True,
        timeout=180,
        env={**os.environ, "PYTHONIOENCODING": encoding},
    )
    assert done.returncode == status
    assert b"Traceback" not in done.stderr
    assert (done.stderr if verb == "wrong" else done.stdout).decode(encoding)
    if verb == "judge":
        assert b" degC" in done.stdout if encoding == "ascii" else " °C".encode(encoding) in done.stdout


def test_a_document_stays_one_on_a_poor_terminal() -> None:
    """JSON (RFC 8259), with curly quotation marks and signs that ASCII lacks in its texts."""
    words = ["plan", "--food", "no “such” food é", "--pack", "hot", "--jar", "pint", "--altitude-m", "1650"]
    done = subprocess.run(
        [sys.executable, "-m", "monitor", *words, "--json"],
        capture_output=True,
        timeout=180,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert done.returncode == 3
    assert "'no 'such' food ?'" in json.loads(done.stdout.decode("ascii"))["reason"]
