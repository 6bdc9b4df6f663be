"""The uncertainty budget for a person: term by term, what the figures mean, and where each comes from."""

from __future__ import annotations

import textwrap

from monitor.judge.verdict import Budget

#: What the columns of the budget are.
_U_MEANS = (
    "u is each term's standard uncertainty: the given ± divided by √3 where any value within it is as likely as "
    "another, by k where it was stated with a k, a step by √12. U is twice the root of the sum of their squares, and "
    "a known error that nothing corrects is added to it whole: in about 95 of 100 such set-ups the error is smaller. "
    "A reading counts as boiling only where even the reading less "
    "U lies above the floor."
)


def budget_lines(budget: Budget, width: int) -> list[str]:
    """The table, what its figures mean, and where each comes from."""
    lines = [f"{'uncertainty budget, reading to boiling point':<46}{'given':>14}{'u, K':>8}"]
    for number, term in enumerate(budget.rows, 1):
        lines.append(f"{number:>2} {term.term:<43}{term.value + ' ' + term.unit:>14}{term.standard_K:>8.3f}")
    lines.append(f"{'all together, U (k = 2)':<60}{budget.expanded_K:>8.2f}")
    told = [_U_MEANS, *(f"{number} {term.source}." for number, term in enumerate(budget.rows, 1))]
    told += [note[0].upper() + note[1:] + "." for note in budget.notes]
    if budget.cannot_prove:
        told.append(budget.cannot_prove)
    return lines + [line for text in told for line in textwrap.wrap(text, width, subsequent_indent="   ")]
