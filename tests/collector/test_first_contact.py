"""What a node kept comes all at once, in a run: it lies where it was taken, and no clock is said to have been set.

The estimator is the leaky minimum that was measured against simulated traffic (``test_nodetime_accuracy.py``); here
its falling estimate meets the engine, which is live, and a collector that is killed in between.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.collector.ingest import MOST_NODES
from monitor.intake.source import Arrival
from monitor.intake.wire import Pack, encode_pack
from monitor.record import header_to_json
from monitor.simulate.node import demo_canner
from monitor.store.entries import append_entry
from monitor.timesource import ManualTime

START = "2026-08-14T09:00:00+00:00"
BEGAN_S = 1000.0


@pytest.fixture
def clock(data: Path) -> ManualTime:
    """With a run that is on, and the node that serves it."""
    clock = ManualTime(datetime.fromisoformat(START), BEGAN_S)
    append_entry(data, "node_assigned", {"node": "n1", "canner": "c1"}, time=clock)
    header = header_to_json(demo_canner(minutes=5.0, cooling_s=60.0).header)
    header |= {"run_id": "r1", "canner": "c1", "started_at": START}
    append_entry(data, "run_started", header, run_id="r1", time=clock)
    return clock


def packs(from_s: float, to_s: float, hz: float, uptime_s: float, held_s: float = 0.0) -> list[Any]:
    """(arrival, pack) of each sample in that time of the run; what is taken in its first ``held_s`` comes at the end
    of them."""
    found = []
    for seq in range(round(from_s * hz), round(to_s * hz)):
        t_s = seq / hz
        arrival_s = max(t_s, from_s + held_s + 1e-4 * (seq - from_s * hz))
        pack = Pack("n1", boot=3, seq=seq, uptime_s=uptime_s + t_s, water_C=20.0 + 0.01 * t_s)
        found.append((BEGAN_S + arrival_s + 0.01, pack))
    return found


def placed_wrong_s(stored: Any, hz: float) -> float:
    rows = stored.ask("SELECT seq, at_s FROM samples ORDER BY seq")
    began_s = datetime.fromisoformat(START).timestamp()
    return max(abs(at_s - began_s - seq / hz) for seq, at_s in rows)


def steps(stored: Any) -> list[float]:
    question = "SELECT json_extract(body, '$.onset_s') FROM events WHERE kind = 'clock_stepped'"
    return [onset_s for (onset_s,) in stored.ask(question)]


@pytest.mark.parametrize("hz", [1.0, 4.0])
def test_a_first_contact_with_a_minute_of_samples(
    hz: float, fed: Callable[..., Any], clock: ManualTime, stored: Any, wait: Any
) -> None:
    collector = fed(clock)
    collector.say(packs(0.0, 100.0, hz, 50.0, held_s=60.0), piece=10)
    wait(lambda: collector.pass_time(0.5) or placed_wrong_s(stored, hz) < 0.5)
    collector.say(packs(100.0, 110.0, hz, 50.0))
    collector.pass_time(1.0)
    assert steps(stored) == []


@pytest.mark.parametrize("held_s", [0.0, 60.0])
def test_an_uptime_set_back_once_is_told_once(
    held_s: float, fed: Callable[..., Any], clock: ManualTime, stored: Any, wait: Any
) -> None:
    collector = fed(clock)
    collector.say(packs(0.0, 75.0, 4.0, 50.0))
    collector.say(packs(75.0, 200.0, 4.0, 20.0, held_s=held_s), piece=10)
    wait(lambda: collector.pass_time(0.5) or placed_wrong_s(stored, 4.0) < 0.5)
    collector.say(packs(200.0, 210.0, 4.0, 20.0))
    collector.pass_time(1.0)
    assert steps(stored) == [pytest.approx(75.0, abs=1.0)]


def test_what_a_killed_collector_placed_too_late_is_moved_by_the_next(
    fed: Callable[..., Any], clock: ManualTime, stored: Any, wait: Any
) -> None:
    first = fed(clock)
    burst = packs(0.0, 100.0, 4.0, 50.0, held_s=60.0)
    first.say(burst[:120], piece=10)
    first.end()
    assert placed_wrong_s(stored, 4.0) > 25.0
    second = fed(clock)
    second.say(burst[120:], piece=10)
    wait(lambda: second.pass_time(0.5) or placed_wrong_s(stored, 4.0) < 0.5)


@pytest.mark.parametrize("heard_before", [True, False])
def test_strange_names_after_a_restart_keep_the_node_of_the_run_in(
    clock: ManualTime, fed: Callable[[ManualTime], Any], stored: Any, heard_before: bool
) -> None:
    """A broken gateway's backlog comes first. The run's node is known to the store, or was assigned by a person."""
    if heard_before:
        first = fed(clock)
        first.say(packs(0.0, 5.0, 1.0, uptime_s=50.0))
        first.end()
    second = fed(clock)
    strange = [
        encode_pack(Pack(f"x{n}", boot=1, seq=0, uptime_s=1.0, water_C=5.0)) for n in range(MOST_NODES)
    ]
    second.source.feed([Arrival("fed", None, payload, clock.monotonic_s()) for payload in strange])
    second.say(packs(5.0, 10.0, 1.0, uptime_s=50.0))
    ((rows,),) = stored.ask("SELECT count(*) FROM samples JOIN nodes ON node = node_id WHERE name = 'n1'")
    assert rows == (10 if heard_before else 5)
