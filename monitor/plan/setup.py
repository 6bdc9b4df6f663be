"""What today's set-up can prove, in plain words, before the heat goes on."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.judge.budget import ALLOWANCE_SEEN_K, ALLOWANCE_UNSEEN_K, budget_of
from monitor.judge.gap import longest_bridgeable_s
from monitor.judge.verdict import Budget
from monitor.record.model import Run

PROVES = "proves"
PROVES_IF_SEEN = "proves_if_seen"
CANNOT = "cannot"


@dataclass(frozen=True, slots=True)
class SetUp:
    """The set-up's answer. ``longest_gap_s`` is the longest silence at a boil that it can bridge. [s]"""

    answer: str
    sentence: str
    text: tuple[str, ...]
    longest_gap_s: float
    budget: Budget


def what_it_proves(header: Run) -> SetUp:
    """Ask the judge's budget of a run's header what it can prove, and tell it in plain words.

    Parameters
    ----------
    header : Run
        Site, probe and time; samples are not looked at.
    """
    budget = budget_of(header)
    if not budget.cannot_prove:
        answer, sentence = PROVES, "This set-up can prove a boil by itself."
    elif "only where a person looks" in budget.cannot_prove:
        answer, sentence = (
            PROVES_IF_SEEN,
            "This set-up can prove a boil if you look and mark the rolling boil.",
        )
    else:
        answer, sentence = CANNOT, "This set-up cannot prove a boil, whatever it reads."
    clearance_K = (ALLOWANCE_SEEN_K if answer == PROVES_IF_SEEN else ALLOWANCE_UNSEEN_K) - budget.expanded_K
    gap_s = 0.0 if answer == CANNOT else longest_bridgeable_s(clearance_K)
    text = [f"Reading and boiling point are together uncertain by ±{budget.expanded_K:.2f} K (k = 2)."]
    if largest := _largest(budget):
        text.append(f"Most of it: {largest}.")
    if budget.cannot_prove:
        text.append(budget.cannot_prove)
    if answer != CANNOT:
        text.append(
            f"A silence of the node of up to {gap_s:.0f} s at the boil can be bridged; a longer one ends it."
        )
    text += [note[:1].upper() + note[1:] + "." for note in budget.notes]
    return SetUp(answer, sentence, tuple(text), gap_s, budget)


def _largest(budget: Budget, most: int = 3) -> str:
    """The terms that make up most of the budget, largest first."""
    rows = sorted(budget.rows, key=lambda row: -row.standard_K)[:most]
    return "; ".join(f"{row.term} ±{2.0 * row.standard_K:.2f} K" for row in rows if row.standard_K > 0.0)
