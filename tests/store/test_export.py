"""Out of the store and back: the same bytes, the same verdict, nothing left behind."""

from __future__ import annotations

import csv
import errno
import hashlib
import json
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import RecordError, StoreError, UsageError
from monitor.judge import judge
from monitor.record import header_to_json, read_run, write_run
from monitor.simulate.node import DemoCanner, demo_canner
from monitor.store import reader
from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.store.export import export_all, export_run, run_folder_names, safe_name
from monitor.store.handover import Batch, Loss, Refusal
from monitor.store.restore import is_empty, is_whole_export, restore
from monitor.store.samples import Row, row_values
from monitor.store.stamp import epoch_s, epoch_text
from monitor.store.take_in import import_run, run_folders
from monitor.store.writer import StoreWriter
from monitor.timesource import ManualTime

Begin = Callable[..., str]
MakeRow = Callable[..., Row]

RECORDS = Path(__file__).parents[2] / "recorded_runs"
START = "2026-08-14T09:12:00-06:00"
START_S = epoch_s(START)


@pytest.fixture(scope="module")
def demo() -> DemoCanner:
    """An invented batch with a power dip in it (monitor.simulate)."""
    return demo_canner(minutes=5.0, cooling_s=120.0)


@pytest.fixture
def whole_run(writer: StoreWriter, begin: Begin, clock: ManualTime, demo: DemoCanner) -> str:
    """The batch as the collector would have stored it, awkward digits included."""
    parts = {key: header_to_json(demo.header)[key] for key in ("site", "batch", "probe", "required")}
    begin(**parts, simulated=True)
    node = writer.node_id("n1", "test")
    rows = []
    for number, sample in enumerate(demo.samples):
        numbered = sample._replace(boot=3, seq=number)
        at_s = START_S + sample.t_s + 0.0004321
        rows.append(row_values(node, numbered, at_s, at_s + 0.0123456, late=False))
    writer.commit(Batch(rows=rows))
    for mark in demo.marks:
        happened = clock.utc_now().timestamp() + mark.t_s
        append_entry(
            writer.conn,
            "mark",
            {"kind": mark.kind},
            run_id="r1",
            happened_utc=epoch_text(happened),
            time=clock,
        )
    return "r1"


