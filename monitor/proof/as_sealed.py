"""A run's record as it was when it was sealed: from the rows that were there then, and no others.

What came later is told apart by evidence, not by trust: the record of the rows that an older seal covers must have
just the bytes that this seal states.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from monitor.proof.canon import sha256
from monitor.proof.chain import Seal
from monitor.proof.cover import Covered
from monitor.proof.dossier import RECORD_FILES
from monitor.record.write import header_text, samples_text
from monitor.store.merge import Known
from monitor.store.reader import run_samples
from monitor.store.runs import House, RunFacts
from monitor.store.stamp import epoch_s

#: Times stand in a record to the millisecond.
_HALF_STEP_S = 0.0005


def late_since(
    conn: sqlite3.Connection, house: House, facts: RunFacts, seal: Seal, chain: Sequence[Seal]
) -> int:
    """How many rows came after a seal that explain all that is new since; 0 when they do not."""
    stated = seal.said["record"]
    for known in _ways(facts, seal, chain):
        late: set[tuple[Any, ...]] = set()
        noting = partial(_noting, known, late)
        run = replace(facts.as_run(), samples=tuple(run_samples(conn, house, facts, known=noting)))
        texts = (header_text(run), samples_text(run.samples))
        files = dict(zip(RECORD_FILES, (text.encode("utf-8") for text in texts), strict=True))
        if late and all(sha256(data) == stated[name]["sha256"] for name, data in files.items()):
            return len(late)
    return 0


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
