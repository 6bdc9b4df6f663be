"""Records that are odd: refused in one line, or taken in; one that is in a store already holds up no other run."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import RecordError, UsageError
from monitor.record import read_run
from monitor.record.read import read_header
from monitor.store.batches import load_batch, load_batches
from monitor.store.beside import keep_beside
from monitor.store.database import open_writer
from monitor.store.entries import append_entry, read_entries, reprocessings
from monitor.store.export import export_all, export_run, safe_name
from monitor.store.reader import list_runs, load_run
from monitor.store.stamp import SYSTEM_TIME
from monitor.store.take_in import import_run

RECORDS = Path(__file__).parents[2] / "recorded_runs"
HELD = "2026-07-25-canner-1-a"

Change = Callable[[dict[str, Any]], None]


def folder(at: Path, change: Change | None = None, encoding: str = "utf-8") -> Path:
    """A shipped record with another header, under the id ``odd``."""
    shutil.copytree(RECORDS / "short-by-a-minute", at)
    form = json.loads((at / "run.json").read_text("utf-8"))
    form["run_id"] = "odd"
    if change:
        change(form)
    (at / "run.json").write_text(json.dumps(form), encoding)
    return at


def put_in(conn: sqlite3.Connection, header: bytes, run_id: str = "odd") -> None:
    """A record as an earlier version took it in."""
    samples = (RECORDS / "short-by-a-minute" / "samples.csv").read_bytes()
    digest = hashlib.sha256(header + b"\0" + samples).hexdigest()
    row = (run_id, header, samples, digest, "2026-09-01T10:00:00.000Z")
    conn.execute("INSERT INTO imported_runs VALUES (?, ?, ?, ?, ?)", row)


def test_a_byte_order_mark_is_left_at_the_door(conn: sqlite3.Connection, tmp_path: Path) -> None:
    marked = folder(tmp_path / "marked", encoding="utf-8-sig")
    assert import_run(conn, marked) == ("odd", True)
    (stored,) = conn.execute("SELECT run_json FROM imported_runs").fetchone()
    assert stored == (marked / "run.json").read_bytes()[3:]
    assert import_run(conn, marked) == ("odd", False)
    assert import_run(conn, folder(tmp_path / "plain")) == ("odd", False)


ODD = {
    "a byte order mark": lambda text: b"\xef\xbb\xbf" + text,
    "half of a sign": lambda text: text.replace(b'"odd"', b'"odd", "zz": {"p\\ud800": ["q\\uDC00"]}'),
    "half of a sign in the food": lambda text: text.replace(b'"food": "', b'"food": "\\ud83d'),
    "no JSON": lambda text: b"{",
    "no object": lambda text: b"[1]",
    "no times": lambda text: text.replace(b'"started_at"', b'"began_at"'),
    "another form": lambda text: text.replace(b"-run/1", b"-run/0"),
}


@pytest.mark.parametrize("odd", list(ODD))
def test_what_is_odd_in_a_store_holds_up_no_other_run(
    odd: str, conn: sqlite3.Connection, tmp_path: Path
) -> None:
    """Whatever an earlier version let in: the other runs are read, shown, judged and backed up."""
    header = (folder(tmp_path / "odd") / "run.json").read_bytes()
    put_in(conn, ODD[odd](header))
    assert import_run(conn, RECORDS / "held-low-altitude") == (HELD, True)
    assert {row.run_id for row in list_runs(conn)} == {"odd", HELD}
    assert reprocessings(conn, HELD) == []
    assert len(load_run(conn, HELD).samples) > 100
    now = SYSTEM_TIME.utc_now()
    assert load_batch(conn, HELD, now).state.run_id == HELD
    assert HELD in {state.run_id for state in load_batches(conn, now)}
    export_run(conn, HELD, tmp_path / "one")
    assert export_all(conn, tmp_path / "all")[0] == 2
    assert (tmp_path / "all" / "runs" / "odd" / "run.json").read_bytes() == ODD[odd](header)
    assert read_run(tmp_path / "all" / "runs" / HELD).run_id == HELD


@pytest.mark.parametrize("odd", ["a byte order mark", "half of a sign", "half of a sign in the food"])
def test_what_is_odd_and_can_be_understood_is_read(
    odd: str, conn: sqlite3.Connection, tmp_path: Path
) -> None:
    put_in(conn, ODD[odd]((folder(tmp_path / "odd") / "run.json").read_bytes()))
    run = load_run(conn, "odd")
    assert run.required.minutes > 0 and len(run.samples) > 100
    assert json.dumps([run.batch.food, dict(run.extra)], ensure_ascii=False).encode()


def test_a_jar_that_went_on_is_found_through_a_byte_order_mark(
    conn: sqlite3.Connection, tmp_path: Path
) -> None:
    again = folder(tmp_path / "odd", lambda form: form.update(reprocess_of=HELD, reprocess_jars=[2]))
    put_in(conn, b"\xef\xbb\xbf" + (again / "run.json").read_bytes())
    import_run(conn, RECORDS / "held-low-altitude")
    assert {entry.run_id for entry in reprocessings(conn, HELD)} == {"odd"}


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (lambda form: form.update(zz="p\ud800"), "zz"),
        (lambda form: form["batch"].update(food="p\udc00"), "batch.food"),
        (lambda form: form.update(run_id="p\ud800"), "run_id"),
        (lambda form: form["marks"][0].update(text="p\ud83d"), r"marks\[0\]\.text"),
        (lambda form: form.update({"k\ud800": 1}), r"k\\ud800"),
    ],
)
def test_half_of_a_sign_is_refused_where_it_is_read(
    change: Change, where: str, conn: sqlite3.Connection, tmp_path: Path
) -> None:
    record = folder(tmp_path / "odd", change)
    for read in (read_run, lambda at: import_run(conn, at)):
        with pytest.raises(RecordError, match=rf"run\.json: {where}: expected whole signs, .*Write") as told:
            read(record)
        assert str(told.value).encode() and "\n" not in str(told.value)
    whole = folder(tmp_path / "whole", lambda form: form.update(zz="\U0001fad9"))
    assert import_run(conn, whole) == ("odd", True)


def test_half_of_a_sign_beside_a_record(conn: sqlite3.Connection, tmp_path: Path) -> None:
    """Refused from now on; what came along before is read, and goes out again."""
    record = folder(tmp_path / "odd")
    stamp = "2026-07-25T18:30:00.000Z"
    row = {"id": 3, "run_id": "odd", "kind": "mark", "body": {"kind": "note", "text": "p\ud800"}}
    row |= {"at_utc": stamp, "happened_utc": stamp, "by": None, "corrects": None, "reason": None}
    line = json.dumps(row | {"mono_s": 5.0, "machine_boot": "elsewhere"}).encode() + b"\n"
    (record / "entries.jsonl").write_bytes(line)
    with pytest.raises(RecordError, match=r"entries\.jsonl: line 1: .*half of a sign"):
        import_run(conn, record)
    (record / "entries.jsonl").unlink()
    import_run(conn, record)
    keep_beside(conn, "odd", "entries.jsonl", line, hashlib.sha256(line).hexdigest(), 3, stamp)
    assert [entry.body["text"] for entry in read_entries(conn, "odd")] == ["p\ufffd"]
    export_all(conn, tmp_path / "all")


@pytest.mark.parametrize("where", ["text", "by", "reason"])
def test_half_of_a_sign_is_not_written_down(where: str, conn: sqlite3.Connection) -> None:
    """As a terminal hands on bytes that are no UTF-8."""
    said = {"text": "a", "by": "b", "reason": "c"} | {where: "p\udcff"}
    with pytest.raises(UsageError, match="half of a sign, or bytes that are no UTF-8"):
        append_entry(conn, "settings", {"text": said["text"]}, by=said["by"], reason=said["reason"])
    assert read_entries(conn) == []


@pytest.mark.parametrize("run_id", [".", "..", "r" * 201, "\u00e4" * 101, "a\nb", "a\x1bb", "a\u202eb"])
def test_an_id_that_can_name_no_file_is_refused(
    run_id: str, conn: sqlite3.Connection, tmp_path: Path
) -> None:
    with pytest.raises(RecordError, match=r"run_id: expected a name of at most 200 bytes"):
        import_run(conn, folder(tmp_path / "odd", lambda form: form.update(run_id=run_id)))
    import_run(conn, folder(tmp_path / "long", lambda form: form.update(run_id="r" * 200)))


def test_a_long_id_that_is_in_a_store_already_goes_out(conn: sqlite3.Connection, tmp_path: Path) -> None:
    long = ["r" * 300 + end for end in "ab"]
    header = (folder(tmp_path / "odd") / "run.json").read_bytes()
    for run_id in long:
        put_in(conn, header.replace(b'"odd"', f'"{run_id}"'.encode()), run_id)
    export_all(conn, tmp_path / "all")
    found = {read_header(path).run_id for path in (tmp_path / "all" / "runs").glob("*/run.json")}
    assert found == set(long)
    assert safe_name("2026-07-25-canner-1-a") == "2026-07-25-canner-1-a"


def test_an_end_before_the_start_is_refused(conn: sqlite3.Connection, tmp_path: Path) -> None:
    """Such a record contradicts itself, and none of what it says can be relied on."""
    with pytest.raises(RecordError, match=r"ended_at: expected a time after started_at"):
        read_run(folder(tmp_path / "odd", lambda form: form.update(ended_at="2020-01-01T00:00:00Z")))


def test_an_export_that_comes_back_is_the_same_also_where_it_was_corrected(
    data: Path, tmp_path: Path
) -> None:
    conn = open_writer(data)
    import_run(conn, folder(tmp_path / "odd"))
    body = {"required": {"minutes": 5, "source": "own card"}}
    append_entry(conn, "header_changed", body, run_id="odd", by="Ada", reason="slip")
    export_run(conn, "odd", tmp_path / "out")
    assert import_run(conn, tmp_path / "out") == ("odd", False)
    text = (tmp_path / "out" / "entries.jsonl").read_text("utf-8")
    (tmp_path / "out" / "entries.jsonl").write_text(text.replace("slip", "whim"), "utf-8")
    with pytest.raises(UsageError, match="with other contents"):
        import_run(conn, tmp_path / "out")
    conn.close()