def test_export_gives_the_same_bytes_each_time_and_judges_the_same(
    conn: sqlite3.Connection, whole_run: str, tmp_path: Path
) -> None:
    export_run(conn, whole_run, tmp_path / "a")
    export_run(conn, whole_run, tmp_path / "b")
    for name in ("run.json", "samples.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    exported = judge(read_run(tmp_path / "a"))
    in_store = judge(reader.load_run(conn, whole_run))
    assert exported.as_json() == in_store.as_json()
    assert exported.verdict == "held"
    assert read_run(tmp_path / "a").extra["simulated"] is True


def test_a_record_that_came_in_goes_out_byte_for_byte(
    conn: sqlite3.Connection, whole_run: str, data: Path, tmp_path: Path
) -> None:
    export_run(conn, whole_run, tmp_path / "a")
    second = open_writer(tmp_path / "second")
    assert import_run(second, tmp_path / "a") == ("r1", True)
    assert import_run(second, tmp_path / "a") == ("r1", False)
    export_run(second, "r1", tmp_path / "b")
    for name in ("run.json", "samples.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    (row,) = reader.list_runs(second)
    assert (row.imported, row.simulated, row.food) == (True, True, "strawberry jam (invented batch)")
    assert judge(reader.load_run(second, "r1")) == judge(read_run(tmp_path / "a"))
    # Another record under the same name is not let in over it.
    changed = tmp_path / "changed"
    run = read_run(tmp_path / "a")
    write_run(replace(run, canner="another"), changed)
    with pytest.raises(UsageError, match="other contents"):
        import_run(second, changed)
    second.close()


def test_a_damaged_record_is_not_taken_in(conn: sqlite3.Connection, whole_run: str, tmp_path: Path) -> None:
    export_run(conn, whole_run, tmp_path / "a")
    table = tmp_path / "a" / "samples.csv"
    table.write_text(table.read_text().replace("\n10.", "\nsoon", 1))
    with pytest.raises(RecordError, match=r"samples\.csv: row \d+, column t_s"):
        import_run(conn, tmp_path / "a")


def test_everything_goes_out(
    writer: StoreWriter, whole_run: str, make_row: MakeRow, tmp_path: Path, begin: Begin
) -> None:
    """The full record with its history, readable without this program; totals agree."""
    # A node that never served a run, jars and lids, a conflict, a late one.
    writer.commit(
        Batch(
            rows=[
                make_row(0, 1.0, node="spare", jars='{"2":71.25}', lids='{"1":true}', mains=0),
                make_row(1, 2.0, node="spare", late=1, water_fault="open", water_C=None),
            ]
        )
    )
    writer.commit(Batch(rows=[make_row(0, 1.0, node="spare", water_C=1.0)]))
    out = tmp_path / "out"
    assert export_all(writer.conn, out) == (1, 2)
    with (out / "nodes" / "spare" / "samples.csv").open() as file:
        first, second = csv.DictReader(file)
    assert (first["jar_2_C"], first["lid_1"], first["mains"], first["late"]) == ("71.25", "true", "false", "")
    assert (second["water_C"], second["water_fault"], second["late"], second["t_s"]) == (
        "",
        "open",
        "true",
        "1.000",
    )
    assert json.loads((out / "conflicts.jsonl").read_text())["seq"] == 0
    with (out / "nodes" / "n1" / "samples.csv").open() as file:
        count = sum(1 for _ in csv.DictReader(file))
    copy = sqlite3.connect(out / "boilwitness.sqlite")
    assert len(reader.load_run(copy, "r1").samples) == count
    copy.close()
    entries = [json.loads(line) for line in (out / "entries.jsonl").read_text().splitlines()]
    assert {entry["kind"] for entry in entries} == {"node_assigned", "run_started", "mark"}
    assert [folder.name for folder in run_folders(out)] == ["r1"]


def test_runs_whose_folders_would_be_one_get_two(tmp_path: Path) -> None:
    """An id that can name a folder names its own, whichever run came first."""
    found = run_folder_names(["a/b", "a_b", "a:b", "a\0b"], tmp_path)
    assert found == {"a/b": "a_b.2", "a_b": "a_b", "a:b": "a:b", "a\0b": "a_b.3"}
    assert list(tmp_path.iterdir()) == []


KEPT = ["läuf-№1", "x y", "2026:08", "a_b", "A_B", ".x", "-x", 'say "a*b?" <c>|d\\e', "x.", "r" * 200]
CHANGED = {
    "a/b": "a_b.2",
    "..": "run_..",
    "a\nb": "a_b.3",
    "a\u202eb": "a_b.4",
    "\ud800": "_",
    "r" * 201: f"{'r' * 191}-{hashlib.sha256(b'r' * 201).hexdigest()[:8]}",
}


def test_a_run_s_folder_is_called_by_its_id_where_a_folder_can_be(tmp_path: Path) -> None:
    names = run_folder_names([*CHANGED, *KEPT], tmp_path)
    assert names == CHANGED | {run_id: run_id for run_id in KEPT}
    for name in names.values():
        (tmp_path / name).mkdir()
    assert len(list(tmp_path.iterdir())) == len(names)


def test_a_disk_that_takes_few_signs_gets_names_that_it_takes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a memory stick does."""
    mkdir = Path.mkdir

    def refuse(path: Path, *options: Any, **more: Any) -> None:
        if set(path.name) & set('"*:<>?|\\'):
            raise OSError(errno.EINVAL, "Invalid argument", str(path))
        mkdir(path, *options, **more)

    monkeypatch.setattr(Path, "mkdir", refuse)
    assert run_folder_names(["2026:08", "2026_08"], tmp_path) == {
        "2026:08": "2026_08.2",
        "2026_08": "2026_08",
    }


def test_everything_comes_back_from_the_open_files_alone(
    writer: StoreWriter, whole_run: str, make_row: MakeRow, tmp_path: Path
) -> None:
    """Out, in, out again: every file but the copy of the database is the same, byte for byte."""
    writer.commit(
        Batch(
            rows=[
                make_row(0, 1.0, node="spare", jars='{"2":71.25,"10":3.0}', lids='{"1":true}', mains=0),
                make_row(1, 2.0, node="spare", late=1, water_fault="open", water_C=None),
                make_row(2, 3.1, node="spare", water_C=99.30000000000001, uptime_s=0.1 + 0.2),
            ],
            refusals=[Refusal("mqtt", "n1", "no JSON", b"\xff\x00garbage")],
            losses=[Loss(writer.node_id("spare", "test"), 3, 10, 4, "gone")],
        )
    )
    writer.commit(Batch(rows=[make_row(0, 1.0, node="spare", water_C=1.0)]))
    import_run(writer.conn, RECORDS / "silent-node")
    append_entry(
        writer.conn, "jar_seal", {"jar": 1, "tap": "ring"}, run_id="silent-node-does-not-matter", by="Zoë"
    )
    out, back = tmp_path / "out", tmp_path / "back"
    export_all(writer.conn, out)
    assert is_whole_export(out)
    second = open_writer(tmp_path / "second")
    assert is_empty(second)
    (out / "boilwitness.sqlite").unlink()
    assert restore(second, out) > 100
    export_all(second, back)
    (back / "boilwitness.sqlite").unlink()
    names = sorted(path.relative_to(out) for path in out.rglob("*") if path.is_file())
    assert len(names) > 15
    assert names == sorted(path.relative_to(back) for path in back.rglob("*") if path.is_file())
    for name in names:
        assert (out / name).read_bytes() == (back / name).read_bytes(), name
    with pytest.raises(UsageError, match="not empty"):
        restore(second, out)
    second.close()


@pytest.mark.parametrize(
    "file, change, told",
    [
        (
            "entries.jsonl",
            lambda text: text[:-20],
            r"entries\.jsonl: line \d+: expected a JSON object with id",
        ),
        ("entries.jsonl", lambda text: text + text, "do not fit together"),
        (
            "nodes/n1/samples.csv",
            lambda text: text.replace(",at_s,", ",ot_s,"),
            r"row 2: expected a sample",
        ),
        ("nodes.jsonl", lambda text: text.replace("n1", "n9"), r"n9/samples\.csv: cannot be read"),
    ],
)
def test_a_damaged_export_leaves_the_store_empty(
    file: str,
    change: Callable[[str], str],
    told: str,
    writer: StoreWriter,
    whole_run: str,
    tmp_path: Path,
) -> None:
    export_all(writer.conn, tmp_path / "out")
    path = tmp_path / "out" / file
    path.write_text(change(path.read_text("utf-8")), "utf-8")
    second = open_writer(tmp_path / "second")
    with pytest.raises(RecordError, match=told):
        restore(second, tmp_path / "out")
    assert is_empty(second)
    second.close()


def test_a_place_that_cannot_be_written(conn: sqlite3.Connection, whole_run: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match=r"cannot write .*--to"):
        export_run(conn, whole_run, tmp_path / "file" / "deeper")


def test_no_such_run(conn: sqlite3.Connection, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no run 'nope'"):
        export_run(conn, "nope", tmp_path / "x")
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize(
    "run_id, folder",
    [
        ("2026-08-14-canner-1-a", "2026-08-14-canner-1-a"),
        ("../../etc", ".._.._etc"),
        ("..", "run_.."),
        ("a/b\0", "a_b_"),
    ],
)
def test_a_run_id_never_leaves_the_folder(run_id: str, folder: str) -> None:
    assert safe_name(run_id) == folder
