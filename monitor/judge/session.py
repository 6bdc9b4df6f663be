"""One engine behind a door that takes samples as they come: in any order, in pieces, twice.

Rows that arrive a little late are put in their place by judging the last minutes anew from a checkpoint;
older ones need the whole record judged again, which whoever owns the record does (``needs_rebuild``).
"""

from __future__ import annotations

import copy
from bisect import bisect_right, insort
from collections.abc import Iterable
from dataclasses import replace

from monitor.judge.engine import Engine
from monitor.judge.summary import verdict_of, view_of
from monitor.judge.verdict import Event, LiveView, Verdict
from monitor.judge.witness import Witness
from monitor.record.model import Mark, Run, Sample

#: Rows up to this much older than the newest are put in their place. [s]
REORDER_S = 120.0


def _order(sample: Sample) -> tuple[float, int, int]:
    return sample.t_s, sample.boot or 0, sample.seq or 0


def _reading(sample: Sample) -> tuple[object, ...]:
    """What two deliveries of one sample must agree in."""
    return (
        sample.water_C,
        sample.water_fault,
        sample.water_2_C,
        sample.pressure_kPa,
        sample.heater_W,
        sample.mains,
        dict(sample.jars),
    )


class Session:
    """Judges one run live. Times in s since the run's start.

    Parameters
    ----------
    header : Run
        The run; samples it already has are fed at once.
    """

    def __init__(self, header: Run) -> None:
        self.needs_rebuild = False
        self._witness = Witness(replace(header, samples=()))
        self._checkpoint = copy.deepcopy(self._witness)
        self._checkpoint_s = -1e18
        #: Samples since the checkpoint, in time order.
        self._recent: list[Sample] = []
        self._keys: dict[tuple[int, int], Sample] = {}
        self._conflicts: set[tuple[int, int]] = set()
        self._told: set[tuple[str, float]] = set()
        self._ticked_s = -1e18
        if header.samples:
            self.feed(header.samples)

    @property
    def _engine(self) -> Engine:
        return self._witness.engine

    def feed(self, samples: Iterable[Sample]) -> None:
        """Take in samples, in any order; the same sample twice is one."""
        fresh = [sample for sample in samples if self._is_new(sample)]
        if len(fresh) > 1:
            fresh.sort(key=_order)
        late: list[Sample] = []
        # Times first: they alone tell nearly always, and this runs at every sample.
        if fresh and self._recent and fresh[0].t_s <= self._recent[-1].t_s:
            newest = _order(self._recent[-1])
            late = [sample for sample in fresh if _order(sample) < newest]
        if late or self._conflicts_changed:
            self._insert(late)
        for sample in fresh[len(late) :]:
            self._push(sample)

    _conflicts_changed = False

    def _is_new(self, sample: Sample) -> bool:
        if sample.boot is None or sample.seq is None:
            at = bisect_right(self._recent, _order(sample), key=_order)
            return not (at and self._recent[at - 1] == sample)
        key = (sample.boot, sample.seq)
        before = self._keys.get(key)
        if before is None:
            self._keys[key] = sample
            return True
        if _reading(before) != _reading(sample) and key not in self._conflicts:
            self._conflicts.add(key)
            self._conflicts_changed = True
        return False

    def _push(self, sample: Sample) -> None:
        if sample.t_s - self._checkpoint_s > 2.0 * REORDER_S:
            self._advance_checkpoint(sample.t_s)
        self._recent.append(sample)
        self._judge(self._witness, sample)

    def _judge(self, witness: Witness, sample: Sample) -> None:
        conflict = bool(self._conflicts) and (sample.boot, sample.seq) in self._conflicts
        witness.push(sample, conflict)

    def _advance_checkpoint(self, now_s: float) -> None:
        """Move the checkpoint up to REORDER_S before now, forgetting what lies behind it."""
        if not self._recent:
            # Nothing is in the checkpoint yet: a row from before the first to arrive still has its place.
            self._checkpoint_s = max(self._checkpoint_s, now_s - REORDER_S)
            return
        cut = bisect_right(self._recent, now_s - REORDER_S, key=lambda s: s.t_s)
        for sample in self._recent[:cut]:
            self._judge(self._checkpoint, sample)
            if sample.boot is not None and sample.seq is not None:
                self._keys.pop((sample.boot, sample.seq), None)
        del self._recent[:cut]
        self._checkpoint_s = now_s - REORDER_S

    def _insert(self, late: list[Sample]) -> None:
        """Late rows inside the window: judge the window anew from the checkpoint."""
        self._conflicts_changed = False
        for sample in late:
            if sample.t_s < self._checkpoint_s:
                self.needs_rebuild = True
                continue
            insort(self._recent, sample, key=_order)
        marks = self._engine.state.marks
        self._witness = copy.deepcopy(self._checkpoint)
        self._engine.state.marks = list(marks)
        for sample in self._recent:
            self._judge(self._witness, sample)
        if self._ticked_s > self._engine.state.last_s:
            self._witness.tick(self._ticked_s)

    def mark(self, mark: Mark) -> None:
        """A person marked something. A mark before the checkpoint needs the run judged anew."""
        if mark.t_s < self._checkpoint_s:
            self.needs_rebuild = True
            return
        self._checkpoint.engine.add_mark(mark)
        self._engine.add_mark(mark)
        if mark.t_s <= max(self._engine.state.last_s, self._ticked_s):
            self._insert([])

    def tick(self, now_s: float) -> None:
        """Time has passed; silence is told by this."""
        self._ticked_s = max(now_s, self._ticked_s)
        self._witness.tick(now_s)

    def finish(self) -> None:
        """The record ends here: say what would still be said in the seconds after its last sample."""
        self._witness.finish()

    def verdict(self) -> Verdict:
        """The verdict on everything so far."""
        return verdict_of(self._engine)

    def view(self, now_s: float | None = None) -> LiveView:
        """What a page shows now (by default at the newest sample or tick)."""
        newest = max(self._engine.state.last_s, self._ticked_s)
        return view_of(self._engine, (newest if newest > -1e17 else 0.0) if now_s is None else now_s)

    def take_events(self) -> list[Event]:
        """Events that have not been taken yet."""
        fresh = [e for e in self.verdict().events if (e.kind, e.raised_s) not in self._told]
        self._told.update((e.kind, e.raised_s) for e in fresh)
        return fresh


