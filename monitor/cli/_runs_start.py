"""``boilwitness runs start``: a run that is described by hand, with the checks that every start gets."""

from __future__ import annotations

import argparse
from contextlib import closing
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from monitor.cli._data import data_dir
from monitor.cli._header import add_header_arguments, check_late, header_from, moment_from
from monitor.cli._numbers import number
from monitor.cli._place import ALTITUDE_FT
from monitor.cli._plan_start import (
    add_confirmations,
    done_steps,
    may_go_on,
    may_take_over,
    proves_lines,
    say_ended,
    with_answers,
    with_store,
)
from monitor.cli.main import EXIT_REFUSED
from monitor.errors import RefusedError
from monitor.plan.described import plan_of_header
from monitor.plan.header import start_entries
from monitor.plan.model import Plan
from monitor.plan.pressure import STATION
from monitor.plan.refusal import Refusal
from monitor.plan.registration import ProbeRegistration
from monitor.plan.setup import what_it_proves
from monitor.plan.start import StartFacts, decide_start
from monitor.record import header_from_json
from monitor.record.changes import laid_over
from monitor.record.model import Probe, Run
from monitor.store.database import open_writer
from monitor.store.lots import with_lot
from monitor.store.occupied import StartClashes, start_clashes
from monitor.store.reader import house_in
from monitor.store.runs import House
from monitor.store.stamp import parse_utc, utc_text
from monitor.store.starting import start_run


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_header_arguments(parser)
    parser.add_argument("--node", action="append", default=[], help="the node in this canner; repeatable")
    parser.add_argument(
        "--own-band-ft",
        type=number(*ALTITUDE_FT),
        nargs=2,
        default=(0.0, 1000.0),
        metavar=("FROM", "TO"),
        help="with --source: the altitudes that its time is printed for, in feet",
    )
    parser.add_argument(
        "--own-is-boiling-water",
        action="store_true",
        help="with --source: you have read there that it is a boiling-water process for acid food",
    )
    add_confirmations(parser)


def start(args: argparse.Namespace) -> int:
    """Start a run, or say what is missing. 0 started, 3 refused."""
    folder = data_dir(args)
    house = house_in(folder)
    header = header_from(args, moment_from(args), set(house.runs) if house else set())
    if args.station_pressure_kpa is not None:
        # Typed as the air in the kitchen: somebody read a barometer there.
        header["site"].setdefault("station_pressure_kind", STATION)
    run = header_from_json(header, "the run's header")
    started_utc = utc_text(parse_utc(str(header["started_at"])))
    check_late(started_utc, args.reason)
    low_ft, high_ft = args.own_band_ft
    plan = plan_of_header(run, says_boiling_water=args.own_is_boiling_water, band_ft=(low_ft, high_ft))
    if isinstance(plan, Refusal):
        print(plan.as_text())
        return EXIT_REFUSED
    canner = str(header["canner"])
    probe_id = args.probe or run.probe.extra.get("probe_id")
    starts_s = run.started_at.timestamp()
    clashes = start_clashes(house, canner, args.node, probe_id, starts_s=starts_s)
    if not may_take_over(clashes, args):
        return EXIT_REFUSED
    facts = with_store(with_answers(_facts(args, run, plan, house), args), args)
    answer = what_it_proves(replace(run, probe=_known(facts, run.probe)), facts.heard_kPa)
    print("\n".join(proves_lines(answer, facts)))
    decision = decide_start(facts)
    if not may_go_on(decision):
        return EXIT_REFUSED
    entries = _entries(args, header, facts, run.started_at)
    try:
        _begin(folder, args, entries, started_utc, clashes, starts_s)
    except RefusedError as refused:
        print(f"Not started: {refused}")
        return EXIT_REFUSED
    if decision.record_anyway:
        print(decision.sentence)
    say_ended(clashes, canner)
    print(f"run {header['run_id']} started on {canner}")
    if not args.node and not _serving(house, canner):
        print(f"no node serves {canner} yet: 'boilwitness runs assign NODE {canner}'")
    return 0


def _begin(
    folder: Path,
    args: argparse.Namespace,
    entries: list[tuple[str, dict[str, Any]]],
    started_utc: str,
    seen: StartClashes,
    starts_s: float,
) -> None:
    with closing(open_writer(folder)) as conn:
        kind, header = entries[0]
        entries[0] = kind, with_lot(conn, header)
    canner = str(header["canner"])
    assigned = [("node_assigned", {"node": node, "canner": canner}) for node in args.node]
    start_run(
        folder,
        str(header["run_id"]),
        [*assigned, *entries],
        canner=canner,
        nodes=args.node,
        seen=seen,
        by=args.by,
        starts_s=starts_s,
        happened_utc=started_utc,
        reason=args.reason,
    )


def _facts(args: argparse.Namespace, run: Run, plan: Plan | None, house: House | None) -> StartFacts:
    """All that the header says. What it does not say is not known."""
    extra = run.probe.extra
    place = str(extra.get("place") or "")
    probe = ProbeRegistration(
        str(extra.get("probe_id") or ""),
        run.probe.kind or "",
        run.probe.converter or "",
        place,
        run.probe.channel,
    )
    return StartFacts(
        plan=plan,
        site=run.site,
        zone=run.zone,
        canner=run.canner,
        node=args.node[0] if args.node else _serving(house, str(run.canner)),
        probe=probe if run.probe.kind else None,
        calibration=run.probe.calibration,
        jars=run.batch.jars,
    )


def _known(facts: StartFacts, described: Probe) -> Probe:
    """The probe of the store where one was named, else as the header describes it."""
    if facts.probe is None:
        return described
    calibration = None if facts.probe_blocked else facts.calibration
    return replace(described, kind=facts.probe.kind, converter=facts.probe.converter, calibration=calibration)


def _entries(
    args: argparse.Namespace, header: dict[str, Any], facts: StartFacts, started_at: datetime
) -> list[tuple[str, dict[str, Any]]]:
    """(kind, body) of all that the start keeps, the run first: as it was described, with what a start says."""
    if facts.plan is None:
        # Recorded anyway: there is no plan, and that is one of the reasons why it can prove nothing.
        capped = list(decide_start(facts).cap_reasons)
        return [("run_started", {**header, "capped_at_unproven": capped})]
    entries = list(start_entries(facts, str(header["run_id"]), started_at, done_steps(args, facts.plan)))
    entries[0] = entries[0][0], laid_over(header, entries[0][1])
    return entries


def _serving(house: House | None, canner: str) -> str | None:
    """The node that serves a canner."""
    return next(iter(house.nodes_at(canner)), None) if house else None
