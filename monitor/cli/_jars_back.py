"""What the verb ``jars`` takes back: a place, a jar that was called used, a reprocessing that was begun in error."""

from __future__ import annotations

import argparse

from monitor.cli import _jars_say as say
from monitor.cli._data import data_dir
from monitor.cli._jars_look import batch_of, status
from monitor.errors import RefusedError, UsageError
from monitor.store.batches import Batch
from monitor.store.corrections import call_off_reprocessing, gone_entry
from monitor.store.entries import append_entry


def place(args: argparse.Namespace) -> int:
    """Give jars a place, or take back the one that they were given by mistake."""
    if not args.take_back:
        if args.to is None:
            raise UsageError("say where the jars go.", "Or --take-back, for where they were put by mistake.")
        return say.place(args)
    if args.to is not None or args.use_by is not None:
        raise UsageError("--take-back takes no place and no date: what was said before counts again.")
    batch = batch_of(args)
    entries = [_placed(batch, jar) for jar in dict.fromkeys(args.jars)]
    return _withdraw(args, entries, "jar_disposition")


def _placed(batch: Batch, number: int) -> int:
    """The entry that placed a jar. Raises RefusedError where none did, or where the jar went on since."""
    jar = next((one for one in batch.state.jars if one.jar == number), None)
    if jar is None:
        raise UsageError(f"run {batch.run.run_id} has no jar {number}.", f"It has {len(batch.state.jars)}.")
    if jar.child_run:
        raise RefusedError(
            f"jar {number} goes on in run {jar.child_run}.",
            f"If that was begun in error and no jars went in: 'jars {jar.child_run} call-off'.",
        )
    if jar.placed_entry is None:
        raise RefusedError(f"nobody put jar {number} anywhere: {jar.why}.", "Nothing was taken back.")
    return jar.placed_entry


def recheck(args: argparse.Namespace) -> int:
    """Say what was found of a jar on the shelf, or take back that it was used or given away."""
    if not args.take_back:
        if args.found is None:
            raise UsageError("say what was found, or where the jar went.")
        return say.recheck(args)
    if args.found is not None:
        raise UsageError("--take-back takes nothing that was found: what was said before counts again.")
    batch = batch_of(args)
    entry = gone_entry(batch.entries, args.jar)
    if entry is None:
        raise RefusedError(
            f"jar {args.jar} is not called used or given away.",
            "What was found of a lid is not taken back: look at it again, and say why it is fine.",
        )
    return _withdraw(args, [entry], "jar_recheck")


def _withdraw(args: argparse.Namespace, entries: list[int], of: str) -> int:
    if not args.reason:
        raise UsageError("say with --reason why it is taken back.", "Nothing was written down.")
    for entry in entries:
        append_entry(
            data_dir(args),
            "correction",
            {"withdrawn": True, "of": of},
            run_id=args.run,
            by=args.by,
            corrects=entry,
            reason=args.reason,
        )
    return status(args)


def call_off(args: argparse.Namespace) -> int:
    """End a reprocessing into which no jar ever went: it counts as none."""
    parent = call_off_reprocessing(data_dir(args), args.run, by=args.by or "", reason=args.reason or "")
    print(f"run {args.run} is called off: it gave its jars no time, and does not count as their reprocessing")
    print(f"'jars {parent}' says what is left for them; the time there went on")
    return 0
