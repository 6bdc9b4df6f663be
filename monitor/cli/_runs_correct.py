"""``boilwitness runs correct``: say what was right of a run's header, live and afterwards; nothing is overwritten."""

from __future__ import annotations

import argparse
import sqlite3
import textwrap
from contextlib import closing
from datetime import datetime
from pathlib import Path

from monitor.cli._place import add_place_arguments, altitude_m, given_pressure, uncertainty_m
from monitor.errors import MonitorError, UsageError
from monitor.jars import Status
from monitor.jars.rows import local_time
from monitor.plan.correction import Said
from monitor.store.batches import load_batch
from monitor.store.corrections import correct_header, revised
from monitor.store.marking import standing_marks, take_back
from monitor.store.reader import open_reader
from monitor.store.runs import read_house
from monitor.store.stamp import SYSTEM_TIME
from monitor.store.words import in_zone

WIDTH = 92


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run", nargs="?", metavar="RUN")
    parser.add_argument("--food", help="what is in the jars")
    parser.add_argument("--food-id", help="its id in the table of times")
    parser.add_argument("--pack", help="hot or raw")
    parser.add_argument("--jar", help="half-pint, pint, quart ...")
    parser.add_argument("--minutes", type=float, help="the tested processing time [min]; with --source")
    parser.add_argument("--source", help="where that time was read")
    add_place_arguments(parser)
    parser.add_argument(
        "--pressure-at", metavar="TIME", help="when that pressure was read, such as 2026-08-14T09:12:00-06:00"
    )
    parser.add_argument("--by", help="who says so; needed")
    parser.add_argument("--reason", help="why it was wrong, or where the right value comes from; needed")


def correct(folder: Path, run_id: str, args: argparse.Namespace) -> int:
    """Write the correction down, and tell the verdict before and after it."""
    said = _said(args)
    shelved = _shelved(folder, run_id)
    made = correct_header(folder, run_id, said, by=args.by or "", reason=args.reason or "")
    print(_fold(f"run {run_id}, entry {made.entry}: {'; '.join(made.told) or 'nothing that decides'}"))
    with closing(open_reader(folder)) as conn:
        print(_fold(_verdicts(conn, run_id, made.entry)))
    if left := sorted(shelved - _shelved(folder, run_id)):
        numbers = ", ".join(map(str, left))
        print(
            _fold(
                f"Off the shelf list until the deviation is closed and the review signed anew: {numbers}. Labels that "
                "were printed for them do not hold meanwhile."
            )
        )
    return 0


def take_mark_back(folder: Path, run_id: str, kind: str, args: argparse.Namespace) -> int:
    """Say that a mark was a slip, and tell the verdict before and after."""
    with closing(open_reader(folder)) as conn:
        marks = [entry for entry in standing_marks(conn, run_id) if entry.body.get("kind") == kind]
    named = [entry for entry in marks if args.entry in (None, entry.id)]
    if not named:
        raise UsageError(
            f"no mark {kind} of run {run_id} stands{'' if args.entry is None else f' in entry {args.entry}'}.",
            "Nothing was taken back.",
        )
    made = take_back(folder, run_id, named[-1].id, by=args.by or "", reason=args.reason or "")
    at = in_zone(made.mark.happened_utc, None)
    print(_fold(f"run {run_id}, entry {made.entry}: {kind} of {at} (entry {made.mark.id}) is taken back"))
    with closing(open_reader(folder)) as conn:
        print(_fold(_verdicts(conn, run_id, made.entry)))
    return 0


def _said(args: argparse.Namespace) -> Said:
    return Said(
        food=args.food,
        food_id=args.food_id,
        pack=args.pack,
        jar=args.jar,
        minutes=args.minutes,
        source=args.source,
        altitude_m=altitude_m(args),
        altitude_uncertainty_m=uncertainty_m(args),
        pressure=given_pressure(args, _read_at(args)),
    )


def _read_at(args: argparse.Namespace) -> datetime | None:
    if args.pressure_at is None:
        return None
    try:
        moment = datetime.fromisoformat(args.pressure_at)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise UsageError(
            f"--pressure-at {args.pressure_at!r} is not a time with its offset from UTC.",
            "Write 2026-08-14T09:12:00-06:00.",
        )
    if moment > SYSTEM_TIME.utc_now():
        raise UsageError(f"--pressure-at {args.pressure_at} lies in the future.")
    return moment


def _verdicts(conn: sqlite3.Connection, run_id: str, entry: int) -> str:
    """The verdict before and after; of a change before the jars went in there is but one."""
    house = read_house(conn)
    found = [one for one in revised(conn, house, run_id, every=True) if one.entry == entry]
    if not found:
        return "No verdict hung on what stood there before."
    (one,) = found
    zone = house.run(run_id).header.get("zone")
    told = one.sentences(lambda at: local_time(at, zone if isinstance(zone, str) else None))
    verdicts = told[told.index("Verdict before") :]
    return f"{verdicts} 'boilwitness jars {run_id}' shows the deviation to be closed."


def _shelved(folder: Path, run_id: str) -> set[int]:
    try:
        with closing(open_reader(folder)) as conn:
            state = load_batch(conn, run_id, SYSTEM_TIME.utc_now()).state
    except MonitorError:
        # What is wrong with it is said where it is corrected.
        return set()
    return {jar.jar for jar in state.jars if jar.status is Status.SHELF}


def _fold(text: str) -> str:
    return textwrap.fill(text, WIDTH)
