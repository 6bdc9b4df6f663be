"""One engine: however a record is cut, shuffled or doubled on its way, the verdict and the events are the same."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.judge import Session, Verdict, judge
from monitor.record.model import Run, Sample
from monitor.record.read import read_run
from monitor.simulate.scenarios import tell

Pieces = Callable[[np.random.Generator, list[Sample], int], Iterator[list[Sample]]]
RECORDED = Path(__file__).parents[2] / "recorded_runs"
NAMES = sorted(path.name for path in RECORDED.iterdir() if path.is_dir())
#: Families that between them show every event, short enough to be judged many times.
FAMILIES = (
    "plain_hold",
    "coarse_hold",
    "dip",
    "spiky_hold",
    "lossy_hold",
    "gap_hides_dip",
    "restart_hides_dip",
    "frozen_in_boil",
    "out_of_water",
    "probe_fault_in_hold",
    "boil_not_seen",
    "cold_water_added",
    "conflicting_rows",
)


@cache
def told(family: str, seed: int) -> tuple[Run, Verdict]:
    run = tell(family, seed).run
    rows = tuple(sample._replace(late=False) for sample in run.samples)
    run = replace(run, samples=rows)
    return run, judge(run)


def shuffled(rng: np.random.Generator, rows: list[Sample], reach_s: float) -> list[Sample]:
    """Each row delayed by up to ``reach_s``; some come twice."""
    delivered = [(s.t_s + rng.uniform(0.0, reach_s), s) for s in rows]
    delivered += [(s.t_s + rng.uniform(0.0, reach_s), s) for s in rows if rng.random() < 0.05]
    return [s for _, s in sorted(delivered, key=lambda pair: pair[0])]


def fed(run: Run, deliveries: list[list[Sample]]) -> Session:
    session = Session(replace(run, samples=()))
    for piece in deliveries:
        session.feed(piece)
    session.finish()
    return session


@settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(
    family=st.sampled_from(FAMILIES),
    seed=st.integers(1, 2),
    cut=st.integers(0, 2**32 - 1),
    longest=st.sampled_from([1, 7, 60, 600, 10_000]),
)
def test_pieces_of_any_size_give_the_same_verdict(
    pieces: Pieces, family: str, seed: int, cut: int, longest: int
) -> None:
    """Sample by sample or all at once."""
    run, want = told(family, seed)
    rows = sorted(run.samples, key=lambda s: (s.t_s, s.boot or 0, s.seq or 0))
    session = fed(run, list(pieces(np.random.default_rng(cut), rows, longest)))
    assert session.verdict() == want


@settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(
    family=st.sampled_from(FAMILIES),
    seed=st.integers(1, 2),
    order=st.integers(0, 2**32 - 1),
    reach_s=st.sampled_from([2.0, 20.0, 100.0]),
    longest=st.sampled_from([40, 400]),
)
def test_rows_out_of_order_and_twice_give_the_same_verdict(
    pieces: Pieces, family: str, seed: int, order: int, reach_s: float, longest: int
) -> None:
    """Shuffled within the reorder window and doubled: nothing needs judging anew, nothing differs."""
    run, want = told(family, seed)
    rng = np.random.default_rng(order)
    session = fed(run, list(pieces(rng, shuffled(rng, list(run.samples), reach_s), longest)))
    assert not session.needs_rebuild
    assert session.verdict() == want


@settings(max_examples=12, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(family=st.sampled_from(FAMILIES), seed=st.integers(1, 2), order=st.integers(0, 2**32 - 1))
def test_the_verdict_is_a_function_of_the_set_of_rows(family: str, seed: int, order: int) -> None:
    """The whole record in any order at all, some rows doubled, by ``judge``."""
    run, want = told(family, seed)
    rng = np.random.default_rng(order)
    rows = [run.samples[i] for i in rng.permutation(len(run.samples))]
    rows += [row for row in rows if rng.random() < 0.05]
    assert judge(replace(run, samples=tuple(rows))) == want


@settings(max_examples=8, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(
    family=st.sampled_from(("plain_hold", "coarse_hold", "dip", "probe_fault_in_hold")),
    order=st.integers(0, 2**32 - 1),
    share=st.sampled_from([0.001, 0.01]),
)
def test_samples_with_two_values_give_the_same_events_however_they_come(
    pieces: Pieces, family: str, order: int, share: float
) -> None:
    """Some numbers come twice with two values, the second up to 100 s after the first: one event in ten minutes."""
    run, _ = told(family, 1)
    rng = np.random.default_rng(order)
    numbered = [s for s in run.samples if s.water_C is not None and s.seq is not None]
    twins = [s._replace(water_C=(s.water_C or 0.0) - 2.0) for s in numbered if rng.random() < share]
    twins = twins or [numbered[len(numbered) // 2]._replace(water_C=50.0)]
    rows = [*run.samples, *twins]
    want = judge(replace(run, samples=tuple(rows)))
    said_s = [e.raised_s for e in want.events if e.kind == "probe_fault" and "two values" in e.text]
    assert said_s and all(later - first >= 600.0 for first, later in pairwise(said_s))
    session = fed(run, list(pieces(rng, shuffled(rng, rows, 100.0), 40)))
    assert not session.needs_rebuild
    assert session.verdict() == want


def by_the_clock(verdict: Verdict) -> Verdict:
    """A deadline falls due on a tick in a live house, on the next sample in a record: either is right."""
    deadlines = ("seal_check_due", "seal_check_overdue", "reprocess_window_closing")
    events = [replace(e, raised_s=e.onset_s) if e.kind in deadlines else e for e in verdict.events]
    return replace(verdict, events=tuple(sorted(events, key=lambda e: (e.raised_s, e.kind))))


@pytest.mark.parametrize("name", NAMES)
def test_live_and_batch_agree_on_every_recorded_run(name: str) -> None:
    """Samples one by one, marks when they happened, a tick every second: live sees what judge sees."""
    run = read_run(RECORDED / name)
    run = replace(run, samples=run.samples[:6000])
    want = judge(run)
    session = Session(replace(run, samples=(), marks=()))
    waiting = sorted(run.marks, key=lambda mark: mark.t_s)
    newest_s = 0.0
    taken = []
    for sample in sorted(run.samples, key=lambda s: s.t_s):
        while newest_s + 1.0 < sample.t_s:
            newest_s += 1.0
            while waiting and waiting[0].t_s <= newest_s:
                session.mark(waiting.pop(0))
            session.tick(newest_s)
        while waiting and waiting[0].t_s <= sample.t_s:
            session.mark(waiting.pop(0))
        session.feed([sample])
        newest_s = max(newest_s, sample.t_s)
        if int(newest_s) % 30 == 0:
            taken += session.take_events()
    for mark in waiting:
        session.mark(mark)
    session.finish()
    assert by_the_clock(session.verdict()) == by_the_clock(want)
    taken += session.take_events()
    assert {(e.kind, e.onset_s) for e in taken} >= {(e.kind, e.onset_s) for e in want.events}


def test_every_event_is_there_already_when_it_is_raised(cook: Callable[..., Any]) -> None:
    """Cut the record at any ``raised_s``: the event has been said by then, and never before."""
    story = cook().come_up().seen().stay(200.0).go(-1.5, 1.5).go(0.15, 3.0)
    run = story.seen().stay(420.0).run()
    for event in judge(run).events:
        if event.kind == "node_silent":
            continue
        upto = Session(replace(run, samples=()))
        upto.feed([s for s in run.samples if s.t_s < event.raised_s - 0.01])
        assert event.kind not in [e.kind for e in upto.take_events() if e.onset_s == event.onset_s]
        upto.feed([s for s in run.samples if event.raised_s - 0.01 <= s.t_s <= event.raised_s + 0.01])
        assert event in upto.verdict().events
