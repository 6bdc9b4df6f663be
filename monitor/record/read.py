"""Read a run record: a folder with ``run.json`` and ``samples.csv``.

A damaged record gets one clear line that names the file, the row and column, and what was expected.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from monitor.errors import RecordError
from monitor.record.header import header_from_json, read_header
from monitor.record.model import Run
from monitor.record.parquet import PARQUET_FILE, read_parquet
from monitor.record.table import read_samples

__all__ = ["header_from_json", "read_header", "read_run", "read_samples"]


def read_run(folder: Path | str) -> Run:
    """Read a run record.

    Parameters
    ----------
    folder : Path or str
        The folder that holds ``run.json`` and ``samples.csv``, or ``samples.parquet`` where there is no table.

    Returns
    -------
    Run
        Samples in the order of the file, duplicates and all.

    Raises
    ------
    RecordError
        Names the file, row and column, and what was expected.
    ConfigError
        The samples are Parquet, and the library that reads it is not installed.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RecordError(f"{folder}: no such run folder; expected one with run.json and samples.csv.")
    header = read_header(folder / "run.json")
    table, packed = folder / "samples.csv", folder / PARQUET_FILE
    samples = read_parquet(packed) if packed.exists() and not table.exists() else read_samples(table)
    ended_s = header.ended_at_s
    if ended_s is not None and ended_s < 0.0 and any(sample.t_s > ended_s for sample in samples):
        raise RecordError(
            f"{folder / 'run.json'}: ended_at: expected a time after started_at, found one {-ended_s:,.0f} s before it."
        )
    return replace(header, samples=samples)
