"""The scenario suite at a size for every day; the long form is run by hand (`python -m monitor.simulate suite`).

No published figure stands behind the rates: they are this project's own promise. A false "held" must not
happen; a missed hold costs a batch of jam and must be rare. The labels come from the kettle model's truth.
"""

from __future__ import annotations

import os
from statistics import median

import pytest

from monitor.judge.verdict import HELD
from monitor.simulate.suite import Outcome, run_suite, suite_pairs
from monitor.simulate.suite_report import report

UNSAFE, SAFE, SEED = 800, 400, 101


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return run_suite(suite_pairs(UNSAFE, SAFE, SEED), jobs=min(4, os.cpu_count() or 1))


def test_the_suite_has_its_size(outcomes: list[Outcome]) -> None:
    """Some runs of the lost side turn out long enough after all, or too close to tell."""
    assert sum(outcome.unsafe for outcome in outcomes) >= 0.8 * UNSAFE
    assert sum(outcome.safe is True for outcome in outcomes) >= SAFE - 20


def test_nothing_is_called_held_that_was_not(outcomes: list[Outcome]) -> None:
    wrong = [outcome for outcome in outcomes if outcome.false_held]
    assert not wrong, report(wrong)


def test_hardly_a_true_hold_is_missed(outcomes: list[Outcome]) -> None:
    safe = [outcome for outcome in outcomes if outcome.safe is True]
    missed = [outcome for outcome in safe if outcome.missed]
    # One in a hundred is the bound of the long form; so few runs may by chance show twice as many (Poisson, 97.5 %).
    assert len(missed) <= 0.02 * len(safe), report(missed)


def test_what_the_cook_was_told_is_never_taken_back(outcomes: list[Outcome]) -> None:
    """Told that the hold is complete, the cook turns off at once: the verdict stays held."""
    tried = [outcome for outcome in outcomes if outcome.stopped_verdict != ""]
    assert len(tried) > 50
    assert not [o for o in tried if o.taken_back], report([o for o in tried if o.taken_back])


def test_no_run_is_credited_with_more_than_its_true_boil(outcomes: list[Outcome]) -> None:
    """Beyond the probe's lag of 5 s, and what no thermometer could tell from a boil."""
    wrong = [o for o in outcomes if o.overcredit]
    assert not wrong, report(wrong)


def test_little_of_a_true_hold_is_lost_at_its_ends(outcomes: list[Outcome]) -> None:
    """At the median 25 s with a fine probe, 60 s with steps of 0.25 K."""
    held = [outcome for outcome in outcomes if outcome.safe and outcome.verdict == HELD]
    assert median(o.shortfall_s for o in held if o.sensor != "coarse") <= 25.0
    assert median(o.shortfall_s for o in held if o.sensor == "coarse") <= 60.0


def test_a_true_hold_is_not_called_broken(outcomes: list[Outcome]) -> None:
    """A false alarm can do it, and false alarms are rare: at most 2 runs in 1,000."""
    wrong = [outcome for outcome in outcomes if outcome.false_broken]
    assert len(wrong) <= 0.002 * len(outcomes), report(wrong)


def test_the_reason_is_named(outcomes: list[Outcome]) -> None:
    wrong = [outcome for outcome in outcomes if outcome.wrong_reason]
    assert len(wrong) <= 0.01 * len(outcomes), report(wrong)


@pytest.mark.long
def test_the_long_form() -> None:
    """20,000 unsafe and 5,000 safe runs; about a quarter of an hour on two idle cores.

    The same as ``python -m monitor.simulate suite --unsafe 23500 --safe 5300 --seed 4004``.
    """
    outcomes = run_suite(suite_pairs(23_500, 5_300, 4004), jobs=os.cpu_count() or 1)
    print(report(outcomes))
    assert sum(outcome.unsafe for outcome in outcomes) >= 20_000
    assert not [outcome for outcome in outcomes if outcome.false_held]
    safe = [outcome for outcome in outcomes if outcome.safe is True]
    assert len(safe) >= 5_000
    assert sum(outcome.missed for outcome in safe) <= 0.01 * len(safe)
