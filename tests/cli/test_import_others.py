"""Records of other houses: one whose name is in use here, several of which one is bad, a file instead of a folder."""

from __future__ import annotations

import json
import shutil
import sqlite3
import zipfile
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.jars import jar_code
from monitor.proof.folder import seal_export
from monitor.store.batches import load_batch
from monitor.store.database import open_reader, open_writer
from monitor.store.entries import append_entry
from monitor.store.export import export_run
from monitor.store.take_in import import_run

RECORDS = Path(__file__).parents[2] / "recorded_runs"
RUN = "2026-08-14-canner-1-a"


def house(tmp_path: Path, name: str, record: str) -> Path:
    """A sealed folder from a house of its own, whose run has the name that the other's has too (invented)."""
    store, made = tmp_path / name, tmp_path / f"{name}-record"
    shutil.copytree(RECORDS / record, made)
    form = json.loads((made / "run.json").read_text("utf-8"))
    form["run_id"], form["canner"] = RUN, name
    (made / "run.json").write_text(json.dumps(form), "utf-8")
    with closing(open_writer(store)) as conn:
        import_run(conn, made)
    append_entry(store, "jar_seal", {"jar": 1, "press": "firm"}, run_id=RUN, by=name)
    with closing(open_reader(store)) as conn:
        content = load_batch(conn, RUN, datetime.now(UTC)).state.content
    reasons = dict.fromkeys(
        ("hold", "eye", "limit", "gaps", "water", "calibration", "alarms", "deviations", "seal"), "looked at"
    )
    append_entry(store, "review", {"content": content, "reasons": reasons}, run_id=RUN, by="Reviewer")
    with closing(open_writer(store)) as conn, pytest.MonkeyPatch.context() as patch:
        patch.setattr("monitor.store.export.taken_in_all", lambda _: {})
        seal_export(conn, RUN, export_run(conn, RUN, tmp_path / f"{name}-out"))
    return tmp_path / f"{name}-out"


@pytest.fixture
def two(tmp_path: Path) -> tuple[Path, Path]:
    return house(tmp_path, "north", "held-low-altitude"), house(tmp_path, "south", "short-by-a-minute")


