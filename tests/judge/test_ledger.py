"""Stretches of one state each, rewritten where later knowledge asks for it, and added up without favour."""

from __future__ import annotations

from itertools import pairwise
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.judge.ledger import POSSIBLE, PROVEN, Ledger, credited, longest
from monitor.judge.verdict import BOILING, NOT_BOILING, UNKNOWN, Stretch

STATES = (BOILING, NOT_BOILING, UNKNOWN)


def ledger_of(*segments: tuple[float, str]) -> Ledger:
    ledger = Ledger()
    for t_s, state in segments:
        ledger.set_from(t_s, state, state)
    return ledger


def shape(ledger: Ledger, end_s: float) -> list[tuple[float, float, str]]:
    return [(s.start_s, s.end_s, s.state) for s in ledger.stretches(end_s)]


def test_each_stretch_ends_where_the_next_begins() -> None:
    """No hole and no overlap."""
    ledger = ledger_of((0, NOT_BOILING), (100, UNKNOWN), (110, BOILING))
    assert shape(ledger, 200) == [(0, 100, NOT_BOILING), (100, 110, UNKNOWN), (110, 200, BOILING)]


def test_a_state_dated_back_withdraws_what_was_said_since() -> None:
    """A fall found at 300 began at 270: boiling until 270 only."""
    ledger = ledger_of((0, NOT_BOILING), (100, BOILING))
    ledger.set_from(270, UNKNOWN, "fall begins")
    ledger.set_from(280, NOT_BOILING, "lost")
    ledger.set_from(90, NOT_BOILING, "was never")
    assert shape(ledger, 300) == [(0, 90, NOT_BOILING), (90, 300, NOT_BOILING)]
    assert ledger.boiling_since_s is None


def test_the_same_state_and_reason_joins() -> None:
    """Saying the same again changes nothing."""
    ledger = ledger_of((0, BOILING), (50, BOILING))
    assert shape(ledger, 100) == [(0, 100, BOILING)]
    assert ledger.boiling_since_s == 0


def test_boiling_for_different_reasons_is_one_boil() -> None:
    """The start of the boil that is on now reaches back over a change of words."""
    ledger = Ledger()
    ledger.set_from(0, NOT_BOILING, "come-up")
    ledger.set_from(10, BOILING, "one")
    ledger.set_from(20, BOILING, "two")
    assert ledger.boiling_since_s == 10


def test_relabelling_touches_only_what_it_names() -> None:
    """Between two times, one state becomes another; the rest stands."""
    ledger = ledger_of((0, NOT_BOILING), (100, BOILING), (200, UNKNOWN), (210, BOILING))
    ledger.relabel(150, 230, BOILING, UNKNOWN, "looked later")
    assert shape(ledger, 300) == [
        (0, 100, NOT_BOILING),
        (100, 150, BOILING),
        (150, 200, UNKNOWN),
        (200, 210, UNKNOWN),
        (210, 230, UNKNOWN),
        (230, 300, BOILING),
    ]


def test_what_relabelling_makes_alike_is_one_stretch() -> None:
    """A reader of the verdict is told once that and why a time is unknown."""
    ledger = Ledger()
    ledger.set_from(0.0, BOILING, "boil")
    ledger.set_from(10.0, UNKNOWN, "probe out")
    ledger.set_from(20.0, NOT_BOILING, "cold water")
    ledger.set_from(30.0, BOILING, "boil")
    ledger.relabel(20.0, 30.0, NOT_BOILING, UNKNOWN, "probe out")
    assert [(s.start_s, s.end_s, s.state) for s in ledger.stretches(40.0)] == [
        (0.0, 10.0, BOILING),
        (10.0, 30.0, UNKNOWN),
        (30.0, 40.0, BOILING),
    ]


def test_the_longest_time_is_unbroken() -> None:
    """Two pieces are not added; unknown counts as boiling only for what is possible."""
    stretches = [
        Stretch(0, 100, NOT_BOILING, ""),
        Stretch(100, 400, BOILING, ""),
        Stretch(400, 420, UNKNOWN, ""),
        Stretch(420, 720, BOILING, ""),
        Stretch(720, 730, NOT_BOILING, ""),
        Stretch(730, 900, BOILING, ""),
    ]
    assert longest(stretches, PROVEN, 0, inf) == (100, 400)
    assert longest(stretches, POSSIBLE, 0, inf) == (100, 720)
    assert longest(stretches, PROVEN, 250, 600) == (420, 600)
    assert longest(stretches, PROVEN, 900, inf) == (0, 0)
    assert longest([], POSSIBLE, 0, inf) == (0, 0)


def test_a_hole_between_stretches_is_a_break() -> None:
    """What no stretch covers is not credited by joining over it."""
    stretches = [Stretch(0, 100, BOILING, ""), Stretch(150, 250, BOILING, "")]
    assert longest(stretches, PROVEN, 0, inf) == (0, 100)


@given(st.floats(0, 1e5), st.floats(0, 1e4))
def test_credit_is_rounded_against_the_canner(start_s: float, length_s: float) -> None:
    """Starts later, ends earlier, by less than a tenth each (micro-second slack for binary fractions)."""
    start, end = credited((start_s, start_s + length_s))
    assert start >= start_s - 2e-7 and end <= max(start, start_s + length_s + 2e-7)
    assert end - start <= length_s + 4e-7
    assert end - start > length_s - 0.21


@given(st.lists(st.tuples(st.floats(0, 1000), st.sampled_from(STATES)), min_size=1, max_size=30))
def test_a_ledger_always_covers_its_time_once(writes: list[tuple[float, str]]) -> None:
    """Whatever is written in whatever order, stretches follow each other without hole or overlap."""
    ledger = Ledger()
    for t_s, state in writes:
        ledger.set_from(t_s, state, state)
    stretches = ledger.stretches(2000.0)
    assert stretches[-1].end_s == 2000.0
    for before, after in pairwise(stretches):
        assert before.end_s == after.start_s
        assert (before.state, before.why) != (after.state, after.why)


@given(
    st.lists(st.tuples(st.floats(0, 1000), st.sampled_from(STATES)), min_size=1, max_size=20),
    st.floats(0, 1000),
    st.floats(0, 1000),
)
def test_relabelling_never_adds_boil(writes: list[tuple[float, str]], a: float, b: float) -> None:
    """Boiling turned to unknown leaves what is possible as it was, and what is proven no longer."""
    ledger = Ledger()
    for t_s, state in writes:
        ledger.set_from(t_s, state, state)
    before = ledger.stretches(2000.0)
    ledger.relabel(min(a, b), max(a, b), BOILING, UNKNOWN, "x")
    after = ledger.stretches(2000.0)

    def length(stretches: list[Stretch], states: tuple[str, ...]) -> float:
        start, end = longest(stretches, states, 0.0, inf)
        return end - start

    assert length(after, PROVEN) <= length(before, PROVEN) + 1e-9
    assert length(after, POSSIBLE) == pytest.approx(length(before, POSSIBLE))
