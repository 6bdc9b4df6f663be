"""Read ``samples.csv``, column by column, and say exactly which row and column is wrong with one."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from math import isfinite
from pathlib import Path
from typing import Any

from monitor.errors import RecordError
from monitor.record.files import Sheet, sheet_of, shown
from monitor.record.model import NOTHING, WATER_FAULTS, Sample

_JAR = re.compile(r"^jar_(\d{1,3})_C$")
_LID = re.compile(r"^lid_(\d{1,3})$")
_WHOLE = re.compile(r"^\+?[0-9]+(\.0*)?$")


def _number(text: str) -> float:
    value = float(text)
    if not isfinite(value) or "_" in text:
        raise ValueError
    return value


def _whole(text: str) -> int:
    # Spreadsheets write 500.0 for a number in a column with blanks.
    if not _WHOLE.match(text):
        raise ValueError
    return int(text.partition(".")[0])


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
    "boot": (_whole, "a whole number from 0 on, or blank"),
    "seq": (_whole, "a whole number from 0 on, or blank"),
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


def column_type(name: str) -> type | None:
    """What a column holds; None for one that this version does not know."""
    form = _column_form(name)
    types: dict[Callable[[str], Any], type] = {_number: float, _whole: int, _claim: bool, _fault: str}
    return None if form is None else types[form[0]]


def read_samples(path: Path) -> tuple[Sample, ...]:
    """Read ``samples.csv``, column by column.

    Returns the rows in the order of the file. Columns that this version does not know are passed over. Semicolons
    or tabs may stand for commas, and decimals then have a comma or a point. Raises RecordError with the row as an
    editor counts (1 is the header), the column and what was expected.
    """
    sheet = sheet_of(path)
    _check_header(path, sheet.names)
    forms = {name: form for name in sheet.names if (form := _column_form(name)) is not None}
    columns = _quick_columns(sheet.lines, sheet.names, forms) if sheet.separator == "," else None
    if columns is None:
        columns = _careful_columns(sheet, forms)
    check_values(path, columns, sheet.numbers)
    return assemble(columns, len(columns["t_s"]))


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


def _careful_columns(sheet: Sheet, forms: _Forms) -> dict[str, list[Any]]:
    rows, numbers = sheet.cells()
    columns = {}
    for name, (parse, expected) in forms.items():
        place = sheet.names.index(name)
        cells = [row[place].strip() for row in rows]
        if sheet.separator != "," and parse is _number:
            cells = [cell.replace(",", ".") for cell in cells]
        columns[name] = _column(f"{sheet.path}", name, cells, numbers, parse, expected)
    return columns


def _check_header(path: Path, names: list[str]) -> None:
    for needed in ("t_s", "water_C"):
        if needed not in names:
            raise RecordError(f"{path}: row 1: expected a column {needed}, found {','.join(names)[:120]!r}.")
    for name in names:
        if names.count(name) > 1:
            raise RecordError(f"{path}: row 1: expected each column once, found {name} twice.")


def _column(
    file: str,
    name: str,
    cells: Sequence[str],
    numbers: Sequence[int],
    parse: Callable[[str], Any],
    expected: str,
) -> list[Any]:
    values = []
    for cell, number in zip(cells, numbers, strict=True):
        try:
            values.append(parse(cell) if cell else None)
        except ValueError:
            raise RecordError(
                f"{file}: row {number}, column {name}: expected {expected}, found {shown(cell)}."
            ) from None
    return values


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


def check_values(path: Path, columns: Mapping[str, list[Any]], numbers: Sequence[int]) -> None:
    """Every row has its time, and no value is beyond what can be. Raises RecordError with the row."""
    if None in columns["t_s"]:
        number = numbers[columns["t_s"].index(None)]
        raise RecordError(f"{path}: row {number}, column t_s: expected seconds, found nothing.")
    for name, (low, high, unit) in _RANGES.items():
        values = columns.get(name)
        if values is None:
            continue
        present = values if None not in values else [value for value in values if value is not None]
        if not present or (low <= min(present) and max(present) <= high):
            continue
        for number, value in zip(numbers, values, strict=True):
            if value is not None and not low <= value <= high:
                raise RecordError(
                    f"{path}: row {number}, column {name}: expected {low:g} to {high:g} {unit}, "
                    f"found {value:g}."
                )


_sample: Callable[[tuple[Any, ...]], Sample] = partial(tuple.__new__, Sample)


def assemble(columns: Mapping[str, list[Any]], count: int) -> tuple[Sample, ...]:
    """Samples from whole columns of ``count`` values; a column that is not there is blank."""
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


def _mapped(
    columns: Mapping[str, list[Any]], pattern: re.Pattern[str], count: int
) -> list[Mapping[int, Any]]:
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
