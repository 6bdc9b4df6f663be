"""``boilwitness jars``: after the heat is off: cooling, seals, and where each jar goes."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from monitor.cli import _jars_words as words
from monitor.cli._data import add_data_argument, data_dir
from monitor.cli._header import moment_from
from monitor.cli._jars_store import Batch, load_batch, load_pantry
from monitor.errors import RefusedError, UsageError
from monitor.jars import (
    ASK,
    QUESTIONS,
    SHEETS,
    Status,
    check_answers,
    html_sheet,
    labels,
    plain_text,
    reprocess_extra,
    status_of,
)
from monitor.jars.signed import evaluation_trouble, own_timing_trouble
from monitor.store.entries import LATE_ENTRY_S, append_entry
from monitor.store.stamp import SYSTEM_TIME, utc_text

EXIT_REFUSED = 3
#: Where the pages are on this machine unless said otherwise.
BASE_URL = "http://127.0.0.1:8501"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run", metavar="RUN", help="a run's id in the store, or 'pantry' for what is kept")
    add_data_argument(parser)
    parser.add_argument("--json", action="store_true", help="print the state as a JSON document")
    parser.set_defaults(action=_status)
    verbs = parser.add_subparsers(metavar="status|cooling|lifted|seal|place|recheck|deviation|review|...")
    _add(verbs, "status", _status, "where each jar is, why, and by when (the default)", says=False)
    _add(verbs, "cooling", _cooling, "how the jars cool and the vacuum to expect", says=False)

    lifted = _add(verbs, "lifted", _lifted, "the jars are out of the canner")
    lifted.add_argument("--out", type=int, required=True, metavar="N", help="how many came out whole")
    lifted.add_argument("--broken", type=_numbers, default=[], metavar="3,4", help="which ones broke")

    seal = _add(verbs, "seal", _seal, "one jar's seal: press, look, tap, lift")
    seal.add_argument("jar", type=int, metavar="JAR")
    for question, answers in QUESTIONS.items():
        seal.add_argument(f"--{question}", choices=answers, help=ASK[question])
    seal.add_argument("--broken", action="store_true", help="the jar is broken")
    seal.add_argument("--opened", action="store_true", help="it was opened for a test")
    seal.add_argument("--corrects", type=int, metavar="ENTRY", help="this answer replaces that entry")

    place = _add(verbs, "place", _place, "say where jars go: refrigerate, frozen, reprocess, discarded")
    place.add_argument("jars", type=_numbers, metavar="JAR[,JAR]")
    place.add_argument("to", metavar="PLACE")
    place.add_argument("--use-by", metavar="DATE", help="a shorter use-by date")

    recheck = _add(verbs, "recheck", _recheck, "a jar on the shelf was looked at, used or given away")
    recheck.add_argument("jar", type=int, metavar="JAR")
    recheck.add_argument("found", choices=("fine", "lost_seal", "bulge", "used", "given"))

    deviation = _add(verbs, "deviation", _deviation, "open or close a deviation")
    deviation.add_argument("--open", metavar="TEXT", help="what departed from the procedure")
    deviation.add_argument("--jars", type=_numbers, metavar="1,2", help="only these jars")
    deviation.add_argument("--close", metavar="KEY", help="the key shown by 'status'")
    deviation.add_argument("--cause", help="why it happened")
    deviation.add_argument("--action", dest="action_taken", help="what was done about it")

    timing = _add(verbs, "own-timing", _own_timing, "sign your own timing of a hold that is not proven")
    timing.add_argument("--how", required=True, help="what you timed it with, and where you stood")
    timing.add_argument("--from", dest="from_utc", required=True, metavar="TIME")
    timing.add_argument("--to", dest="to_utc", required=True, metavar="TIME")

    expert = _add(verbs, "evaluation", _evaluation, "attach a competent person's written opinion")
    expert.add_argument("--person", required=True)
    expert.add_argument("--competence", required=True)
    expert.add_argument("--opinion", required=True, type=Path, metavar="FILE", help="the text of the opinion")

    again = _add(verbs, "reprocess", _reprocess, "begin the run that reprocesses jars")
    again.add_argument("jars", type=_numbers, metavar="JAR[,JAR]")
    again.add_argument("--minutes", type=float, required=True, help="the full hot-pack time")
    again.add_argument("--source", required=True, help="where that time is published")
    again.add_argument("--pack", default="hot", choices=("hot", "raw"))
    again.add_argument("--new-lids", action="store_true", help="rims checked, new lids on")

    review = _add(verbs, "review", _review, "the check list; with --sign, sign it")
    review.add_argument("--sign", action="store_true")
    review.add_argument(
        "--note", action="append", default=[], metavar="LINE=REASON", help="for a failing line"
    )

    sheet = _add(verbs, "labels", _labels, "labels for the jars on the shelf list", says=False)
    sheet.add_argument("--sheet", default="a4-24", choices=sorted(SHEETS))
    sheet.add_argument("--to", type=Path, metavar="FILE.html", help="write a page to print; else plain text")
    sheet.add_argument("--jars", type=_numbers, metavar="1,2")
    sheet.add_argument("--base-url", default=BASE_URL, help="where the pages are, for the QR code")


def _add(
    verbs: Any, name: str, action: Callable[[argparse.Namespace], int], line: str, *, says: bool = True
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = verbs.add_parser(name, help=line, description=line)
    parser.set_defaults(action=action)
    parser.add_argument("--data", metavar="DIR", type=Path, default=argparse.SUPPRESS)
    if says:
        parser.add_argument("--by", help="who says so")
        parser.add_argument("--at", metavar="TIME", help="when it happened")
        parser.add_argument("--ago", metavar="MIN", type=float, help="or: so many minutes ago")
        parser.add_argument("--reason", help="why it is said late; needed beyond five minutes")
    else:
        parser.add_argument("--json", action="store_true", default=argparse.SUPPRESS)
    return parser


def _numbers(text: str) -> list[int]:
    try:
        return [int(part) for part in text.split(",") if part]
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no list of jar numbers such as 1,2,5") from None


def run(args: argparse.Namespace) -> int:
    try:
        return _pantry(args) if args.run == "pantry" else int(args.action(args))
    except RefusedError as refusal:
        print(f"refused: {refusal}", file=sys.stderr)
        return EXIT_REFUSED


# --- looking ------------------------------------------------------------------------------------------


def _batch(args: argparse.Namespace) -> Batch:
    return load_batch(data_dir(args), args.run, SYSTEM_TIME.utc_now())


def _status(args: argparse.Namespace) -> int:
    batch = _batch(args)
    now = SYSTEM_TIME.utc_now()
    if args.json:
        print(json.dumps(words.state_json(batch.state, now), indent=2, ensure_ascii=False))
    else:
        print(words.status(batch.state, now))
    return 0


def _cooling(args: argparse.Namespace) -> int:
    print(words.cooling(_batch(args).run))
    return 0


def _pantry(args: argparse.Namespace) -> int:
    states = load_pantry(data_dir(args), SYSTEM_TIME.utc_now())
    print(words.pantry_words(states, SYSTEM_TIME.utc_now()))
    return 0


def _labels(args: argparse.Namespace) -> int:
    found = labels(_batch(args).state, args.base_url, args.jars)
    if not found:
        raise RefusedError("no jar of this run is on the shelf list yet.", "'status' says why.")
    if args.to is None:
        print(plain_text(found), end="")
        return 0
    args.to.write_text(html_sheet(found, args.sheet), encoding="utf-8")
    print(f"{len(found)} labels in {args.to}; print without scaling")
    return 0


# --- saying -------------------------------------------------------------------------------------------


def _say(args: argparse.Namespace, kind: str, body: dict[str, Any], corrects: int | None = None) -> int:
    happened = moment_from(args)
    if happened is not None:
        late_s = (SYSTEM_TIME.utc_now() - happened).total_seconds()
        if late_s > LATE_ENTRY_S and not args.reason:
            raise UsageError(f"this happened {late_s / 60:.0f} min ago.", "Say why it is late with --reason.")
    return append_entry(
        data_dir(args),
        kind,
        body,
        run_id=args.run,
        by=args.by,
        happened_utc=utc_text(happened) if happened else None,
        corrects=corrects,
        reason=args.reason,
    )


def _lifted(args: argparse.Namespace) -> int:
    batch = _batch(args)
    if batch.state.lifted is None:
        _say(args, "mark", {"kind": "jars_lifted"})
    _say(args, "jars_lifted_count", {"out": args.out, "broken": args.broken})
    return _tell(args)


def _seal(args: argparse.Namespace) -> int:
    batch = _batch(args)
    _known(batch, [args.jar])
    body: dict[str, Any] = {"jar": args.jar}
    if args.broken or args.opened:
        body["broken" if args.broken else "opened"] = True
    else:
        body |= {question: getattr(args, question) for question in QUESTIONS}
        if all(body[question] is None for question in QUESTIONS) and sys.stdin.isatty():
            body |= {question: _ask(question) for question in QUESTIONS}
    check_answers(body)
    number = _say(args, "jar_seal", body, args.corrects)
    seal = next(jar.seal for jar in _batch(args).state.jars if jar.jar == args.jar)
    print(f"jar {args.jar}: {seal.seal.value} ({seal.why}); entry {number}")
    return 0


def _ask(question: str) -> str | None:
    """The answer typed by a person; empty or unknown is none, which counts as unsealed."""
    print(ASK[question])
    given = input(f"  {' / '.join(QUESTIONS[question])}: ").strip().lower()
    return given if given in QUESTIONS[question] else None


def _place(args: argparse.Namespace) -> int:
    batch = _batch(args)
    _known(batch, args.jars)
    wanted = status_of(args.to)
    if wanted is None:
        raise UsageError(
            f"there is no place {args.to!r}.", f"Use one of: {', '.join(s.value for s in Status)}."
        )
    happened = moment_from(args) or SYSTEM_TIME.utc_now()
    for jar in args.jars:
        body = {"jar": jar, "to": wanted.value, "use_by": args.use_by}
        if why := batch.refusal_of("jar_disposition", body, happened.astimezone(UTC), args.by):
            raise RefusedError(f"{why}.")
    for jar in args.jars:
        _say(args, "jar_disposition", {"jar": jar, "to": wanted.value, "use_by": args.use_by})
    return _tell(args)


def _recheck(args: argparse.Namespace) -> int:
    _known(_batch(args), [args.jar])
    _say(args, "jar_recheck", {"jar": args.jar, "found": args.found})
    return _tell(args)


def _deviation(args: argparse.Namespace) -> int:
    batch = _batch(args)
    if (args.open is None) == (args.close is None):
        raise UsageError("give --open TEXT or --close KEY.")
    if args.open is not None:
        _say(args, "deviation_opened", {"what": args.open} | ({"jars": args.jars} if args.jars else {}))
        return _tell(args)
    if args.close not in {one.key for one in batch.state.deviations if one.is_open}:
        raise UsageError(f"no open deviation has the key {args.close!r}.", "'status' lists them.")
    if not (args.cause and args.action_taken and args.by):
        raise UsageError("a deviation is closed with --cause, --action and --by.")
    body = {"deviation": args.close, "cause": args.cause, "action": args.action_taken}
    _say(args, "deviation_closed", body)
    return _tell(args)


def _own_timing(args: argparse.Namespace) -> int:
    batch = _batch(args)
    body = {"how": args.how, "from_utc": args.from_utc, "to_utc": args.to_utc}
    if why := own_timing_trouble(body, args.by, batch.verdict):
        raise RefusedError(f"{why}.")
    if batch.two_hours is not None and SYSTEM_TIME.utc_now() > batch.two_hours:
        raise RefusedError(
            "the 2 hours have passed; a timing signed now changes nothing.", "Discard the jars."
        )
    _say(args, "own_timing", body)
    return _tell(args)


def _evaluation(args: argparse.Namespace) -> int:
    try:
        opinion = args.opinion.read_text(encoding="utf-8")
    except OSError as trouble:
        raise UsageError(f"{args.opinion} cannot be read: {trouble.strerror}.") from trouble
    body = {"person": args.person, "competence": args.competence, "opinion": opinion}
    if why := evaluation_trouble(body, args.by):
        raise RefusedError(f"{why}.")
    _batch(args)
    _say(args, "evaluation", body)
    return _tell(args)


def _reprocess(args: argparse.Namespace) -> int:
    batch = _batch(args)
    extra = reprocess_extra(
        batch.run, batch.state, args.jars, pack=args.pack, source=args.source, new_lids=args.new_lids
    )
    now: datetime = moment_from(args) or SYSTEM_TIME.utc_now()
    header = batch.child_header(extra, args.minutes, args.source, now)
    append_entry(
        data_dir(args),
        "run_started",
        header,
        run_id=str(header["run_id"]),
        by=args.by,
        happened_utc=utc_text(now),
    )
    print(f"run {header['run_id']} started for jars {', '.join(map(str, args.jars))} of {args.run}")
    print("Record the coldest jar's temperature anew, mark jars_in when they go in, and hold the full time.")
    return 0


def _review(args: argparse.Namespace) -> int:
    batch = _batch(args)
    if not args.sign:
        print(words.review(batch.state))
        return 0
    if not args.by:
        raise UsageError("a review is signed with --by NAME.")
    notes = dict(note.partition("=")[::2] for note in args.note)
    bare = [i for i in batch.state.review_items if i.ok is False and not notes.get(i.key)]
    if bare:
        line = f"'{bare[0].title}' does not hold ({bare[0].evidence})"
        raise RefusedError(f"{line}.", f"Give a reason: --note {bare[0].key}=WHY.")
    if batch.state.sums.problem:
        raise RefusedError(f"{batch.state.sums.problem}.", "Account for every jar first.")
    _say(args, "review", {"content": batch.state.content, "meaning": "reviewed", "reasons": notes})
    return _tell(args)


def _known(batch: Batch, jars: list[int]) -> None:
    numbers = {jar.jar for jar in batch.state.jars}
    for jar in jars:
        if jar not in numbers:
            raise UsageError(f"run {batch.run.run_id} has no jar {jar}.", f"It has {len(numbers)}.")


def _tell(args: argparse.Namespace) -> int:
    print(words.status(_batch(args).state, SYSTEM_TIME.utc_now()))
    return 0
