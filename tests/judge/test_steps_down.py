"""Lows among readings whose steps swallow the scatter: counted, against chances worked out by hand."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from math import exp

import numpy as np
import pytest

from monitor.judge.steps_down import StepsDown, _log_chance
from monitor.judge.trace import Trace

STEP_K = 0.25


def follow(readings: list[float]) -> Iterator[tuple[StepsDown, float]]:
    """The watch, and its score, after each reading but the first, one a second; refitted as the detector does."""
    trace = Trace()
    trace.append(0.0, readings[0])
    watch = StepsDown(trace, STEP_K, 0)
    for t, y_C in enumerate(readings[1:], start=1):
        trace.append(float(t), y_C)
        yield watch, watch.look(0)
        if t % 24 == 0:
            watch.refit(0)


def are_beyond(readings: list[float]) -> bool:
    """What the watch says after the last of these."""
    *_, (watch, _) = follow(readings)
    return watch.are_beyond_single_lows()


def scores(lows: list[bool], offset_K: float = 0.0) -> list[float]:
    """The score after each reading, one a second: a low is one step down from 98.25 °C."""
    readings = [(98.0 if low else 98.25) + offset_K for low in [False, *lows]]
    return [score for _, score in follow(readings)]


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


def test_lows_one_by_one_and_then_lows_that_stay_are_beyond_them() -> None:
    """One low in twenty, each for itself, then twelve of twelve. Not so where lows had come in pairs, nor where the
    usual readings' other neighbour had come in bunches, nor of less than two and a half minutes."""
    one_by_one = ([98.25] * 19 + [98.0]) * 30
    in_pairs = ([98.25] * 38 + [98.0] * 2) * 15
    high_in_bunches = ([98.25] * 12 + [98.5] * 6 + [98.25, 98.0]) * 30
    stay = [98.0] * 12
    assert are_beyond(one_by_one + stay)
    assert not are_beyond(one_by_one)
    assert not are_beyond(in_pairs + stay)
    assert not are_beyond(high_in_bunches + stay)
    assert not are_beyond(one_by_one[-140:] + stay)


@pytest.mark.parametrize("rate", [0.1, 0.2])
def test_a_share_of_lows_that_grows_is_not_beyond_them(rate: float) -> None:
    """A drift over a step, by the normal law: 0.1 and 0.2 K an hour in 0.05 K of white scatter, 20 plateaus each."""
    rng = np.random.default_rng(5)
    told = 0
    for _ in range(20):
        true = 98.25 - 0.04 - rate / 3600.0 * np.arange(2400)
        readings = (np.round((true + rng.normal(0.0, 0.05, 2400)) / STEP_K) * STEP_K).tolist()
        told += any(score >= 1.0 and watch.are_beyond_single_lows() for watch, score in follow(readings))
    assert told == 0


def test_no_usual_value_is_known_at_first() -> None:
    assert max(scores([False, True] * 8)) == 0.0
