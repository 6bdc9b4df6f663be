"""``boilwitness plan --start``: the same checks as on the page, then the run; what is missing is said and stops it."""

from __future__ import annotations

import argparse
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from monitor.cli._budget import budget_lines
from monitor.cli._data import data_dir
from monitor.cli._numbers import number, whole_number
from monitor.cli._place import altitude_m, uncertainty_m, zone_named
from monitor.cli.main import EXIT_REFUSED
from monitor.errors import RefusedError, UsageError
from monitor.plan.header import free_run_id, header_of, start_entries
from monitor.plan.history import blocked_since, last_good_check, standing_of
from monitor.plan.lot import lot_code
from monitor.plan.model import Plan
from monitor.plan.place import ALTITUDE_FOUND_M, site_changed, site_of
from monitor.plan.pressure import BAROMETER, StationPressure, pressure_doubt
from monitor.plan.setup import HOW_ADDED, SetUp, what_it_proves
from monitor.plan.start import HEADSPACE_MM, PLAUSIBLE_C, StartDecision, StartFacts, decide_start
from monitor.store.database import free_bytes, store_path
from monitor.store.lots import lots
from monitor.store.newest import newest_pressure
from monitor.store.occupied import StartClashes, start_clashes
from monitor.store.probes import (
    barometer_compared_at,
    last_site,
    newest_reading,
    node_number,
    probe_past,
    registered_probes,
)
from monitor.store.reader import house_in, open_reader
from monitor.store.stamp import SYSTEM_TIME
from monitor.store.starting import start_run

REGISTERS = "'boilwitness calibrate' registers one."
#: What a person confirms before a start, and the words for it.
CONFIRMED = {
    "place": "this altitude is the kitchen's",
    "acid": "the acid is in each jar",
    "rims": "every rim and every new lid was looked at",
    "sound": "the alarm was heard where you will be",
    "clock": "this computer's date and time are right",
    "power": "mains, or a battery for three times the time",
    "probe": "you have seen what the probe can prove today",
}

#: The option that gives what is missing, by the decision's word for it.
GIVEN_BY = {
    "headspace": "--headspace-mm",
    "acid": "--confirm acid",
    "altitude": "--altitude-m",
    "altitude_uncertainty": "--altitude-uncertainty-m",
    "place": "--confirm place",
    "zone": "--zone",
    "probe": "--probe",
    "calibration_seen": "--confirm probe",
    "canner": "--canner",
    "node": "--node",
    "clock": "--confirm clock",
    "power": "--confirm power",
    "sound": "--confirm sound",
    "who": "--by",
    "jars": "--jars",
    "rims_and_lids": "--confirm rims",
    "coldest_jar": "--coldest-jar-C",
    "loading_water": "--loading-water-C",
}

#: A barometer may speak less often than the probe: what it said within this before the newest sample counts. [s]
BAROMETER_S = 600.0

#: As wide as the plan above it. [columns]
WIDTH = 96


