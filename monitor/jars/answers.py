"""Answers of people who may not know of each other's: the worse counts, until one who has read both judges again.

One rule for the seal round and for a jar that is looked at on the shelf. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Protocol, TypeVar


class Answer(Protocol):
    """``rank``: how bad it is; answers of one rank agree. ``seen`` is the newest entry that its author had read."""

    @property
    def rank(self) -> int: ...
    @property
    def entry(self) -> int | None: ...
    @property
    def seen(self) -> int | None: ...


_A = TypeVar("_A", bound=Answer)


def has_read(new: Answer, old: Answer) -> bool | None:
    """Whether an answer was given in the knowledge of an earlier one; None where nobody kept what was seen."""
    return None if new.seen is None else (old.entry or 0) <= new.seen


def that_stand(given: Iterable[_A], takes_the_place: Callable[[_A, _A], bool]) -> list[_A]:
    """The answers that no later one takes the place of, in the order in which they were given."""
    standing: list[_A] = []
    for new in given:
        standing = [*(old for old in standing if not takes_the_place(new, old)), new]
    return standing


def counted(standing: Sequence[_A]) -> tuple[_A, tuple[_A, ...]]:
    """The worst of them, the newest where several agree; and those that say otherwise."""
    worst = max(reversed(standing), key=lambda one: one.rank)
    return worst, tuple(one for one in standing if one.rank != worst.rank)
