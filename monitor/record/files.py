"""Text files of a record as people's programs write them: other separators, marks and line ends, blank lines."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.errors import RecordError

_LINE_END = re.compile(r"\r\n|\n|\r")
#: A first line that some spreadsheets write to say which separator follows.
_SEPARATOR_LINE = re.compile(r"sep=(.)")

#: JSON may name half of the pair that stands for one sign beyond the first 65536, as a text cut in two does.
_HALF = re.compile("[\ud800-\udfff]")


def shown(value: Any) -> str:
    """A value for an error line: short, on one line, whatever is in it."""
    text = "nothing" if value is None else json.dumps(value, ensure_ascii=True, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def half_in(form: Any, path: str = "") -> str | None:
    """Where in a document half of a surrogate pair stands, which no text can hold: its path; None where none does."""
    if isinstance(form, str):
        return (path or "the document") if _HALF.search(form) else None
    if isinstance(form, dict):
        parts = [(f"{path}.{key}" if path else str(key), key, value) for key, value in form.items()]
        found = (half_in(key, where) or half_in(value, where) for where, key, value in parts)
    elif isinstance(form, list):
        found = (half_in(value, f"{path}[{number}]") for number, value in enumerate(form))
    else:
        return None
    return next((where for where in found if where), None)


def without_halves(form: Any) -> Any:
    """A document with a replacement character for each half of a surrogate pair, for what was taken in before."""
    if isinstance(form, str):
        return _HALF.sub("\ufffd", form)
    if isinstance(form, dict):
        return {without_halves(key): without_halves(value) for key, value in form.items()}
    return [without_halves(value) for value in form] if isinstance(form, list) else form


def text_of(path: Path) -> str:
    """A file's text, without a byte order mark. Raises RecordError."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise RecordError(f"{path}: not there; a run folder needs run.json and samples.csv.") from None
    except UnicodeDecodeError as trouble:
        advice = "Save it as 'CSV UTF-8'." if path.suffix == ".csv" else ""
        raise RecordError(f"{path}: byte {trouble.start}: expected UTF-8 text.", advice) from None
    except OSError as trouble:
        raise RecordError(f"{path}: cannot be read ({trouble.strerror}).") from None


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table's text: the header's cells, the lines that say something, and where each stands in the file.

    ``numbers``: the row of each line as an editor counts, 1 is the first. ``separator``: ``,``, ``;`` or a tab;
    with other than ``,`` a decimal comma is a point.
    """

    path: Path
    names: list[str]
    lines: list[str]
    numbers: Sequence[int]
    separator: str

    def cells(self) -> tuple[list[list[str]], list[int]]:
        """Every line cut into cells, quoted ones too, and its row. Raises RecordError on uneven rows."""
        rows, numbers = _cut(self.path, self.lines, self.separator), list(self.numbers)
        if len(rows) != len(numbers):
            raise RecordError(f"{self.path}: expected one row a line, found a line end within quotes.")
        for row, number in zip(rows, numbers, strict=True):
            if len(row) != len(self.names):
                raise RecordError(
                    f"{self.path}: row {number}: expected {len(self.names)} columns ({','.join(self.names)}), found "
                    f"{len(row)}.",
                    "Write decimals with a point, or separate the columns by semicolons."
                    if len(row) > len(self.names)
                    else "",
                )
        return rows, numbers


def sheet_of(path: Path) -> Sheet:
    """Open a table. Raises RecordError when it has no header, or is no text."""
    text = text_of(path)
    if "\0" in text:
        raise RecordError(f"{path}: expected text, found a zero byte.")
    lines = text.splitlines() if text.isascii() and not _odd(text) else _LINE_END.split(text)
    first = 1 if lines and _SEPARATOR_LINE.fullmatch(lines[0]) else 0
    if len(lines) <= first or not lines[first].strip():
        raise RecordError(
            f"{path}: row {first + 1}: expected a header with at least t_s,water_C, found nothing."
        )
    separator = _separator(lines[first])
    names = [name.strip() for name in _cut(path, [lines[first]], separator)[0]]
    body = lines[first + 1 :]
    blank = {"", *(separator * count for count in range(1, len(names)))}
    if blank.isdisjoint(body):
        return _without_empty_columns(path, names, body, range(first + 2, first + 2 + len(body)), separator)
    kept = [(line, number) for number, line in enumerate(body, start=first + 2) if line.strip() not in blank]
    return _without_empty_columns(
        path, names, [line for line, _ in kept], [number for _, number in kept], separator
    )


def _odd(text: str) -> bool:
    """Whether the text holds a sign that Python takes for a line's end and a table does not."""
    return any(sign in text for sign in "\x0b\x0c\x1c\x1d\x1e")


def _separator(header: str) -> str:
    return max((",", ";", "\t"), key=header.count)


def _cut(path: Path, lines: Sequence[str], separator: str) -> list[list[str]]:
    if any('"' in line for line in lines):
        try:
            return list(csv.reader(lines, delimiter=separator, strict=True))
        except csv.Error as trouble:
            raise RecordError(f"{path}: expected comma-separated values ({trouble}).") from None
    return [line.split(separator) for line in lines]


def _without_empty_columns(
    path: Path, names: list[str], lines: list[str], numbers: Sequence[int], separator: str
) -> Sheet:
    """Spreadsheets leave empty columns at the right: cells without a name that hold nothing are no columns."""
    wide = len(names)
    while names and not names[-1]:
        names = names[:-1]
    surplus = wide - len(names)
    if surplus:
        end = separator * surplus
        lines = [line.rstrip()[:-surplus] if line.rstrip(" ").endswith(end) else line for line in lines]
    return Sheet(path, names, lines, numbers, separator)
