"""Which samples are safe: checked against a plain set of numbers."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from monitor.collector.receipts import HOLE_AGE_S, RESEND_FIRST_S, RESEND_LAST_S, STORED_EVERY_S, Receipts


def highest_without_hole(numbers: set[int]) -> int:
    upto = -1
    while upto + 1 in numbers:
        upto += 1
    return upto


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 6)), max_size=80))
def test_covered_is_covered_in_any_order(stretches: list[tuple[int, int]]) -> None:
    receipts, known = Receipts(), set[int]()
    for first, length in stretches:
        receipts.cover(first, first + length)
        known |= set(range(first, first + length + 1))
        assert receipts.upto == highest_without_hole(known)
        assert receipts.highest == max(known)
        missing = [n for low, high in receipts.holes() for n in range(low, high + 1)]
        assert missing == [n for n in range(max(known)) if n not in known]


@given(st.sets(st.integers(0, 40), min_size=1), st.integers(0, 45), st.integers(0, 100))
def test_gone_covers_nothing_but_what_is_missing(known: set[int], start: int, count: int) -> None:
    receipts = Receipts()
    for number in known:
        receipts.cover(number)
    lost = {n for first, size in receipts.gone(count, start) for n in range(first, first + size)}
    assert lost == {n for n in range(start, start + count) if n not in known and n < max(known)}
    assert receipts.upto == highest_without_hole(known | lost)


def test_stored_is_said_seldom_and_never_ahead() -> None:
    receipts = Receipts()
    assert receipts.to_say(0.0) == (None, None)
    receipts.cover(0, 9)
    receipts.cover(12, 20)
    assert receipts.to_say(10.0)[0] == 9
    receipts.cover(10)
    assert receipts.to_say(10.0 + STORED_EVERY_S / 2)[0] is None
    assert receipts.to_say(10.0 + STORED_EVERY_S)[0] == 10
    assert receipts.to_say(20.0)[0] is None
    assert receipts.to_say(21.0)[0] == 10, "said again: the last one may have been lost"


def test_a_hole_is_asked_for_with_growing_pauses_until_it_is_gone() -> None:
    receipts = Receipts()
    receipts.cover(0, 4)
    receipts.cover(8)
    assert receipts.to_say(100.0)[1] is None, "perhaps only out of order"
    asked = [t for t in range(100, 700) if receipts.to_say(float(t))[1] == 5]
    pauses = [later - earlier for earlier, later in itertools.pairwise(asked)]
    assert asked[0] == 100 + HOLE_AGE_S
    assert pauses[0] == RESEND_FIRST_S
    assert pauses[-1] == RESEND_LAST_S
    assert pauses == sorted(pauses)
    assert receipts.gone(2, None) == [(5, 2)]
    assert receipts.first_hole == (7, 7)
    receipts.cover(7)
    assert receipts.to_say(1000.0) == (8, None)


def test_a_hole_that_is_being_filled_is_not_asked_for_at_every_look() -> None:
    """A node says again some 50 samples a second; each of them moves the hole's beginning."""
    receipts = Receipts()
    receipts.cover(0, 4)
    receipts.cover(1000)
    asked = []
    for step in range(400):
        at_s = 100.0 + step * 0.02
        if receipts.to_say(at_s)[1] is not None:
            asked.append(at_s)
        receipts.cover(5 + step)
    pauses = [later - earlier for earlier, later in itertools.pairwise(asked)]
    assert 2 <= len(asked) <= 5
    assert min(pauses) >= RESEND_FIRST_S
