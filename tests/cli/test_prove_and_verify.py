"""The verbs ``prove`` and ``verify`` as people type them: words, exit statuses, one line for trouble."""

from __future__ import annotations

import json
import os
import re
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy
import pytest

from monitor.cli.main import main
from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.store.take_in import import_run

RECORDS = Path(__file__).parents[2] / "recorded_runs"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    data = tmp_path / "data"
    conn = open_writer(data)
    import_run(conn, RECORDS / "held-low-altitude")
    import_run(conn, RECORDS / "short-by-a-minute")
    conn.close()
    return data


RUN = "2026-07-25-canner-1-a"


def test_prove_a_folder_and_verify_the_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "p.html"
    assert main(["prove", str(RECORDS / "dip-stopped-short"), "--to", str(file)]) == 0
    told = capsys.readouterr().out
    assert told.startswith("BROKEN: A full boil of 30 min was not held")
    assert f"boilwitness verify {file}" in told
    assert main(["verify", str(file)]) == 0
    assert capsys.readouterr().out.startswith(f"INTACT AND AGREEING: proof {file}")
    data = file.read_bytes()
    file.write_bytes(data.replace(b"BROKEN", b"HELD", 1))
    assert main(["verify", str(file)]) == 12
    told = capsys.readouterr().out
    assert told.startswith("ALTERED OR DISAGREEING")
    assert "the file was changed" in told


