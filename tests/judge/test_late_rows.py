"""Rows that come late revise the answer, and the revision is an event: told once, soon, and the same live as judged.

The rule (a verdict is a function of the set of rows; what comes late is marked, and a changed answer is an event of
its own) is common practice in electronic records: 21 CFR 113.89 and FDA's guide to inspections, part 1, on
deviations that are found late.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.judge import Event, LateRevision, Session, judge
from monitor.judge.late import QUIET_S, SAME_WHILE_OPEN_S
from monitor.record.model import Run, Sample
from monitor.simulate.scenarios import tell

Build = Callable[..., Any]
Pieces = Callable[[np.random.Generator, list[Sample], int], Iterator[list[Sample]]]
FAMILIES = (
    "plain_hold",
    "dip",
    "lossy_hold",
    "restart_hides_dip",
    "conflicting_rows",
    "resent_block_hold",
    "resent_dip",
    "shuffled_short",
)
#: Where the hand-made hold boils. [s] The come-up is 12 K at 4 K/min.
BOILS_S = 185.0


@cache
def run_of(family: str, seed: int) -> Run:
    return tell(family, seed).run


def resent(rows: list[Sample], blocks: list[tuple[float, float, float]], stamped: bool) -> list[Sample]:
    """Rows from .. to come so much after the block's end, marked late; with their arrival or without."""
    out = []
    for row in rows:
        for low_s, high_s, after_s in blocks:
            if low_s <= row.t_s < high_s:
                row = row._replace(late=True, arrival_s=round(high_s + after_s, 3) if stamped else None)
        out.append(row)
    return out


def told_of(events: list[Event]) -> list[Event]:
    return [event for event in events if isinstance(event, LateRevision)]


@settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(
    family=st.sampled_from(FAMILIES),
    seed=st.integers(1, 2),
    chance=st.integers(0, 2**32 - 1),
    blocks=st.integers(0, 3),
    stamped=st.booleans(),
    reach_s=st.sampled_from([0.0, 20.0, 100.0, 500.0]),
    longest=st.sampled_from([40, 400, 10_000]),
    takes=st.booleans(),
)
def test_live_and_judged_agree_with_late_rows_however_they_come(
    pieces: Pieces,
    family: str,
    seed: int,
    chance: int,
    blocks: int,
    stamped: bool,
    reach_s: float,
    longest: int,
    takes: bool,
) -> None:
    """Cut, shuffled, doubled, late by seconds or minutes: the same verdict and the same events, the revision too."""
    rng = np.random.default_rng(chance)
    run = run_of(family, seed)
    last_s = max(row.t_s for row in run.samples)
    spans = [
        (at_s, at_s + float(rng.uniform(1.0, 120.0)), float(rng.uniform(5.0, 300.0)))
        for at_s in rng.uniform(0.0, last_s, blocks).tolist()
    ]
    run = replace(run, samples=tuple(resent(list(run.samples), spans, stamped)))
    want = judge(run)
    come = [(row.t_s + rng.uniform(0.0, reach_s), row) for row in run.samples]
    come += [(row.t_s + rng.uniform(0.0, reach_s), row) for row in run.samples if rng.random() < 0.05]
    # What is late comes when it arrives; a second time, as often as not, before that.
    come = [
        (max(at_s, row.arrival_s if row.arrival_s is not None and rng.random() < 0.9 else 0.0), row)
        for at_s, row in come
    ]
    rows = [row for _, row in sorted(come, key=lambda pair: pair[0])]
    session, events = Session(replace(run, samples=())), []
    for n, piece in enumerate(pieces(rng, rows, longest)):
        session.feed(piece)
        if takes and n % 2 == 0:
            events += session.take_events()
    if session.needs_rebuild:
        before, session = session, Session(replace(run, samples=()))
        session.feed(rows)
        session.take_over(before)
    session.finish()
    assert session.verdict() == want
    events += session.take_events()
    assert not told_of(session.take_events())
    revised = told_of(list(want.events))
    if not takes:
        assert told_of(events) == revised
    if revised:
        assert told_of(events), "what the record shows was told"


