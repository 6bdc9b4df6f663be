"""Read a run record (a folder with ``run.json`` and ``samples.csv``) and say exactly what is wrong with one.

A damaged record gets one clear line that names the file, the row and column, and what was expected.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable, Mapping
from datetime import datetime
from functools import partial
from math import isfinite
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.errors import RecordError
from monitor.record.model import (
    MARK_KINDS,
    NOTHING,
    RUN_FORMAT,
    WATER_FAULTS,
    Batch,
    Calibration,
    Mark,
    Probe,
    Required,
    Run,
    Sample,
    Site,
)

_JAR = re.compile(r"^jar_(\d{1,3})_C$")
_LID = re.compile(r"^lid_(\d{1,3})$")


def read_run(folder: Path | str) -> Run:
    """Read a run record.

    Parameters
    ----------
    folder : Path or str
        The folder that holds ``run.json`` and ``samples.csv``.

    Returns
    -------
    Run
        Samples in the order of the file, duplicates and all.

    Raises
    ------
    RecordError
        Names the file, row and column, and what was expected.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RecordError(f"{folder}: no such run folder; expected one with run.json and samples.csv.")
    header = read_header(folder / "run.json")
    samples = read_samples(folder / "samples.csv")
    return _with_samples(header, samples)


def _with_samples(run: Run, samples: tuple[Sample, ...]) -> Run:
    from dataclasses import replace

    return replace(run, samples=samples)


# --- run.json ---------------------------------------------------------------------------------------------


class _Object:
    """A JSON object being read: takes keys with checks, keeps the rest, knows its own path."""

    def __init__(self, form: Any, path: str, file: str) -> None:
        if not isinstance(form, dict):
            raise RecordError(f"{file}: {path or 'the document'}: expected an object, found {_shown(form)}.")
        self._left = dict(form)
        self._path = path
        self._file = file

    def fail(self, key: str, expected: str, found: Any) -> RecordError:
        where = f"{self._path}.{key}" if self._path else key
        return RecordError(f"{self._file}: {where}: expected {expected}, found {_shown(found)}.")

    def take(self, key: str) -> Any:
        return self._left.pop(key, None)

    def text(self, key: str, *, required: bool = False) -> str | None:
        value = self.take(key)
        if value is None and not required:
            return None
        if not isinstance(value, str) or (required and not value.strip()):
            raise self.fail(key, "a text", value)
        return value

    def number(self, key: str, low: float, high: float, unit: str, *, required: bool = False) -> float | None:
        value = self.take(key)
        if value is None and not required:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            raise self.fail(key, f"a number [{unit}]", value)
        if not low <= value <= high:
            raise self.fail(key, f"a number from {low:g} to {high:g} {unit}", value)
        return float(value)

    def time(self, key: str, *, required: bool = False) -> datetime | None:
        value = self.take(key)
        if value is None and not required:
            return None
        try:
            moment = datetime.fromisoformat(value)
        except (TypeError, ValueError):
            raise self.fail(key, "a date and time such as 2026-08-14T09:12:00-06:00", value) from None
        if moment.tzinfo is None:
            raise self.fail(key, "a time with its UTC offset, such as 2026-08-14T09:12:00-06:00", value)
        return moment

    def rest(self) -> Mapping[str, Any]:
        return MappingProxyType(self._left) if self._left else NOTHING


