"""A node whose uptime leaps, within one start: what had arrived at once stays where it was."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.collector.nodetime import NodeClock
from monitor.intake.wire import Pack
from monitor.store.entries import append_entry
from monitor.timesource import ManualTime

#: House time at uptime zero, by the truth.
ZERO_S = 5000.0


def place(clock: NodeClock, seq: int, uptime_s: float, arrival_s: float) -> float:
    return clock.place(seq, uptime_s, 0.0, arrival_s)


@pytest.mark.parametrize("leap_s", [4.0, 300.0, 40_000.0])
def test_a_leap_begins_the_estimate_anew_and_moves_nothing(leap_s: float) -> None:
    clock = NodeClock()
    for seq in range(200):
        place(clock, seq, 10.0 + seq, ZERO_S + 10.0 + seq + 0.02)
    for seq in range(200, 260):
        arrival_s = ZERO_S + 10.0 + seq + 0.02
        at_s = place(clock, seq, 10.0 + seq + leap_s, arrival_s)
        assert arrival_s - 0.2 <= at_s <= arrival_s
        assert not clock.fell


def test_one_mad_uptime_among_good_ones_moves_nothing_either() -> None:
    clock = NodeClock()
    for seq in range(100):
        arrival_s = ZERO_S + seq + 0.02
        at_s = place(clock, seq, seq + (300.0 if seq == 50 else 0.0), arrival_s)
        assert arrival_s - 0.2 <= at_s <= arrival_s
        assert not clock.fell


def test_what_had_waited_is_still_moved_to_where_it_belongs() -> None:
    """The first hundred came in one go after 300 s, each with its own count: that is a link, and no leap."""
    clock = NodeClock()
    for seq in range(300):
        place(clock, seq, 10.0 + seq, max(ZERO_S + 10.0 + seq, ZERO_S + 310.0))
    assert clock.fell and clock.offset_s == pytest.approx(ZERO_S, abs=2.0)


def test_what_had_waited_and_lost_some_is_still_moved() -> None:
    """A broker's queue was full: a hole in the counts as long as the hole in uptime."""
    clock = NodeClock()
    for seq in [*range(30), *range(290, 330)]:
        place(clock, seq, 10.0 + seq, max(ZERO_S + 10.0 + seq, ZERO_S + 310.0))
    assert clock.fell and clock.offset_s == pytest.approx(ZERO_S, abs=2.0)


@pytest.mark.parametrize("restarted", [False, True])
def test_stored_samples_stay_where_they_arrived(
    fed: Callable[..., Any], data: Path, stored: Any, restarted: bool
) -> None:
    """Also where a new collector takes over just before the leap, while a run is on."""
    clock = ManualTime(datetime.fromisoformat("2026-08-14T09:12:00-06:00"), 1000.0)
    header = {
        "format": "boilwitness-run/1",
        "canner": "c1",
        "started_at": "2026-08-14T09:12:00-06:00",
        "required": {"minutes": 10},
    }
    append_entry(data, "node_assigned", {"node": "n1", "canner": "c1"}, time=clock)
    append_entry(data, "run_started", header, run_id="r1", time=clock)
    collector = fed(clock)
    collector.say(
        [(1000.0 + n, Pack("n1", boot=3, seq=n, uptime_s=50.0 + n, water_C=20.0)) for n in range(60)]
    )
    if restarted:
        collector.end()
        collector = fed(clock)
    leapt = range(60, 120)
    collector.say([(1000.0 + n, Pack("n1", boot=3, seq=n, uptime_s=350.0 + n, water_C=20.0)) for n in leapt])
    for _ in range(8):
        collector.pass_time(2.0)
    assert len(stored.seqs(3)) == 120
    assert stored.ask(
        "SELECT max(arrival_s - at_s), sum(late) FROM samples WHERE arrival_s - at_s > 0.5"
    ) == [(None, None)]
    assert stored.ask("SELECT count(*) FROM journal WHERE kind = 'samples_placed_anew'") == [(0,)]
