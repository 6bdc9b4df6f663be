"""What the verb ``jars`` appends: liftings, seals, places, deviations, signatures, reprocessing."""

from __future__ import annotations

import argparse
import sys
from contextlib import closing
from datetime import UTC, date, datetime
from typing import Any

from monitor.cli import _jars_words as words
from monitor.cli._data import data_dir
from monitor.cli._header import check_late, moment_from
from monitor.cli._jars_look import batch_of, status
from monitor.errors import RefusedError, UsageError
from monitor.jars import (
    ASK,
    QUESTIONS,
    Seal,
    Status,
    check_answers,
    evaluation_trouble,
    own_timing_trouble,
    reprocess_extra,
    status_of,
)
from monitor.jars.reprocess import child_header, these_are_trouble
from monitor.jars.rows import all_rows, local_time, without_corrected
from monitor.jars.seals import newest_answer
from monitor.jars.shelf import disagreement, newest_look, on_shelf
from monitor.store.batches import Batch, load_batch, sharing
from monitor.store.entries import LATE_ENTRY_S, append_entry
from monitor.store.lots import with_lot
from monitor.store.mark_doubt import mark_doubt
from monitor.store.occupied import check_again, start_clashes
from monitor.store.reader import open_reader
from monitor.store.runs import read_house
from monitor.store.stamp import SYSTEM_TIME, utc_text
from monitor.store.starting import start_run


def _say(
    args: argparse.Namespace,
    kind: str,
    body: dict[str, Any],
    *,
    corrects: int | None = None,
    run_id: str | None = None,
) -> int:
    happened = moment_from(args)
    if happened is not None:
        late_s = (SYSTEM_TIME.utc_now() - happened).total_seconds()
        if late_s > LATE_ENTRY_S and not args.reason:
            raise UsageError(f"this happened {late_s / 60:.0f} min ago.", "Say why it is late with --reason.")
    return append_entry(
        data_dir(args),
        kind,
        body,
        run_id=run_id or args.run,
        by=args.by,
        happened_utc=utc_text(happened) if happened else None,
        corrects=corrects,
        reason=args.reason,
    )


def lifted(args: argparse.Namespace) -> int:
    batch = batch_of(args)
    _add_up(batch, args)
    known, said = batch.state.lifting, moment_from(args)
    marked = known is not None and not known.how
    if known is not None and marked and said is not None and abs((said - known.at).total_seconds()) >= 60.0:
        raise UsageError(
            f"the lifting is marked already, at {local_time(known.at, batch.state.zone)}.",
            f"Nothing was written down. To put its hour right: 'boilwitness runs mark {args.run} jars_lifted "
            "--take-back', then say it again.",
        )
    if not marked:
        lifting = ("jars_lifted", said or SYSTEM_TIME.utc_now())
        doubt = mark_doubt(batch.run, batch.state, batch.verdict, [lifting])
        if doubt and not args.even_so:
            raise UsageError(
                doubt, "Nothing was written down. Look at --at or --ago; if it was so: --even-so."
            )
        _say(args, "mark", {"kind": "jars_lifted"})
    _say(args, "jars_lifted_count", {"out": args.out, "broken": args.broken})
    return _tell(args)


def _add_up(batch: Batch, args: argparse.Namespace) -> None:
    """Refuse more jars out of the canner than went in; fewer may still be found."""
    _known(batch, args.broken)
    if args.out < 0:
        raise UsageError(f"{args.out} jars cannot come out.", "Say with --out how many came out whole.")
    went_in = batch.state.sums.loaded
    broken = {jar.jar for jar in batch.state.jars if jar.seal.seal is Seal.BROKEN} | set(args.broken)
    if went_in is None or args.out + len(broken) <= went_in:
        return
    named = ",".join(map(str, sorted(broken)))
    raise UsageError(
        f"{went_in} jars went in, so {args.out} whole and {len(broken)} broken cannot come out.",
        f"--out counts the whole ones alone: with {'jar' if len(broken) == 1 else 'jars'} {named} broken at most "
        f"--out {went_in - len(broken)} --broken {named}."
        if broken
        else f"At most --out {went_in}.",
    )


