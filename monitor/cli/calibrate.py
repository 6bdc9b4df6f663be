"""``boilwitness calibrate``: check a probe at the ice point and the boiling point, step by step."""

from __future__ import annotations

import argparse
import json
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

from monitor.cli._check_live import check_live
from monitor.cli._data import add_data_argument, data_dir
from monitor.cli._numbers import number
from monitor.cli._place import add_place_arguments, altitude_m, typed_pressure, uncertainty_m
from monitor.cli._readings import readings_from_csv
from monitor.cli.main import EXIT_REFUSED
from monitor.errors import UsageError
from monitor.judge.pressure import WIDEST_ALTITUDE_M
from monitor.plan.basis import BoilBasis, boil_basis
from monitor.plan.check import BOIL, ICE, CheckSession, PointReading, point_from_readings, why_not_there
from monitor.plan.drift import drift_chart, next_check
from monitor.plan.history import standing_of
from monitor.plan.outcome import Outcome, ProbePast, knocked, outcome_of
from monitor.plan.place import site_of
from monitor.plan.refusal import Refusal
from monitor.plan.registration import (
    NO_KNOWN_PLACE,
    PLACES,
    WATER,
    WATER_2,
    ProbeRegistration,
    channel_of,
    registration_gaps,
)
from monitor.plan.start import PLAUSIBLE_C
from monitor.store.database import store_path
from monitor.store.entries import append_entry
from monitor.store.probes import (
    barometer_compared_at,
    node_number,
    plateau_points,
    probe_past,
    registered_probes,
)
from monitor.store.reader import open_reader
from monitor.store.stamp import SYSTEM_TIME
from monitor.tables.probes import OTHER, chain_of, converters, match, probe_kinds

#: Scatter assumed of a value that a person read off a display. [K] Our estimate.
TYPED_SCATTER_K = 0.2

#: No probe in water takes longer than this to show two thirds of a change. [s] As the page asks it.
SLOWEST_SAID_S = 120.0

#: The points that were taken, and what the node's barometer said at the boil. [kPa]
_Taken = tuple[dict[str, PointReading], list[float]]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_data_argument(parser)
    probe = parser.add_argument_group("the probe")
    probe.add_argument("--probe", required=True, metavar="ID", help="the name written on the probe")
    probe.add_argument("--kind", help=f"one of: {'; '.join(probe_kinds())} (default: as registered)")
    probe.add_argument("--converter", help=f"one of: {'; '.join(converters())} (default: as registered)")
    probe.add_argument(
        "--place", help=f'where it sits: "{PLACES[0]}", or other (default: as registered, else not known)'
    )
    probe.add_argument(
        "--response-s", type=number(0.0, 120.0), metavar="S", help="63 %% response in stirred water, if known"
    )
    probe.add_argument(
        "--channel", help=f"the node's channel: {WATER} or {WATER_2} (default: as registered, else {WATER})"
    )
    probe.add_argument(
        "--registers-anew",
        action="store_true",
        help="its kind, converter, place or channel is another now: its earlier check ends",
    )
    place = parser.add_argument_group("the place, for the boiling point")
    add_place_arguments(place)
    place.add_argument(
        "--barometer-compared-at",
        metavar="TIME",
        help="when the node's barometer was last compared with an altimeter setting, such as 2026-08-01",
    )
    _add_readings(parser)
    parser.add_argument(
        "--history", action="store_true", help="only tell the probe's drift and when to check it again"
    )
    parser.add_argument(
        "--knocked",
        metavar="WHAT",
        help="only say that it had a shock or a repair: it counts again after its next check",
    )
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
    group.add_argument(
        "--ice-C", type=number(*PLAUSIBLE_C), metavar="C", help="a reading that stood still for a minute"
    )
    group.add_argument("--boil-C", type=number(*PLAUSIBLE_C), metavar="C", help="the same at the full boil")
    group.add_argument(
        "--stirred", action="store_true", help="the ice bath was stirred (typed or from a file)"
    )
    group.add_argument("--no-ice", action="store_true", help="live: leave the ice point out")


