"""Rows that come after a run was sealed are told as late, whichever node said them; a changed record is not."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.proof.seal import seal_due
from monitor.proof.verify import verify_store_at
from monitor.record import Sample
from monitor.store.handover import Batch
from monitor.store.reader import load_run
from monitor.store.samples import row_values

#: What the fixtures of this folder hand out.
Household = Any
DAY_S = 86400.0


def jar_rows(house: Household, numbers: range, arrival_s: float | None = None) -> None:
    """Temperatures of a jar by a node of its own, each 20 s after the one before."""
    node = house.writer.node_id("shelf", "test")
    start_s = house.start.timestamp()
    rows = []
    for number in numbers:
        sample = Sample(
            0.0, None, jars={1: 20.0 + number / 100.0}, boot=5, seq=number, uptime_s=20.0 * number
        )
        at_s = start_s + 20.0 * number + 0.6
        came_s = at_s + 0.02 if arrival_s is None else start_s + arrival_s
        rows.append(row_values(node, sample, at_s, came_s, arrival_s is not None))
    house.writer.commit(Batch(rows=rows))


@pytest.fixture
def two_nodes(house: Household) -> Household:
    """A sealed run whose canner is served by a second node, of which some rows have not come yet."""
    house.say(
        "node_assigned", {"node": "shelf", "canner": "canner-1"}, 0.0, run_id=None, reason="set up then"
    )
    jar_rows(house, range(60))
    seal_due(house.conn, time=house.clock)
    assert verify_store_at(house.data).problems == []
    return house


def test_late_rows_of_a_second_node_are_told_as_late_and_sealed_later(two_nodes: Household) -> None:
    """Its values stand in the water's own rows, whose arrival says nothing of theirs."""
    jar_rows(two_nodes, range(60, 100), arrival_s=50_000.0)
    report = verify_store_at(two_nodes.data)
    assert report.problems == []
    assert any("40 samples came late, after it was sealed" in text for text in report.remarks)
    assert seal_due(two_nodes.conn, time=two_nodes.clock) == [two_nodes.run_id]
    report = verify_store_at(two_nodes.data)
    assert report.problems == []
    assert any("sealed again as seal 2: 40 samples came late" in text for text in report.remarks)


def test_late_rows_excuse_nothing_that_was_changed(two_nodes: Household) -> None:
    jar_rows(two_nodes, range(60, 100), arrival_s=50_000.0)
    for (name,) in two_nodes.conn.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        two_nodes.conn.execute(f"DROP TRIGGER {name}")
    two_nodes.conn.execute("UPDATE samples SET jars = '{\"1\":31.0}' WHERE boot = 5 AND seq = 20")
    problems = verify_store_at(two_nodes.data).problems
    assert any("nothing in the store says why" in text for text in problems), problems
    assert any("of shelf, start 5" in text for text in problems), problems


def test_a_late_row_that_stands_before_the_water_was_first_heard(two_nodes: Household) -> None:
    """The second node's water, from before: which node leads changes, and the late rows still explain it."""
    node = two_nodes.writer.node_id("shelf", "test")
    start_s = two_nodes.start.timestamp()
    sample = Sample(0.0, 21.0, boot=4, seq=0, uptime_s=1.0)
    two_nodes.writer.commit(Batch(rows=[row_values(node, sample, start_s + 0.1, start_s + 50_000.0, True)]))
    report = verify_store_at(two_nodes.data)
    assert report.problems == []
    assert any("1 sample came late" in text for text in report.remarks), report.remarks


def test_a_value_that_came_twice_late_is_told_as_late(two_nodes: Household) -> None:
    sample = load_run(two_nodes.conn, two_nodes.run_id).samples[500]
    node = two_nodes.writer.node_id("n1", "test")
    start_s = two_nodes.start.timestamp()
    other = sample._replace(water_C=(sample.water_C or 0.0) + 1.0)
    two_nodes.writer.commit(
        Batch(rows=[row_values(node, other, start_s + sample.t_s, start_s + 50_000.0, True)])
    )
    report = verify_store_at(two_nodes.data)
    assert report.problems == []
    assert any("1 sample came late" in text for text in report.remarks), report.remarks


def test_what_comes_days_later_is_sealed_once_it_was_judged(two_nodes: Household) -> None:
    """A broker can hold a node's samples for days; the collector judges the run again when they come."""
    two_nodes.clock.advance(5 * DAY_S)
    jar_rows(two_nodes, range(60, 100), arrival_s=5 * DAY_S)
    two_nodes.judged()
    assert seal_due(two_nodes.conn, time=two_nodes.clock) == [two_nodes.run_id]
    assert seal_due(two_nodes.conn, time=two_nodes.clock) == []
    assert verify_store_at(two_nodes.data).problems == []
