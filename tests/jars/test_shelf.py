"""A jar on the shelf: a bad lid before all else, answers that differ, dates that are past, and what is held back.

USDA Complete Guide: do not taste from a jar with a bulging lid or a lost seal (G66, G67). National centre for home food
preservation: a few days in the refrigerator, at most a week (G55).
"""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from monitor.jars import Status, lost_seals, pantry

HOUR = 3600.0
LIFTED = 3700.0
DAY = 24 * HOUR


def shelved(kitchen: Any, jars: int = 4) -> Any:
    batch = kitchen(jars=jars)
    for jar in range(1, jars + 1):
        batch.seal(jar, LIFTED + 13 * HOUR)
    batch.sign(LIFTED + 14 * HOUR)
    assert all(jar.status is Status.SHELF for jar in batch.state(LIFTED + 15 * HOUR).jars)
    return batch


@pytest.mark.parametrize("found", ["bulge", "lost_seal"])
@pytest.mark.parametrize("since", ["nothing", "deviation", "lapsed"])
def test_a_bad_lid_stands_before_whatever_else_is_open(kitchen: Any, found: str, since: str) -> None:
    batch = shelved(kitchen)
    at_s = 100 * DAY
    batch.add("jar_recheck", at_s, jar=3, found=found)
    if since == "deviation":
        batch.add("deviation_opened", at_s + 60.0, what="two lids failed on the shelf")
    elif since == "lapsed":
        batch.seal(4, at_s + 60.0, by="Bert", press="springs")
    batch.add("jar_disposition", at_s + 120.0, jar=3, to="refrigerate")
    state = batch.state(at_s + 180.0)
    jar = state.jars[2]
    assert (jar.status, jar.choices) == (Status.ON_HOLD, (Status.DISCARDED,))
    assert "do not taste" in jar.do.lower() and {"G66", "G67"} <= set(jar.guidance)
    assert "not offered" in state.refused[-1]
    (lost,) = lost_seals([state])
    assert {1, 2} <= set(lost.siblings) and lost.do == jar.do


