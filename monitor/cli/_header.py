"""The options of ``runs start``: from words on the command line to the header of a run record."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.cli._numbers import number, whole_number
from monitor.cli._place import ALTITUDE_M, LEAST_SURE_M, zone_named
from monitor.errors import UsageError
from monitor.judge.pressure import HIGHEST_AIR_KPA, LOWEST_AIR_KPA
from monitor.plan.header import free_run_id
from monitor.record import header_from_json
from monitor.record.model import RUN_FORMAT
from monitor.store.entries import LATE_ENTRY_S
from monitor.store.stamp import SYSTEM_TIME, parse_utc
from monitor.tables.probes import PRESSURE_SOURCES
from monitor.timesource import machine_zone

_MINUTES = number(0.1, 1440.0)
_OFFSET, _EXPANDED = number(-50.0, 50.0), number(0.0, 50.0)

#: Option, path in ``run.json``, how its words are read, help.
_OPTIONS: tuple[tuple[str, tuple[str, ...], Callable[[str], Any], str], ...] = (
    ("--canner", ("canner",), str, "name of the canner (default: canner-1)"),
    ("--zone", ("zone",), str, "zone name of the place, such as America/Denver; else this machine's"),
    ("--site", ("site", "name"), str, "name of the place"),
    ("--altitude-m", ("site", "altitude_m"), number(*ALTITUDE_M), "altitude [m]"),
    (
        "--altitude-uncertainty-m",
        ("site", "altitude_uncertainty_m"),
        number(0.0, LEAST_SURE_M),
        "how sure of that [m]",
    ),
    ("--pressure-source", ("site", "pressure_source"), str, f"one of {', '.join(PRESSURE_SOURCES)}"),
    ("--barometer-checked-at", ("site", "barometer_checked_at"), str, "time of its last comparison"),
    (
        "--station-pressure-kpa",
        ("site", "station_pressure_kPa"),
        number(LOWEST_AIR_KPA, HIGHEST_AIR_KPA),
        "pressure at this height [kPa]",
    ),
    ("--food", ("batch", "food"), str, "what is in the jars"),
    ("--food-id", ("batch", "food_id"), str, "its id in the table of times"),
    ("--pack", ("batch", "pack"), str, "hot or raw"),
    ("--jar", ("batch", "jar"), str, "half-pint, pint, quart ..."),
    ("--jars", ("batch", "jars"), whole_number(0, 1000), "how many"),
    ("--minutes", ("required", "minutes"), _MINUTES, "the tested processing time [min]"),
    ("--source", ("required", "source"), str, "where that time was read"),
    ("--probe-kind", ("probe", "kind"), str, "such as 'type K class 1'"),
    ("--probe-converter", ("probe", "converter"), str, "such as 'linearised, 0.0078 K steps'"),
    ("--probe-offset-k", ("probe", "calibration", "offset_K"), _OFFSET, "check: added to the reading [K]"),
    (
        "--probe-uncertainty-k",
        ("probe", "calibration", "expanded_uncertainty_K"),
        _EXPANDED,
        "check: k = 2 [K]",
    ),
    ("--probe-checked-at", ("probe", "calibration", "at"), str, "check: when"),
    (
        "--probe-method",
        ("probe", "calibration", "method"),
        str,
        "check: how, such as 'ice and boiling points'",
    ),
)


def add_header_arguments(parser: argparse.ArgumentParser) -> None:
    """Add every option of a run's header."""
    parser.add_argument("--run-id", help="name of the run (default: the day, the canner, a letter)")
    parser.add_argument("--header", metavar="FILE.json", type=Path, help="a run.json to begin from")
    for option, _, read, text in _OPTIONS:
        parser.add_argument(option, type=read, default=None, help=text)


