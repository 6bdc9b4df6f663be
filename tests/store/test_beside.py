"""A run taken in from an export brings what people said of it; damage there is refused with its line."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import RecordError, UsageError
from monitor.record import read_run
from monitor.store import reader
from monitor.store.database import open_writer
from monitor.store.entries import append_entry, read_entries
from monitor.store.export import export_all, export_run
from monitor.store.restore import restore
from monitor.store.take_in import import_run

RECORDS = Path(__file__).parents[2] / "recorded_runs"
RUN = "2026-07-25-canner-1-a"
STAMP = "2026-07-25T18:30:00.000Z"


def entry(number: int, kind: str, body: dict[str, Any], **more: Any) -> dict[str, Any]:
    form = {"id": number, "run_id": RUN, "kind": kind, "body": body, "at_utc": STAMP, "happened_utc": STAMP}
    rest = {"by": "Ada", "corrects": None, "reason": None, "mono_s": 500.0, "machine_boot": "elsewhere"}
    return form | rest | more


ENTRIES = [
    entry(3, "mark", {"kind": "jars_in"}),
    entry(7, "jar_seal", {"jar": 6, "press": "firm", "sight": "dished", "tap": "dull", "lift": "holds"}),
    entry(11, "jar_seal", {"jar": 6, "tap": "ring"}, corrects=7, reason="looked\u2028again\x85and again"),
]
ALARM = {"id": 2, "alarm_id": "c:hold_complete", "run_id": RUN, "at_utc": STAMP, "kind": "hold_complete"}
ALARMS = [ALARM | {"state": "active-unacknowledged", "body": {"text": "The boil has held."}}]


def lines(rows: list[dict[str, Any]]) -> str:
    return "".join(json.dumps(row, ensure_ascii=False, separators=(",", ":")) + "\n" for row in rows)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A shipped record with what an export puts beside it (invented)."""
    made = tmp_path / "exported"
    shutil.copytree(RECORDS / "held-low-altitude", made)
    (made / "about.json").unlink()
    (made / "entries.jsonl").write_text(lines(ENTRIES), "utf-8")
    (made / "alarms.jsonl").write_text(lines(ALARMS), "utf-8")
    return made


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Any]:
    """A store in use: its own entries bear the numbers that the other's bore too."""
    with closing(open_writer(tmp_path / "used")) as conn:
        for _ in range(9):
            append_entry(conn, "settings", {"text": "one line\u2028and more"})
        yield conn


def test_entries_and_alarms_come_in_and_go_out_byte_for_byte(
    store: Any, folder: Path, tmp_path: Path
) -> None:
    assert import_run(store, folder) == (RUN, True)
    assert import_run(store, folder) == (RUN, False)
    found = read_entries(store, RUN)
    assert [(one.id, one.kind, one.corrects, one.by) for one in found] == [
        (3, "mark", None, "Ada"),
        (7, "jar_seal", None, "Ada"),
        (11, "jar_seal", 7, "Ada"),
    ]
    assert [one.id for one in read_entries(store, RUN, ["jar_seal"], after_id=7)] == [11]
    assert [row.kind for row in reader.alarms(store, RUN)] == ["hold_complete"]
    export_run(store, RUN, tmp_path / "again")
    for name in ("run.json", "samples.csv", "entries.jsonl"):
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes(), name


def test_what_came_along_shapes_nothing_and_rings_nothing(store: Any, folder: Path) -> None:
    """The record is what those entries made of it: its marks are not counted twice."""
    import_run(store, folder)
    assert reader.load_run(store, RUN) == read_run(folder)
    assert reader.alarms(store) == []


def test_what_is_said_here_later_gets_a_number_of_its_own(store: Any, folder: Path, tmp_path: Path) -> None:
    import_run(store, folder)
    number = append_entry(store, "jar_recheck", {"jar": 1, "found": "lost_seal"}, run_id=RUN)
    assert number == 12
    assert [one.id for one in read_entries(store, RUN)] == [3, 7, 11, 12]
    with pytest.raises(UsageError, match="entry 7 came in with the record"):
        append_entry(store, "correction", {"withdrawn": True}, run_id=RUN, corrects=7)
    # An entry beside the record does not change its bytes.
    export_run(store, RUN, tmp_path / "again")
    assert (tmp_path / "again" / "run.json").read_bytes() == (folder / "run.json").read_bytes()
    assert (
        (tmp_path / "again" / "entries.jsonl")
        .read_bytes()
        .startswith((folder / "entries.jsonl").read_bytes())
    )


Damage = Callable[[list[dict[str, Any]]], Any]
DAMAGES: dict[str, tuple[Damage, str]] = {
    "a number twice": (lambda rows: rows[1].update(id=3), r"line 2.*does not follow number 3"),
    "of another run": (lambda rows: rows[2].update(run_id="x"), r"line 3.*of run 'x'"),
    "no time": (lambda rows: rows[0].update(at_utc="soon"), r"line 1"),
    "a key missing": (lambda rows: rows[0].pop("kind"), r"line 1.*'kind'"),
    "a body that is text": (lambda rows: rows[1].update(body="x"), r"line 2.*body is 'x'"),
    "a truth for a number": (lambda rows: rows[0].update(id=True), r"line 1.*id is True"),
}


@pytest.mark.parametrize("what", DAMAGES)
def test_damage_beside_a_record_is_refused_with_its_line(what: str, store: Any, folder: Path) -> None:
    damage, told = DAMAGES[what]
    rows = [dict(row) for row in ENTRIES]
    damage(rows)
    (folder / "entries.jsonl").write_text(lines(rows), "utf-8")
    with pytest.raises(RecordError, match=told):
        import_run(store, folder)
    assert store.execute("SELECT count(*) FROM imported_runs").fetchone() == (0,)


def test_the_same_record_with_other_entries_is_not_the_same(store: Any, folder: Path) -> None:
    import_run(store, folder)
    (folder / "entries.jsonl").write_text(lines(ENTRIES[:2]), "utf-8")
    with pytest.raises(UsageError, match="other contents"):
        import_run(store, folder)


def test_a_whole_export_carries_them_on(store: Any, folder: Path, tmp_path: Path) -> None:
    import_run(store, folder)
    export_all(store, tmp_path / "all")
    with closing(open_writer(tmp_path / "clean")) as clean:
        restore(clean, tmp_path / "all")
        assert read_entries(clean, RUN) == read_entries(store, RUN)
        export_all(clean, tmp_path / "again")
    for path in sorted((tmp_path / "all").rglob("*")):
        if path.is_file() and path.suffix != ".sqlite":
            assert (tmp_path / "again" / path.relative_to(tmp_path / "all")).read_bytes() == path.read_bytes()
