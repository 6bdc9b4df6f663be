"""The store's tables as open files, written and read: one JSON object a line, and one CSV a node for its samples.

Nothing is lost on the way: numbers are written so that the same number comes back, so that a store that was put
together again from its files has the same seals.
"""

from __future__ import annotations

import base64
import csv
import json
import sqlite3
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from monitor.errors import RecordError
from monitor.store.entries import Entry
from monitor.store.samples import COLUMNS, SELECT, Row, row_sample
from monitor.store.stamp import epoch_text

#: Each table that is written as lines, with its columns. Samples go by node; ``live`` is worked out anew.
TABLES = {
    "meta": ("key", "value"),
    "clocks": ("clock_id", "machine_boot", "from_mono_s", "rate", "offset_s", "set_utc", "why"),
    "nodes": ("node_id", "name", "first_seen_utc", "source", "samples"),
    "entries": (
        *("id", "run_id", "kind", "body", "at_utc", "happened_utc", "by", "corrects", "reason", "mono_s"),
        "machine_boot",
    ),
    "events": ("event_id", "run_id", "at_utc", "kind", "body"),
    "alarms": ("id", "alarm_id", "run_id", "at_utc", "kind", "state", "body"),
    "verdicts": ("verdict_id", "run_id", "at_utc", "verdict"),
    "judged_with": ("verdict_id", "node", "low_s", "high_s", "offset_K"),
    "journal": ("id", "at_utc", "kind", "text", "body"),
    "conflicts": ("conflict_id", "node", "boot", "seq", "at_utc", "at_s", "stored", "came"),
    "lost": ("node", "boot", "from_seq", "count", "why", "at_utc"),
    "receipts": ("node", "boot", "upto"),
    "refusals": ("refusal_id", "at_utc", "source", "node_hint", "why", "size", "payload"),
    "refusal_counts": ("source", "count", "last_utc"),
    "seals": (
        *("seal_id", "run_id", "sealed_utc", "digest", "previous", "chain", "statement", "signature"),
        "signed_by",
    ),
    "imported_runs": ("run_id", "sha256", "at_utc"),
    "imported_files": ("run_id", "name", "sha256", "upto", "at_utc"),
}

#: Tables that an export of an older form does not have.
LATER = frozenset({"judged_with", "imported_files"})

#: Columns that hold JSON as text: written as what they say.
_JSON = frozenset({"body", "verdict"})
_AFTER = ("pressure_kPa", "heater_W")
_LAST = ("chip_C", "water_2_C", "mains")


def line_of(form: Mapping[str, Any]) -> str:
    """Compact JSON, as the store itself writes it."""
    return json.dumps(form, ensure_ascii=False, separators=(",", ":"))


def entry_form(entry: Entry) -> dict[str, Any]:
    """An entry as its line says it."""
    return {name: getattr(entry, name) for name in entry.__dataclass_fields__}


def table_lines(conn: sqlite3.Connection, table: str) -> Iterator[str]:
    """A table's rows in its own order."""
    names = TABLES[table]
    order = (
        "rowid"
        if table in ("imported_runs", "imported_files")
        else "1, 2, 3"
        if table in ("lost", "receipts", "judged_with")
        else "1"
    )
    for row in conn.execute(f"SELECT {', '.join(names)} FROM {table} ORDER BY {order}"):
        yield line_of({name: _out(name, value) for name, value in zip(names, row, strict=True)})


def _out(name: str, value: Any) -> Any:
    if name in _JSON:
        return json.loads(value)
    return base64.b64encode(value).decode("ascii") if isinstance(value, bytes) else value


def table_rows(path: Path, table: str) -> Iterator[tuple[Any, ...]]:
    """The rows that :func:`table_lines` wrote, ready for the table. Raises RecordError with file and line."""
    names = TABLES[table]
    if table in LATER and not path.exists():
        return
    # Not splitlines: a note may hold one of the other signs that end a line.
    for number, line in enumerate(_text(path).split("\n"), start=1):
        if not line:
            continue
        try:
            form = json.loads(line)
            yield tuple(_in(name, form[name]) for name in names)
        except (ValueError, KeyError, TypeError) as trouble:
            raise RecordError(
                f"{path}: line {number}: expected a JSON object with {', '.join(names)} ({trouble})."
            ) from None


