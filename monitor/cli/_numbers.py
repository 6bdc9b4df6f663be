"""An option's number, as people write it."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from math import inf, isfinite, nan

from monitor.plan.typed import Unread, number_typed


def number(low: float = -inf, high: float = inf) -> Callable[[str], float]:
    """An option's value as people write it, with a decimal comma too; one that can be two within these is asked.

    A value outside is handed on: who uses it can say more of it. Without limits nothing settles which is meant.
    """

    def read(text: str) -> float:
        found = number_typed(text, low, high)
        if isinstance(found, Unread) and found.in_doubt:
            raise argparse.ArgumentTypeError(found.why.rstrip("."))
        if isinstance(found, Unread):
            found = number_typed(text)
        value = _plain(text) if isinstance(found, Unread) else found
        if not isfinite(value):
            raise argparse.ArgumentTypeError(f"expected a number alone, such as 12.5, found {text!r}")
        return value

    return read


def whole_number(low: int, high: int) -> Callable[[str], int]:
    """The same for a count, which nobody can say more of where it lies outside."""

    def read(text: str) -> int:
        found = number_typed(text, low, high, whole=True)
        if isinstance(found, Unread):
            raise argparse.ArgumentTypeError(found.why.rstrip("."))
        return int(found)

    return read


def _plain(text: str) -> float:
    """As programs write it: 12.5 or 1e3; not a number where it is neither."""
    try:
        return float(text)
    except ValueError:
        return nan
