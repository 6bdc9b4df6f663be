"""Jars that stand alike are told of once; those that went on in one run are one paragraph with all their numbers."""

from __future__ import annotations

from typing import Any

from monitor.jars.alike import alike


def test_jars_that_go_on_in_one_run_are_one_paragraph_with_all_their_numbers(kitchen: Any) -> None:
    batch = kitchen("broken", jars=5)
    body = {"run_id": "again", "reprocess_of": batch.run.run_id, "reprocess_jars": [1, 2, 4]}
    batch.of("again", "run_started", 3900.0, **body)
    state = batch.state(4000.0)
    assert len({jar.do for jar in state.jars}) == 4
    groups = alike(state.jars)
    assert [group.numbers for group in groups] == [(1, 2, 4), (3, 5)]
    assert "run again as jars 1, 2, 3" in groups[0].shown.do
    assert "again" not in groups[1].shown.do
