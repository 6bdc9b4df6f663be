"""What cannot be used: one line that says what and what to do, the README's exit status, no traceback, nothing lost."""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.store.database import open_writer

RECORDED = Path(__file__).parents[2] / "recorded_runs"
PEARS = ("plan", "--food", "pears", "--pack", "hot", "--jar", "pint")


def one_line(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """The one line that unusable input gives. README, "Exit statuses": 2, one line says what and where."""
    try:
        status = main(words)
    except SystemExit as ended:
        status = ended.code  # type: ignore[assignment]
    told = capsys.readouterr()
    assert (status, told.out) == (2, "")
    assert told.err.count("\n") == 1 and "Traceback" not in told.err
    return told.err


def test_a_number_may_have_a_decimal_comma_everywhere(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Either sign is a decimal sign: 22nd CGPM (2003), Resolution 10."""
    words = (
        "calibrate",
        "--probe",
        "p1",
        "--kind",
        "type K class 1",
        "--place",
        "other",
        "--dry-run",
        "--stirred",
    )
    place = ("--converter", "linearised, 0.0078 K steps", "--altitude-m", "10", "--data", str(tmp_path))
    point, comma = (
        (main((*words, *place, *typed)), *capsys.readouterr())
        for typed in (("--ice-C", "0.25", "--boil-C", "99.875"), ("--ice-C", "0,25", "--boil-C", "99,875"))
    )
    assert point == comma and "The check is accepted" in point[1]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((*PEARS, "--altitude-m", "1650ft"), "expected a number alone, such as 12.5, found '1650ft'"),
        ((*PEARS, "--altitude-m", "nan"), "expected a number alone"),
        (("dashboard", "--port", "abc"), "expected a whole number, such as 12, found 'abc'"),
        (("dashboard", "--port", "80000"), "port 80000 is not between 0 and 65535"),
        (("demo", "--no-browser", "--port", "-1"), "port -1 is not between"),
        (("demo", "--no-browser", "--port", "0", "--data", __file__), "cannot make the data directory"),
        (
            ("runs", "mark", "r", "jars_in", "--ago", "1.440"),
            "“1.440” can be 1.44 or 1440. Write 1440, or 1.44. '",
        ),
        (("runs", "correct", "r", "--minutes", "1,440"), "“1,440” can be 1.44 or 1440"),
        ((*PEARS, "--altitude-m", "1650", "--own-minutes", "1.440"), "“1.440” can be 1.44 or 1440"),
        (
            ("jars", "r", "reprocess", "1", "--minutes", "1.440", "--source", "s"),
            "“1.440” can be 1.44 or 1440",
        ),
        (("nonsense",), "invalid choice: 'nonsense'"),
        (("judge",), "'boilwitness judge --help' explains it"),
        (
            ("runs", "mark", "r", "jars_in", "--canner", "canner-1"),
            "boilwitness runs mark: unrecognized arguments: --canner canner-1. 'boilwitness runs mark --help' explains",
        ),
        (("judge", __file__), "a run is a folder"),
        ((*PEARS, "--altitude-m", "1650", "--probe", "p1"), "There is no probe 'p1'"),
    ],
)
def test_what_was_typed_wrong_is_told_in_a_line(
    words: tuple[str, ...],
    says: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path))
    assert says in one_line(capsys, *words)


def test_a_record_of_a_later_form_says_to_bring_this_one_up_to_date(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(RECORDED / "held-2400-m", tmp_path / "run"))
    header = json.loads((folder / "run.json").read_bytes())
    (folder / "run.json").write_text(json.dumps(header | {"format": "boilwitness-run/2"}))
    told = one_line(capsys, "judge", str(folder))
    assert 'found "boilwitness-run/2"' in told and "bring this one up to date" in told


def test_what_is_missing_for_a_start_is_what_a_person_can_mend(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Before there is a store its disk has as much room as it will have afterwards."""
    asked = (*PEARS, "--altitude-m", "300", "--start", "--data", str(tmp_path / "new" / "store"))
    assert main(asked) == 3
    told = capsys.readouterr().out
    assert "Not started: 12 things are missing." in told and "free space" not in told
    missing = [line for line in told.splitlines() if line.startswith("  ")]
    assert len(missing) == 12 and all(re.search(r"\(--[a-z].*\)$", line) for line in missing), told
    assert "Confirm mains power, or a battery for three times the planned time. (--confirm power)" in told


def test_an_export_writes_over_no_other_record_and_no_store(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    data, out = str(tmp_path / "data"), tmp_path / "out"
    for name in ("dip-then-completed", "held-2400-m"):
        assert main(["import", str(RECORDED / name), "--data", data]) == 0
    first, second = (json.loads((RECORDED / name / "run.json").read_bytes())["run_id"]
                     for name in ("dip-then-completed", "held-2400-m"))  # fmt: skip
    for _ in range(2):
        assert main(["export", first, "--to", str(out), "--data", data]) == 0
    capsys.readouterr()
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert f"{out} holds another record ({first})" in one_line(
        capsys, "export", second, "--to", str(out), "--data", data
    )
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert "is a data directory" in one_line(capsys, "export", "--all", "--to", data, "--data", data)
    for _ in range(2):
        assert main(["export", "--all", "--to", str(tmp_path / "all"), "--data", data]) == 0


def test_a_seal_that_nobody_looked_at_takes_no_place(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """USDA Complete Guide to Home Canning, testing jar seals: a seal is judged by tests; here none was made."""
    data = str(tmp_path)
    assert main(["import", str(RECORDED / "dip-then-completed"), "--data", data]) == 0
    jars = ("jars", "2026-08-14-canner-1-a", "--data", data)
    good = ("--press", "firm", "--sight", "dished", "--tap", "ring", "--lift", "holds")
    assert main([*jars, "seal", "1", *good]) == 0
    capsys.readouterr()
    assert "nothing was said of jar 1; nothing was written down" in one_line(capsys, *jars, "seal", "1")
    assert main([*jars, "--json"]) == 0
    (first, *_) = json.loads(capsys.readouterr().out)["jars"]
    assert str(first["seal"]).startswith("sealed")


def test_a_mark_with_a_mistyped_year_spoils_no_record(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Entries are for ever: one that no record can hold must not be taken, and one that was must not hide the rest."""
    data, run = str(tmp_path), "2026-08-14-canner-1-a"
    assert main(["import", str(RECORDED / "dip-then-completed"), "--data", data]) == 0
    capsys.readouterr()
    when = ("--at", "2020-08-14T10:00:00-06:00", "--reason", "forgotten", "--data", data)
    told = one_line(capsys, "runs", "mark", run, "note", "--text", "lid rattles", *when)
    assert f"2,191 days before run {run} began" in told and "nothing was written down" in told
    before = open_writer(tmp_path)
    before.execute(
        "INSERT INTO entries (run_id, kind, body, at_utc, happened_utc, mono_s, machine_boot) VALUES"
        " (?, 'mark', '{\"kind\":\"note\"}', '2026-08-20T00:00:00.000Z', '2020-08-14T16:00:00.000Z', 0, 'then')",
        (run,),
    )
    before.close()
    assert main(["judge", run, "--data", data]) == 0
    assert main(["prove", run, "--to", str(tmp_path / "proof.html"), "--data", data]) == 0
    assert main(["verify", "--data", data]) == 0


def test_an_imported_run_is_not_on(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["import", str(RECORDED / "dip-then-completed"), "--data", str(tmp_path)]) == 0
    capsys.readouterr()
    assert main(["runs", "--data", str(tmp_path)]) == 0
    told = capsys.readouterr().out
    assert "30 min" in told and "held (imported)" in told and "open" not in told


def test_ctrl_c_while_a_verb_is_loaded_leaves_no_traceback() -> None:
    """128 + SIGINT, as shells count it (POSIX.1-2017, Shell and Utilities, 2.8.2)."""
    program = (
        "import os, sys, monitor.cli.main as m\n"
        f"m.importlib.import_module = lambda name: os.kill(os.getpid(), {int(signal.SIGINT)})\n"
        "sys.exit(m.main(['judge', 'x']))"
    )
    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, env=os.environ)
    assert (ended.returncode, ended.stderr) == (130, "")


def test_help_says_what_a_number_may_be_and_what_import_takes(capsys: pytest.CaptureFixture[str]) -> None:
    """The limits that a refusal names stand in the help; its first line is a sentence of its own."""
    for verb, words in (
        ("demo", ("1 to 30", "5 to 60")),
        ("import", ("Take a run's folder, or a whole export, into the store.",)),
    ):
        with pytest.raises(SystemExit):
            main([verb, "--help"])
        told = " ".join(capsys.readouterr().out.split())
        assert all(text in told for text in words)


@pytest.mark.parametrize("whole", [False, True])
def test_a_full_disk_takes_in_nothing_and_says_what_to_do(
    whole: bool, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = RECORDED / "held-low-altitude"
    if whole:
        assert main(["import", str(folder), "--data", str(tmp_path / "first")]) == 0
        folder = tmp_path / "all"
        assert main(["export", "--all", "--to", str(folder), "--data", str(tmp_path / "first")]) == 0
        capsys.readouterr()

    def nearly_full(data: Path) -> sqlite3.Connection:
        conn = open_writer(data)
        pages = conn.execute("PRAGMA page_count").fetchone()[0]
        conn.execute(f"PRAGMA max_page_count={pages + 2}")
        return conn

    monkeypatch.setattr("monitor.cli.import_.open_writer", nearly_full)
    said = one_line(capsys, "import", str(folder), "--data", str(tmp_path / "full"))
    assert "database or disk is full" in said and "Free some space" in said
    assert f"Nothing of {folder} was taken in" in said
    with closing(open_writer(tmp_path / "full")) as conn:
        assert conn.execute("SELECT count(*) FROM imported_runs").fetchone() == (0,)


@pytest.mark.parametrize(
    "trouble", [OSError(errno.ENOSPC, "No space left on device"), sqlite3.OperationalError("disk I/O error")]
)
def test_a_disk_that_refuses_anywhere_is_one_line(
    trouble: Exception, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise trouble

    monkeypatch.setattr("monitor.cli.judge.load", refuse)
    assert "Free some space" in one_line(capsys, "judge", str(RECORDED / "held-low-altitude"))
