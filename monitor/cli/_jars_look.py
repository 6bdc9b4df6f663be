"""What the verb ``jars`` shows: where each jar is, how it cools, labels, the pantry, one code."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Any

from monitor.cli import _jars_words as words
from monitor.cli._data import data_dir
from monitor.cli._runs_look import tell_of_judging
from monitor.errors import RefusedError, StoreError, UsageError
from monitor.jars import html_sheet, labels, plain_text, read_code
from monitor.jars.labels import opens_here_alone, sheet_for
from monitor.jars.rest import rest_of
from monitor.jars.times import times_of
from monitor.proof.canon import rules_stamp
from monitor.store.batches import Batch, load_batch, load_batches
from monitor.store.judged import Judged
from monitor.store.reader import open_reader, read_house
from monitor.store.stamp import SYSTEM_TIME
from monitor.store.verdicts import standing


def _folder(args: argparse.Namespace) -> Path:
    folder = data_dir(args)
    if not (folder / "boilwitness.sqlite").exists():
        raise StoreError(f"there is no store in {folder}.", "Name it with --data DIR.")
    return folder


def batch_of(args: argparse.Namespace) -> Batch:
    """The batch that was named, as it stands now."""
    with closing(open_reader(_folder(args))) as conn:
        return load_batch(conn, args.run, SYSTEM_TIME.utc_now())


def status(args: argparse.Namespace) -> int:
    batch = batch_of(args)
    if args.json:
        print(json.dumps(words.state_json(batch.state, batch.now), indent=2, ensure_ascii=False))
    else:
        print(words.status(batch.state, batch.now, batch.run.taken_in, batch.clock_doubt))
    return 0


def cooling(args: argparse.Namespace) -> int:
    batch = batch_of(args)
    rest = rest_of(batch.run, times_of(batch.run, batch.verdict))
    if args.json:
        print(json.dumps(asdict(rest), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        print(words.cooling(batch.run, rest))
    return 0


def pantry(args: argparse.Namespace) -> int:
    now = SYSTEM_TIME.utc_now()
    folder = _folder(args)
    with closing(open_reader(folder)) as conn:
        house, kept = read_house(conn), Judged(folder, rules_stamp())
        told = standing(conn, house.runs)
        tell_of_judging(
            conn,
            house,
            kept,
            [one for one, facts in house.runs.items() if facts.imported and one not in told],
        )

        def judged(run_id: str, _: int) -> Mapping[str, Any]:
            return kept.verdict(conn, house, house.run(run_id))

        print(words.pantry_words(load_batches(conn, now, judged=judged), now))
    return 0


def find(args: argparse.Namespace) -> int:
    """From a jar's code: the jar, its siblings, the run it came from or went on in, where each is."""
    named, jar = read_code(args.run)
    with closing(open_reader(_folder(args))) as conn:
        facts = read_house(conn).runs.values()
        # Two houses may have called a run alike: the label may be of either.
        alike = [
            one.run_id for one in facts if one.taken_in is not None and one.taken_in.run_id_there == named
        ]
        here = [one.run_id for one in facts if one.run_id == named]
    if len([*here, *alike]) > 1:
        print(f"The code fits a jar of {' and of '.join([*here, *alike])}: whose label is it?\n")
    for run_id in [*here, *alike] or [named]:
        args.run = run_id
        print(words.found(batch_of(args).state, jar))
    return 0


def sheet(args: argparse.Namespace) -> int:
    sheet_for(args.sheet, args.skip)
    if args.skip and args.to is None:
        raise UsageError("--skip counts the labels gone from a sheet of paper.", "Then give --to FILE.html.")
    batch = batch_of(args)
    found = labels(batch.state, args.base_url, args.jars)
    if not found:
        raise RefusedError("no jar of this run is on the shelf list now.", "'status' says why.")
    if args.to is not None:
        args.to.write_text(html_sheet(found, args.sheet, skip=args.skip), encoding="utf-8")
    if args.json:
        print(json.dumps([asdict(label) for label in found], indent=2, ensure_ascii=False))
        return 0
    if args.to is None:
        print(plain_text(found), end="")
        return 0
    print(f"{len(found)} labels in {args.to}; print without scaling")
    if opens_here_alone(args.base_url):
        print(
            "their code opens the pages on this machine alone; for a phone, name the address that "
            "'boilwitness dashboard --lan' prints with --base-url"
        )
    return 0
