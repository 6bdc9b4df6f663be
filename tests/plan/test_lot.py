"""Lot codes: the published check sign, no collision, and every single wrong character found."""

from __future__ import annotations

import string
from datetime import date

import pytest

from monitor.errors import UsageError
from monitor.plan.lot import lot_code, parse_lot
from monitor.record.check_sign import check_sign

DAY = date(2026, 8, 14)
SIGNS = string.digits + string.ascii_uppercase


def test_check_sign_against_a_published_example() -> None:
    """The Global Release Identifier A1-2425G-ABC1234002-M, whose last sign is ISO/IEC 7064 MOD 37,36 (GRid
    standard, International Federation of the Phonographic Industry)."""
    assert check_sign("A12425GABC1234002") == "M"


def test_every_single_wrong_character_is_found() -> None:
    """Each place, each other sign: exhaustively."""
    code = lot_code("2026-08-14-canner-1-a", DAY).replace("-", "")
    tried = 0
    for place in range(len(code)):
        for sign in SIGNS:
            if sign == code[place]:
                continue
            tried += 1
            with pytest.raises(UsageError):
                parse_lot(code[:place] + sign + code[place + 1 :])
    assert tried == 12 * 35


def test_ten_thousand_codes_of_one_day_differ() -> None:
    """Loads of the same minute, too: the code hangs on the load, not on the clock."""
    taken: set[str] = set()
    for number in range(10_000):
        taken.add(lot_code(f"run {number}", DAY, taken))
    assert len(taken) == 10_000


def test_the_same_load_has_the_same_code_on_any_machine() -> None:
    """A fixed value: a change of the rule would orphan printed labels."""
    assert lot_code("2026-08-14-canner-1-a", DAY) == lot_code("2026-08-14-canner-1-a", DAY)
    assert lot_code("2026-08-14-canner-1-a", DAY).startswith("260814-")


def test_a_taken_code_is_not_given_again() -> None:
    """The next free one is."""
    first = lot_code("a", DAY)
    assert lot_code("a", DAY, {first}) != first


def test_codes_are_read_as_people_type_them() -> None:
    """Case, spaces and hyphens do not matter."""
    lot = lot_code("a", DAY)
    assert parse_lot(lot.lower().replace("-", " ")) == lot
    assert parse_lot(lot.replace("-", "")) == lot


@pytest.mark.parametrize("typed", ["", "260814", "hello world!", "260814-K3QF7-4-44444"])
def test_what_is_no_code_gets_one_clear_line(typed: str) -> None:
    """Never a lot by accident."""
    with pytest.raises(UsageError):
        parse_lot(typed)
