"""One engine behind a door that takes samples as they come: in any order, in pieces, twice.

Rows that arrive a little late are put in their place by judging the last minutes anew from a checkpoint;
older ones need the whole record judged again, which whoever owns the record does (``needs_rebuild``).
From the first row on that is marked late, a second session goes on without such rows, so that what they changed
can be told (:mod:`monitor.judge.late`); a run without late rows has none.
"""

from __future__ import annotations

import copy
from bisect import bisect_right, insort
from collections.abc import Iterable, Sequence
from dataclasses import replace

from monitor.judge.engine import Engine
from monitor.judge.late import Block, LateRevision, is_news, revision, with_revision
from monitor.judge.rows import Key, comes_before, distinct, order, reading
from monitor.judge.summary import verdict_of
from monitor.judge.verdict import Event, LiveView, Verdict
from monitor.judge.view import view_of
from monitor.judge.witness import Witness
from monitor.record.model import Mark, Run, Sample

#: Rows up to this much older than the newest are put in their place. [s] Chosen because a node's own delays (a
#: connection won back, a message sent again) last seconds to a minute, twice that is room, and to judge so many rows
#: anew takes some milliseconds; what comes later is a resend of minutes, for which the whole record is judged anew.
REORDER_S = 120.0
#: The checkpoint moves on when it lies so many such windows back. Chosen because with fewer it would move at nearly
#: every sample, and with more, rows would be kept and judged anew that hardly ever need it.
CHECKPOINT_WINDOWS = 2.0
#: Before any sample or tick. [s] Chosen because no run's clock comes near it.
NEVER_S = -1e18


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
        self._checkpoint_s = NEVER_S
        #: Samples since the checkpoint, in time order.
        self._recent: list[Sample] = []
        self._keys: dict[Key, Sample] = {}
        self._conflicts: set[Key] = set()
        #: Whether something judged already is to be judged otherwise, and deliveries that gave way to better ones.
        self._stale = False
        self._replaced: list[Sample] = []
        self._told: set[tuple[str, float]] = set()
        self._ticked_s = NEVER_S
        self._finished = False
        #: Goes on without any late row; None while there was none.
        self._without: Session | None = None
        self._block: Block | None = None
        if header.samples:
            self.feed(header.samples)

    @property
    def _engine(self) -> Engine:
        return self._witness.engine

    @property
    def _now_s(self) -> float:
        return max(self._engine.state.heard_s, self._ticked_s)

    @property
    def asked_s(self) -> float:
        """The whole time that is owed: the one that was given, or the published one where that is longer. [s]"""
        return self._engine.state.hold.required_s

    @property
    def is_complete(self) -> bool:
        """Whether a hold was told complete and stands."""
        return self._engine.state.hold.completed_s is not None

    def feed(self, samples: Iterable[Sample]) -> None:
        """Take in samples, in any order; the same sample twice is one."""
        rows = samples if isinstance(samples, tuple | list) else list(samples)
        # No comprehension, no generator: this runs at every sample.
        for row in rows:
            if row.late:
                self._late_come([row for row in rows if row.late])
                break
        if self._without is None:
            self._take_in(rows)
        else:
            self._take_in_beside(rows)

    def _take_in(self, rows: Sequence[Sample]) -> None:
        """Judge rows."""
        fresh: Sequence[Sample]
        if len(rows) == 1:
            fresh = rows if self._is_new(rows[0]) else ()
        else:
            fresh = distinct(sorted((sample for sample in rows if self._is_new(sample)), key=order))
        old: list[Sample] = []
        if self._stale:
            fresh = self._without_replaced(fresh)
        # Times first: they alone tell nearly always.
        if fresh and self._recent and fresh[0].t_s <= self._recent[-1].t_s:
            newest = order(self._recent[-1])
            old = [sample for sample in fresh if order(sample) < newest]
        if old or self._stale:
            self._insert(old)
            fresh = fresh[len(old) :]
        for sample in fresh:
            self._push(sample)

    def _without_replaced(self, fresh: Sequence[Sample]) -> list[Sample]:
        gone = {id(sample) for sample in self._replaced}
        self._replaced.clear()
        self._recent = [sample for sample in self._recent if id(sample) not in gone]
        return [sample for sample in fresh if id(sample) not in gone]

    def _is_new(self, sample: Sample) -> bool:
        if sample.boot is None or sample.seq is None:
            at = bisect_right(self._recent, order(sample), key=order)
            return not (at and self._recent[at - 1] == sample)
        key = (sample.boot, sample.seq)
        before = self._keys.get(key)
        if before is None:
            self._keys[key] = sample
            return True
        if reading(before) != reading(sample) and key not in self._conflicts:
            self._conflicts.add(key)
            self._stale = True
        if before is sample or not comes_before(sample, before):
            return False
        self._keys[key] = sample
        self._replaced.append(before)
        self._stale = True
        return True

    def _push(self, sample: Sample) -> None:
        if sample.t_s - self._checkpoint_s > CHECKPOINT_WINDOWS * REORDER_S:
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
        self._stale = False
        for sample in late:
            if sample.t_s < self._checkpoint_s:
                self.needs_rebuild = True
                continue
            insort(self._recent, sample, key=order)
        marks = self._engine.state.marks
        self._witness = copy.deepcopy(self._checkpoint)
        self._engine.state.marks = list(marks)
        for sample in self._recent:
            self._judge(self._witness, sample)
        if self._ticked_s > self._engine.state.last_s:
            self._witness.tick(self._ticked_s)

    def mark(self, mark: Mark) -> None:
        """A person marked something. A mark before the checkpoint needs the run judged anew."""
        for other in self._others():
            other.mark(mark)
            self.needs_rebuild = self.needs_rebuild or other.needs_rebuild
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
        if self._without is not None:
            for other in self._others():
                other.tick(now_s)

    def settle(self) -> None:
        """Nothing more comes live: what late rows have changed need not wait for more of them."""
        if self._block is not None:
            self._block.settle()

    def finish(self) -> None:
        """The record ends here: say what would still be said in the seconds after its last sample."""
        self._finished = True
        self._witness.finish()
        for other in self._others():
            other.finish()

    def verdict(self) -> Verdict:
        """The verdict on everything so far; what late rows changed in it is an event, while live if it is news.

        Where ``needs_rebuild`` is set, some of it is not in it yet: the record is to be judged anew.
        """
        verdict = verdict_of(self._engine)
        if self._without is None:
            return verdict
        before = verdict_of(self._without._engine)
        if not self._finished and not is_news(before, verdict):
            return verdict
        return with_revision(verdict, revision(self._witness.late, before, verdict))

    def view(self, now_s: float | None = None) -> LiveView:
        """What a page shows now (by default at the newest sample or tick)."""
        newest = max(self._engine.state.last_s, self._ticked_s)
        return view_of(self._engine, (newest if newest > NEVER_S else 0.0) if now_s is None else now_s)

    def take_events(self) -> list[Event]:
        """Events that have not been taken yet.

        Of late rows that changed the answer it is told once a block of them, when the block is in; the verdict
        itself has one event for all of them together.
        """
        verdict = verdict_of(self._engine)
        fresh = [e for e in verdict.events if (e.kind, e.raised_s) not in self._told]
        self._told.update((e.kind, e.raised_s) for e in fresh)
        late = self._take_revision(verdict)
        return fresh if late is None else sorted([*fresh, late], key=lambda each: each.raised_s)

    # --- late rows ----------------------------------------------------------------------------------------

    def _take_revision(self, after: Verdict) -> LateRevision | None:
        """What the waiting block has changed, if it is time to say so."""
        block = self._block
        if block is None or not (self._finished or block.is_due(self._now_s)):
            return None
        before = verdict_of(block.without._engine)
        if not self._finished and not is_news(before, after):
            return None
        # Where nobody was told yet, all late rows are one block, and this is the event of the verdict itself.
        rows = self._witness.late if block.without is self._without else block.rows
        event = revision(rows, before, after)
        if event is not None:
            self._block = None
        return event

    def _late_come(self, late: list[Sample]) -> None:
        """Late rows are about to be taken in: what has been judged so far goes on without them."""
        late = [row for row in late if not self._has(row)]
        if not late:
            return
        now_s = self._now_s
        if self._block is None:
            without = self._twin()
            if self._without is None:
                self._without = without
            self._block = Block(without, now_s, now_s)
        self._block.take(late, now_s)

    def _take_in_beside(self, rows: Sequence[Sample]) -> None:
        """Judge rows here, and beside it those that are on time without the others."""
        conflicts = len(self._conflicts)
        self._take_in(rows)
        differs = len(self._conflicts) > conflicts
        on_time = [row for row in rows if not row.late]
        for other in self._others():
            other._stale = other._stale or differs
            if on_time or differs:
                other._take_in(on_time)
            self.needs_rebuild = self.needs_rebuild or other.needs_rebuild

    def _has(self, sample: Sample) -> bool:
        if sample.boot is None or sample.seq is None:
            return sample in self._recent
        return (sample.boot, sample.seq) in self._keys

    def _twin(self) -> Session:
        """A session that has seen what this one has, and goes its own way; of conflicts both hear."""
        twin = copy.copy(self)
        twin._witness = copy.deepcopy(self._witness)
        twin._checkpoint = copy.deepcopy(self._checkpoint)
        twin._recent, twin._keys = list(self._recent), dict(self._keys)
        twin._replaced, twin._told = [], set()
        twin._without = twin._block = None
        return twin

    def _others(self) -> list[Session]:
        """The sessions that go on without late rows."""
        found = [] if self._without is None else [self._without]
        if self._block is not None and self._block.without is not self._without:
            found.append(self._block.without)
        return found

    def take_over(self, before: Session) -> None:
        """This session has been fed anew with the record of ``before``: what was told of late rows stays told."""
        if self._block is None or self._without is None:
            return
        waiting = before._block
        if waiting is None:
            if self._witness.late.count <= before._witness.late.count:
                self._block = None
            return
        if waiting.without is before._without or waiting.without.needs_rebuild:
            waiting.without = self._without
        else:
            self._conflicts |= waiting.without._conflicts
            waiting.without._conflicts = self._conflicts
        self._block = waiting