def seal(args: argparse.Namespace) -> int:
    batch = batch_of(args)
    _known(batch, [args.jar])
    body: dict[str, Any] = {"jar": args.jar}
    if args.broken or args.opened:
        body["broken" if args.broken else "opened"] = True
    else:
        body |= {question: getattr(args, question) for question in QUESTIONS}
        if all(body[question] is None for question in QUESTIONS) and sys.stdin.isatty():
            print(words.so_far(batch.state, args.jar))
            body["seen"] = newest_answer(batch.entries, args.jar)
            body |= {question: _ask(question) for question in QUESTIONS}
        if all(body[question] is None for question in QUESTIONS):
            # A seal that nobody looked at is not judged, and must not take the place of one that was.
            raise UsageError(
                f"nothing was said of jar {args.jar}; nothing was written down.",
                f"Answer {', '.join(f'--{question}' for question in QUESTIONS)}; or say --broken or --opened.",
            )
    if args.seen is not None:
        body["seen"] = _read_up_to(batch, args.jar, args.seen)
    check_answers(body)
    if not args.broken:
        _must_be_after_the_heat(batch, moment_from(args))
    if args.corrects is not None:
        _must_be_an_answer(batch, args.corrects, args.jar)
    number = _say(args, "jar_seal", body, corrects=args.corrects)
    state = batch_of(args).state
    jar = next(jar for jar in state.jars if jar.jar == args.jar)
    judged = jar.seal
    print(f"jar {args.jar}: {judged.seal.value} ({judged.why}); entry {number}")
    if jar.seal_lost or judged.seal is Seal.OPENED:
        print(words.fold(jar.do, "    "))
    if judged.disputed:
        print(words.disputed(state, judged))
    return 0


def _read_up_to(batch: Batch, jar: int, seen: int) -> int:
    """What is still to come nobody has read."""
    newest = newest_answer(batch.entries, jar)
    if seen <= newest:
        return seen
    if not newest:
        raise UsageError(f"nothing was said of jar {jar} that could be read.", "Leave --seen out.")
    raise UsageError(
        f"entry {seen} says nothing of jar {jar}'s seal.",
        f"The newest that does is {newest}; 'status' shows what stands. If you have read that: --seen {newest}.",
    )


def _must_be_after_the_heat(batch: Batch, happened: datetime | None) -> None:
    """In boiling water no lid has pulled down: a time given before heat off is a mistyped one."""
    off = batch.state.heat_off
    if happened is not None and off is not None and happened < off.at:
        raise UsageError(
            f"the heat was not off yet at {happened.isoformat(timespec='minutes')}: no seal can be judged there.",
            f"Heat off: {local_time(off.at, batch.state.zone)}. Check --at.",
        )


def _must_be_an_answer(batch: Batch, entry: int, jar: int) -> None:
    """A correction takes the place of what it names: of another jar's answer, or of a mark, it would be a loss."""
    taken = {one.corrects for one in batch.entries if one.corrects is not None}
    own = [
        one.id
        for one in batch.entries
        if one.kind == "jar_seal" and one.body.get("jar") == jar and one.id not in taken
    ]
    if entry not in own:
        stand = (
            f"Of jar {jar} these stand: {', '.join(map(str, own))}."
            if own
            else f"Nothing stands of jar {jar} yet."
        )
        raise UsageError(f"entry {entry} is no answer about the seal of jar {jar} that stands.", stand)


def _ask(question: str) -> str | None:
    """The answer typed by a person; empty or unknown is none, which counts as unsealed."""
    print(ASK[question])
    given = input(f"  {' / '.join(QUESTIONS[question])}: ").strip().lower()
    return given if given in QUESTIONS[question] else None


