"""``boilwitness runs``: what the store holds; start, mark and end a run; say which node serves which canner."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from monitor.cli import _runs_correct, _runs_look, _runs_start
from monitor.cli._data import add_data_argument, data_dir
from monitor.cli._header import check_late, moment_from
from monitor.errors import UsageError
from monitor.physics.units import f_to_c
from monitor.record.model import MARK_KINDS
from monitor.store import reader
from monitor.store.database import open_writer, store_path
from monitor.store.entries import append_entry
from monitor.store.manual import enter_reading, manual_log
from monitor.store.marking import ABOUT, Doubt, say_mark
from monitor.store.occupied import run_left_alone
from monitor.store.runs import RunFacts, read_house
from monitor.store.stamp import epoch_text, utc_text
from monitor.store.words import in_zone

#: The options that every verb of saying has, as its usage lists them.
_SAID = "[--by BY] [--at TIME | --ago MIN] [--reason REASON] [--data DIR]"
#: What to do about a mark that was not written down, by what the doubt is about.
_INSTEAD = {
    "over": "Nothing was marked. If {kind} belongs to it: say so with --even-so, and with --at when it was.",
    "held": "Nothing was marked. If they did go in once more: say so with --even-so. If they came out: jars_lifted.",
    "again": "Nothing was marked. If they did go in once more: say so with --even-so. If they came out: jars_lifted.",
    "before": "Nothing was marked. If it belongs to another run: name that one. Else: --even-so.",
    "twice": "Nothing was marked. If it happened twice: say so with --even-so.",
}
NEVER_HEARD = "No node {node} was ever heard: look at its name ('boilwitness runs nodes' lists them)."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_data_argument(parser)
    parser.set_defaults(action=_runs_look.runs)
    parser.add_argument("--lot", metavar="CODE", help="list only the run that carries this lot code")
    verbs = parser.add_subparsers(metavar="start|mark|end|correct|assign|nodes|reading|keep|journal")
    start = verbs.add_parser(
        "start",
        help="begin a run as it is described, with the checks of 'plan --start'; what is missing is listed",
    )
    _runs_start.add_arguments(start)
    _finish(start, _runs_start.start)

    mark = verbs.add_parser("mark", help="say what happened: jars_in, rolling_boil_seen, heat_off ...")
    mark.usage = f"{mark.prog} [-h] [--text TEXT] [--even-so] [--take-back] [--entry N] {_SAID} [RUN] KIND"
    mark.add_argument("words", nargs="+", metavar="KIND", help=f"one of {', '.join(MARK_KINDS)}")
    mark.add_argument("--text", help="a remark; a note is nothing without one")
    mark.add_argument(
        "--take-back",
        action="store_true",
        help="say that the newest mark of this kind was a slip; with --by and --reason. It stays, and counts no more",
    )
    mark.add_argument("--entry", type=int, metavar="N", help="with --take-back: the mark of that entry")
    mark.add_argument(
        "--even-so",
        action="store_true",
        help="also where it takes back what the run has proven: jars_in once more, or any mark on a run that is over",
    )
    _finish(mark, _mark)

    end = verbs.add_parser("end", help="close a run: nothing more belongs to it")
    end.add_argument("run", nargs="?", metavar="RUN")
    _finish(end, _end)

    correct = verbs.add_parser(
        "correct",
        help="say what was right of a run: food, jar, time, altitude, pressure; the old value and verdict stay",
    )
    _runs_correct.add_arguments(correct)
    add_data_argument(correct, default=argparse.SUPPRESS)
    correct.set_defaults(action=_correct)

    assign = verbs.add_parser("assign", help="say that a node serves a canner ('none': no canner any more)")
    assign.add_argument("node", metavar="NODE")
    assign.add_argument("canner", metavar="CANNER")
    _finish(assign, _assign)

    reading = verbs.add_parser("reading", help="put down what a thermometer showed, when the logger was down")
    reading.usage = f"{reading.prog} [-h] [--thermometer THERMOMETER] {_SAID} [RUN] [DEGREES]"
    reading.add_argument(
        "words",
        nargs="+",
        metavar="DEGREES",
        help="such as 94.5C or 202F; RUN alone lists what was put down",
    )
    reading.add_argument("--thermometer", default="", help="which one")
    _finish(reading, _reading)

    keep = verbs.add_parser("keep", help="until when each record must be kept")
    add_data_argument(keep, default=argparse.SUPPRESS)
    keep.set_defaults(action=_runs_look.keep)

    journal = verbs.add_parser(
        "journal", help="what happened to the store and its collector: starts, restores"
    )
    journal.add_argument("--last", metavar="N", type=int, default=50, help="so many lines (default: 50)")
    add_data_argument(journal, default=argparse.SUPPRESS)
    journal.set_defaults(action=_runs_look.journal)

    nodes = verbs.add_parser("nodes", help="every node ever heard, and what it serves")
    add_data_argument(nodes, default=argparse.SUPPRESS)
    nodes.set_defaults(action=_runs_look.nodes)


def _finish(parser: argparse.ArgumentParser, action: Callable[[argparse.Namespace], int]) -> None:
    add_data_argument(parser, default=argparse.SUPPRESS)
    parser.add_argument("--by", help="who says so")
    parser.add_argument("--at", metavar="TIME", help="when it happened, such as 2026-08-14T09:12:00-06:00")
    parser.add_argument("--ago", metavar="MIN", type=float, help="or: so many minutes ago")
    parser.add_argument("--reason", help="why it is said late; needed beyond five minutes")
    parser.set_defaults(action=action)


def run(args: argparse.Namespace) -> int:
    return int(args.action(args))


# --- saying -------------------------------------------------------------------------------------------


def _mark(args: argparse.Namespace) -> int:
    if len(args.words) > 2:
        raise UsageError(f"too many words: {' '.join(args.words)}.", "Write: runs mark [RUN] KIND.")
    kind = args.words[-1]
    if kind not in MARK_KINDS:
        raise UsageError(f"there is no mark {kind!r}.", f"Marks: {', '.join(MARK_KINDS)}.")
    folder = data_dir(args)
    run_id = _run(folder, args.words[0] if len(args.words) == 2 else None)
    if args.take_back:
        return _runs_correct.take_mark_back(folder, run_id, kind, args)
    if args.entry is not None:
        raise UsageError("--entry says which mark --take-back means.", "Nothing was marked.")
    if kind == "note" and not (args.text or "").strip():
        raise UsageError("a note without words says nothing: add --text.", "Nothing was marked.")
    happened = moment_from(args)
    if happened is not None:
        check_late(utc_text(happened), args.reason)
    said = say_mark(
        folder,
        run_id,
        kind,
        text=args.text,
        by=args.by,
        happened_utc=utc_text(happened) if happened else None,
        reason=args.reason,
        even_so=ABOUT if args.even_so else (),
    )
    if isinstance(said, Doubt):
        raise UsageError(said.why, _INSTEAD[said.about].format(kind=kind))
    print(f"marked {kind} in run {run_id}")
    return 0


def _reading(args: argparse.Namespace) -> int:
    if len(args.words) > 2:
        raise UsageError(f"too many words: {' '.join(args.words)}.", "Write: runs reading [RUN] DEGREES.")
    folder, water_C = data_dir(args), _degrees(args.words[-1])
    if water_C is None and len(args.words) == 2:
        raise UsageError(f"{args.words[-1]!r} is no temperature.", "Write 94.5C or 202F.")
    named = args.words[0] if len(args.words) == 2 or water_C is None else None
    run_id = _run(folder, named)
    with closing(open_writer(folder)) as conn:
        if water_C is not None:
            happened = moment_from(args)
            happened_utc = utc_text(happened) if happened else None
            if happened_utc:
                check_late(happened_utc, args.reason)
            enter_reading(
                conn,
                run_id,
                water_C,
                args.thermometer,
                args.by or "",
                happened_utc=happened_utc,
                reason=args.reason,
            )
        log = manual_log(conn, run_id)
    if log is None:
        print(f"nothing was put down by hand for run {run_id}")
        return 0
    if water_C is None:
        for one in log.readings:
            late = "  written down later" if one.made_late else ""
            print(
                f"{in_zone(one.happened_utc, None)}  {one.water_C:.1f} °C  {one.thermometer}  {one.by}{late}"
            )
    print(f"run {run_id}, {log.in_words()}")
    return 0


def _degrees(text: str) -> float | None:
    """``94.5``, ``94.5C`` or ``202F`` in °C; None for anything else."""
    found = re.fullmatch(r"(-?[0-9]+(?:\.[0-9]+)?)(?:\s*°?\s*([CF]))?", text)
    if found is None:
        return None
    degrees = float(found[1])
    return f_to_c(degrees) if found[2] == "F" else degrees


def _end(args: argparse.Namespace) -> int:
    folder = data_dir(args)
    run_id = _run(folder, args.run)
    ended_s = _facts(folder)[run_id].ended_s
    moment = moment_from(args)
    if ended_s is not None and (moment is None or moment.timestamp() >= ended_s):
        raise UsageError(
            f"run {run_id} is over since {in_zone(epoch_text(ended_s), None)}.", "Nothing was written down."
        )
    _append(folder, args, "run_ended", {}, run_id)
    print(f"run {run_id} ended")
    return 0


def _correct(args: argparse.Namespace) -> int:
    folder = data_dir(args)
    return _runs_correct.correct(folder, _run(folder, args.run), args)


def _assign(args: argparse.Namespace) -> int:
    folder = data_dir(args)
    canner = None if args.canner == "none" else args.canner
    notes = _assign_notes(folder, args.node, canner)
    _append(folder, args, "node_assigned", {"node": args.node, "canner": canner}, None)
    print(f"node {args.node} serves {canner or 'no canner'} from now on")
    for note in notes:
        print(f"! {note}")
    return 0


def _assign_notes(folder: Path, node: str, canner: str | None) -> list[str]:
    """What may surprise: a name that was never heard, a run left without readings, two nodes at one canner."""
    if not store_path(folder).exists():
        return [NEVER_HEARD.format(node=node)]
    with closing(reader.open_reader(folder)) as conn:
        heard, house = {row.name for row in reader.nodes(conn)}, read_house(conn)
    notes = [] if node in heard else [NEVER_HEARD.format(node=node)]
    left = run_left_alone(house, node, canner)
    if left is not None:
        notes.append(
            f"Run {left.run_id} on {left.canner} is on, and no other node watches it: it has no readings now."
        )
    others = [one for one in house.nodes_at(canner) if one != node]
    if others:
        notes.append(
            f"{canner} is served by {', '.join(others)} too: one of them leads the record, the others stand beside it. "
            "'boilwitness runs assign NODE none' takes one away."
        )
    return notes


def _append(
    folder: Path, args: argparse.Namespace, kind: str, body: dict[str, Any], run_id: str | None
) -> None:
    happened = moment_from(args)
    happened_utc = utc_text(happened) if happened else None
    if happened_utc:
        check_late(happened_utc, args.reason)
    append_entry(folder, kind, body, run_id=run_id, by=args.by, happened_utc=happened_utc, reason=args.reason)


def _facts(folder: Path) -> dict[str, RunFacts]:
    house = reader.house_in(folder)
    return house.runs if house else {}


def _run(folder: Path, run_id: str | None) -> str:
    """The run that is meant: the named one, or the only one that is on."""
    facts = _facts(folder)
    if run_id is not None:
        if run_id not in facts:
            raise UsageError(f"there is no run {run_id!r} in {folder}.", "'boilwitness runs' lists them.")
        return run_id
    on = [one.run_id for one in facts.values() if one.ended_s is None and not one.imported]
    if len(on) != 1:
        which = f"these are on: {', '.join(on)}" if on else "no run is on"
        raise UsageError(f"say which run; {which}.")
    return on[0]
