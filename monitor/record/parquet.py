"""Samples as Parquet, for people who work on many runs at once. Needs the ``parquet`` extra (pyarrow)."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from pathlib import Path
from typing import Any

from monitor.errors import ConfigError, RecordError, to_install
from monitor.record.model import Sample
from monitor.record.table import assemble, check_values, column_type
from monitor.record.write import sample_columns

PARQUET_FILE = "samples.parquet"


def _library() -> Any:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise ConfigError("Parquet needs the 'pyarrow' library.", to_install("pyarrow>=16")) from None
    return pyarrow


def write_parquet(samples: Sequence[Sample], path: Path) -> None:
    """The columns of ``samples.csv``, each in its own type. Raises ConfigError, OSError."""
    arrow = _library()
    types = {float: arrow.float64(), int: arrow.int64(), bool: arrow.bool_(), str: arrow.string()}
    arrays = {
        name: arrow.array(values, type=types[column_type(name) or str])
        for name, values in sample_columns(samples).items()
    }
    arrow.parquet.write_table(arrow.table(arrays), path)


def read_parquet(path: Path) -> tuple[Sample, ...]:
    """The inverse of :func:`write_parquet`; columns that are not known are passed over.

    Raises
    ------
    RecordError
        It is no Parquet, or a column has another type than ``samples.csv`` has there.
    ConfigError
        The library is not installed.
    """
    arrow = _library()
    try:
        table = arrow.parquet.read_table(path)
    except (arrow.ArrowException, OSError) as trouble:
        raise RecordError(f"{path}: cannot be read as Parquet ({str(trouble).splitlines()[0]}).") from None
    columns: dict[str, list[Any]] = {}
    for name in table.column_names:
        kind = column_type(name)
        if kind is not None:
            columns[name] = _values(path, name, table.column(name).to_pylist(), kind)
    for needed in ("t_s", "water_C"):
        if needed not in columns:
            raise RecordError(
                f"{path}: expected a column {needed}, found {', '.join(table.column_names)[:120]}."
            )
    check_values(path, columns, range(1, table.num_rows + 1))
    return assemble(columns, table.num_rows)


def _values(path: Path, name: str, values: list[Any], kind: type) -> list[Any]:
    for number, value in enumerate(values, start=1):
        fits = value is None or type(value) is kind or (kind is float and type(value) is int)
        if not fits or (isinstance(value, float) and not isfinite(value)):
            raise RecordError(
                f"{path}: row {number}, column {name}: expected {kind.__name__}, found {value!r}."
            )
    return [float(value) if kind is float and value is not None else value for value in values]