def judge(run: Run) -> Verdict:
    """The verdict on a whole run: the same engine that judges it live.

    Parameters
    ----------
    run : Run
        Header and samples; the samples in any order, duplicates allowed.

    Returns
    -------
    Verdict
        A function of the set of rows, whatever order they came in.
    """
    rows, conflicts = _as_set(run.samples)
    engine = _judged(run, rows, conflicts)
    verdict = verdict_of(engine)
    if any(sample.late for sample in rows):
        verdict = _with_revision(run, rows, conflicts, verdict)
    return verdict


def _in_order(samples: list[Sample]) -> bool:
    """Whether the rows are those of one start of one node, each once and in order, as most records are."""
    if not samples:
        return True
    boot, seq, t_s = samples[0].boot, -1, float("-inf")
    if boot is None:
        return False
    for sample in samples:
        number = sample.seq
        if number is None or number <= seq or sample.t_s <= t_s or sample.boot != boot:
            return False
        seq, t_s = number, sample.t_s
    return True


def _as_set(samples: Iterable[Sample]) -> tuple[list[Sample], set[tuple[int, int]]]:
    """Samples in time order, each once; and the numbers that came with two values."""
    samples = list(samples)
    if _in_order(samples):
        return samples, set()
    by_key: dict[tuple[int, int], Sample] = {}
    conflicts: set[tuple[int, int]] = set()
    rest: list[Sample] = []
    for sample in samples:
        if sample.boot is None or sample.seq is None:
            rest.append(sample)
            continue
        key = (sample.boot, sample.seq)
        before = by_key.get(key)
        if before is None:
            by_key[key] = sample
        elif before is not sample:
            if _reading(before) != _reading(sample):
                conflicts.add(key)
            if (sample.t_s, sample.late) < (before.t_s, before.late):
                by_key[key] = sample
    unnumbered: list[Sample] = []
    for sample in sorted(rest, key=_order):
        if not (unnumbered and unnumbered[-1] == sample):
            unnumbered.append(sample)
    return sorted([*by_key.values(), *unnumbered], key=_order), conflicts


def _judged(run: Run, rows: list[Sample], conflicts: set[tuple[int, int]]) -> Engine:
    witness = Witness(replace(run, samples=()))
    push = witness.push
    if conflicts:
        for sample in rows:
            push(sample, (sample.boot, sample.seq) in conflicts)
    else:
        for sample in rows:
            push(sample)
    witness.finish()
    return witness.engine


def _with_revision(
    run: Run, rows: list[Sample], conflicts: set[tuple[int, int]], verdict: Verdict
) -> Verdict:
    """Where late rows changed the answer, that is an event, raised when the last of them arrived."""
    before = verdict_of(_judged(run, [s for s in rows if not s.late], conflicts))
    if before.verdict == verdict.verdict and abs(before.proven_s - verdict.proven_s) < 0.5:
        return verdict
    late = [sample for sample in rows if sample.late]
    raised_s = max(s.t_s if s.arrival_s is None else s.arrival_s for s in late)
    text = (
        f"{len(late)} samples came late; with them the record says {verdict.verdict or 'open'} "
        f"({verdict.proven_s:.0f} s proven) instead of {before.verdict or 'open'} ({before.proven_s:.0f} s)."
    )
    event = Event("verdict_revised", late[0].t_s, raised_s, text)
    return replace(verdict, events=tuple(sorted([*verdict.events, event], key=lambda e: e.raised_s)))