def _shown(value: Any) -> str:
    text = "nothing" if value is None else json.dumps(value, ensure_ascii=True, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def read_header(path: Path) -> Run:
    """Read ``run.json`` alone: a run without its samples. Raises RecordError."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise RecordError(f"{path}: not there; a run folder needs run.json and samples.csv.") from None
    except UnicodeDecodeError as trouble:
        raise RecordError(f"{path}: byte {trouble.start}: expected UTF-8 text.") from None
    except OSError as trouble:
        raise RecordError(f"{path}: cannot be read ({trouble.strerror}).") from None
    try:
        form = json.loads(text, parse_constant=_refuse_constant)
    except ValueError as trouble:
        line = getattr(trouble, "lineno", None)
        where = f"line {line}, column {getattr(trouble, 'colno', '?')}: " if line else ""
        raise RecordError(f"{path}: {where}expected JSON ({getattr(trouble, 'msg', trouble)}).") from None
    except RecursionError:
        raise RecordError(f"{path}: expected a run record, found JSON nested too deeply.") from None
    return header_from_json(form, str(path))


def _refuse_constant(word: str) -> float:
    raise ValueError(f"a finite number, not {word}")


def header_from_json(form: Any, file: str = "run.json") -> Run:
    """A run without samples from the parsed ``run.json`` document; ``file`` names it in errors."""
    top = _Object(form, "", file)
    found = top.take("format")
    if found != RUN_FORMAT:
        raise top.fail("format", f'"{RUN_FORMAT}"', found)
    run_id = top.text("run_id", required=True)
    assert run_id is not None
    started_at = top.time("started_at", required=True)
    assert started_at is not None
    zone = top.text("zone")
    if zone is not None:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise top.fail("zone", "a zone name such as America/Denver", zone) from None
    ended_at = top.time("ended_at")
    marks_form = top.take("marks")
    return Run(
        run_id=run_id,
        started_at=started_at,
        required=_required(top),
        canner=top.text("canner"),
        zone=zone,
        site=_site(top),
        batch=_batch(top),
        probe=_probe(top),
        marks=_marks(marks_form, file),
        ended_at_s=None if ended_at is None else (ended_at - started_at).total_seconds(),
        extra=top.rest(),
    )


def _part(top: _Object, key: str) -> _Object | None:
    form = top.take(key)
    return None if form is None else _Object(form, key, top._file)


def _required(top: _Object) -> Required:
    part = _part(top, "required")
    if part is None:
        raise top.fail("required", 'an object such as {"minutes": 30, "source": "..."}', None)
    minutes = part.number("minutes", 0.1, 1440.0, "min", required=True)
    assert minutes is not None
    return Required(minutes=minutes, source=part.text("source"), extra=part.rest())


def _site(top: _Object) -> Site:
    part = _part(top, "site")
    if part is None:
        return Site()
    return Site(
        name=part.text("name"),
        altitude_m=part.number("altitude_m", -500.0, 6000.0, "m"),
        altitude_uncertainty_m=part.number("altitude_uncertainty_m", 0.0, 6000.0, "m"),
        pressure_source=part.text("pressure_source"),
        barometer_checked_at=part.time("barometer_checked_at"),
        station_pressure_kPa=part.number("station_pressure_kPa", 1.0, 200.0, "kPa"),
        extra=part.rest(),
    )


def _batch(top: _Object) -> Batch:
    part = _part(top, "batch")
    if part is None:
        return Batch()
    jars = part.number("jars", 0, 1000, "jars")
    if jars is not None and jars != int(jars):
        raise part.fail("jars", "a whole number of jars", jars)
    return Batch(
        food=part.text("food"),
        food_id=part.text("food_id"),
        pack=part.text("pack"),
        jar=part.text("jar"),
        jars=None if jars is None else int(jars),
        extra=part.rest(),
    )


def _probe(top: _Object) -> Probe:
    part = _part(top, "probe")
    if part is None:
        return Probe()
    return Probe(
        channel=part.text("channel") or "water",
        kind=part.text("kind"),
        converter=part.text("converter"),
        calibration=_calibration(part),
        extra=part.rest(),
    )


def _calibration(probe: _Object) -> Calibration | None:
    form = probe.take("calibration")
    if form is None:
        return None
    part = _Object(form, "probe.calibration", probe._file)
    offset = part.number("offset_K", -50.0, 50.0, "K", required=True)
    expanded = part.number("expanded_uncertainty_K", 0.0, 50.0, "K", required=True)
    assert offset is not None and expanded is not None
    factor = part.number("coverage_factor", 1.0, 5.0, "")
    return Calibration(
        offset_K=offset,
        expanded_uncertainty_K=expanded,
        coverage_factor=2.0 if factor is None else factor,
        ice_offset_K=part.number("ice_offset_K", -50.0, 50.0, "K"),
        boil_offset_K=part.number("boil_offset_K", -50.0, 50.0, "K"),
        at=part.time("at"),
        method=part.text("method"),
        extra=part.rest(),
    )


def _marks(form: Any, file: str) -> tuple[Mark, ...]:
    if form is None:
        return ()
    if not isinstance(form, list):
        raise RecordError(f"{file}: marks: expected a list, found {_shown(form)}.")
    marks = []
    for index, item in enumerate(form):
        part = _Object(item, f"marks[{index}]", file)
        t_s = part.number("t_s", -86400.0, 10 * 86400.0, "s", required=True)
        kind = part.text("kind", required=True)
        assert t_s is not None and kind is not None
        if kind not in MARK_KINDS:
            raise part.fail("kind", f"one of {', '.join(MARK_KINDS)}", kind)
        marks.append(Mark(t_s=t_s, kind=kind, by=part.text("by"), text=part.text("text"), extra=part.rest()))
    return tuple(marks)


# --- samples.csv ------------------------------------------------------------------------------------------


def _number(text: str) -> float:
    value = float(text)
    if not isfinite(value) or "_" in text:
        raise ValueError
    return value


def _whole(text: str) -> int:
    if "_" in text:
        raise ValueError
    value = int(text)
    if value < 0:
        raise ValueError
    return value


def _claim(text: str) -> bool:
    if text in ("1", "true", "True"):
        return True
    if text in ("0", "false", "False"):
        return False
    raise ValueError


def _fault(text: str) -> str:
    if text not in WATER_FAULTS:
        raise ValueError
    return text


_NUMBER = "a number"
_COLUMNS: dict[str, tuple[Callable[[str], Any], str]] = {
    "t_s": (_number, "seconds since started_at"),
    "water_C": (_number, "a temperature in °C, or blank"),
    "water_fault": (_fault, f"blank or one of {', '.join(WATER_FAULTS)}"),
    "room_C": (_number, "a temperature in °C, or blank"),
    "pressure_kPa": (_number, "a pressure in kPa, or blank"),
    "heater_W": (_number, "a power in W, or blank"),
    "mains": (_claim, "true, false, 1, 0 or blank"),
    "chip_C": (_number, "a temperature in °C, or blank"),
    "water_2_C": (_number, "a temperature in °C, or blank"),
    "boot": (_whole, "a whole number, or blank"),
    "seq": (_whole, "a whole number, or blank"),
    "uptime_s": (_number, "seconds, or blank"),
    "arrival_s": (_number, "seconds, or blank"),
    "late": (_claim, "true, false, 1, 0 or blank"),
}


def _column_form(name: str) -> tuple[Callable[[str], Any], str] | None:
    if _JAR.match(name):
        return _number, "a temperature in °C, or blank"
    if _LID.match(name):
        return _claim, "true, false, 1, 0 or blank"
    return _COLUMNS.get(name)


def read_samples(path: Path) -> tuple[Sample, ...]:
    """Read ``samples.csv``, column by column.

    Returns the rows in the order of the file. Columns that this version does not know are passed over.
    Raises RecordError with the row (1 is the header), the column and what was expected.
    """
    lines = _lines(path)
    names = _fields(path, lines[:1])[0]
    _check_header(path, names)
    body = [line for line in lines[1:] if line]
    forms = {name: form for name in names if (form := _column_form(name)) is not None}
    columns = _quick_columns(body, names, forms)
    if columns is None:
        cells = dict(zip(names, _careful_cells(path, body, names), strict=True))
        columns = {name: _column(path, name, cells[name], *form) for name, form in forms.items()}
    _check_required(path, columns)
    return _assemble(columns, len(columns["t_s"]))


#: Rows converted at once: few enough to stay in the processor's cache.
_BLOCK = 2000

_Forms = Mapping[str, tuple[Callable[[str], Any], str]]


def _quick_columns(body: list[str], names: list[str], forms: _Forms) -> dict[str, list[Any]] | None:
    """All columns, by whole blocks; None on any doubt, and then the careful way decides what is wrong."""
    width = len(names)
    columns: dict[str, list[Any]] = {name: [] for name in forms}
    places = [(names.index(name), form[0], columns[name]) for name, form in forms.items()]
    for start in range(0, len(body), _BLOCK):
        block = body[start : start + _BLOCK]
        text = ",".join(block)
        flat = text.split(",")
        if (
            '"' in text
            or len(flat) != width * len(block)
            or {line.count(",") for line in block} != {width - 1}
        ):
            return None
        for place, parse, column in places:
            try:
                values = _quick_column(flat[place::width], parse)
            except ValueError:
                return None
            if values is None:
                return None
            column.extend(values)
    return columns


def _careful_cells(path: Path, body: list[str], names: list[str]) -> list[list[str]]:
    rows = _fields(path, body)
    for number, row in enumerate(rows, start=2):
        if len(row) != len(names):
            raise RecordError(
                f"{path}: row {number}: expected {len(names)} columns ({','.join(names)}), found {len(row)}."
            )
    return [list(column) for column in zip(*rows, strict=True)] if rows else [[] for _ in names]


def _lines(path: Path) -> list[str]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise RecordError(f"{path}: not there; a run folder needs run.json and samples.csv.") from None
    except UnicodeDecodeError as trouble:
        raise RecordError(f"{path}: byte {trouble.start}: expected UTF-8 text.") from None
    except OSError as trouble:
        raise RecordError(f"{path}: cannot be read ({trouble.strerror}).") from None
    lines = text.splitlines()
    if not lines or not lines[0].strip():
        raise RecordError(f"{path}: row 1: expected a header with at least t_s,water_C, found nothing.")
    if "\0" in text:
        raise RecordError(f"{path}: expected text, found a zero byte.")
    return lines


def _fields(path: Path, lines: list[str]) -> list[list[str]]:
    """Rows cut into fields, quoted ones too."""
    if any('"' in line for line in lines):
        try:
            return [row for row in csv.reader(lines, strict=True) if row]
        except csv.Error as trouble:
            raise RecordError(f"{path}: expected comma-separated values ({trouble}).") from None
    return [line.split(",") for line in lines if line]


def _check_header(path: Path, names: list[str]) -> None:
    names[:] = [name.strip() for name in names]
    for needed in ("t_s", "water_C"):
        if needed not in names:
            raise RecordError(f"{path}: row 1: expected a column {needed}, found {','.join(names)[:120]!r}.")
    for name in names:
        if names.count(name) > 1:
            raise RecordError(f"{path}: row 1: expected each column once, found {name} twice.")


def _column(path: Path, name: str, cells: list[str], parse: Callable[[str], Any], expected: str) -> list[Any]:
    try:
        return [parse(cell.strip()) if cell.strip() else None for cell in cells]
    except ValueError:
        pass
    for number, cell in enumerate(cells, start=2):
        try:
            if cell.strip():
                parse(cell.strip())
        except ValueError:
            raise RecordError(
                f"{path}: row {number}, column {name}: expected {expected}, found {_shown(cell)}."
            ) from None
    return [parse(cell.strip()) if cell.strip() else None for cell in cells]


def _quick_column(cells: list[str], parse: Callable[[str], Any]) -> list[Any] | None:
    """One block of a column; None, or ValueError, on any doubt."""
    values: list[Any]
    if not any(cells):
        return [None] * len(cells)
    if parse is not _number and parse is not _whole:
        known = {cell: parse(cell.strip()) if cell.strip() else None for cell in set(cells)}
        return [known[cell] for cell in cells]
    if "_" in "".join(cells):
        return None
    if parse is _whole:
        values = list(map(int, cells)) if all(cells) else [int(cell) if cell else None for cell in cells]
        return values if min(value for value in values if value is not None) >= 0 else None
    if all(cells):
        values = list(map(float, cells))
        return values if isfinite(sum(values)) else None
    values = [float(cell) if cell else None for cell in cells]
    return values if isfinite(sum(value for value in values if value is not None)) else None


#: Wider than any node can measure and any record can last; beyond it a number is a mistake.
_RANGES = {
    "t_s": (-86400.0, 40 * 86400.0, "s"),
    "water_C": (-100.0, 1000.0, "°C"),
    "water_2_C": (-100.0, 1000.0, "°C"),
    "room_C": (-100.0, 200.0, "°C"),
    "chip_C": (-100.0, 300.0, "°C"),
    "pressure_kPa": (0.0, 1000.0, "kPa"),
    "heater_W": (-1.0, 100_000.0, "W"),
}


def _check_required(path: Path, columns: dict[str, list[Any]]) -> None:
    if None in columns["t_s"]:
        number = columns["t_s"].index(None) + 2
        raise RecordError(f"{path}: row {number}, column t_s: expected seconds, found nothing.")
    for name, (low, high, unit) in _RANGES.items():
        values = columns.get(name)
        if values is None:
            continue
        present = values if None not in values else [value for value in values if value is not None]
        if not present or (low <= min(present) and max(present) <= high):
            continue
        for number, value in enumerate(values, start=2):
            if value is not None and not low <= value <= high:
                raise RecordError(
                    f"{path}: row {number}, column {name}: expected {low:g} to {high:g} {unit}, "
                    f"found {value:g}."
                )


_sample: Callable[[tuple[Any, ...]], Sample] = partial(tuple.__new__, Sample)


def _assemble(columns: dict[str, list[Any]], count: int) -> tuple[Sample, ...]:
    blank: list[Any] = [None] * count

    def column(name: str) -> list[Any]:
        return columns.get(name, blank)

    late = [bool(value) for value in columns["late"]] if "late" in columns else [False] * count
    jars = _mapped(columns, _JAR, count)
    lids = _mapped(columns, _LID, count)
    # A named tuple's own constructor costs more than all the rest of a row.
    return tuple(
        map(
            _sample,
            zip(
                column("t_s"),
                column("water_C"),
                column("water_fault"),
                column("room_C"),
                column("pressure_kPa"),
                column("heater_W"),
                column("mains"),
                column("chip_C"),
                column("water_2_C"),
                column("boot"),
                column("seq"),
                column("uptime_s"),
                column("arrival_s"),
                late,
                jars,
                lids,
                strict=True,
            ),
        )
    )


def _mapped(columns: dict[str, list[Any]], pattern: re.Pattern[str], count: int) -> list[Mapping[int, Any]]:
    """The numbered channels of each row as one mapping from number to value, blanks left out."""
    numbered = [(int(match[1]), name) for name in columns if (match := pattern.match(name))]
    if not numbered:
        return [NOTHING] * count
    numbered.sort()
    if len(numbered) == 1:
        number, name = numbered[0]
        return [NOTHING if value is None else {number: value} for value in columns[name]]
    keys = [number for number, _ in numbered]
    rows = zip(*(columns[name] for _, name in numbered), strict=True)
    return [
        {key: value for key, value in zip(keys, row, strict=True) if value is not None} or NOTHING
        for row in rows
    ]