def test_prove_a_run_of_the_store_seals_it(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", "--data", str(store)]) == 0
    assert "over, and not sealed yet" in capsys.readouterr().out
    file = tmp_path / "p.html"
    assert main(["prove", RUN, "--data", str(store), "--to", str(file)]) == 0
    assert main(["verify", str(store)]) == 0
    told = capsys.readouterr().out
    assert "INTACT AND AGREEING: store" in told and "2 seals; the chain ends in" in told
    assert main(["verify", str(file), "--json"]) == 0
    form = json.loads(capsys.readouterr().out)
    assert (form["format"], form["intact_and_agreeing"], form["problems"]) == (
        "boilwitness-check/1",
        True,
        [],
    )
    assert any("the record is the one of seal" in text for text in form["remarks"])


def test_export_is_sealed_and_import_takes_it(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, everything = tmp_path / "out", tmp_path / "everything"
    assert main(["export", RUN, "--data", str(store), "--to", str(out)]) == 0
    assert main(["export", "--all", "--data", str(store), "--to", str(everything)]) == 0
    assert main(["verify", str(out)]) == main(["verify", str(everything)]) == 0
    assert main(["import", str(everything), "--data", str(tmp_path / "second")]) == 0
    table = out / "samples.csv"
    table.write_text(table.read_text().replace("99.", "98.", 1))
    assert main(["verify", str(out)]) == 12
    assert "samples.csv was changed" in capsys.readouterr().out
    assert main(["import", str(out), "--data", str(tmp_path / "third")]) == 2
    error = capsys.readouterr().err
    assert "samples.csv was changed" in error and "Nothing of it was taken in" in error


def test_a_run_is_taken_in_with_what_was_said_of_it(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    append_entry(store, "jar_seal", {"jar": 1, "press": "firm"}, run_id=RUN, by="Ada")
    out = tmp_path / "out"
    assert main(["export", RUN, "--data", str(store), "--to", str(out)]) == 0
    assert main(["import", str(out), "--data", str(tmp_path / "other")]) == 0
    told = capsys.readouterr().out
    assert f"took in run {RUN} with 1 entries; its bytes are as they were sealed" in told
    assert main(["import", str(RECORDS / "silent-node"), "--data", str(tmp_path / "other")]) == 0
    assert "it came without a seal" in capsys.readouterr().out
    assert main(["prove", RUN, "--data", str(tmp_path / "other"), "--to", str(tmp_path / "p.html")]) == 0
    assert "jar 1 seal: press firm" in (tmp_path / "p.html").read_text("utf-8")


def exported(store: Path, out: Path) -> Path:
    """The run that was not held, with what was said of it and its seal."""
    run_id = json.loads((RECORDS / "short-by-a-minute" / "run.json").read_text("utf-8"))["run_id"]
    append_entry(store, "jar_seal", {"jar": 1, "press": "firm"}, run_id=run_id, by="Ada")
    assert main(["export", run_id, "--data", str(store), "--to", str(out)]) == 0
    return out


def milder(folder: Path) -> None:
    form = json.loads((folder / "run.json").read_text("utf-8"))
    form["required"]["minutes"], form["batch"] = 15, {}
    (folder / "run.json").write_text(json.dumps(form), "utf-8")


def warmer(folder: Path) -> None:
    table = folder / "samples.csv"
    table.write_text(table.read_text("utf-8").replace("99.", "99.9", 1), "utf-8")


def without_seal(folder: Path) -> None:
    (folder / "seal.json").unlink()
    lines = (folder / "samples.csv").read_text("utf-8").splitlines(keepends=True)
    (folder / "samples.csv").write_text("".join(lines[:50] + lines[51:]), "utf-8")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (milder, "run.json was changed"),
        (warmer, "samples.csv was changed"),
        (without_seal, "seal.json is missing: this folder was exported, and its seal has been removed"),
    ],
)
def test_of_a_folder_that_does_not_fit_its_seal_nothing_is_made(
    change: Callable[[Path], None],
    says: str,
    store: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """It is neither proven nor taken in; its verdict says what it is of."""
    out, page = exported(store, tmp_path / "out"), tmp_path / "p.html"
    capsys.readouterr()
    assert main(["judge", str(out)]) == 10
    assert "ALTERED" not in capsys.readouterr().out
    change(out)
    assert main(["verify", str(out)]) == 12
    capsys.readouterr()
    assert main(["prove", str(out), "--to", str(page)]) == 2
    told = capsys.readouterr()
    assert says in told.err and "No proof was written" in told.err and told.out == "" and not page.exists()
    # Where only the seal is gone, the record may come from an export of before there were any: that is said.
    assert main(["import", str(out), "--data", str(tmp_path / "other")]) == (
        0 if change is without_seal else 2
    )
    told = capsys.readouterr()
    assert says in told.out + told.err and "it came without a seal" not in told.out
    assert main(["judge", str(out)]) in (0, 10, 11)
    assert "ALTERED        this is not the record that was sealed" in capsys.readouterr().out.splitlines()[1]
    main(["judge", str(out), "--json"])
    assert says in json.loads(capsys.readouterr().out)["not_as_sealed"]


def test_an_id_too_long_for_a_folder_is_looked_for_in_the_store(
    store: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Earlier versions took such records in."""
    long, record = "r" * 300, RECORDS / "held-low-altitude"
    header = (record / "run.json").read_bytes().replace(RUN.encode(), long.encode())
    with closing(open_writer(store)) as conn:
        row = (long, header, (record / "samples.csv").read_bytes(), "0" * 64, "2026-09-01T10:00:00.000Z")
        conn.execute("INSERT INTO imported_runs VALUES (?, ?, ?, ?, ?)", row)
    monkeypatch.chdir(tmp_path)
    assert main(["judge", long, "--data", str(store)]) == 0
    assert main(["prove", long, "--data", str(store)]) == 0
    assert len(list(tmp_path.glob("proof-rrr*.html"))) == 1
    capsys.readouterr()
    assert main(["judge", "s" * 300, "--data", str(store)]) == 2
    assert "there is no run" in capsys.readouterr().err


def test_a_restore_is_put_down_here_and_in_the_store_it_was_of(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A restore is tried, its check values compared, and logged (a pattern: WHO Technical Report Series 1033, annex 4,
    11.19)."""
    assert main(["prove", RUN, "--data", str(store), "--to", str(tmp_path / "p.html")]) == 0
    everything, clean = tmp_path / "everything", tmp_path / "clean"
    assert main(["export", "--all", "--data", str(store), "--to", str(everything)]) == 0
    assert main(["verify", str(store)]) == 0
    told = capsys.readouterr().out
    assert "no restore of this store has been tried yet" in told
    chain = re.search(r"the chain ends in ([0-9a-f]{64})", told)
    assert chain
    assert main(["import", str(everything), "--data", str(clean), "--log", str(store)]) == 0
    assert capsys.readouterr().out.count(chain[1]) == 2
    for data in (clean, store):
        assert main(["runs", "journal", "--data", str(data)]) == 0
        told = capsys.readouterr().out
        assert "restore_tried: restored from an export: 0 samples, 0 problems; every check value as" in told
        assert main(["verify", str(data)]) == 0
        assert "last restore tried 20" in capsys.readouterr().out
    with closing(open_writer(clean)) as conn:
        (body,) = conn.execute("SELECT body FROM journal WHERE kind = 'restore_tried'").fetchone()
    assert (json.loads(body)["chain_exported"], json.loads(body)["chain_restored"]) == (chain[1], chain[1])
    words = ["import", str(everything), "--data", str(tmp_path / "more"), "--log", str(tmp_path / "other")]
    open_writer(tmp_path / "other").close()
    assert main(words) == 2
    assert "the export is not of the store" in capsys.readouterr().err
    assert main([*words[:-1], str(tmp_path / "nosuch")]) == 2
    told = capsys.readouterr().err
    assert f"--log {tmp_path / 'nosuch'}: there is no store" in told and "--data" not in told


def test_sign_and_verify_with_the_key(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "p.html"
    assert main(["prove", RUN, "--data", str(store), "--to", str(file), "--sign"]) == 0
    told = capsys.readouterr().out
    assert "made the household's key" in told
    public = store / "household.key.pub"
    assert public.read_text().strip() in told
    assert main(["verify", str(file), "--key", str(public)]) == 0
    assert "signed by the key that was named" in capsys.readouterr().out
    assert main(["verify", str(file), "--key", "0" * 64]) == 12
    assert main(["verify", str(file), "--key", "nonsense"]) == 2
    assert "expected a public key" in capsys.readouterr().err
    # The key now stands: the next seals of this store carry its signature too.
    assert main(["prove", RUN, "--data", str(store), "--to", str(file), "--sign"]) == 0
    assert "made" not in capsys.readouterr().out


def test_a_pdf_beside_the_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Printed by the browser that is here, on the paper that was asked for: PDF points, ISO 216 and ANSI A."""
    file = tmp_path / "p.html"
    record = str(RECORDS / "held-low-altitude")
    for paper, width, height in (("a4", 595, 842), ("letter", 612, 792)):
        pdf = tmp_path / f"{paper}.pdf"
        assert main(["prove", record, "--to", str(file), "--pdf", str(pdf), "--paper", paper]) == 0
        assert f"printed {pdf}" in capsys.readouterr().out
        boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf.read_bytes())
        assert len(boxes) == 2
        assert {(round(float(w)), round(float(h))) for w, h in boxes} == {(width, height)}
    assert main(["verify", str(file)]) == 0


def test_no_browser_no_pdf_and_the_page_is_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    file = tmp_path / "p.html"
    record = str(RECORDS / "held-low-altitude")
    assert main(["prove", record, "--to", str(file), "--pdf", str(tmp_path / "p.pdf")]) == 2
    assert "printing a PDF needs Chromium" in capsys.readouterr().err
    assert main(["verify", str(file)]) == 0


def test_a_machine_without_the_signing_library(store: Path, tmp_path: Path) -> None:
    """In an interpreter that really has no such library: everything but the signature is checked, and that is said."""
    file = tmp_path / "p.html"
    assert main(["prove", RUN, "--data", str(store), "--to", str(file), "--sign"]) == 0
    bare = tmp_path / "site-packages"
    bare.mkdir()
    for item in Path(numpy.__file__).parents[1].iterdir():
        if not item.name.startswith("cryptography"):
            (bare / item.name).symlink_to(item)

    def boilwitness(*words: str) -> subprocess.CompletedProcess[str]:
        # -S: no site packages but those that are named here.
        paths = os.pathsep.join([str(bare), str(RECORDS.parent)])
        return subprocess.run(
            [sys.executable, "-S", "-m", "monitor.cli.main", *words],
            env={**os.environ, "PYTHONPATH": paths},
            capture_output=True,
            text=True,
        )

    checked = boilwitness("verify", str(file))
    assert checked.returncode == 0, checked.stderr
    assert "signature not checked; that needs the 'cryptography' library" in checked.stdout
    assert boilwitness("verify", str(store)).returncode == 0
    # Whoever names a key asks that it be checked: what cannot be is no yes.
    keyed = boilwitness("verify", str(file), "--key", "0" * 64)
    assert (keyed.returncode, keyed.stdout, keyed.stderr.count("\n")) == (2, "", 1)
    assert "pip install 'boilwitness[signing]'" in keyed.stderr
    signed = boilwitness("prove", RUN, "--data", str(store), "--to", str(file), "--sign")
    assert signed.returncode == 2
    assert "pip install 'boilwitness[signing]'" in signed.stderr and signed.stderr.count("\n") == 1
    file.write_bytes(file.read_bytes().replace(b"HELD", b"held", 1))
    assert boilwitness("verify", str(file)).returncode == 12


@pytest.mark.parametrize(
    "arguments, told",
    [
        (["prove", "no-such-run", "--data", "{store}"], "there is no run 'no-such-run'"),
        (["prove", "no-such-run", "--data", "{tmp}"], "no such run folder, and no store"),
        (["prove", str(RECORDS / "held-low-altitude"), "--to", "{tmp}/a/b/c.html"], "cannot be written"),
        (["prove", RUN, "--data", "{store}", "--sign", "{tmp}/none"], "no key there"),
        (["verify", "{tmp}/none"], "no such file or folder"),
        (["verify", "{store}/.."], "neither a run folder"),
    ],
)
def test_trouble_is_one_line_and_status_2(
    arguments: list[str], told: str, store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [word.replace("{store}", str(store)).replace("{tmp}", str(tmp_path)) for word in arguments]
    assert main(words) == 2
    error = capsys.readouterr().err
    assert told in error and error.count("\n") == 1


def test_a_bare_folder_is_not_sealed_and_says_so(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    # Neither intact nor altered is shown: unproven.
    assert main(["verify", str(RECORDS / "held-low-altitude")]) == 11
    told = capsys.readouterr().out
    assert told.startswith("NOT SEALED, NOTHING DISAGREES") and "held, " in told
    (tmp_path / "run.json").write_text("{")
    assert main(["verify", str(tmp_path)]) == 2


def test_the_page_lands_here_when_no_place_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["prove", str(RECORDS / "held-low-altitude")]) == 0
    assert [path.name for path in tmp_path.iterdir()] == [f"proof-{RUN}.html"]


def test_a_store_that_cannot_be_written_is_one_line(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run that has no seal yet, on a disk that is mounted to be read only."""

    def read_only(folder: Path) -> sqlite3.Connection:
        conn = open_writer(folder)
        conn.execute("PRAGMA query_only=ON")
        return conn

    monkeypatch.setattr("monitor.cli.prove.open_writer", read_only)
    assert main(["prove", RUN, "--data", str(store), "--to", str(tmp_path / "p.html")]) == 2
    told = capsys.readouterr().err
    assert "the seal cannot be written" in told and told.count("\n") == 1


def test_a_pdf_is_not_called_a_page_nor_a_folder_that_is_missing_a_browser_that_failed(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["prove", RUN, "--data", str(store)]
    assert main([*words, "--to", str(tmp_path / "p.pdf")]) == 2
    assert "--pdf" in capsys.readouterr().err
    page = ["--to", str(tmp_path / "p.html")]
    assert main([*words, *page, "--pdf", str(tmp_path / "none" / "p.pdf")]) == 2
    assert "there is no folder" in capsys.readouterr().err