def place(args: argparse.Namespace) -> int:
    batch = batch_of(args)
    _known(batch, args.jars)
    wanted = status_of(args.to)
    if wanted is None:
        raise UsageError(
            f"there is no place {args.to!r}.", f"Use one of: {', '.join(s.value for s in Status)}."
        )
    _must_be_a_day(args.use_by)
    happened = moment_from(args) or SYSTEM_TIME.utc_now()
    for jar in args.jars:
        body = {"jar": jar, "to": wanted.value, "use_by": args.use_by}
        if why := batch.refusal_of("jar_disposition", body, args.by, happened.astimezone(UTC)):
            raise RefusedError(f"{why}.")
    for jar in args.jars:
        _say(args, "jar_disposition", {"jar": jar, "to": wanted.value, "use_by": args.use_by})
    return _tell(args)


def _must_be_a_day(use_by: str | None) -> None:
    try:
        date.fromisoformat(use_by or "2026-01-01")
    except ValueError:
        raise UsageError(f"--use-by {use_by} is no day.", "Write 2026-12-31.") from None


def recheck(args: argparse.Namespace) -> int:
    batch = batch_of(args)
    _known(batch, [args.jar])
    jar = next(one for one in batch.state.jars if one.jar == args.jar)
    # Bad news is taken of any jar: one that is held back now may be on the shelf again.
    if args.found == "fine" and jar.status is not Status.SHELF and not jar.seal_lost:
        raise RefusedError(
            f"jar {jar.jar} is not on the shelf: {jar.status.value}.", "Nothing was written down."
        )
    said = on_shelf(without_corrected(all_rows(batch.entries)), args.jar)
    newest = newest_look(batch.entries, args.jar)
    if args.found == "fine" and said.lost and said.look is not None and args.seen != newest:
        raise RefusedError(
            f"jar {args.jar} was found bad: {disagreement(said.look, batch.state.zone)}.",
            f"If you have looked at it again, and it is fine: --seen {newest} --reason WHY.",
        )
    if args.found == "fine" and said.lost and not args.reason:
        raise UsageError(f"say why jar {args.jar} is fine after all.", "Give --reason.")
    _say(
        args,
        "jar_recheck",
        {"jar": args.jar, "found": args.found} | ({} if args.seen is None else {"seen": args.seen}),
    )
    return _tell(args)


def these_are(args: argparse.Namespace) -> int:
    """Correct which jars of the run before a reprocessing took; what was written down first stays."""
    batch = batch_of(args)
    parent_id = batch.state.parent_run
    if parent_id is None:
        raise RefusedError(f"run {args.run} reprocesses no jars of another run.", "Nothing was written down.")
    if not args.by or not args.reason:
        raise UsageError("say who corrects it, and why.", "Give --by and --reason.")
    with closing(open_reader(data_dir(args))) as conn:
        parent = load_batch(conn, parent_id, SYSTEM_TIME.utc_now())
    if why := these_are_trouble(parent.state, batch.state, args.jars):
        raise RefusedError(f"{why}.", "Nothing was written down.")
    _say(args, "header_changed", {"reprocess_jars": args.jars})
    there = ", ".join(f"jar {number} is jar {was} there" for number, was in enumerate(args.jars, 1))
    print(f"run {args.run} reprocesses {words.numbered(args.jars)} of {parent_id}: {there}")
    return _tell(args)


def deviation(args: argparse.Namespace) -> int:
    batch = batch_of(args)
    if (args.open is None) == (args.close is None):
        raise UsageError("give --open TEXT or --close KEY.")
    if args.open is not None:
        return _open_deviation(args)
    if args.close not in {one.key for one in batch.state.deviations if one.is_open}:
        raise UsageError(f"no open deviation has the key {args.close!r}.", "'status' lists them.")
    if not (args.cause and args.action_taken and args.by):
        raise UsageError("a deviation is closed with --cause, --action and --by.")
    body = {"deviation": args.close, "cause": args.cause, "action": args.action_taken}
    _say(args, "deviation_closed", body)
    return _tell(args)


