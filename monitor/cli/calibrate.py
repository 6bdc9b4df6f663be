"""``boilwitness calibrate``: check a probe at the ice point and the boiling point, step by step."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from typing import Any

from monitor.cli._data import add_data_argument, data_dir
from monitor.cli._readings import newest_samples, readings_from_csv
from monitor.cli.main import EXIT_REFUSED
from monitor.errors import UsageError
from monitor.physics.units import ft_to_m
from monitor.plan.check import BOIL, DONE, ICE, CheckSession, PointReading, point_from_readings
from monitor.plan.drift import batches_touched
from monitor.plan.history import blocked_offset_K, last_good_check
from monitor.plan.place import site_of
from monitor.plan.pressure import ALTIMETER, STATION, PressureGiven, StationPressure, station_pressure
from monitor.plan.probe import BoilBasis, CheckResult, boil_basis, conclude
from monitor.plan.refusal import Refusal
from monitor.plan.registration import PLACES, ProbeRegistration, registration_gaps
from monitor.record.model import Sample
from monitor.store.database import store_path
from monitor.store.entries import append_entry, read_entries
from monitor.store.reader import open_reader, read_house
from monitor.store.stamp import SYSTEM_TIME
from monitor.tables.probes import OTHER, converters, match, probe_kinds

#: Scatter assumed of a value that a person read off a display. [K] Our estimate.
TYPED_SCATTER_K = 0.2

#: Live, a line each this often. [s]
TELL_EVERY_S = 5.0


#: The points that were taken, and what the node's barometer said at the boil. [kPa]
_Taken = tuple[dict[str, PointReading], list[float]]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_data_argument(parser)
    probe = parser.add_argument_group("the probe")
    probe.add_argument("--probe", required=True, metavar="ID", help="the name written on the probe")
    probe.add_argument("--kind", default=OTHER, help=f"one of: {'; '.join(probe_kinds())}")
    probe.add_argument("--converter", default=OTHER, help=f"one of: {'; '.join(converters())}")
    probe.add_argument("--place", default=PLACES[0], help=f"where it sits: “{PLACES[0]}” (default) or other")
    probe.add_argument(
        "--response-s", type=float, metavar="S", help="63 %% response in stirred water, if known"
    )
    probe.add_argument("--channel", default="water", help="the node's channel (default: water)")
    place = parser.add_argument_group("the place, for the boiling point")
    height = place.add_mutually_exclusive_group(required=True)
    height.add_argument("--altitude-m", type=float, metavar="M", help="the kitchen's altitude")
    height.add_argument("--altitude-ft", type=float, metavar="FT", help="the same in feet")
    place.add_argument("--altitude-uncertainty-m", type=float, metavar="M", help="how sure that is, ±")
    pressure = place.add_mutually_exclusive_group()
    pressure.add_argument("--station-pressure-hPa", type=float, metavar="HPA", help="today's, in the kitchen")
    pressure.add_argument(
        "--altimeter-hPa", type=float, metavar="HPA", help="today's altimeter setting (QNH)"
    )
    pressure.add_argument("--altimeter-inHg", type=float, metavar="INHG", help="the same, near 29.92")
    _add_readings(parser)
    parser.add_argument("--by", help="who makes the check")
    parser.add_argument("--dry-run", action="store_true", help="say what it proves, store nothing")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def _add_readings(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group(
        "the readings", "live from a node (step by step), from files, or typed; uncorrected"
    )
    group.add_argument("--node", help="read live: the node whose samples reach this store")
    group.add_argument("--ice-csv", type=Path, metavar="FILE", help="t_s and water_C at the ice point")
    group.add_argument("--boil-csv", type=Path, metavar="FILE", help="t_s and water_C at the full boil")
    group.add_argument("--ice-C", type=float, metavar="C", help="a reading that stood still for a minute")
    group.add_argument("--boil-C", type=float, metavar="C", help="the same at the full boil")
    group.add_argument(
        "--stirred", action="store_true", help="the ice bath was stirred (typed or from a file)"
    )
    group.add_argument("--no-ice", action="store_true", help="live: leave the ice point out")


def run(args: argparse.Namespace) -> int:
    """Take the points, conclude, store. 0 accepted, 3 refused."""
    probe = ProbeRegistration(
        probe_id=args.probe,
        kind=args.kind,
        converter=args.converter,
        place=args.place,
        channel=args.channel,
        response_s=args.response_s,
    )
    basis = _basis(args, SYSTEM_TIME.utc_now())
    points, heard_kPa = _points(args, probe, basis)
    if heard_kPa:
        # A barometer on the node was heard during the boil: it knows better than what was typed.
        basis = _basis(args, SYSTEM_TIME.utc_now(), barometer_kPa=median(heard_kPa))
    now = SYSTEM_TIME.utc_now()
    known = _known(args)
    previous = last_good_check(known.checks, args.probe)
    blocked_K = blocked_offset_K(known.checks, args.probe)
    result = conclude(points, probe, basis, now, previous, blocked_offset_K=blocked_K)
    touched: tuple[str, ...] = ()
    if result.blocked:
        since = None if previous is None else previous.at
        touched = batches_touched(known.runs, args.probe, since, now)
    if not args.dry_run:
        _store(args, probe, result)
    if args.json:
        answer = result.as_json(probe) | {"batches_touched": list(touched)}
        print(json.dumps(answer, ensure_ascii=False, indent=2))
    else:
        print(_text(probe, result, touched))
    return 0 if result.calibration is not None else EXIT_REFUSED


def _basis(args: argparse.Namespace, now: datetime, barometer_kPa: float | None = None) -> BoilBasis:
    """Where water boils here now. Raises UsageError with the reason when it cannot be known."""
    altitude_m = ft_to_m(args.altitude_ft) if args.altitude_m is None else args.altitude_m
    typed = _typed_pressure(args, altitude_m, now)
    site = site_of("", altitude_m, args.altitude_uncertainty_m, pressure=typed)
    found = boil_basis(site, now, barometer_kPa)
    if isinstance(found, Refusal):
        raise UsageError(found.reason, found.instead)
    return found


def _typed_pressure(args: argparse.Namespace, altitude_m: float, now: datetime) -> StationPressure | None:
    options = (
        (args.station_pressure_hPa, STATION, "hPa"),
        (args.altimeter_hPa, ALTIMETER, "hPa"),
        (args.altimeter_inHg, ALTIMETER, "inHg"),
    )
    for value, kind, unit in options:
        if value is not None:
            given = PressureGiven(kind, value, unit, now)
            found = station_pressure(given, altitude_m, args.altitude_uncertainty_m, now)
            if isinstance(found, Refusal):
                raise UsageError(found.reason, found.instead)
            return found
    return None


def _points(args: argparse.Namespace, probe: ProbeRegistration, basis: BoilBasis) -> _Taken:
    """The points: live, from files, or typed."""
    if args.node is not None:
        return _live(args, probe, basis)
    points = {}
    for point, path, typed_C in ((ICE, args.ice_csv, args.ice_C), (BOIL, args.boil_csv, args.boil_C)):
        if point == ICE and (path or typed_C is not None) and not args.stirred:
            raise UsageError("An ice bath counts only when it was stirred.", "Say --stirred if it was.")
        if path is not None:
            step_K = _step_K(probe)
            readings = readings_from_csv(path, args.channel)
            points[point] = point_from_readings(point, readings, basis.boil_C, step_K)
        elif typed_C is not None:
            points[point] = PointReading(point, typed_C, TYPED_SCATTER_K, 1, 60.0, True)
    if not points:
        raise UsageError(
            "There are no readings.", "Give --node for live ones, or --ice-C and --boil-C, or files of them."
        )
    return points, []


def _step_K(probe: ProbeRegistration) -> float:
    known = converters()
    return known[match(probe.converter, tuple(known)) or OTHER].step_K


def _live(args: argparse.Namespace, probe: ProbeRegistration, basis: BoilBasis) -> _Taken:
    """Go through both points with the person, from the store's newest samples."""
    session = CheckSession(basis.boil_C, _step_K(probe))
    if args.no_ice:
        session.skip()
    heard_kPa: list[float] = []
    conn = open_reader(data_dir(args))
    try:
        while session.state != DONE:
            now = session.progress()
            _tell(now.prompt, now.caution)
            _wait_for_enter()
            session.ready(stirred=True)
            heard_kPa = _settle(session, newest_samples(conn, args.node))
    finally:
        conn.close()
    return session.points, heard_kPa


