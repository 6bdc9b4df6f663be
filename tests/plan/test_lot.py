"""Lot codes: the published check sign, no collision, and every single wrong character found."""

from __future__ import annotations

import string
from datetime import date

import pytest

from monitor.errors import UsageError
from monitor.plan.lot import check_sign, jar_code, lot_code, parse_code

DAY = date(2026, 8, 14)
SIGNS = string.digits + string.ascii_uppercase


def test_check_sign_against_a_published_example() -> None:
    """The Global Release Identifier A1-2425G-ABC1234002-M, whose last sign is ISO/IEC 7064 MOD 37,36 (GRid
    standard, International Federation of the Phonographic Industry)."""
    assert check_sign("A12425GABC1234002") == "M"


@pytest.mark.parametrize("jar", [None, 1, 7, 42])
def test_every_single_wrong_character_is_found(jar: int | None) -> None:
    """Each place, each other sign: exhaustively."""
    lot = lot_code("2026-08-14-canner-1-a", DAY)
    code = (lot if jar is None else jar_code(lot, jar)).replace("-", "")
    tried = 0
    for place in range(len(code)):
        for sign in SIGNS:
            if sign == code[place]:
                continue
            tried += 1
            with pytest.raises(UsageError):
                parse_code(code[:place] + sign + code[place + 1 :])
    assert tried == len(code) * 35


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
    """Case, spaces and hyphens do not matter; date and jar come back."""
    lot = lot_code("a", DAY)
    jar = jar_code(lot, 3)
    code = parse_code(jar.lower().replace("-", " "))
    assert (code.lot, code.processed_on, code.jar) == (lot, DAY, 3)
    assert parse_code(lot).jar is None


@pytest.mark.parametrize("typed", ["", "260814", "hello world!", "260814-K3QF7-4-44444"])
def test_what_is_no_code_gets_one_clear_line(typed: str) -> None:
    """Never a jar by accident."""
    with pytest.raises(UsageError):
        parse_code(typed)


def test_jar_numbers_have_two_digits_at_most() -> None:
    """And a jar's code has no jars."""
    lot = lot_code("a", DAY)
    for number in (0, 100):
        with pytest.raises(UsageError, match="between 1 and 99"):
            jar_code(lot, number)
    with pytest.raises(UsageError, match="already"):
        jar_code(jar_code(lot, 1), 1)
