"""Lows among readings whose steps swallow the scatter: counted, against chances worked out by hand."""

from __future__ import annotations

from fractions import Fraction
from math import exp

import numpy as np
import pytest

from monitor.judge.steps_down import StepsDown, _log_chance
from monitor.judge.trace import Trace

STEP_K = 0.25


def scores(lows: list[bool], offset_K: float = 0.0) -> list[float]:
    """The score after each reading, one a second: a low is one step down from 98.25 °C."""
    trace = Trace()
    trace.append(0.0, 98.25 + offset_K)
    watch, found = StepsDown(trace, STEP_K, 0), []
    for t, low in enumerate(lows, start=1):
        trace.append(float(t), (98.0 if low else 98.25) + offset_K)
        found.append(watch.look(0))
        if t % 24 == 0:
            watch.refit(0)
    return found


def told_after(before: list[bool]) -> int:
    """How many lows in a row it takes after these readings. [samples]"""
    found = scores([*before, *[True] * 120])[len(before) :]
    return next(k for k, score in enumerate(found, start=1) if score >= 1.0)


@pytest.mark.parametrize(("yes", "no", "next_yes", "next_no"), [(0, 0, 1, 0), (3, 40, 5, 2), (12, 7, 30, 4)])
def test_the_chance_of_what_comes_is_that_of_the_urn(yes: int, no: int, next_yes: int, next_no: int) -> None:
    """Pólya's urn, draw by draw (Johnson and Kotz 1977, Urn models and their application, ch. 4): exact fractions."""
    a, b = Fraction(3, 2) + yes, Fraction(7, 2) + no
    chance = Fraction(1)
    for _ in range(next_yes):
        chance, a = chance * a / (a + b), a + 1
    for _ in range(next_no):
        chance, b = chance * b / (a + b), b + 1
    assert exp(_log_chance((1.5, 3.5), yes, no, next_yes, next_no)) == pytest.approx(float(chance), rel=1e-9)


def test_after_bunches_a_fall_must_outlast_them() -> None:
    """By the counting itself: ten minutes without a low; lone lows; bunches of ten."""
    never = [False] * 600
    alone = ([False] * 59 + [True]) * 10
    bunches = ([False] * 50 + [True] * 5 + [False] + [True] * 5 + [False] * 59) * 5
    assert 3 <= told_after(never) <= 8
    assert told_after(alone) <= 8
    assert told_after(bunches) >= 15


def test_the_usual_value_may_lie_anywhere_between_two_steps() -> None:
    """A probe's correction shifts all readings alike."""
    rng = np.random.default_rng(1)
    lows = (rng.random(700) < 0.03).tolist() + [True] * 20
    assert scores(lows) == pytest.approx(scores(lows, offset_K=0.125))


@pytest.mark.parametrize("share", [0.003, 0.02, 0.09])
def test_lows_that_come_by_themselves_are_no_fall(share: float) -> None:
    """Independent lows, ten hours of each: white scatter near a step."""
    rng = np.random.default_rng(round(share * 1000))
    for _ in range(15):
        assert max(scores((rng.random(2400) < share).tolist())) < 1.0


def test_no_usual_value_is_known_at_first() -> None:
    assert max(scores([False, True] * 8)) == 0.0
