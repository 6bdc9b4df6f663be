"""``boilwitness judge RUN``: what a run proves."""

from __future__ import annotations

import argparse
import gc
import json
from collections.abc import Iterator
from contextlib import contextmanager
from math import inf
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.cli._data import add_data_argument, data_dir, folder_named, is_file
from monitor.errors import MonitorError, RecordError, UsageError
from monitor.judge import Verdict, judge
from monitor.judge.verdict import BROKEN, HELD, UNPROVEN
from monitor.record.model import Run
from monitor.record.read import read_run
from monitor.record.taken_in import NEVER, TAKEN_IN_FILE, TakenIn

if TYPE_CHECKING:
    from monitor.jars.revisions import Revision

#: Exit statuses of the contract. An open run that has not held yet is 11 like an unproven one.
EXIT = {HELD: 0, BROKEN: 10, UNPROVEN: 11, None: 11}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "run", metavar="RUN", help="a run folder (run.json, samples.csv), or a run's id in the store"
    )
    parser.add_argument("--json", action="store_true", help="print the verdict document instead of words")
    parser.add_argument(
        "--budget", action="store_true", help="also print the uncertainty budget, term by term"
    )
    add_data_argument(parser)


def run(args: argparse.Namespace) -> int:
    with _without_collector():
        record = load(args.run, args)
        verdict = judge(record, until_s=_now_s(args, record))
        corrected = _corrections(args, record)
        altered = _not_as_sealed(folder_named(args.run))
        came = record.taken_in or (TakenIn(NEVER) if _has_no_seal(folder_named(args.run)) else None)
    if args.json:
        document = verdict.as_json()
        if came is not None:
            document["taken_in"] = {**came.as_json(), "text": came.words}
        if corrected:
            document["corrections"] = [one.as_json() for one in corrected]
        if altered:
            document["not_as_sealed"] = altered
        print(json.dumps(document, indent=2, ensure_ascii=False))
    else:
        # Loaded only where it is asked for: with all that it knows of jars it costs as much as a short record.
        from monitor.cli._verdict_words import in_words

        now = _now(args, record, verdict)
        told = in_words(
            record, verdict, budget=args.budget, now=now, corrected=corrected, altered=altered, came=came
        )
        print(told)
    return EXIT[verdict.verdict]


@contextmanager
def _without_collector() -> Iterator[None]:
    """A long record is a hundred thousand rows and no cycles: looking for some would double the reading."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def load(name: str, args: argparse.Namespace) -> Run:
    """The run of a folder, or of an id in the store. Raises RecordError where there is neither."""
    if not name.strip():
        raise UsageError("name a run: its folder, or its id in the store.", "Nothing was judged.")
    if (folder := folder_named(name)) is not None:
        return read_run(folder)
    if is_file(name):
        raise RecordError(
            f"{name}: a file; a run is a folder.", "Name the folder with run.json and samples.csv."
        )
    store = data_dir(args)
    if not (store / "boilwitness.sqlite").exists():
        raise RecordError(
            f"{name}: no such run folder, and no store in {store} to look for a run of that id."
        )
    from contextlib import closing

    from monitor.store.reader import load_run, open_reader

    with closing(open_reader(store)) as connection:
        return load_run(connection, name)


def _now_s(args: argparse.Namespace, record: Run) -> float:
    """Now, on the run's clock: a run of the store may be on. A folder is all there is. [s]"""
    if folder_named(args.run) is not None:
        return inf
    from monitor.store.stamp import SYSTEM_TIME

    return (SYSTEM_TIME.utc_now() - record.started_at).total_seconds()


def _not_as_sealed(folder: Path | None) -> str:
    """Why a folder is not what was exported; empty where it is, or where nothing of an export is there."""
    beside = ("seal.json", "entries.jsonl", "alarms.jsonl", TAKEN_IN_FILE)
    if folder is None or not any((folder / name).exists() for name in beside):
        return ""
    from monitor.proof.folder import seal_trouble

    return seal_trouble(folder)


def _has_no_seal(folder: Path | None) -> bool:
    """Whether a folder never was under a seal, as far as it tells; where it was, the check of that speaks."""
    return folder is not None and not (folder / "seal.json").exists() and not _not_as_sealed(folder)


def _corrections(args: argparse.Namespace, record: Run) -> list[Revision]:
    """What corrections made of the verdict; a folder tells of none where its history did not come."""
    if (folder := folder_named(args.run)) is not None:
        if not (folder / "entries.jsonl").exists():
            return []
        from monitor.jars.revisions import revisions
        from monitor.proof.dossier import lines_of

        try:
            return revisions(record, lines_of(folder / "entries.jsonl"))
        except (MonitorError, KeyError, TypeError, ValueError):
            # What lies beside the record is checked where it is taken in.
            return []
    from contextlib import closing

    from monitor.store.corrections import revised, runs_corrected
    from monitor.store.reader import open_reader, read_house

    with closing(open_reader(data_dir(args))) as conn:
        if record.run_id not in runs_corrected(conn):
            return []
        return revised(conn, read_house(conn), record.run_id, run=record)


def _now(args: argparse.Namespace, record: Run, verdict: Verdict) -> str:
    """What the store knows beyond the verdict's advice; empty where that stands. A folder's record is all there is."""
    if folder_named(args.run) is not None:
        return ""
    from contextlib import closing

    from monitor.jars.disposition import Basis
    from monitor.store.batches import load_batch
    from monitor.store.reader import load_run, open_reader
    from monitor.store.stamp import SYSTEM_TIME

    with closing(open_reader(data_dir(args))) as conn:

        def judged(run_id: str, _: int) -> dict[str, Any]:
            # The runs before and after it are asked too: each has a verdict of its own.
            own = verdict if run_id == args.run else judge(load_run(conn, run_id))
            return own.as_json()

        try:
            batch = load_batch(conn, args.run, SYSTEM_TIME.utc_now(), judged=judged, run=record)
        except MonitorError:
            # Entries about jars that do not add up are told by 'jars'; the advice stands meanwhile.
            return ""
    if instead := batch.state.instead_of_advice:
        return instead
    standing = batch.state.standing
    if standing.basis in (Basis.OWN_TIMING, Basis.EVALUATED):
        # The advice would offer to sign once more.
        return (
            f"Signed: {standing.words}. 'boilwitness jars {args.run}' says where each jar is, and until when."
        )
    return ""
