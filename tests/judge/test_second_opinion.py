"""The engine against an independent reader of the same records.

Where the two may differ, and why:

* between ``at_least`` and ``at_most``: ends that half-minute medians cannot date;
* *fainter than a median shows*: the engine saw a fall that the medians did not, and the truth has it too;
* *no disagreement* is everything else, and there may be none.
"""

from __future__ import annotations

from collections import Counter
from types import ModuleType

import pytest

from monitor.judge import Verdict, judge
from monitor.judge.verdict import HELD
from monitor.simulate.labelled import Labelled
from monitor.simulate.scenarios import draw, tell

#: The median is centred: at each end it may keep half its length, and 0.3 K at 1 K/min are 18 s more. [s]
ENDS_S = 5.0


def compared(labelled: Labelled, verdict: Verdict, opinion: object) -> str:
    """The class of a difference, "" where the two agree."""
    at_most_s, at_least_s = opinion.at_most_s, opinion.at_least_s  # type: ignore[attr-defined]
    start_s, end_s = opinion.strict  # type: ignore[attr-defined]
    if verdict.proven_s > at_most_s + ENDS_S:
        return f"engine credits {verdict.proven_s:.0f} s, the reader at most {at_most_s:.0f} s"
    if verdict.verdict == HELD or at_least_s < verdict.required_s:
        return ""
    lost = [e.onset_s for e in verdict.events if e.kind == "boil_lost" and start_s <= e.onset_s <= end_s]
    if lost and labelled.safe is not True:
        return "fainter than a median shows"
    if labelled.must_not_hold:
        return "the record may not be held, whatever the water did"
    return f"engine {verdict.verdict}, the reader at least {at_least_s:.0f} of {verdict.required_s:.0f} s"


def run_pairs(second_opinion: ModuleType, pairs: list[tuple[str, int]]) -> Counter[str]:
    classes: Counter[str] = Counter()
    wrong = []
    for family, seed in pairs:
        labelled = tell(family, seed)
        verdict, opinion = judge(labelled.run), second_opinion.second_opinion(labelled.run)
        found = compared(labelled, verdict, opinion)
        classes[found if found.startswith(("fainter", "the record")) or not found else "disagree"] += 1
        if found.startswith("engine"):
            wrong.append((family, seed, found))
        if verdict.boiling_point_C is not None and opinion.boiling_point_C is not None:
            if family not in ("storm_hold",):
                assert abs(verdict.boiling_point_C - opinion.boiling_point_C) < 0.06, (family, seed)
            if opinion.expanded_K < 5.0 and verdict.expanded_uncertainty_K is not None:
                assert verdict.expanded_uncertainty_K == pytest.approx(opinion.expanded_K, abs=0.025), (
                    family,
                    seed,
                )
    assert not wrong, wrong
    return classes


def test_two_readers_agree(second_opinion: ModuleType) -> None:
    """About forty runs of every family, safe and unsafe."""
    pairs = draw("lost", 24, 7) + draw("held", 16, 7)
    classes = run_pairs(second_opinion, pairs)
    assert classes[""] >= 0.9 * len(pairs), classes


def test_the_second_opinion_has_teeth(second_opinion: ModuleType) -> None:
    """On plain holds its two numbers close in on the truth: it could have disagreed."""
    for seed in range(3):
        labelled = tell("plain_hold", seed)
        opinion = second_opinion.second_opinion(labelled.run)
        if labelled.safe and not labelled.guarded:
            assert opinion.at_most_s <= labelled.true_hold_s + 60.0
            assert opinion.at_least_s >= 0.0


@pytest.mark.long
def test_two_readers_agree_on_five_hundred_runs(second_opinion: ModuleType) -> None:
    """The long form; a few minutes."""
    pairs = draw("lost", 300, 11) + draw("held", 200, 11)
    classes = run_pairs(second_opinion, pairs)
    print(classes)
    assert classes[""] >= 0.9 * len(pairs), classes