def test_a_lid_that_bulged_when_its_seal_was_judged_is_not_kept_cold(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    batch.seal(1, LIFTED + 13 * HOUR, sight="bulging")
    batch.add("jar_disposition", LIFTED + 13.1 * HOUR, jar=1, to="refrigerate")
    state = batch.state(LIFTED + 13.2 * HOUR)
    assert state.jars[0].choices == (Status.DISCARDED,) and state.jars[0].status is Status.ON_HOLD


@pytest.mark.parametrize(
    ("seen", "reason", "settled"),
    [(None, None, False), (None, "a shadow", False), ("both", None, False), ("both", "a shadow", True)],
)
def test_of_two_answers_the_worse_counts_until_one_who_read_both_says_why(
    kitchen: Any, seen: str | None, reason: str | None, settled: bool
) -> None:
    batch = shelved(kitchen)
    bad = batch.add("jar_recheck", 100 * DAY, by="Ada", jar=3, found="bulge")
    batch.add(
        "jar_recheck",
        101 * DAY,
        by="Cleo",
        jar=3,
        found="fine",
        **({"seen": bad} if seen else {}),
    )
    batch.entries[-1]["reason"] = reason
    state = batch.state(102 * DAY)
    assert (state.jars[2].status is Status.SHELF) is settled
    assert bool(lost_seals([state])) is not settled
    if not settled:
        assert "Ada" in state.jars[2].why and "Cleo" in state.jars[2].why


def test_a_jar_found_fine_first_may_go_bad_without_a_dispute(kitchen: Any) -> None:
    batch = shelved(kitchen)
    batch.add("jar_recheck", 50 * DAY, jar=3, found="fine")
    batch.add("jar_recheck", 100 * DAY, jar=3, found="lost_seal")
    assert "counts until" not in batch.state(101 * DAY).jars[2].why


def test_that_a_bad_jar_was_used_does_not_end_the_warning(kitchen: Any) -> None:
    batch = shelved(kitchen)
    batch.add("jar_recheck", 100 * DAY, jar=3, found="bulge")
    batch.add("jar_recheck", 101 * DAY, jar=3, found="used")
    state = batch.state(102 * DAY)
    (lost,) = lost_seals([state])
    assert state.jars[2].gone == "used" and "Do not taste what is left" in lost.do
    assert lost.siblings == (1, 2, 4)


def test_beside_a_bad_lid_every_jar_of_the_batch_that_is_still_there_is_named(kitchen: Any) -> None:
    """Sealed or not, judged or not; not those that are gone, nor those that have a warning of their own."""
    batch = kitchen(jars=8)
    at_s = LIFTED + 13 * HOUR
    batch.seal(1, at_s, sight="bulging")
    batch.seal(2, at_s, press="springs")
    batch.add("jar_seal", at_s, jar=3, opened=True)
    batch.seal(4, at_s)
    batch.add("jar_disposition", at_s, jar=5, to="reprocess")
    batch.add("jar_disposition", at_s, jar=6, to="discarded")
    batch.add("jar_recheck", at_s, jar=7, found="used")
    (lost,) = lost_seals([batch.state(at_s + 60.0)])
    assert lost.siblings == (2, 3, 4, 5, 8)


@pytest.mark.parametrize(("days", "taken"), [(6.0, True), (30.0, False)])
def test_past_its_date_a_jar_in_the_cold_is_only_discarded(kitchen: Any, days: float, taken: bool) -> None:
    batch = kitchen("broken", jars=1)
    batch.add("jar_disposition", 3500.0, jar=1, to="refrigerate")
    at_s = 3500.0 + days * DAY
    assert (Status.FROZEN in batch.state(at_s).jars[0].choices) is taken
    assert taken or "do not taste" in batch.state(at_s).jars[0].do
    batch.add("jar_disposition", at_s, jar=1, to="frozen")
    state = batch.state(at_s + 60.0)
    assert (state.jars[0].status is Status.FROZEN) is taken
    assert taken or "had passed" in state.refused[0]
    batch.add("jar_disposition", at_s + 120.0, jar=1, to="discarded")
    assert batch.state(at_s + 180.0).jars[0].status is Status.DISCARDED


def test_what_is_offered_after_a_review_has_lapsed_is_taken(kitchen: Any) -> None:
    batch = shelved(kitchen)
    batch.add("loading", 20 * DAY, water_C=60.0)
    offered = batch.state(20 * DAY + 60.0).jars[0].choices
    assert Status.REFRIGERATE in offered
    for number, wanted in enumerate(offered, 1):
        batch.add("jar_disposition", 20 * DAY + 60.0, jar=number, to=wanted.value)
    state = batch.state(20 * DAY + 120.0)
    assert not state.refused
    assert {jar.status for jar in state.jars[: len(offered)]} == set(offered)


def test_a_jar_that_is_held_back_says_what_to_do_and_comes_back(kitchen: Any) -> None:
    batch = shelved(kitchen)
    batch.add("jar_disposition", 10 * DAY, jar=2, to="on hold")
    jar = batch.state(10 * DAY + 60.0).jars[1]
    assert jar.status is Status.ON_HOLD and "'waiting' ends its being held back" in jar.do
    assert set(jar.choices) == {Status.WAITING, Status.DISCARDED}
    batch.add("jar_disposition", 11 * DAY, jar=2, to="waiting")
    state = batch.state(11 * DAY + 60.0)
    assert state.jars[1].status is Status.SHELF and not state.refused
    batch.add("jar_disposition", 12 * DAY, jar=2, to="waiting")
    assert "nobody holds it back" in batch.state(12 * DAY + 60.0).refused[0]


def test_holding_a_jar_back_never_offers_more_than_the_table(kitchen: Any) -> None:
    """Unsealed, and its 24 hours have passed."""
    batch = shelved(kitchen)
    batch.add("jar_disposition", 10 * DAY, jar=2, to="on hold")
    batch.seal(2, 11 * DAY, press="springs")
    assert Status.REFRIGERATE not in batch.state(12 * DAY).jars[1].choices


def test_jars_whose_review_has_lapsed_stand_in_the_pantry_as_held_back(kitchen: Any) -> None:
    batch = shelved(kitchen)
    batch.seal(4, 20 * DAY, press="springs")
    state = batch.state(21 * DAY)
    rows = pantry([state], date(2026, 9, 5))
    held = {jar: row.held_back for row in rows for jar in row.jars}
    assert set(held) == {1, 2, 3, 4}
    assert "review is not signed" in held[1] and "Discard; do not taste." in held[4]
    never = kitchen(jars=1)
    never.seal(1, LIFTED + 13 * HOUR)
    assert pantry([never.state(LIFTED + 14 * HOUR)], date(2026, 9, 5)) == []
