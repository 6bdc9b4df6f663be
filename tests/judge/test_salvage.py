"""The two salvage clocks, on stretches written down by hand.

Two hours: University of Nebraska Extension. 24 hours: USDA Complete Guide to Home Canning. The times are made up.
"""

from __future__ import annotations

import pytest

from monitor.judge.salvage import failed_process_clock, hold_end_s
from monitor.judge.verdict import BOILING, UNKNOWN, Stretch


@pytest.mark.parametrize("tenths", range(10000, 10050))
def test_a_hold_that_is_exact_to_the_tenth_has_an_end(tenths: int) -> None:
    """2800.2 - 1000.2 is less than 1800 to a computer, and not to a cook."""
    start_s, end_s = tenths / 10.0, (tenths + 18000) / 10.0
    assert hold_end_s([Stretch(start_s, end_s, BOILING, "boil")], 1800.0) == end_s
    assert hold_end_s([Stretch(start_s, end_s - 0.1, BOILING, "boil")], 1800.0) is None


def test_boil_for_two_reasons_is_one_boil() -> None:
    """Where two stretches boil and touch, nothing was lost: the hold is whole, and no 2 h clock starts."""
    boil = [Stretch(600.0, 900.0, BOILING, "boil"), Stretch(900.0, 2500.0, BOILING, "bridged")]
    lost = Stretch(2500.0, 2600.0, UNKNOWN, "gap")
    assert hold_end_s([*boil, lost], 1800.0) == 2500.0
    clock = failed_process_clock([*boil, lost], 0.0)
    assert (clock.start_s, clock.pauses) == (2500.0, ())


def test_a_hold_ends_with_the_heat_or_the_lifting() -> None:
    """Water boils on on a hot ring, and without its jars."""
    boil = [Stretch(600.0, 2700.0, BOILING, "boil")]
    assert hold_end_s(boil, 1800.0, 2450.0, None) == 2450.0
    assert hold_end_s(boil, 1800.0, None, 2500.0) == 2500.0