def _settle(session: CheckSession, samples: Iterator[Sample]) -> list[float]:
    """Feed the session until this point is taken, telling where it stands each five seconds.

    Returns what a barometer on the node said meanwhile. [kPa]
    """
    heard_kPa: list[float] = []
    settling = session.state
    told_s = -1e18
    for sample in samples:
        session.feed(sample.t_s, None if sample.water_fault else sample.water_C)
        if sample.pressure_kPa is not None:
            heard_kPa.append(sample.pressure_kPa)
        if session.state != settling:
            print("Taken.", file=sys.stderr)
            break
        if sample.t_s - told_s >= TELL_EVERY_S:
            told_s = sample.t_s
            print(session.progress().text, file=sys.stderr)
    return heard_kPa


def _tell(prompt: str, caution: str) -> None:
    print(prompt, file=sys.stderr)
    if caution:
        print(f"! {caution}", file=sys.stderr)


def _wait_for_enter() -> None:
    print("Press Enter when it is ready.", file=sys.stderr, flush=True)
    if not sys.stdin.readline():
        raise UsageError("The check was left before it was done.", "Nothing was stored.")


@dataclass(frozen=True, slots=True)
class _Known:
    """What the store says of earlier checks and runs: (run_id, started_at, probe_id)."""

    checks: tuple[dict[str, Any], ...] = ()
    runs: tuple[tuple[str, datetime, str | None], ...] = ()


def _known(args: argparse.Namespace) -> _Known:
    if not store_path(data_dir(args)).exists():
        return _Known()
    conn = open_reader(data_dir(args))
    try:
        checks = tuple(entry.body for entry in read_entries(conn, kinds=["probe_checked"]))
        runs = tuple(
            (facts.run_id, datetime.fromtimestamp(facts.started_s, UTC), _probe_of(facts.header))
            for facts in read_house(conn).runs.values()
        )
    finally:
        conn.close()
    return _Known(checks, runs)


def _probe_of(header: dict[str, Any]) -> str | None:
    probe = header.get("probe")
    return probe.get("probe_id") if isinstance(probe, dict) else None


def _store(args: argparse.Namespace, probe: ProbeRegistration, result: CheckResult) -> None:
    append_entry(data_dir(args), "probe_registered", probe.as_json(), by=args.by)
    append_entry(data_dir(args), "probe_checked", result.as_json(probe), by=args.by)


def _text(probe: ProbeRegistration, result: CheckResult, touched: tuple[str, ...]) -> str:
    lines = [f"! {gap}" for gap in registration_gaps(probe)]
    lines += [f"Refused: {result.refused}"] if result.refused else ["The check is accepted."]
    lines += result.text
    lines += [f"Batches to look at again: {', '.join(touched)}."] if touched else []
    return "\n".join(lines)
