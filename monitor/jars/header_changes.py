"""What was changed in the record of a run after its jars were in: a departure, with old and new value. Pure.

What a process hangs on is fixed when the jars go in (21 CFR 113.83 as a pattern, where the critical factors belong
to the scheduled process). A record that says otherwise afterwards may be right; a person has to say why.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.jars.mark_changes import MarkChange, marks_changed
from monitor.jars.rows import Row, all_rows
from monitor.record.changes import laid_over

#: Path in the header, and what it is called. Litres of water, remarks and names are not among them.
FIXED: dict[tuple[str, ...], str] = {
    ("batch", "food"): "the food",
    ("batch", "food_id"): "the food in the table of times",
    ("batch", "pack"): "the pack",
    ("batch", "jar"): "the jars' size",
    ("batch", "jar_mL"): "the jars' volume [mL]",
    ("batch", "headspace_mm"): "the headspace [mm]",
    ("batch", "acid"): "the acid",
    ("required", "minutes"): "the time asked for [min]",
    ("required", "source"): "the source of the time",
    ("site", "altitude_m"): "the altitude [m]",
    ("site", "altitude_uncertainty_m"): "how sure the altitude is [m]",
    ("site", "pressure_source"): "where the pressure comes from",
    ("site", "station_pressure_kPa"): "the pressure [kPa]",
    ("site", "station_pressure_kind"): "what kind of pressure was read",
    ("site", "station_pressure_at"): "when the pressure was read",
    ("probe", "kind"): "the probe's kind",
    ("probe", "converter"): "the probe's converter",
    ("probe", "calibration", "offset_K"): "the probe's correction [K]",
    ("probe", "calibration", "expanded_uncertainty_K"): "how sure the probe's correction is [K]",
}


@dataclass(frozen=True, slots=True)
class HeaderChange:
    """One entry that changed something fixed. ``at``: when it was entered, aware.

    ``before`` and ``after`` are the whole headers; ``before`` is None where what stood there came with a record from
    elsewhere, without the entry that said it. ``mark``: it changed a mark, and no header.
    """

    entry_id: int
    at: datetime
    by: str | None
    what: str
    reason: str | None = None
    before: Mapping[str, Any] | None = None
    after: Mapping[str, Any] | None = None
    mark: MarkChange | None = None


def changed_after(entries: Iterable[Any], run_id: str, jars_in: datetime | None) -> list[HeaderChange]:
    """Changes of a run's header, and of the marks that decide, that were entered after ``jars_in``, in order.

    ``entries`` as the store has them, the corrected ones too: a correction changes a header as well. Where no jars are
    in, the marks alone.
    """
    every = list(entries)
    marks = [
        HeaderChange(
            change.entry_id,
            change.at,
            change.by,
            f"the verdict rests on a correction: {change.what}",
            change.reason,
            mark=change,
        )
        for change in marks_changed(every, run_id, jars_in)
    ]
    found = [] if jars_in is None else _headers_changed(every, run_id, jars_in)
    return sorted([*found, *marks], key=lambda change: change.entry_id)


def _headers_changed(entries: Iterable[Any], run_id: str, jars_in: datetime) -> list[HeaderChange]:
    rows = [row for row in all_rows(entries) if row.kind in ("run_started", "header_changed", "correction")]
    found: list[HeaderChange] = []
    before: dict[str, Any] = {}
    began = False
    for number, row in enumerate(rows, 1):
        after = _header(rows[:number], run_id)
        told: list[str] = []
        if row.entered > jars_in:
            if began:
                told = differences(before, after)
            elif row.kind == "header_changed":
                told = [f"{name} to {_said(_at(row.body, path))}" for path, name in _fixed_in(row.body)]
        began = began or (row.kind == "run_started" and row.body.get("run_id") in (None, run_id))
        if told:
            what = f"changed after the jars were in: {'; '.join(told)}"
            known = (before, after) if began else (None, None)
            found.append(HeaderChange(row.id, row.entered, row.by, what, row.reason, *known))
        before = after
    return found


def differences(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """What differs of that on which a process hangs: name, old and new value."""
    values = ((name, _at(before, path), _at(after, path)) for path, name in FIXED.items())
    return [f"{name} from {_said(old)} to {_said(new)}" for name, old, new in values if old != new]


def _fixed_in(body: Mapping[str, Any]) -> list[tuple[tuple[str, ...], str]]:
    """What a change says of it, where nothing tells what stood there before."""
    return [(path, name) for path, name in FIXED.items() if _at(body, path) is not None]


def _header(rows: Sequence[Row], run_id: str) -> dict[str, Any]:
    """The header as these entries leave it."""
    standing: dict[int, Row] = {}
    bodies: dict[int, Mapping[str, Any]] = {}
    for row in rows:
        body = row.body
        if row.corrects is not None:
            old = standing.pop(row.corrects, None)
            if row.kind == "correction":
                if old is None or body.get("withdrawn"):
                    continue
                row, body = old, {**bodies[old.id], **body}
        standing[row.id], bodies[row.id] = row, body
    header: dict[str, Any] = {}
    for number, row in standing.items():
        if row.kind == "header_changed":
            header = laid_over(header, bodies[number])
        elif bodies[number].get("run_id") in (None, run_id):
            header = {**header, **bodies[number]}
    return header


def _at(header: Any, path: Sequence[str]) -> Any:
    for key in path:
        header = header.get(key) if isinstance(header, Mapping) else None
    return header


def _said(value: Any) -> str:
    return "nothing" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