def run(args: argparse.Namespace) -> int:
    """Take the points, conclude, store. 0 accepted, 3 refused."""
    if not args.probe.strip():
        raise UsageError("the probe has no name: give it the one that is written on it, with --probe ID.")
    if args.history or args.knocked is not None:
        _must_be_known(args)
    if args.history:
        return _history(args)
    if args.knocked is not None:
        if not args.knocked.strip():
            raise UsageError("say what happened to the probe: --knocked WHAT.", "Nothing was written down.")
        kind, body = knocked(args.probe, SYSTEM_TIME.utc_now(), args.knocked)
        append_entry(data_dir(args), kind, body, by=args.by)
        print(body["refused"])
        return 0
    if altitude_m(args) is None:
        raise UsageError("Say where the kitchen lies, with --altitude-m or --altitude-ft.")
    past = _past(args)
    probe = _registration(args, past)
    basis = _basis(args, SYSTEM_TIME.utc_now())
    if args.node is not None:
        _must_be_heard(args)
        # Said before anybody fills an ice bath: naming the place afterwards ends the check.
        for note in _notes(args, probe):
            print(f"! {note}", file=sys.stderr)
    points, heard_kPa = _points(args, probe, basis)
    if heard_kPa:
        # A barometer on the node was heard during the boil: it knows better than what was typed.
        basis = _basis(args, SYSTEM_TIME.utc_now(), barometer_kPa=median(heard_kPa))
    # Read anew: a check step by step takes a quarter of an hour.
    outcome = outcome_of(points, probe, basis, SYSTEM_TIME.utc_now(), _past(args))
    if not args.dry_run:
        for kind, body, run_id in outcome.entries:
            append_entry(data_dir(args), kind, body, run_id=run_id, by=args.by)
    if args.json:
        form = outcome.as_json() | {"stored": not args.dry_run, "notes": _notes(args, probe)}
        print(json.dumps(form, ensure_ascii=False, indent=2))
    else:
        print("\n".join([*(f"! {note}" for note in _notes(args, probe)), _text(outcome)]))
        if args.dry_run:
            print("Nothing was stored (--dry-run): the probe is as it was.")
    return 0 if outcome.result.calibration is not None else EXIT_REFUSED


def _must_be_known(args: argparse.Namespace) -> None:
    """A name mistyped would leave the real probe trusted. Raises UsageError."""
    known: set[str] = set()
    if store_path(data_dir(args)).exists():
        with closing(open_reader(data_dir(args))) as conn:
            past = probe_past(conn)
            known = {item.probe_id for item in registered_probes(conn)}
            known |= {str(body["probe_id"]) for body in past.checks if body.get("probe_id")}
            known |= {probe for _, _, probe in past.runs if probe}
    if args.probe not in known:
        there = f"Known: {', '.join(sorted(known))}." if known else "None is known in this store yet."
        raise UsageError(f"no probe {args.probe!r} is known here; nothing was written down.", there)


def _registration(args: argparse.Namespace, past: ProbePast) -> ProbeRegistration:
    """The probe as registered, with what the options change; of a new one nothing is known but what they say.

    Raises UsageError where an option does not fit, or makes another of a probe and nobody says that it is meant.
    """
    known = {item.probe_id: item for item in past.registered}
    probe = known.get(args.probe) or ProbeRegistration(args.probe, OTHER, OTHER, OTHER)
    _must_be_listed("--kind", args.kind, tuple(probe_kinds()))
    _must_be_listed("--converter", args.converter, tuple(converters()))
    if args.response_s is not None and not 0.0 < args.response_s <= SLOWEST_SAID_S:
        raise UsageError(f"--response-s {args.response_s:g}: expected seconds, up to {SLOWEST_SAID_S:.0f}.")
    told = {name: getattr(args, name) for name in ("kind", "converter", "place", "channel", "response_s")}
    if args.channel is not None:
        told["channel"] = channel_of(args.channel)
        if told["channel"] is None:
            raise UsageError(
                f"--channel {args.channel!r} is no channel of a water probe.", f"One of: {WATER}; {WATER_2}."
            )
    probe = replace(probe, **{name: value for name, value in told.items() if value is not None})
    changed = past.change_to(probe)
    if changed and not args.registers_anew:
        raise UsageError(
            f"a probe {args.probe!r} is registered already, and this is another: {changed}.",
            "Leave the option out if it is the one that is registered. Give --registers-anew if it was changed: its "
            "earlier check ends. Give another probe another name.",
        )
    return probe


def _must_be_listed(option: str, given: str | None, listed: tuple[str, ...]) -> None:
    """Said before anybody fills an ice bath. Raises UsageError."""
    if given is not None and match(given, listed) is None:
        raise UsageError(f"{option} {given!r} is not in the list.", f"One of: {'; '.join(listed)}.")


def _basis(args: argparse.Namespace, now: datetime, barometer_kPa: float | None = None) -> BoilBasis:
    """Where water boils here now. Raises UsageError with the reason when it cannot be known."""
    site = site_of(
        "",
        altitude_m(args) or 0.0,
        uncertainty_m(args),
        pressure=typed_pressure(args, now),
        barometer_checked_at=_compared_at(args, now),
    )
    found = boil_basis(site, now, barometer_kPa)
    if isinstance(found, Refusal):
        raise UsageError(found.reason, found.instead)
    return found


