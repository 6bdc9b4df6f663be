"""``boilwitness runs`` as far as it only looks: the runs, the nodes, how long each record is kept."""

from __future__ import annotations

import argparse
import sqlite3
import sys
from collections.abc import Iterable
from contextlib import closing
from dataclasses import replace
from math import inf

from monitor.cli._data import data_dir
from monitor.cli._output import in_one_line
from monitor.errors import MonitorError, UsageError
from monitor.judge import judge
from monitor.judge.words import exact
from monitor.plan.containers import JAR_NAMES
from monitor.plan.lot import parse_lot
from monitor.proof.canon import rules_stamp
from monitor.store import reader
from monitor.store.corrections import revised, runs_corrected
from monitor.store.judged import Judged
from monitor.store.retention import run_kept_until
from monitor.store.runs import House, read_house
from monitor.store.stamp import SYSTEM_TIME
from monitor.store.words import in_zone


def runs(args: argparse.Namespace) -> int:
    """Every run, newest first; with ``--lot`` the one that carries this code."""
    with closing(reader.open_reader(data_dir(args))) as conn:
        house = read_house(conn)
        rows = reader.list_runs(conn, house)
        if args.lot is not None:
            lot = parse_lot(args.lot)
            rows = [row for row in rows if _lot_of(house, row.run_id) == lot]
            if not rows:
                raise UsageError(f"no run in this store carries the lot code {lot}.")
        kept = Judged(data_dir(args), rules_stamp())
        tell_of_judging(conn, house, kept, [row.run_id for row in rows if row.proven_s is None])
        rows = [_judged(conn, house, row, kept) for row in rows]
        before = _before(conn, house, {row.run_id for row in rows})
    if not rows:
        print("no runs yet; 'boilwitness runs start --help' begins one")
        return 0
    table: list[tuple[str, ...]] = [("RUN", "CANNER", "STARTED", "FOOD", "REQUIRED", "PROVEN", "VERDICT")]
    table += [_line(row, before.get(row.run_id, "")) for row in rows]
    if any(row.taken_in is not None for row in rows):
        came = ["RECORD CAME", *(row.taken_in.briefly if row.taken_in else "" for row in rows)]
        table = [(*line[:-1], how, line[-1]) for line, how in zip(table, came, strict=True)]
    _print_table(table)
    return 0


def _before(conn: sqlite3.Connection, house: House, wanted: set[str]) -> dict[str, str]:
    """By run, what the verdict was before a correction of the header moved it."""
    told: dict[str, str] = {}
    for run_id in runs_corrected(conn) & wanted:
        try:
            found = [one for one in revised(conn, house, run_id) if one.before is None or one.moved]
        except MonitorError:
            continue  # said where it is judged
        if found:
            said = (one.before.verdict or "open" if one.before else "not known" for one in found)
            told[run_id] = f"corrected; was {', then '.join(dict.fromkeys(said))}"
    return told


def _lot_of(house: House, run_id: str) -> str | None:
    batch = house.run(run_id).header.get("batch")
    return str(batch.get("lot_code")) if isinstance(batch, dict) else None


#: Judging fewer records than this is done before anybody asks what takes so long.
_MANY = 8


def tell_of_judging(conn: sqlite3.Connection, house: House, kept: Judged, run_ids: Iterable[str]) -> None:
    """Say, beside what is printed, that many records from elsewhere are to be judged first."""
    left = sum(1 for run_id in run_ids if not kept.is_kept(conn, house.run(run_id)))
    if left >= _MANY:
        print(
            f"boilwitness: judging {left} runs that have no verdict here; their verdicts are kept",
            file=sys.stderr,
        )


def _judged(conn: sqlite3.Connection, house: House, row: reader.RunRow, kept: Judged) -> reader.RunRow:
    """The row with a verdict: a record that came from elsewhere, or of which more was said since, is judged now."""
    if row.proven_s is not None:
        return row
    try:
        facts = house.run(row.run_id)
        if facts.imported:
            form = kept.verdict(conn, house, facts)
            return replace(row, verdict=form["verdict"], proven_s=form["proven_s"])
        run = reader.whole_run(conn, house, facts)
        now_s = (SYSTEM_TIME.utc_now() - run.started_at).total_seconds()
        verdict = judge(run, until_s=now_s if row.is_on else inf)
    except MonitorError:
        return row
    return replace(row, verdict=verdict.verdict, proven_s=verdict.proven_s)


def _line(row: reader.RunRow, before: str = "") -> tuple[str, ...]:
    verdict = row.verdict or ("open" if row.is_on else "not judged")
    marks = [word for word, on in (("simulated", row.simulated), ("imported", row.imported)) if on]
    marks += [before] if before else []
    jar = JAR_NAMES.get(row.jar or "", row.jar)
    food = " ".join(str(part) for part in (row.food, row.pack, jar) if part)
    return (
        row.run_id,
        row.canner or "",
        in_zone(row.started_utc, row.zone),
        food,
        _minutes(row.required_s),
        _minutes(row.proven_s),
        " ".join([verdict, *(f"({word})" for word in marks)]),
    )


def _minutes(seconds_s: float | None) -> str:
    """``35 min``, ``33 min 05 s``: cut off rather than rounded up."""
    if seconds_s is None:
        return "-"
    return exact(seconds_s).removesuffix(" 00 s")


def nodes(args: argparse.Namespace) -> int:
    """Every node ever heard."""
    with closing(reader.open_reader(data_dir(args))) as conn:
        rows = reader.nodes(conn)
    if not rows:
        print("no node has been heard yet")
        return 0
    table: list[tuple[str, ...]] = [
        ("NODE", "SERVES", "FIRST HEARD", "SAMPLES", "LOST", "CONFLICTS", "COMES BY")
    ]
    for row in rows:
        serves = row.canner or "nothing yet"
        counts = (str(row.samples), str(row.lost), str(row.conflicts))
        table.append((row.name, serves, in_zone(row.first_seen_utc, None), *counts, row.source))
    _print_table(table)
    return 0


def keep(args: argparse.Namespace) -> int:
    """Until when each record must be kept."""
    table: list[tuple[str, ...]] = [("RUN", "STARTED", "KEEP UNTIL")]
    with closing(reader.open_reader(data_dir(args))) as conn:
        for row in reader.list_runs(conn):
            until = run_kept_until(conn, row.run_id)
            words = (
                f"{until:%Y-%m-%d}"
                if until
                else "not known yet: while a jar is there, or its end is not said"
            )
            table.append((row.run_id, in_zone(row.started_utc, row.zone), words))
    _print_table(table)
    return 0


def journal(args: argparse.Namespace) -> int:
    """What happened to the store and its collector, newest first; a restore with its check values."""
    with closing(reader.open_reader(data_dir(args))) as conn:
        rows = reader.journal(conn, args.last)
    if not rows:
        print("nothing in the journal yet")
    for at_utc, kind, text in rows:
        print(f"{in_zone(at_utc, None)}  {kind}: {in_one_line(text)}")
    return 0


def _print_table(table: list[tuple[str, ...]]) -> None:
    table = [tuple(map(in_one_line, row)) for row in table]
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    for row in table:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
