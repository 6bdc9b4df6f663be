"""Read ``run.json`` and say exactly what is wrong with one: the key by its path, what was expected, what was found."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from math import isfinite
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.errors import RecordError
from monitor.record.files import half_in, shown, text_of
from monitor.record.model import (
    EARLIEST_MARK_S,
    LATEST_MARK_S,
    MARK_KINDS,
    NOTHING,
    RUN_FORMAT,
    Batch,
    Calibration,
    Mark,
    Probe,
    Required,
    Run,
    Site,
)

#: Nothing was logged before, nor will be after: a clock that says so is not set.
FIRST_YEAR, LAST_YEAR = 1970, 2199


class _Object:
    """A JSON object being read: takes keys with checks, keeps the rest, knows its own path."""

    def __init__(self, form: Any, path: str, file: str) -> None:
        if not isinstance(form, dict):
            raise RecordError(f"{file}: {path or 'the document'}: expected an object, found {shown(form)}.")
        self._left = dict(form)
        self._path = path
        self._file = file

    def fail(self, key: str, expected: str, found: Any) -> RecordError:
        where = f"{self._path}.{key}" if self._path else key
        return RecordError(f"{self._file}: {where}: expected {expected}, found {shown(found)}.")

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
        if not FIRST_YEAR <= moment.year <= LAST_YEAR:
            raise self.fail(key, f"a year from {FIRST_YEAR} to {LAST_YEAR}", value)
        return moment

    def rest(self) -> Mapping[str, Any]:
        return MappingProxyType(self._left) if self._left else NOTHING


def read_header(path: Path) -> Run:
    """Read ``run.json`` alone: a run without its samples. Raises RecordError."""
    try:
        form = json.loads(text_of(path), parse_constant=_refuse_constant, object_pairs_hook=_once)
        half = half_in(form)
    except ValueError as trouble:
        line = getattr(trouble, "lineno", None)
        where = f"line {line}, column {getattr(trouble, 'colno', '?')}: " if line else ""
        raise RecordError(f"{path}: {where}expected JSON ({getattr(trouble, 'msg', trouble)}).") from None
    except RecursionError:
        raise RecordError(f"{path}: expected a run record, found JSON nested too deeply.") from None
    if half is not None:
        name = half.encode("ascii", "backslashreplace").decode()
        raise RecordError(
            f"{path}: {name}: expected whole signs, found half of one (a lone surrogate).",
            "Write that text anew.",
        )
    return header_from_json(form, str(path))


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object whose keys stand in it once: of two values nobody can say which is meant."""
    form = dict(pairs)
    if len(form) < len(pairs):
        seen: set[str] = set()
        twice = next(key for key, _ in pairs if key in seen or seen.add(key))  # type: ignore[func-returns-value]
        raise ValueError(f"each key once, found {shown(twice)} twice in one object")
    return form


def _refuse_constant(word: str) -> float:
    raise ValueError(f"a finite number, not {word}")


def _is_newer(found: Any) -> bool:
    name, _, number = str(found).rpartition("/")
    kind, _, known = RUN_FORMAT.rpartition("/")
    return name == kind and number.isdecimal() and int(number) > int(known)


def header_from_json(form: Any, file: str = "run.json") -> Run:
    """A run without samples from the parsed ``run.json`` document; ``file`` names it in errors."""
    top = _Object(form, "", file)
    found = top.take("format")
    if found != RUN_FORMAT:
        trouble = top.fail("format", f'"{RUN_FORMAT}"', found)
        if _is_newer(found):
            trouble.advice = "A newer boilwitness wrote it; bring this one up to date."
        raise trouble
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
        coverage_factor=factor,
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
        raise RecordError(f"{file}: marks: expected a list, found {shown(form)}.")
    marks = []
    for index, item in enumerate(form):
        part = _Object(item, f"marks[{index}]", file)
        t_s = part.number("t_s", EARLIEST_MARK_S, LATEST_MARK_S, "s", required=True)
        kind = part.text("kind", required=True)
        assert t_s is not None and kind is not None
        if kind not in MARK_KINDS:
            raise part.fail("kind", f"one of {', '.join(MARK_KINDS)}", kind)
        marks.append(Mark(t_s=t_s, kind=kind, by=part.text("by"), text=part.text("text"), extra=part.rest()))
    return tuple(marks)
