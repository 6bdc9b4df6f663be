"""A whole run judged at once, by the engine that judges it live."""

from __future__ import annotations

from dataclasses import replace
from math import inf

from monitor.judge.late import revision, with_revision
from monitor.judge.rows import Key, as_set
from monitor.judge.summary import verdict_of
from monitor.judge.verdict import Verdict
from monitor.judge.witness import Witness
from monitor.record.model import Run, Sample


def judge(run: Run, *, until_s: float = inf) -> Verdict:
    """The verdict on a whole run: the same engine that judges it live.

    Parameters
    ----------
    run : Run
        Header and samples; the samples in any order, duplicates allowed.
    until_s : float
        Now, where the run is on: what a live engine would say later than that is left out. [s]

    Returns
    -------
    Verdict
        A function of the set of rows, whatever order they came in.
    """
    rows, conflicts = as_set(run.samples)
    witness = _judged(run, rows, conflicts, until_s)
    verdict = verdict_of(witness.engine)
    if not witness.late.count:
        return verdict
    on_time = _judged(run, [sample for sample in rows if not sample.late], conflicts, until_s)
    return with_revision(verdict, revision(witness.late, verdict_of(on_time.engine), verdict))


def _judged(run: Run, rows: list[Sample], conflicts: set[Key], until_s: float) -> Witness:
    witness = Witness(replace(run, samples=()))
    push = witness.push
    if conflicts:
        for sample in rows:
            push(sample, (sample.boot, sample.seq) in conflicts)
    else:
        for sample in rows:
            push(sample)
    witness.finish(until_s)
    return witness