@settings(max_examples=10, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(family=st.sampled_from(FAMILIES), seed=st.integers(1, 2), chance=st.integers(0, 2**32 - 1))
def test_the_revision_is_a_function_of_the_set_of_rows(family: str, seed: int, chance: int) -> None:
    """By ``judge``, in any order at all; of two deliveries the one on time is kept, whichever came first."""
    rng = np.random.default_rng(chance)
    run = run_of(family, seed)
    low_s = float(rng.uniform(0.0, max(row.t_s for row in run.samples)))
    rows = resent(list(run.samples), [(low_s, low_s + 60.0, 30.0)], True)
    want = judge(replace(run, samples=tuple(rows)))
    twice = [
        row._replace(late=True, arrival_s=row.t_s + 900.0)
        for row in rows
        if row.boot is not None and rng.random() < 0.05
    ]
    mixed = [*rows, *twice]
    mixed = [mixed[i] for i in rng.permutation(len(mixed))]
    assert judge(replace(run, samples=tuple(mixed))) == want


def live(run: Run, rows: list[Sample]) -> tuple[Session, list[tuple[float, Event]]]:
    """One row at a time as each arrives, a tick every second; what was told, and when."""
    session, told = Session(replace(run, samples=())), []
    came = sorted(rows, key=lambda row: (row.t_s if row.arrival_s is None else row.arrival_s, row.t_s))
    now_s = 0.0
    for row in came:
        at_s = row.t_s if row.arrival_s is None else row.arrival_s
        while now_s + 1.0 <= at_s:
            now_s += 1.0
            session.tick(now_s)
            told += [(now_s, event) for event in session.take_events()]
        session.feed([row])
        told += [(at_s, event) for event in session.take_events()]
    return session, told


def revisions(told: list[tuple[float, Event]]) -> list[tuple[float, Event]]:
    return [(at_s, event) for at_s, event in told if isinstance(event, LateRevision)]


def silent_for_a_minute(story: Any, after_s: float = 30.0) -> tuple[Run, list[Sample], float]:
    """A minute of the hold comes in one piece, ``after_s`` after its end."""
    low_s = BOILS_S + 60.0
    rows = resent(story.samples(), [(low_s, low_s + 60.0, after_s)], True)
    return story.run(rows), rows, low_s + 60.0 + after_s


def test_it_is_told_once_while_the_run_goes_on_and_soon(cook: Build) -> None:
    """60 rows of one block: no word before they are in, one word within 5 s after."""
    story = cook(minutes=10.0).come_up().seen().stay(400.0)
    run, rows, arrived_s = silent_for_a_minute(story)
    _, told = live(run, rows)
    ((at_s, event),) = revisions(told)
    assert arrived_s <= at_s <= arrived_s + QUIET_S + 1.0
    assert (event.onset_s, event.raised_s) == (BOILS_S + 60.0, arrived_s)
    assert "60 samples came late" in event.text and "proven so far instead of" in event.text
    assert [event.kind for _, event in told].count("verdict_revised") == 1


@pytest.mark.parametrize("family", ["resent_dip", "resent_block_hold"])
def test_events_are_listed_as_they_were_raised(family: str) -> None:
    """In the document and as they are taken live, though the rows that changed the answer are minutes older."""
    run = run_of(family, 1)
    listed = judge(run).as_json()["events"]
    raised_s = [event["raised_s"] for event in listed]
    assert raised_s == sorted(raised_s)
    onsets_s = [event["onset_s"] for event in listed]
    assert "verdict_revised" in [event["kind"] for event in listed] and onsets_s != sorted(onsets_s)
    session = Session(replace(run, samples=()))
    session.feed(run.samples)
    session.finish()
    taken_s = [event.raised_s for event in session.take_events()]
    assert len(taken_s) >= len(raised_s) - 1 and taken_s == sorted(taken_s)


def test_a_block_that_takes_its_time_is_told_whole(cook: Build) -> None:
    """60 rows in 12 s: half of them would change the answer already, and it is told when all are in."""
    story = cook(minutes=10.0).come_up().seen().stay(400.0)
    _, rows, arrived_s = silent_for_a_minute(story)
    late = [row for row in rows if row.late]
    spread = {row.seq: row._replace(arrival_s=arrived_s + 0.2 * n) for n, row in enumerate(late)}
    rows = [spread.get(row.seq, row) for row in rows]
    _, told = live(story.run(rows), rows)
    ((at_s, event),) = revisions(told)
    last_s = arrived_s + 0.2 * 59
    assert last_s + QUIET_S <= at_s + 1.0 and at_s <= last_s + QUIET_S + 1.5
    assert "60 samples" in event.text and event.raised_s == pytest.approx(last_s)


def test_the_verdict_tells_the_last_state(cook: Build) -> None:
    """The same event: what is told while the run is open says so; in the verdict at the end, what came of it."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off").go(-2.0, 1.0)
    run, rows, _ = silent_for_a_minute(story)
    session, told = live(run, rows)
    session.finish()
    (event,) = told_of(list(session.verdict().events))
    assert "held" in event.text and "unproven" in event.text
    assert session.verdict() == judge(run)
    ((_, first),) = revisions(told)
    assert (first.onset_s, first.raised_s) == (event.onset_s, event.raised_s)
    assert not told_of(session.take_events())


def test_each_block_that_changes_the_answer_is_told(cook: Build) -> None:
    """Two silences, each sent again: two events with their own times; a third block changes nothing and is not told."""
    story = cook(minutes=15.0).come_up().seen().stay(800.0)
    low_s = BOILS_S + 60.0
    blocks = [(low_s, low_s + 60.0, 30.0), (low_s + 200.0, low_s + 260.0, 30.0)]
    changes_nothing = (low_s + 400.0, low_s + 405.0, 40.0)
    rows = resent(story.samples(), [*blocks, changes_nothing], True)
    _, told = live(story.run(rows), rows)
    found = [(event.onset_s, event.raised_s) for _, event in revisions(told)]
    assert found == [(low, high + after) for low, high, after in blocks]
    assert all("60 samples" in event.text for _, event in revisions(told)[1:])


def test_seconds_more_or_less_are_no_news_while_the_run_is_open(cook: Build) -> None:
    """Now and then a row comes 40 s late, and nothing that a cook would do hangs on it."""
    story = cook(minutes=15.0).come_up().seen().stay(600.0)
    rows = [
        row._replace(late=True, arrival_s=row.t_s + 40.0) if n % 23 == 0 else row
        for n, row in enumerate(story.samples())
    ]
    run = story.run(rows)
    session, told = live(run, rows)
    assert revisions(told) == [] == told_of(list(session.verdict().events))
    session.finish()
    assert session.verdict() == judge(run)
    without = judge(replace(run, samples=tuple(row for row in rows if not row.late)))
    assert abs(judge(run).proven_s - without.proven_s) < SAME_WHILE_OPEN_S


def test_a_block_from_beyond_the_window_is_told_once_after_the_rebuild(cook: Build) -> None:
    """The record's owner judges it anew for each piece of it; what was told stays told."""
    story = cook(minutes=20.0).come_up().seen().stay(900.0)
    run, rows, _ = silent_for_a_minute(story, after_s=400.0)
    on_time, late = [r for r in rows if not r.late], [r for r in rows if r.late]
    stored = [row for row in on_time if row.t_s < 700.0]
    session, told = Session(replace(run, samples=())), []
    session.feed(stored)
    session.take_events()
    for n in range(0, len(late), 20):
        piece = late[n : n + 20]
        session.feed(piece)
        stored += piece
        assert session.needs_rebuild
        before, session = session, Session(replace(run, samples=()))
        session.feed(stored)
        session.take_over(before)
        assert not session.needs_rebuild
        told += told_of(session.take_events())
    assert told == []
    for row in on_time[on_time.index(stored[len(stored) - len(late) - 1]) + 1 :]:
        session.feed([row])
        told += told_of(session.take_events())
    session.finish()
    told += told_of(session.take_events())
    assert len(told) == 1
    assert session.verdict() == judge(run)
    # Judged anew for another reason: nothing new of late rows.
    again = Session(run)
    again.take_over(session)
    again.finish()
    assert told_of(again.take_events()) == []


@pytest.mark.parametrize("on_time_first", [True, False])
def test_a_row_twice_late_and_on_time_is_on_time(cook: Build, on_time_first: bool) -> None:
    """Whichever comes first, and in one piece or two; a repeat is no late row."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off").go(-2.0, 1.0)
    rows = story.samples()
    want = judge(story.run(rows))
    copies = [row._replace(late=True, arrival_s=row.t_s + 50.0) for row in rows[300:340]]
    first, second = (rows[300:340], copies) if on_time_first else (copies, rows[300:340])
    for parts in (
        [rows[:300], first, second, rows[340:]],
        [rows[:300], [*first, *second], rows[340:]],
        [rows[:300], first, rows[340:360], second, rows[360:]],
    ):
        session = Session(replace(story.run(rows), samples=()))
        for part in parts:
            session.feed(part)
        session.finish()
        assert session.verdict() == want == judge(story.run([row for part in parts for row in part]))


def test_rows_without_numbers_count_once_in_one_piece_too(cook: Build) -> None:
    """Two deliveries that agree in everything are one, in one piece or in two."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off").go(-2.0, 1.0)
    rows = [row._replace(boot=None, seq=None) for row in story.samples()]
    run = story.run(rows)
    for parts in ([[*rows, *rows[200:230]]], [rows[:230], rows[200:]]):
        session = Session(replace(run, samples=()))
        for part in parts:
            session.feed(part)
        session.finish()
        assert session.verdict() == judge(run)


def test_a_second_value_that_comes_late_is_a_conflict_on_both_sides(cook: Build) -> None:
    """A number with two values proves nothing there, with the late rows or without them."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off").go(-2.0, 1.0)
    low_s = BOILS_S + 30.0
    rows = resent(story.samples(), [(low_s, low_s + 50.0, 20.0)], True)
    struck = rows[int(low_s) + 90]
    twin = struck._replace(water_C=struck.water_C + 1.0, late=True, arrival_s=struck.t_s + 45.0)
    run = story.run([*rows, twin])
    session, _ = live(run, [*rows, twin])
    session.finish()
    assert session.verdict() == judge(run)
    assert session.verdict().counts["conflicts"] == 1


def test_a_run_without_late_rows_carries_no_second_session(cook: Build) -> None:
    """Speed and memory of the plain case stay as they are."""
    story = cook().come_up().seen().stay(100.0)
    session = Session(replace(story.run(), samples=()))
    for row in story.samples():
        session.feed([row])
    assert session._without is None and session._block is None
