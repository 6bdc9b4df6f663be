"""A run's record as it was when it was sealed: from the rows that were there then, and no others.

What came later is told apart by evidence, not by trust: the record of the rows that an older seal covers must have
just the bytes that this seal states.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import product
from typing import Any

from monitor.proof.canon import sha256
from monitor.proof.chain import Seal
from monitor.proof.cover import Covered
from monitor.proof.dossier import RECORD_FILES
from monitor.record.write import header_text, samples_text
from monitor.store.merge import Known, Rank, everything, first_taken, heard_on_time
from monitor.store.reader import run_samples
from monitor.store.runs import House, RunFacts
from monitor.store.stamp import epoch_s

#: Times stand in a record to the millisecond.
_HALF_STEP_S = 0.0005


def late_since(
    conn: sqlite3.Connection, house: House, facts: RunFacts, seal: Seal, chain: Sequence[Seal]
) -> int:
    """How many rows came after a seal that explain all that is new since; 0 when they do not."""
    for known, rank in product(_ways(facts, seal, chain), (heard_on_time, first_taken)):
        late: set[tuple[Any, ...]] = set()
        files = _files(conn, house, facts, partial(_noting, known, late), rank)
        if late and fits(files, seal):
            return len(late)
    return 0


def under_earlier_lead(
    conn: sqlite3.Connection, house: House, facts: RunFacts, seal: Seal
) -> dict[str, bytes] | None:
    """The record as the earlier rule made it, by which one late reading could lead; None where that fits no better."""
    files = _files(conn, house, facts, everything, first_taken)
    return files if fits(files, seal) else None


def fits(files: Mapping[str, bytes], seal: Seal) -> bool:
    """Whether these are the bytes that a seal states."""
    stated = seal.said["record"]
    return all(sha256(files[name]) == stated[name]["sha256"] for name in RECORD_FILES)


def _files(
    conn: sqlite3.Connection, house: House, facts: RunFacts, known: Known, rank: Rank
) -> dict[str, bytes]:
    samples = run_samples(conn, house, facts, known=known, rank=rank)
    run = replace(facts.as_run(), samples=tuple(samples))
    texts = (header_text(run), samples_text(run.samples))
    return dict(zip(RECORD_FILES, (text.encode("utf-8") for text in texts), strict=True))


def _noting(known: Known, late: set[tuple[Any, ...]], row: tuple[Any, ...], conflict: int | None) -> bool:
    """``known``, putting down the number of each row that was not."""
    there = known(row, conflict)
    if not there:
        late.add((*row[:3], conflict))
    return there


def _ways(facts: RunFacts, seal: Seal, chain: Sequence[Seal]) -> Iterator[Known]:
    """What may have been there: what the chain covered by then; else, by arrival, up to the last row or the seal.

    The first form of seals did not cover samples, and one seal takes only so many.
    """
    covered = Covered()
    for one in chain:
        said = one.said.get("samples")
        if one.seal_id <= seal.seal_id and said is not None:
            covered.take(said)
    if covered.upto:
        conflicts = int(seal.said["conflicts"]["upto"])

        def by_cover(row: tuple[Any, ...], conflict: int | None) -> bool:
            return covered.has(*row[:3]) and (conflict is None or conflict <= conflicts)

        yield by_cover
    last_s = seal.said["record"]["last_arrival_s"]
    if last_s is not None:
        yield _by_arrival(facts.started_s + float(last_s) + _HALF_STEP_S)
    yield _by_arrival(epoch_s(seal.sealed_utc))


def _by_arrival(until_s: float) -> Known:
    def known(row: tuple[Any, ...], conflict: int | None) -> bool:
        return float(row[4]) <= until_s

    return known