def _compared_at(args: argparse.Namespace, now: datetime) -> datetime | None:
    """When the barometer was compared: a day, or a time with its offset from UTC; else what the store says."""
    words = args.barometer_compared_at
    if words is None:
        if not store_path(data_dir(args)).exists():
            return None
        with closing(open_reader(data_dir(args))) as conn:
            return barometer_compared_at(conn)
    try:
        moment = datetime.fromisoformat(words)
    except ValueError:
        raise UsageError(
            f"--barometer-compared-at {words!r} is no day or time.", "Write 2026-08-01."
        ) from None
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    if moment > now:
        raise UsageError(f"--barometer-compared-at {words} lies in the future.")
    return moment


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
            readings = readings_from_csv(path, channel_of(probe.channel) or probe.channel)
            points[point] = point_from_readings(point, readings, basis.boil_C, step_K)
        elif typed_C is not None:
            if wrong := why_not_there(point, typed_C, basis.boil_C):
                raise UsageError(f"--{point}-C: {wrong}", "Nothing was stored.")
            points[point] = PointReading(point, typed_C, TYPED_SCATTER_K, 1, 60.0, True)
    if not points:
        raise UsageError(
            "There are no readings.", "Give --node for live ones, or --ice-C and --boil-C, or files of them."
        )
    return points, []


def _must_be_heard(args: argparse.Namespace) -> None:
    """Said before anybody fills an ice bath. Raises UsageError."""
    typed = {
        "--ice-C": args.ice_C,
        "--boil-C": args.boil_C,
        "--ice-csv": args.ice_csv,
        "--boil-csv": args.boil_csv,
    }
    if given := [option for option, value in typed.items() if value is not None]:
        raise UsageError(
            f"--node reads live; {', '.join(given)} would be passed over.", "Give one or the other."
        )
    with closing(open_reader(data_dir(args))) as conn:
        if node_number(conn, args.node) is None:
            raise UsageError(
                f"no node {args.node!r} was ever heard here.",
                "'boilwitness runs nodes' lists those that were.",
            )


def _step_K(probe: ProbeRegistration) -> float:
    return chain_of(probe.kind, probe.converter).converter.step_K


def _live(args: argparse.Namespace, probe: ProbeRegistration, basis: BoilBasis) -> _Taken:
    session = CheckSession(basis.boil_C, _step_K(probe))
    if args.no_ice:
        session.skip()
    with closing(open_reader(data_dir(args))) as conn:
        heard_kPa = check_live(session, conn, args.node)
    return session.points, heard_kPa


def _past(args: argparse.Namespace) -> ProbePast:
    if not store_path(data_dir(args)).exists():
        return ProbePast()
    with closing(open_reader(data_dir(args))) as conn:
        return probe_past(conn)


def _history(args: argparse.Namespace) -> int:
    """What the probe's checks and holds say, and when to check again. 0; nothing is stored."""
    now = SYSTEM_TIME.utc_now()
    with closing(open_reader(data_dir(args))) as conn:
        standing = standing_of(probe_past(conn).checks, args.probe)
        calibration = standing.calibration
        chart = drift_chart(plateau_points(conn, args.probe), None if calibration is None else calibration.at)
    due = next_check(calibration, chart, now, standing.blocked)
    if args.json:
        form = chart.as_json() | due.as_json() | {"said_of_its_checks": list(standing.said)}
        print(json.dumps(form, ensure_ascii=False, indent=2))
        return 0
    for point in chart.points:
        beyond = "  beyond the limits" if point.run_id in chart.beyond else ""
        alone = "" if point.measured else "  (boiling point from the altitude alone)"
        print(f"{point.at:%Y-%m-%d}  {point.plateau_minus_boiling_K:+.2f} K  {point.run_id}{alone}{beyond}")
    print("\n".join(dict.fromkeys([*standing.said, chart.text, due.text])))
    return 0


def _notes(args: argparse.Namespace, probe: ProbeRegistration) -> list[str]:
    """What was taken because nobody said it."""
    notes = []
    if uncertainty_m(args) is None:
        notes.append(
            f"Nobody said how sure the altitude is: ±{WIDEST_ALTITUDE_M:.0f} m is taken (--altitude-uncertainty-m)."
        )
    if not chain_of(probe.kind, probe.converter).is_known:
        notes.append(
            "Its kind and converter are not both known: where it is off by more than one of those that it may be "
            "allows, it may be damaged. Give --kind and --converter."
        )
    if match(probe.place, PLACES) == OTHER:
        notes.append(
            f"{NO_KNOWN_PLACE} The check is of no known place, and naming another later ends it. If it sits there, "
            f'give --place "{PLACES[0]}".'
        )
    return notes


def _text(outcome: Outcome) -> str:
    """What the check came to; that no place is known stands among the notes, with the option that helps."""
    probe, result, touched = outcome.probe, outcome.result, outcome.touched
    lines = [f"! {gap}" for gap in registration_gaps(probe) if gap != NO_KNOWN_PLACE]
    lines += [f"Refused: {result.refused}"] if result.refused else ["The check is accepted."]
    lines += result.text
    if touched:
        lines.append(f"Batches to look at again, each with a deviation opened: {', '.join(touched)}.")
    return "\n".join(lines)