def _open_deviation(args: argparse.Namespace) -> int:
    """In this run, and with ``--others`` in every run that may share the fault."""
    _say(args, "deviation_opened", {"what": args.open} | ({"jars": args.jars} if args.jars else {}))
    if args.others:
        with closing(open_reader(data_dir(args))) as conn:
            others = sharing(conn, args.run, SYSTEM_TIME.utc_now())
        for run_id in others:
            body = {"what": args.open, "how_found": f"later, in run {args.run}"}
            _say(args, "deviation_opened", body, run_id=run_id)
        print(f"also opened in: {', '.join(others) or 'no other run'}")
    return _tell(args)


def own_timing(args: argparse.Namespace) -> int:
    batch = batch_of(args)
    body = {"how": args.how, "from_utc": args.from_utc, "to_utc": args.to_utc}
    if why := own_timing_trouble(batch.run, batch.verdict, body, args.by, SYSTEM_TIME.utc_now()):
        raise RefusedError(f"{why}.")
    if batch.state.sign_by is not None and SYSTEM_TIME.utc_now() > batch.state.sign_by:
        raise RefusedError(
            "the 2 hours have passed; a timing signed now changes nothing.", "Discard the jars."
        )
    _say(args, "own_timing", body)
    return _tell(args)


def evaluation(args: argparse.Namespace) -> int:
    try:
        opinion = args.opinion.read_text(encoding="utf-8")
    except OSError as trouble:
        raise UsageError(f"{args.opinion} cannot be read: {trouble.strerror}.") from trouble
    except UnicodeDecodeError as trouble:
        raise UsageError(
            f"{args.opinion} is not plain text (UTF-8).",
            "Write the opinion into a text file; keep the paper too.",
        ) from trouble
    body = {"person": args.person, "competence": args.competence, "opinion": opinion}
    if why := evaluation_trouble(body, args.by):
        raise RefusedError(f"{why}.")
    batch_of(args)
    _say(args, "evaluation", body)
    return _tell(args)


def reprocess(args: argparse.Namespace) -> int:
    batch = batch_of(args)
    extra = reprocess_extra(
        batch.run,
        batch.state,
        args.jars,
        pack=args.pack,
        source=args.source,
        minutes=args.minutes,
        new_lids=args.new_lids,
    )
    now: datetime = moment_from(args) or SYSTEM_TIME.utc_now()
    check_late(utc_text(now), args.reason)
    header = child_header(
        batch.header,
        batch.known_ids,
        extra,
        minutes=args.minutes,
        source=args.source,
        at=now,
        coldest_jar_C=args.coldest_jar_c,
    )
    with closing(open_reader(data_dir(args))) as conn:
        header = with_lot(conn, header)
        house = read_house(conn)
    canner = header.get("canner")
    ends_parent = check_again(house, canner, args.run)
    start_run(
        data_dir(args),
        str(header["run_id"]),
        [("run_started", header)],
        canner=canner,
        seen=start_clashes(house, canner, starts_s=now.timestamp()),
        by=args.by,
        starts_s=now.timestamp(),
        happened_utc=utc_text(now),
        reason=args.reason,
    )
    if ends_parent:
        print(f"run {args.run} on {canner} is ended by this one")
    before = extra["reprocess_jars"]
    there = ", ".join(f"jar {was} is jar {number} there" for number, was in enumerate(before, 1))
    print(f"run {header['run_id']} started for {words.numbered(before)} of {args.run}: {there}")
    print("Mark jars_in when they go in, and hold the full time.")
    return 0


def _notes(batch: Batch, given: list[str]) -> dict[str, str]:
    """A reason by the line it is about. Raises UsageError for one about no line: it would be lost."""
    notes = dict(note.partition("=")[::2] for note in given)
    lines = [item.key for item in batch.state.review_items]
    for key, why in notes.items():
        if key not in lines or not why.strip():
            raise UsageError(f"--note {key} names no line and its reason.", f"Lines: {', '.join(lines)}.")
    return notes


def review(args: argparse.Namespace) -> int:
    batch = batch_of(args)
    if not args.sign:
        print(words.review(batch.state))
        return 0
    if not args.by:
        raise UsageError("a review is signed with --by NAME.")
    notes = _notes(batch, args.note)
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
    return status(args)