def test_two_houses_whose_runs_are_called_alike_come_in_both(
    two: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, page = str(tmp_path / "school"), str(tmp_path / "p.html")
    north, south = map(str, two)
    assert main(["import", north, "--data", data]) == 0
    capsys.readouterr()
    assert main(["import", south, "--data", data]) == 2
    error = capsys.readouterr().err
    assert "with other contents is in the store already" in error
    assert f"'boilwitness import {south} --as HOUSE'" in error and f"HOUSE-{RUN}" in error
    assert main(["import", south, "--as", "south", "--data", data]) == 0
    told = capsys.readouterr().out
    assert f"took in run south-{RUN} with 2 entries; its bytes are as they were sealed" in told
    assert main(["import", south, "--as", "south", "--data", data]) == 0
    assert "is here already, the same" in capsys.readouterr().out
    # What is here under its own name is not doubled.
    assert main(["import", north, "--as", "north", "--data", data]) == 0
    assert f"run {RUN} is here already, the same" in capsys.readouterr().out
    assert main(["judge", RUN, "--data", data]) == 0
    capsys.readouterr()
    assert main(["judge", f"south-{RUN}", "--data", data]) == 10
    assert f"Where it was made it is called {RUN}." in " ".join(capsys.readouterr().out.split())
    assert main(["prove", f"south-{RUN}", "--to", page, "--data", data]) == 0
    assert main(["verify", page]) == main(["verify", data]) == 0
    told = capsys.readouterr().out
    assert "BUT" not in told and told.count(f"Where it was made it is called {RUN}.") >= 2


def test_what_was_sealed_is_kept_and_checked(
    two: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The seal fits what came; what stands here is that but for the name, and `verify` says so of both."""
    data = tmp_path / "school"
    assert main(["import", str(two[1]), "--as", "south", "--data", str(data)]) == 0
    with closing(open_reader(data)) as conn:
        kept = dict(conn.execute("SELECT name, content FROM imported_files"))
    for name in ("run.json", "entries.jsonl"):
        assert kept[f"there.{name}"] == (two[1] / name).read_bytes()
    assert kept["seal.json"] == (two[1] / "seal.json").read_bytes()
    assert main(["verify", str(data)]) == 0
    store = data / "boilwitness.sqlite"
    for table, column, name, says in (
        ("imported_files", "content", "there.run.json", "run.json does not fit the seal that it came with"),
        ("imported_files", "content", "entries.jsonl", "more than the name of entries.jsonl was changed"),
    ):
        copy = tmp_path / name
        copy.mkdir()
        shutil.copy(store, copy)
        with closing(sqlite3.connect(copy / "boilwitness.sqlite")) as conn:
            conn.execute("DROP TRIGGER imported_files_never_change")
            (old,) = conn.execute(f"SELECT {column} FROM {table} WHERE name = ?", (name,)).fetchone()
            new = old.replace(b"firm", b"soft").replace(b'"jars": 7', b'"jars": 8')
            assert new != old
            conn.execute(f"UPDATE {table} SET {column} = ? WHERE name = ?", (new, name))
            conn.commit()
        capsys.readouterr()
        assert main(["verify", str(copy)]) == 12
        assert says in capsys.readouterr().out


def test_its_review_still_stands_and_it_goes_on_to_a_third_store(
    two: tuple[Path, Path], tmp_path: Path
) -> None:
    school, out, third = tmp_path / "school", str(tmp_path / "out"), tmp_path / "third"
    assert main(["import", str(two[0]), "--as", "north", "--data", str(school)]) == 0
    assert main(["export", f"north-{RUN}", "--to", out, "--data", str(school)]) == 0
    assert main(["verify", out]) == 0
    assert main(["import", out, "--data", str(third)]) == 0
    for data in (school, third):
        with closing(open_reader(data)) as conn:
            state = load_batch(conn, f"north-{RUN}", datetime.now(UTC)).state
        assert state.review is not None and "has changed" not in state.review.lapsed
    everything, fourth = str(tmp_path / "everything"), str(tmp_path / "fourth")
    assert main(["export", "--all", "--to", everything, "--data", str(school)]) == 0
    assert main(["import", everything, "--data", fourth]) == 0
    assert main(["judge", f"north-{RUN}", "--data", fourth]) == 0


def test_of_a_label_that_fits_two_houses_jars_both_are_told(
    two: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = str(tmp_path / "school")
    assert main(["import", str(two[0]), "--data", data]) == 0
    assert main(["import", str(two[1]), "--as", "south", "--data", data]) == 0
    capsys.readouterr()
    assert main(["jars", jar_code(RUN, 1), "--data", data]) == 0
    assert f"The code fits a jar of {RUN} and of south-{RUN}: whose label is it?" in capsys.readouterr().out


def test_a_run_of_that_house_that_reprocesses_jars_is_not_taken_for_one_of_this(
    two: tuple[Path, Path], tmp_path: Path
) -> None:
    """Its jars come from the run that has that name there, not from the one that has it here."""
    data, child = tmp_path / "school", tmp_path / "child"
    shutil.copytree(RECORDS / "held-low-altitude", child)
    form = json.loads((child / "run.json").read_text("utf-8"))
    form |= {"run_id": f"{RUN}-again", "reprocess_of": RUN, "reprocess_jars": [2]}
    (child / "run.json").write_text(json.dumps(form), "utf-8")
    assert main(["import", str(two[0]), "--data", str(data)]) == 0
    for folder in (two[1], child):
        assert main(["import", str(folder), "--as", "south", "--data", str(data)]) == 0
    with closing(open_reader(data)) as conn:
        one, other, again = (
            load_batch(conn, run_id, datetime.now(UTC)).state
            for run_id in (RUN, f"south-{RUN}", f"south-{RUN}-again")
        )
    assert again.parent_run == f"south-{RUN}"
    assert not any(jar.child_run for jar in one.jars)
    assert [jar.jar for jar in other.jars if jar.child_run] == [2]


@pytest.mark.parametrize("name", ["a/b", "", " ", "-x", "x" * 41, "..\u202e"])
def test_a_house_has_a_short_plain_name(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status = main(["import", str(RECORDS / "silent-node"), f"--as={name}", "--data", str(tmp_path / "d")])
    assert status == (0 if name == "" else 2)
    assert name == "" or "expected a short name" in capsys.readouterr().err


def test_of_several_folders_one_that_is_bad_holds_up_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    several = tmp_path / "class"
    for name, record in (("p1", "held-low-altitude"), ("p2", "silent-node"), ("p3", "short-by-a-minute")):
        shutil.copytree(RECORDS / record, several / name)
    (several / "p2" / "samples.csv").unlink()
    assert main(["import", str(several), "--data", str(tmp_path / "d")]) == 2
    told = capsys.readouterr()
    assert told.out.count("took in run ") == 2
    first, last = told.err.splitlines()
    assert "p2" in first and "samples.csv" in first
    assert "1 of the 3 run folders" in last and "were not taken in" in last
    assert main(["import", str(several / "p2"), "--data", str(tmp_path / "d")]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_a_file_is_told_from_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    archive, proof = tmp_path / "record.zip", tmp_path / "p.html"
    with zipfile.ZipFile(archive, "w") as packed:
        packed.write(RECORDS / "silent-node" / "run.json", "silent-node/run.json")
    proof.write_text("<!doctype html>", "utf-8")
    (tmp_path / "x.csv").write_text("t_s,water_C\n", "utf-8")
    for path, says in (
        (archive, "unpack it, and name the folder in it"),
        (proof, "A proof is there to be checked"),
        (tmp_path / "x.csv", "Name the folder that holds run.json and samples.csv"),
    ):
        assert main(["import", str(path), "--data", str(tmp_path / "d")]) == 2
        error = capsys.readouterr().err
        assert "a file; what is taken in is a run's folder" in error and says in error