def add_start_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what a start needs beyond the plan."""
    group = parser.add_argument_group(
        "start the run", "with the checks of the page; what is missing is listed"
    )
    group.add_argument("--start", action="store_true", help="start it now, if nothing is missing")
    group.add_argument("--canner", default="canner-1", help="name of the canner (default: canner-1)")
    group.add_argument("--node", help="the node that watches it")
    group.add_argument("--site", default="home kitchen", metavar="NAME", help="name of the place")
    group.add_argument(
        "--found-by", default="other", choices=list(ALTITUDE_FOUND_M), help="how the altitude was found"
    )
    group.add_argument("--barometer", action="store_true", help="the node has a barometer")
    group.add_argument("--zone", help="time zone of the kitchen, such as America/Denver")
    group.add_argument("--jars", type=whole_number(0, 1000), help="how many; they are numbered from 1")
    group.add_argument("--by", help="who starts it")
    add_confirmations(group)


# A group of a parser has no public type of its own.
def add_confirmations(group: argparse._ActionsContainer) -> None:
    """Add what is asked of a batch before it starts, whichever verb starts it."""
    group.add_argument("--probe", metavar="ID", help="the water probe, as it was registered")
    group.add_argument(
        "--headspace-mm", type=number(*HEADSPACE_MM), metavar="MM", help="your recipe's, where it differs"
    )
    group.add_argument(
        "--coldest-jar-C", type=number(*PLAUSIBLE_C), metavar="C", help="the coldest filled jar"
    )
    group.add_argument(
        "--loading-water-C", type=number(*PLAUSIBLE_C), metavar="C", help="the water when the jars go in"
    )
    group.add_argument(
        "--confirm",
        nargs="*",
        default=[],
        choices=list(CONFIRMED),
        metavar="WORD",
        help="; ".join(f"{word}: {meaning}" for word, meaning in CONFIRMED.items()),
    )
    group.add_argument(
        "--already-boiling",
        action="store_true",
        help="the jars are in boiling water already: recorded, and no more than unproven",
    )
    group.add_argument(
        "--ends-the-run-that-is-on",
        action="store_true",
        help="start although a run that is on with its jars in is ended by it, or loses its node",
    )


def start(args: argparse.Namespace, plan: Plan, pressure: StationPressure | None) -> int:
    """Start the run of a plan, or say what is missing. 0 started, 3 refused."""
    folder = data_dir(args)
    house, now = house_in(folder), _now(args.zone)
    clashes = start_clashes(house, args.canner, [args.node] if args.node else [], args.probe)
    if not may_take_over(clashes, args):
        return EXIT_REFUSED
    facts = _facts(args, plan, pressure)
    decision = decide_start(facts)
    print("\n".join(_proves(facts, now)))
    if not may_go_on(decision):
        return EXIT_REFUSED
    run_id = free_run_id(now.isoformat(), args.canner, set(house.runs) if house else set())
    entries = [
        ("node_assigned", {"node": args.node, "canner": args.canner}),
        *start_entries(facts, run_id, now, done_steps(args, plan)),
    ]
    nodes = [args.node] if args.node else []
    try:
        start_run(folder, run_id, entries, canner=args.canner, nodes=nodes, seen=clashes, by=args.by)
    except RefusedError as refused:
        print(f"Not started: {refused}")
        return EXIT_REFUSED
    if decision.record_anyway:
        print(decision.sentence)
    say_ended(clashes, args.canner)
    print(f"run {run_id} started on {args.canner}; lot {lot_code(run_id, now.date(), facts.lots_taken)}")
    return 0


def may_take_over(clashes: StartClashes, args: argparse.Namespace) -> bool:
    """Say what the start would take from runs that are on; whether it may."""
    for note in clashes.notes:
        print(f"! {note}")
    if not clashes.holding or args.ends_the_run_that_is_on:
        return True
    print(
        f"Not started: {clashes.why}. End it first ('boilwitness runs mark {clashes.holding} heat_off', or 'runs end "
        f"{clashes.holding}'); --ends-the-run-that-is-on starts all the same."
    )
    return False


def say_ended(clashes: StartClashes, canner: str) -> None:
    """The run before, which is over now."""
    if clashes.ends:
        print(f"run {clashes.ends} on {canner} is ended by this one")


def may_go_on(decision: StartDecision) -> bool:
    """Say what deviates and what is missing; whether the run starts, or is recorded anyway."""
    for text in (*decision.deviations, *decision.cautions):
        print(f"! {text}")
    if decision.may_start or decision.record_anyway:
        return True
    print(decision.sentence)
    for item in decision.missing:
        option = GIVEN_BY.get(item.what)
        print(f"  {item.text}" + (f" ({option})" if option else ""))
    print(f"{decision.instead} (--already-boiling)")
    return False


def set_up_lines(args: argparse.Namespace, plan: Plan, pressure: StationPressure | None) -> list[str]:
    """What the set-up with this probe can prove today, what would help, and the uncertainty term by term."""
    facts, now = _facts(args, plan, pressure), _now(args.zone)
    budget = what_it_proves(header_of(facts, "plan", now), facts.heard_kPa).budget
    # The table says itself how its terms are added.
    said = [line.replace(HOW_ADDED, "").strip() for line in _proves(facts, now)]
    doubt = [facts.pressure_doubt] if facts.pressure_doubt else []
    return [*doubt, *said, "", *budget_lines(budget, WIDTH)]


def _proves(facts: StartFacts, now: datetime) -> list[str]:
    return proves_lines(what_it_proves(header_of(facts, "plan", now), facts.heard_kPa), facts)


def proves_lines(answer: SetUp, facts: StartFacts) -> list[str]:
    """What a set-up can prove, why not more, and what helps."""
    ways = (f"What helps: {way.text}" for way in answer.ways)
    return [*facts.probe_said, answer.sentence, *filter(None, [answer.why_altitude]), *ways, *answer.text]


def done_steps(args: argparse.Namespace, plan: Plan) -> list[str]:
    """Steps of the checklist that a confirmation stands for; the others stay open in the record."""
    words = {"jars_and_lids": "rims", "sound_heard": "sound", "acid": "acid"}
    return [step.id for step in plan.checklist if words.get(step.id) in args.confirm]


def _facts(args: argparse.Namespace, plan: Plan, pressure: StationPressure | None) -> StartFacts:
    site = site_of(
        args.site,
        altitude_m(args) or 0.0,
        uncertainty_m(args),
        found_by=args.found_by,
        pressure=pressure,
        barometer=args.barometer,
    )
    facts = StartFacts(
        plan=plan,
        site=site,
        zone=None if args.zone is None else zone_named(args.zone),
        canner=args.canner,
        node=args.node,
        jars=args.jars,
    )
    return with_store(with_answers(facts, args), args)


def with_answers(facts: StartFacts, args: argparse.Namespace) -> StartFacts:
    """The facts with what the options confirm and name; the jars are numbered from 1."""
    return replace(
        facts,
        calibration_seen="probe" in args.confirm,
        clock_ok=True if "clock" in args.confirm else None,
        power_ok=True if "power" in args.confirm else None,
        sound_heard="sound" in args.confirm,
        jar_numbers=tuple(range(1, (facts.jars or 0) + 1)),
        rims_and_lids_checked="rims" in args.confirm,
        coldest_jar_C=args.coldest_jar_C,
        loading_water_C=args.loading_water_C,
        headspace_mm=args.headspace_mm,
        acid_confirmed="acid" in args.confirm,
        who=args.by or "",
        already_boiling=args.already_boiling,
    )


def with_store(facts: StartFacts, args: argparse.Namespace) -> StartFacts:
    """The facts with what the store says: the probe's check, the node's reading, the last place, lot codes."""
    folder = data_dir(args)
    if args.probe is not None and not store_path(folder).exists():
        raise UsageError(f"There is no probe {args.probe!r}: no store is in {folder}.", REGISTERS)
    site = facts.site
    facts = _with_air(replace(facts, free_bytes=free_bytes(folder)), None)
    if not store_path(folder).exists() or site is None:
        return facts
    with closing(open_reader(folder)) as conn:
        facts = _with_air(facts, _heard_kPa(conn, facts.node))
        known = {item.probe_id: item for item in registered_probes(conn)}
        checks = probe_past(conn).checks
        reading_C, age_s = newest_reading(conn, facts.node) if facts.node else (None, None)
        doubt = "" if "place" in args.confirm else site_changed(last_site(conn), site)
        taken = frozenset(lots(conn))
        compared_at = barometer_compared_at(conn)
    if args.probe is not None and args.probe not in known:
        heard = f"Known: {', '.join(known)}." if known else REGISTERS
        raise UsageError(f"There is no probe {args.probe!r}.", heard)
    return replace(
        facts,
        site=replace(site, barometer_checked_at=site.barometer_checked_at or compared_at),
        probe=facts.probe if args.probe is None else known[args.probe],
        calibration=facts.calibration if args.probe is None else last_good_check(checks, args.probe),
        probe_blocked="" if args.probe is None else blocked_since(checks, args.probe),
        probe_said=() if args.probe is None else standing_of(checks, args.probe).said,
        reading_C=reading_C,
        reading_age_s=age_s,
        site_doubt=doubt,
        lots_taken=taken,
    )


def _heard_kPa(conn: sqlite3.Connection, node: str | None) -> float | None:
    """What a node's barometer said within its last minutes; None where it has none, or no node is named. [kPa]"""
    known = None if node is None else node_number(conn, node)
    found = None if known is None else newest_pressure(conn, known, None, BAROMETER_S)
    return None if found is None else found[0]


def _with_air(facts: StartFacts, heard_kPa: float | None) -> StartFacts:
    """The facts with what the named barometer says, and what speaks against the pressure.

    Without a node nobody has asked a barometer yet: that is no doubt of it.
    """
    site = facts.site
    if site is None or (site.pressure_source == BAROMETER and facts.node is None):
        return facts
    heard_kPa = heard_kPa if site.pressure_source == BAROMETER else None
    doubt = pressure_doubt(site, heard_kPa, SYSTEM_TIME.utc_now())
    return replace(facts, heard_kPa=heard_kPa, pressure_doubt=doubt)


def _now(zone: str | None) -> datetime:
    return SYSTEM_TIME.utc_now().astimezone(ZoneInfo(zone_named(zone)) if zone else UTC)