def _in(name: str, value: Any) -> Any:
    if name in _JSON:
        return line_of(value)
    return base64.b64decode(value) if name == "payload" else value


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except OSError as trouble:
        raise RecordError(f"{path}: cannot be read ({trouble.strerror}).") from None
    except UnicodeDecodeError as trouble:
        raise RecordError(f"{path}: byte {trouble.start}: expected UTF-8 text.") from None


# --- samples ----------------------------------------------------------------------------------------------


def write_node(conn: sqlite3.Connection, node_id: int, folder: Path) -> None:
    """``samples.csv`` of a node. ``t_s`` counts from its first sample; ``at_s`` and ``arrived_s`` since 1970."""
    folder.mkdir(parents=True, exist_ok=True)
    jars, lids = _numbered(conn, node_id)
    header = ["t_s", "water_C", "water_fault", "room_C", *(f"jar_{n}_C" for n in jars), *_AFTER]
    header += [*(f"lid_{n}" for n in lids), "boot", "seq", *_LAST, "uptime_s", "arrival_s", "late"]
    header += ["taken_utc", "at_s", "arrived_s"]
    first = conn.execute("SELECT min(at_s) FROM samples WHERE node = ?", (node_id,)).fetchone()[0] or 0.0
    with (folder / "samples.csv").open("w", encoding="utf-8", newline="\n") as file:
        file.write(",".join(header) + "\n")
        for row in conn.execute(f"{SELECT} WHERE node = ? ORDER BY at_s, boot, seq", (node_id,)):
            file.write(_line(row, first, jars, lids) + "\n")


def _line(row: Row, first_s: float, jars: list[int], lids: list[int]) -> str:
    said = dict(zip(COLUMNS, row, strict=True))
    numbered = row_sample(row, first_s)
    packed = json.loads(said["jars"]) if said["jars"] else {}
    cells: list[Any] = [f"{numbered.t_s:.3f}", said["water_C"], said["water_fault"], said["room_C"]]
    cells += [packed.get(str(number)) for number in jars]
    cells += [said[name] for name in _AFTER]
    cells += [numbered.lids.get(number) for number in lids]
    cells += [said["boot"], said["seq"], said["chip_C"], said["water_2_C"], numbered.mains]
    cells += [said["uptime_s"], f"{said['arrival_s'] - first_s:.3f}", numbered.late or None]
    cells += [epoch_text(said["at_s"]), said["at_s"], said["arrival_s"]]
    return ",".join(_cell(cell) for cell in cells)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return repr(value) if isinstance(value, float) else str(value)


def _numbered(conn: sqlite3.Connection, node_id: int) -> tuple[list[int], list[int]]:
    found = []
    for column in ("jars", "lids"):
        rows = conn.execute(
            f"SELECT DISTINCT key FROM samples, json_each(samples.{column})"
            f" WHERE node = ? AND {column} IS NOT NULL",
            (node_id,),
        )
        found.append(sorted(int(key) for (key,) in rows))
    return found[0], found[1]


def node_rows(path: Path, node_id: int) -> Iterator[Row]:
    """The rows that :func:`write_node` wrote, ready for the table. Raises RecordError with file and row."""
    for number, cells in enumerate(csv.DictReader(_text(path).splitlines()), start=2):
        try:
            yield _row(cells, node_id)
        except (ValueError, KeyError, TypeError) as trouble:
            raise RecordError(
                f"{path}: row {number}: expected a sample as an export writes it ({trouble})."
            ) from None


def _row(cells: Mapping[str, str], node_id: int) -> Row:
    def number(name: str) -> float | None:
        return float(cells[name]) if cells[name] else None

    jars = {name[4:-2]: json.loads(text) for name, text in cells.items() if name.startswith("jar_") and text}
    lids = {name[4:]: text == "true" for name, text in cells.items() if name.startswith("lid_") and text}
    return (
        *(node_id, int(cells["boot"]), int(cells["seq"]), float(cells["at_s"]), float(cells["arrived_s"])),
        *(number("uptime_s"), int(cells["late"] == "true"), number("water_C"), cells["water_fault"] or None),
        *(number("room_C"), number("pressure_kPa"), number("heater_W")),
        {"true": 1, "false": 0, "": None}[cells["mains"]],
        *(number("chip_C"), number("water_2_C")),
        *(json.dumps(packed, separators=(",", ":")) if packed else None for packed in (jars, lids)),
    )
