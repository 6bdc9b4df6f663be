"""Write a run record, byte for byte the same for the same run on any machine."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path
from typing import Any

from monitor.record.model import RUN_FORMAT, Calibration, Mark, Run, Sample

#: Column, and the attribute of Sample it comes from; numbered channels follow room_C and the end.
_BEFORE_JARS = ("t_s", "water_C", "water_fault", "room_C")
_AFTER_JARS = ("pressure_kPa", "heater_W")
_AFTER_LIDS = ("boot", "seq")
_OPTIONAL = ("chip_C", "water_2_C", "mains", "uptime_s", "arrival_s", "late")


def write_run(run: Run, folder: Path | str) -> Path:
    """Write ``run.json`` and ``samples.csv`` into ``folder`` (made if needed). Returns the folder.

    Raises OSError where the disk refuses.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "run.json").write_text(header_text(run), encoding="utf-8", newline="\n")
    (folder / "samples.csv").write_text(samples_text(run.samples), encoding="utf-8", newline="\n")
    return folder


def header_text(run: Run) -> str:
    """The text of ``run.json``."""
    return json.dumps(header_to_json(run), indent=2, ensure_ascii=False) + "\n"


def header_to_json(run: Run) -> dict[str, Any]:
    """The document of ``run.json``, unknown keys included."""
    form: dict[str, Any] = {
        "format": RUN_FORMAT,
        "run_id": run.run_id,
        "canner": run.canner,
        "started_at": run.started_at.isoformat(),
    }
    if run.ended_at_s is not None:
        form["ended_at"] = (run.started_at + timedelta(seconds=run.ended_at_s)).isoformat()
    site, batch, probe = run.site, run.batch, run.probe
    form |= {
        "zone": run.zone,
        "site": {
            "name": site.name,
            "altitude_m": site.altitude_m,
            "altitude_uncertainty_m": site.altitude_uncertainty_m,
            "pressure_source": site.pressure_source,
            "barometer_checked_at": _moment(site.barometer_checked_at),
            "station_pressure_kPa": site.station_pressure_kPa,
            **site.extra,
        },
        "batch": {
            "food": batch.food,
            "food_id": batch.food_id,
            "pack": batch.pack,
            "jar": batch.jar,
            "jars": batch.jars,
            **batch.extra,
        },
        "required": {
            "minutes": _plain(run.required.minutes),
            "source": run.required.source,
            **run.required.extra,
        },
        "probe": {
            "channel": probe.channel,
            "kind": probe.kind,
            "converter": probe.converter,
            "calibration": _calibration(probe.calibration),
            **probe.extra,
        },
        "marks": [_mark(mark) for mark in run.marks],
        **run.extra,
    }
    return form


def _moment(moment: Any) -> str | None:
    return None if moment is None else str(moment.isoformat())


def _plain(number: float) -> float | int:
    """30 rather than 30.0, as a person would write it."""
    return int(number) if number == int(number) else number


def _calibration(calibration: Calibration | None) -> dict[str, Any] | None:
    if calibration is None:
        return None
    return {
        "offset_K": calibration.offset_K,
        "expanded_uncertainty_K": calibration.expanded_uncertainty_K,
        "coverage_factor": None
        if calibration.coverage_factor is None
        else _plain(calibration.coverage_factor),
        "ice_offset_K": calibration.ice_offset_K,
        "boil_offset_K": calibration.boil_offset_K,
        "at": _moment(calibration.at),
        "method": calibration.method,
        **calibration.extra,
    }


def _mark(mark: Mark) -> dict[str, Any]:
    form: dict[str, Any] = {"t_s": mark.t_s, "kind": mark.kind}
    if mark.by is not None:
        form["by"] = mark.by
    if mark.text is not None:
        form["text"] = mark.text
    return form | dict(mark.extra)


def samples_text(samples: Iterable[Sample]) -> str:
    """The text of ``samples.csv``: the contract's columns, then those that any sample uses."""
    columns = sample_columns(samples)
    cells = [
        [f"{value:.3f}" for value in values] if name == "t_s" else [_cell(value) for value in values]
        for name, values in columns.items()
    ]
    lines = [",".join(columns), *map(",".join, zip(*cells, strict=True))]
    return "\n".join(lines) + "\n"


def sample_columns(samples: Iterable[Sample]) -> dict[str, list[Any]]:
    """The columns of ``samples.csv`` in their order, None for blank."""
    rows = list(samples)
    jars = sorted({number for row in rows for number in row.jars})
    lids = sorted({number for row in rows for number in row.lids})
    optional = [name for name in _OPTIONAL if any(_is_news(row, name) for row in rows)]
    columns = {name: [getattr(row, name) for row in rows] for name in _BEFORE_JARS}
    columns |= {f"jar_{number}_C": [row.jars.get(number) for row in rows] for number in jars}
    columns |= {name: [getattr(row, name) for row in rows] for name in _AFTER_JARS}
    columns |= {f"lid_{number}": [row.lids.get(number) for row in rows] for number in lids}
    columns |= {name: [getattr(row, name) for row in rows] for name in _AFTER_LIDS}
    return columns | {
        name: [getattr(row, name) if _is_news(row, name) else None for row in rows] for name in optional
    }


def _is_news(row: Sample, name: str) -> bool:
    """Whether a row has something to say in an optional column; not being late is no news."""
    value = getattr(row, name)
    return value is not None and not (name == "late" and value is False)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        # Nine significant digits hold any thermometer; repr would print 99.30000000000001.
        return f"{value:.9g}"
    return str(value)
