"""Two people judge one jar past each other: the worse answer counts until somebody who has read both looks again."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.jars import Seal, Status
from monitor.jars.rows import local_time
from monitor.jars.seals import dispute, newest_answer

HOUR = 3600.0
LIFTED = 3700.0
LATER = LIFTED + 13 * HOUR
BAD: list[tuple[dict[str, Any], Seal]] = [
    ({"press": "springs", "tap": "dull"}, Seal.UNSEALED),
    ({"sight": "bulging"}, Seal.UNSEALED),
    ({"lift": None}, Seal.UNSEALED),
    ({"opened": True}, Seal.OPENED),
    ({"broken": True}, Seal.BROKEN),
]


def signed(batch: Any) -> Any:
    """The review signed with a reason for whatever does not hold; the state after it."""
    bare = [item.key for item in batch.state(LATER + HOUR).review_items if item.ok is False]
    batch.sign(LATER + HOUR, **dict.fromkeys(bare, "looked at it"))
    return batch.state(LATER + 1.1 * HOUR)


@pytest.mark.parametrize("kept", [True, False], ids=["screens drawn before", "nothing kept of what was seen"])
@pytest.mark.parametrize("bad_first", [True, False])
@pytest.mark.parametrize(("bad", "seal"), BAD)
def test_a_jar_called_bad_by_one_is_not_shelved_by_another_who_did_not_know(
    kitchen: Any, bad: dict[str, Any], seal: Seal, bad_first: bool, kept: bool
) -> None:
    """Missing is unknown, never fine: whichever of the two was written down last."""
    batch = kitchen(jars=1)
    seen = {"seen": 0} if kept else {}
    answers = [("Bert", bad), ("Anna", {})]
    for after_s, (by, given) in enumerate(answers if bad_first else answers[::-1]):
        batch.seal(1, LATER + after_s, by=by, **given, **seen)
    (jar,) = batch.state(LATER + 60).jars
    assert jar.seal.seal is seal and jar.seal.disputed
    assert [one.by for one in jar.seal.answers] == (["Bert", "Anna"] if bad_first else ["Anna", "Bert"])
    assert signed(batch).jars[0].status is not Status.SHELF


def test_it_is_asked_for_again_and_settled_by_whoever_has_read_both(kitchen: Any) -> None:
    batch = kitchen(jars=2)
    batch.seal(1, LATER, by="Bert", press="springs", seen=0)
    batch.seal(1, LATER + 1, by="Anna", seen=0)
    batch.seal(2, LATER + 2, by="Anna", seen=0)
    state = batch.state(LATER + 60)
    assert state.next_jar() == 1 and [jar.jar for jar in state.disputed()] == [1]
    assert "seals_judged" not in state.settled(), "its reminder goes on"
    text = dispute(state.jars[0].seal, lambda at: local_time(at, state.zone)[11:16])
    assert "Bert, 23:01: unsealed (press: springs). Anna, 23:01: sealed (firm, dished, rings, holds)." in text
    batch.seal(1, LATER + 90, by="Anna", seen=2)
    state = batch.state(LATER + 120)
    assert state.jars[0].seal.seal is Seal.SEALED and not state.disputed() and state.next_jar() is None
    assert signed(batch).jars[0].status is Status.SHELF


def test_whoever_settles_it_settles_only_what_was_read(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    batch.seal(1, LATER, by="Bert", press="springs", seen=0)
    batch.seal(1, LATER + 1, by="Anna", seen=0)
    batch.seal(1, LATER + 2, by="Cleo", tap="dull", seen=0)
    batch.seal(1, LATER + 3, by="Anna", seen=2)
    (jar,) = batch.state(LATER + 60).jars
    assert (jar.seal.seal, jar.seal.by, jar.seal.disputed) == (Seal.UNSEALED, "Cleo", True)


@pytest.mark.parametrize("settled", ["read", "corrected", "not"])
def test_the_review_shows_both_answers_however_it_was_settled(kitchen: Any, settled: str) -> None:
    batch = kitchen(jars=1)
    batch.seal(1, LATER, by="Bert", press="springs", seen=0)
    batch.seal(1, LATER + 60, by="Anna", seen=0)
    if settled == "read":
        batch.seal(1, LATER + 120, by="Anna", seen=2)
    elif settled == "corrected":
        batch.entries[-1] |= {"corrects": 1, "reason": "looked again"}
    (line,) = [item for item in batch.state(LATER + HOUR).review_items if item.key == "answers"]
    assert line.ok is False
    assert (
        "jar 1: Bert, 2026-08-14 23:01 -0600: unsealed (press: springs); Anna, 2026-08-14 23:02"
        in line.evidence
    )
    batch.sign(LATER + HOUR)
    review = batch.state(LATER + 1.1 * HOUR).review
    assert review is not None and not review.valid, "it takes a written reason"


def test_answers_that_agree_and_own_ones_are_no_dispute(kitchen: Any) -> None:
    batch = kitchen(jars=3)
    for by in ("Bert", "Anna"):
        batch.seal(1, LATER, by=by, seen=0)
    batch.seal(2, LATER, by="Bert", tap="dull")
    batch.seal(2, LATER + 60, by="Bert")
    batch.seal(3, LIFTED + 3 * HOUR, by="Bert", press="springs")
    batch.seal(3, LATER, by="Anna")
    state = batch.state(LATER + HOUR)
    assert [jar.seal.seal for jar in state.jars] == [Seal.SEALED] * 3 and not state.disputed()
    (line,) = [item for item in state.review_items if item.key == "answers"]
    assert line.ok, "of jar 3, the first answer was before 12 hours and asked for again"


def test_two_that_give_no_name_may_be_two_people(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    batch.seal(1, LATER, by=None, press="springs")
    batch.seal(1, LATER + 60, by=None)
    assert batch.state(LATER + HOUR).jars[0].seal.seal is Seal.UNSEALED


def test_the_newest_answer_about_a_jar_counts_a_breaking_in_the_canner(kitchen: Any) -> None:
    batch = kitchen(jars=3)
    assert newest_answer(batch.entries, 2) == 0
    batch.add("jars_lifted_count", LIFTED, out=2, broken=[2])
    batch.seal(1, LATER)
    assert [newest_answer(batch.entries, jar) for jar in (1, 2, 3)] == [2, 1, 0]


def test_broken_glass_stays_broken_unless_somebody_who_read_it_says_otherwise(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    batch.add("jar_seal", LATER, jar=1, broken=True)
    batch.seal(1, LATER + 60)
    assert batch.state(LATER + HOUR).jars[0].seal.seal is Seal.BROKEN
    batch.seal(1, LATER + 120, seen=2)
    assert batch.state(LATER + HOUR).jars[0].seal.seal is Seal.SEALED


def test_one_person_s_two_answers_are_told_of_as_one_person_s(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    batch.add("jar_seal", LATER, jar=1, broken=True)
    batch.seal(1, LATER + 60)
    (jar,) = batch.state(LATER + HOUR).jars
    text = dispute(jar.seal, lambda at: "23:01")
    assert text.startswith("Of jar 1 one person said different things. Ada, 23:01: broken")
    assert "people" not in text and "The worse counts until" in text