def moment_from(args: argparse.Namespace) -> datetime | None:
    """When it happened, from ``--at`` or ``--ago``; None: now.

    Raises
    ------
    UsageError
        Both were given, the time is not one, or it lies ahead.
    """
    if args.at is not None and args.ago is not None:
        raise UsageError("--at and --ago say the same thing; give one of them.")
    now = SYSTEM_TIME.utc_now()
    if args.ago is not None:
        if args.ago < 0:
            raise UsageError(f"--ago {args.ago:g} lies in the future.")
        return now - timedelta(minutes=float(args.ago))
    if args.at is None:
        return None
    try:
        moment = datetime.fromisoformat(args.at)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise UsageError(
            f"--at {args.at!r} is not a time with its offset from UTC.", "Write 2026-08-14T09:12:00-06:00."
        )
    if moment > now + timedelta(seconds=60):
        raise UsageError(f"--at {args.at} lies in the future.")
    return moment


def check_late(happened_utc: str, reason: str | None) -> None:
    """What is said long after it happened says why (21 CFR 113.100: entries are made at the time)."""
    late_s = (SYSTEM_TIME.utc_now() - parse_utc(happened_utc)).total_seconds()
    if late_s > LATE_ENTRY_S and not reason:
        raise UsageError(
            f"this happened {late_s / 60:.0f} min ago.", "Say why it is entered late with --reason."
        )


def header_from(args: argparse.Namespace, happened: datetime | None, known_ids: set[str]) -> dict[str, Any]:
    """A checked ``run.json`` document.

    Raises
    ------
    UsageError
        No processing time was given, an id is taken, a zone unknown.
    RecordError
        The header is not in the contract's form.
    """
    header = _begun(args.header)
    for option, path, _, _ in _OPTIONS:
        value = getattr(args, option[2:].replace("-", "_"))
        if value is not None and option == "--zone":
            value = zone_named(value)
        if value is not None:
            _put(header, path, value)
    header["format"] = RUN_FORMAT
    header.setdefault("canner", "canner-1")
    # Marks are entries of their own; those of a record that serves as a pattern belong to that record.
    header["marks"] = []
    header.pop("ended_at", None)
    if header.get("zone") is None:
        header["zone"] = machine_zone()
    header["started_at"] = _local(happened or SYSTEM_TIME.utc_now(), header.get("zone"))
    if "minutes" not in header.get("required", {}):
        raise UsageError(
            "say how long the tested recipe asks for, with --minutes.", "'boilwitness plan' finds it."
        )
    header["run_id"] = _run_id(args, header, known_ids)
    header_from_json(header, "the run's header")
    return header


def _begun(path: Path | None) -> dict[str, Any]:
    if path is None:
        return {}
    try:
        header = json.loads(path.read_text("utf-8"))
    except OSError as trouble:
        raise UsageError(f"{path}: cannot be read: {trouble.strerror}.") from trouble
    except ValueError as trouble:
        raise UsageError(f"{path}: expected a run.json document: {trouble}.") from trouble
    if not isinstance(header, dict):
        raise UsageError(f"{path}: expected a run.json document, found something else.")
    header.pop("run_id", None)
    return header


def _put(header: dict[str, Any], path: tuple[str, ...], value: Any) -> None:
    part = header
    for key in path[:-1]:
        inner = part.get(key)
        if not isinstance(inner, dict):
            inner = part[key] = {}
        part = inner
    part[path[-1]] = value


def _local(moment: datetime, zone: Any) -> str:
    if zone is None:
        return moment.astimezone(UTC).isoformat(timespec="milliseconds")
    try:
        return moment.astimezone(ZoneInfo(str(zone))).isoformat(timespec="milliseconds")
    except (ZoneInfoNotFoundError, ValueError):
        raise UsageError(f"there is no zone {zone!r}.", "Write a name such as America/Denver.") from None


def _run_id(args: argparse.Namespace, header: dict[str, Any], known: set[str]) -> str:
    if args.run_id is not None:
        if args.run_id in known:
            raise UsageError(f"a run {args.run_id!r} is in the store already.", "Choose another --run-id.")
        return str(args.run_id)
    return free_run_id(str(header["started_at"]), str(header["canner"]), known)
