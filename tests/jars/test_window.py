"""The window of a reprocessing closes by when its jars went in, for the run before and for the one that reprocesses.

University of Nebraska Extension: 2 h for jars whose process failed (G58); USDA Complete Guide: 24 h for a jar that did
not seal (G51); Iowa State University Extension: discarded after that (G56, G57).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from monitor.errors import RefusedError
from monitor.jars import Status, batch_state, labels, pantry, reprocess_extra
from monitor.jars.reprocess import these_are_trouble
from monitor.jars.window import UNTIL, Before, before_of

START = datetime(2026, 8, 14, 15, 0, tzinfo=UTC)
HOUR = 3600.0
#: The boil of the broken batch was lost at 2122 s.
CLOSES = 2122.0 + 2 * HOUR
LIFTED = 3700.0
FULL = {"pack": "hot", "source": "USDA", "minutes": 30.0, "new_lids": True}


def parent(kitchen: Any, *, in_s: float | None = None, over_s: float | None = None, jars: int = 2) -> Any:
    batch = kitchen("broken", jars=jars)
    batch.add("run_started", 4000.0, run_id="again", reprocess_of=batch.run.run_id, reprocess_jars=[1, 2])
    if in_s is not None:
        batch.of("again", "mark", in_s, kind="jars_in")
    if over_s is not None:
        batch.of("again", "run_ended", over_s)
    return batch


def child(kitchen: Any, word: str = "held", *, began_s: float, until_s: float = CLOSES, **extra: Any) -> Any:
    """The run that reprocesses both, its jars in as it begins."""
    until = (START + timedelta(seconds=until_s)).isoformat()
    batch = kitchen(word, jars=2, reprocess_of="p", reprocess_jars=[1, 2], **({UNTIL: until} | extra))
    batch.run = replace(batch.run, run_id="again", started_at=START + timedelta(seconds=began_s))
    return batch


def seen(batch: Any, at_s: float, before: Before | None = None) -> Any:
    return batch_state(batch.run, batch.verdict, batch.entries, START + timedelta(seconds=at_s), None, before)


def test_jars_that_went_in_after_the_window_are_discarded_in_the_run_before(kitchen: Any) -> None:
    state = parent(kitchen, in_s=CLOSES + 8 * HOUR).state(CLOSES + 9 * HOUR)
    for jar in state.jars:
        assert (jar.status, jar.choices) == (Status.ON_HOLD, (Status.DISCARDED,))
        assert "came too late" in jar.why and "do not taste" in jar.do and "G58" in jar.guidance
    assert not state.all_placed
    in_time = parent(kitchen, in_s=CLOSES - 1.0).state(CLOSES + 9 * HOUR)
    assert [jar.status for jar in in_time.jars] == [Status.REPROCESS] * 2


def test_a_hold_that_came_too_late_shelves_nothing_in_its_own_run(kitchen: Any) -> None:
    """Held, sealed, reviewed: without its window the best of records."""
    for began_s, status in ((CLOSES - 60.0, Status.SHELF), (CLOSES + 8 * HOUR, Status.ON_HOLD)):
        batch = child(kitchen, began_s=began_s)
        for jar in (1, 2):
            batch.seal(jar, began_s + LIFTED + 13 * HOUR)
        content = seen(batch, began_s + LIFTED + 14 * HOUR).content
        batch.add("review", began_s + LIFTED + 14 * HOUR, by="Grace", content=content, reasons={})
        state = seen(batch, began_s + LIFTED + 15 * HOUR)
        assert [jar.status for jar in state.jars] == [status] * 2
        assert bool(labels(state, "http://x")) is (status is Status.SHELF)
    assert all(jar.choices == (Status.DISCARDED,) and "went in at" in jar.why for jar in state.jars)
    assert all(row.held_back for row in pantry([state], state.processed_on))
    assert "Discard; do not taste." in state.instead_of_advice


def test_what_the_run_before_says_now_counts_where_it_is_stricter_or_nothing_was_told(kitchen: Any) -> None:
    batch = child(kitchen, began_s=4000.0)
    batch.run.extra.pop(UNTIL)
    assert [jar.status for jar in seen(batch, 8000.0).jars] == [Status.WAITING] * 2, "nobody has looked"
    unknown = seen(batch, 8000.0, Before())
    assert all(jar.status is Status.ON_HOLD and "nothing tells" in jar.why for jar in unknown.jars)
    early = Before(START + timedelta(seconds=3999.0))
    assert all(jar.choices == (Status.DISCARDED,) for jar in seen(batch, 8000.0, early).jars)


def test_until_jars_are_in_the_clock_of_the_run_before_stands_on_both_and_rings(kitchen: Any) -> None:
    batch = parent(kitchen)
    state = batch.state(CLOSES - 60.0)
    assert "jars_decided" not in state.settled() and not state.all_placed
    assert [clock.deadline for clock in state.clocks] == [START + timedelta(seconds=CLOSES)]
    assert all(jar.due == state.two_hours and Status.REFRIGERATE in jar.choices for jar in state.jars)
    closed = batch.state(CLOSES + 60.0)
    assert all(jar.choices == (Status.DISCARDED,) and "mark jars in" not in jar.do for jar in closed.jars)

    there = child(kitchen, began_s=4000.0)
    there.verdict["verdict"] = None
    there.run = replace(there.run, marks=())
    waits = seen(there, CLOSES - 60.0)
    assert [clock.deadline for clock in waits.clocks] == [START + timedelta(seconds=CLOSES)]
    assert all(jar.due == START + timedelta(seconds=CLOSES) for jar in waits.jars)
    assert "no jars are marked in yet" in waits.window_words
    late = seen(there, CLOSES + 60.0)
    assert all(jar.choices == (Status.DISCARDED,) for jar in late.jars)


def test_a_run_that_ended_without_its_jars_gives_them_no_time_and_gives_them_back(kitchen: Any) -> None:
    batch = parent(kitchen, over_s=4300.0)
    state = batch.state(4400.0)
    assert all(jar.child_run is None and jar.due == state.two_hours for jar in state.jars)
    assert reprocess_extra(batch.run, state, [1], **FULL)["reprocess_jars"] == [1]
    assert all(jar.choices == (Status.DISCARDED,) for jar in batch.state(CLOSES + 1.0).jars)

    there = child(kitchen, "unproven", began_s=4000.0)
    there.run = replace(there.run, marks=(), ended_at_s=300.0)
    there.add("jar_disposition", CLOSES + 600.0, jar=1, to="refrigerate")
    gone = seen(there, CLOSES + 700.0)
    assert all(jar.status is Status.ON_HOLD and not jar.choices for jar in gone.jars)
    assert "Say in run p where they go" in gone.jars[0].do and len(gone.refused) == 1


def test_a_reprocessing_that_broke_has_what_was_left_before_and_its_boil_only_holds_that_up(
    kitchen: Any,
) -> None:
    began_s = CLOSES - 600.0
    batch = child(kitchen, "broken", began_s=began_s)
    assert seen(batch, began_s + 3500.0).two_hours == START + timedelta(seconds=CLOSES)
    batch.verdict["stretches"] = [
        {"start_s": 300.0, "end_s": 900.0, "state": "boiling", "why": "at the boil"},
    ]
    state = seen(batch, began_s + 3500.0)
    assert state.two_hours == START + timedelta(seconds=CLOSES + 600.0)
    assert state.sign_by == START + timedelta(seconds=began_s + 900.0 + 2 * HOUR)


def test_a_jar_is_said_to_be_elsewhere_only_in_the_run_that_has_it(kitchen: Any) -> None:
    batch = parent(kitchen, in_s=4100.0)
    batch.add("jar_disposition", 4200.0, jar=1, to="refrigerate")
    state = batch.state(4300.0)
    assert state.jars[0].status is Status.REPROCESS and "say it there" in state.refused[0]
    # Said before they went in: one of the two is wrong, and neither run shelves it.
    slip = parent(kitchen)
    slip.add("jar_disposition", 4050.0, jar=1, to="refrigerate")
    slip.of("again", "mark", 4100.0, kind="jars_in")
    before = before_of(slip.state(4300.0), "again")
    assert before.elsewhere == {1: "refrigerate"}
    jars = seen(child(kitchen, began_s=4100.0), 9000.0, before).jars
    assert "written down wrong" in jars[0].why and "written down wrong" not in jars[1].why


def test_a_seal_corrected_after_its_jar_went_on_asks_for_a_decision_and_shelves_nothing(kitchen: Any) -> None:
    batch = kitchen(jars=3)
    for jar in (1, 2, 3):
        batch.seal(jar, LIFTED + 12.5 * HOUR, **({"press": "springs"} if jar == 3 else {}))
    bad = len(batch.entries)
    start_s = LIFTED + 13 * HOUR
    batch.add("run_started", start_s, run_id="again", reprocess_of=batch.run.run_id, reprocess_jars=[3])
    batch.of("again", "mark", start_s + 60.0, kind="jars_in")
    batch.seal(3, start_s + 3 * HOUR)
    batch.entries[-1] |= {"corrects": bad, "reason": "the wrong jar was written down"}
    batch.sign(start_s + 4 * HOUR)
    state = batch.state(start_s + 5 * HOUR)
    assert [jar.status for jar in state.jars] == [Status.SHELF, Status.SHELF, Status.ON_HOLD]
    assert "written down wrong" in state.jars[2].why and not state.jars[2].choices
    assert [label.jar for label in labels(state, "http://x")] == [1, 2]
    assert [row.jars for row in pantry([state], state.processed_on)] == [(1, 2)]
    # Which jar it was can be corrected: the truly unsealed one is the one that went on.
    batch.of("again", "header_changed", start_s + 6 * HOUR, reprocess_jars=[2])
    state = batch.state(start_s + 7 * HOUR)
    assert state.jars[2].child_run is None and state.jars[1].child_run == "again"


@pytest.mark.parametrize(
    ("jars", "why"),
    [
        ([2], "2 jars were written down"),
        ([2, 2], "twice"),
        ([1, 9], "no jar 9"),
        ([3, 1], "is 'refrigerate'"),
    ],
)
def test_which_jars_went_on_is_not_corrected_to_what_cannot_be(
    kitchen: Any, jars: list[int], why: str
) -> None:
    batch = parent(kitchen, in_s=4100.0, jars=3)
    batch.add("jar_disposition", 4200.0, jar=3, to="refrigerate")
    there = seen(child(kitchen, began_s=4100.0), 9000.0)
    assert why in these_are_trouble(batch.state(4300.0), there, jars)
    assert these_are_trouble(batch.state(4300.0), there, [2, 1]) == ""


def test_a_jar_is_named_once_for_a_reprocessing(kitchen: Any) -> None:
    batch = kitchen("broken", jars=3)
    with pytest.raises(RefusedError, match="jar 3 was named twice"):
        reprocess_extra(batch.run, batch.state(3500.0), [3, 3], **FULL)
    extra = reprocess_extra(batch.run, batch.state(3500.0), [3], **FULL)
    assert extra[UNTIL] == (START + timedelta(seconds=CLOSES)).isoformat(), (
        "handed on alone, it tells by itself"
    )
