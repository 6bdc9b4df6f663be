"""``boilwitness jars``: after the heat is off: cooling, seals, and where each jar goes."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from monitor.cli import _jars_back as back
from monitor.cli import _jars_look as look
from monitor.cli import _jars_say as say
from monitor.cli._data import add_data_argument
from monitor.cli._numbers import number
from monitor.cli.main import EXIT_REFUSED
from monitor.errors import RefusedError, UsageError
from monitor.jars import ASK, QUESTIONS, SHEETS
from monitor.jars.labels import PAGES
from monitor.jars.reprocess import COLDEST_C

#: What a run's header may say of its time: within this it is asked which of two numbers is meant. [min]
READABLE_MIN = (0.1, 1440.0)
_ONE_JAR = "the jar's number in its run"
_JARS = "the jars' numbers in their run, with commas between"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "run",
        metavar="RUN",
        help="a run's id in the store, a jar's code from its label, or 'pantry' for what is kept",
    )
    add_data_argument(parser)
    parser.add_argument("--json", action="store_true", help="print the state as a JSON document")
    parser.set_defaults(action=look.status)
    verbs = parser.add_subparsers(metavar="status|cooling|lifted|seal|place|...")
    _add(verbs, "status", look.status, "where each jar is, why, and by when (the default)", says=False)
    _add(verbs, "cooling", look.cooling, "how the jars cool and the vacuum to expect", says=False)

    lifted = _add(verbs, "lifted", say.lifted, "the jars are out of the canner")
    lifted.add_argument("--out", type=int, required=True, metavar="N", help="how many came out whole")
    lifted.add_argument("--broken", type=_numbers, default=[], metavar="3,4", help="which ones broke")
    lifted.add_argument(
        "--even-so",
        action="store_true",
        help="also at an hour before the jars went in or the heat was off, or that costs what the run has held",
    )

    seal = _add(verbs, "seal", say.seal, "one jar's seal: press, look, tap, lift")
    seal.add_argument("jar", type=int, metavar="JAR", help=_ONE_JAR)
    for question, answers in QUESTIONS.items():
        seal.add_argument(f"--{question}", choices=answers, help=ASK[question])
    seal.add_argument("--broken", action="store_true", help="the jar is broken")
    seal.add_argument("--opened", action="store_true", help="it was opened for a test")
    seal.add_argument("--corrects", type=int, metavar="ENTRY", help="this answer replaces that entry")
    seal.add_argument(
        "--seen", type=int, metavar="ENTRY", help="you have read what was said of the jar up to that entry"
    )

    place = _add(verbs, "place", back.place, "say where jars go: refrigerate, frozen, reprocess, discarded")
    place.add_argument("jars", type=_numbers, metavar="JAR[,JAR]", help=_JARS)
    place.add_argument(
        "to",
        nargs="?",
        metavar="PLACE",
        help="one of refrigerate, frozen, reprocess, discarded; or 'on hold' to hold a jar back, 'waiting' to end that",
    )
    place.add_argument("--use-by", metavar="DATE", help="a shorter use-by date")
    place.add_argument(
        "--take-back",
        action="store_true",
        help="instead: take back where they were put by mistake; with --reason",
    )

    recheck = _add(verbs, "recheck", back.recheck, "a jar on the shelf was looked at, used or given away")
    recheck.add_argument("jar", type=int, metavar="JAR", help=_ONE_JAR)
    recheck.add_argument(
        "found",
        nargs="?",
        help="what was found, or where it went",
        choices=("fine", "lost_seal", "bulge", "used", "given"),
    )
    recheck.add_argument(
        "--take-back",
        action="store_true",
        help="instead: take back that it was used or given away; with --reason",
    )
    recheck.add_argument(
        "--seen",
        type=int,
        metavar="ENTRY",
        help="with 'fine': you have read what was found of the jar up to that entry, and looked again",
    )

    deviation = _add(verbs, "deviation", say.deviation, "open or close a deviation")
    deviation.add_argument("--open", metavar="TEXT", help="what departed from the procedure")
    deviation.add_argument("--jars", type=_numbers, metavar="1,2", help="only these jars")
    deviation.add_argument(
        "--others",
        action="store_true",
        help="open it too in every run of this probe since its last good check",
    )
    deviation.add_argument("--close", metavar="KEY", help="the key shown by 'status'")
    deviation.add_argument("--cause", help="why it happened")
    deviation.add_argument("--action", dest="action_taken", help="what was done about it")

    timing = _add(verbs, "own-timing", say.own_timing, "sign your own timing of a hold that is not proven")
    timing.add_argument("--how", required=True, help="what you timed it with, and where you stood")
    timing.add_argument("--from", dest="from_utc", required=True, metavar="TIME")
    timing.add_argument("--to", dest="to_utc", required=True, metavar="TIME")

    expert = _add(verbs, "evaluation", say.evaluation, "attach a competent person's written opinion")
    expert.add_argument("--person", required=True)
    expert.add_argument("--competence", required=True)
    expert.add_argument("--opinion", required=True, type=Path, metavar="FILE", help="the text of the opinion")

    again = _add(verbs, "reprocess", say.reprocess, "begin the run that reprocesses jars")
    again.add_argument("jars", type=_numbers, metavar="JAR[,JAR]", help=_JARS)
    again.add_argument(
        "--minutes",
        type=number(*READABLE_MIN),
        required=True,
        metavar="MIN",
        help="the full hot-pack time [min]",
    )
    again.add_argument("--source", required=True, help="where that time is published")
    again.add_argument("--pack", default="hot", choices=("hot", "raw"))
    again.add_argument(
        "--coldest-jar-c", type=number(*COLDEST_C), metavar="C", help="temperature of the coldest jar [°C]"
    )
    again.add_argument("--new-lids", action="store_true", help="rims checked, new lids on")

    which = _add(
        verbs, "these-are", say.these_are, "RUN reprocesses other jars than was written down: say which"
    )
    which.add_argument(
        "jars",
        type=_numbers,
        metavar="JAR[,JAR]",
        help="their numbers in the run that they come from; the first is jar 1 of RUN",
    )

    called = verbs.add_parser(
        "call-off",
        help="RUN was begun in error to reprocess jars, and none went in: end it, so that it does not count",
    )
    called.set_defaults(action=back.call_off)
    add_data_argument(called, default=argparse.SUPPRESS)
    called.add_argument("--by", help="who says so; needed")
    called.add_argument("--reason", help="why; needed")

    review = _add(verbs, "review", say.review, "the check list; with --sign, sign it")
    review.add_argument("--sign", action="store_true")
    review.add_argument(
        "--note", action="append", default=[], metavar="LINE=REASON", help="for a failing line"
    )

    sheet = _add(verbs, "labels", look.sheet, "labels for the jars on the shelf list", says=False)
    sheet.add_argument(
        "--sheet", default=next(iter(SHEETS)), choices=list(SHEETS), help="paper and label, mm"
    )
    sheet.add_argument("--skip", type=int, default=0, metavar="N", help="labels already gone from the sheet")
    sheet.add_argument("--to", type=Path, metavar="FILE.html", help="write a page to print; else plain text")
    sheet.add_argument("--jars", type=_numbers, metavar="1,2")
    sheet.add_argument("--base-url", default=PAGES, help="where the pages are, for the QR code")


def _add(
    verbs: Any, name: str, action: Callable[[argparse.Namespace], int], line: str, *, says: bool = True
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = verbs.add_parser(name, help=line, description=line)
    parser.set_defaults(action=action)
    add_data_argument(parser, default=argparse.SUPPRESS)
    if says:
        parser.add_argument("--by", help="who says so")
        parser.add_argument("--at", metavar="TIME", help="when it happened")
        parser.add_argument("--ago", metavar="MIN", type=float, help="or: so many minutes ago")
        parser.add_argument("--reason", help="why it is said late; needed beyond five minutes")
    else:
        parser.add_argument("--json", action="store_true", default=argparse.SUPPRESS)
    return parser


def _numbers(text: str) -> list[int]:
    wrong = argparse.ArgumentTypeError(f"{text!r} is no list of jar numbers such as 1,2,5")
    try:
        numbers = [int(part) for part in text.split(",") if part.strip()]
    except ValueError:
        raise wrong from None
    if not numbers:
        raise wrong
    return numbers


def run(args: argparse.Namespace) -> int:
    try:
        shown = look.pantry if args.run == "pantry" else look.find if "/" in args.run else None
        if shown is not None:
            if args.action is not look.status:
                raise UsageError(f"{args.run} is only shown; nothing else was done.", "Name the jar's run.")
            return shown(args)
        return int(args.action(args))
    except RefusedError as refusal:
        print(f"refused: {refusal}", file=sys.stderr)
        return EXIT_REFUSED
