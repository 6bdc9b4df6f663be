"""Numbers as people write them: with a decimal comma too (ISO 80000-1, 7.3.2), and thousands set apart (7.3.1)."""

from __future__ import annotations

from math import inf

import pytest

from monitor.plan.typed import Unread, number_typed, shown


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1650", 1650.0),
        (" 998.5 ", 998.5),
        ("998,5", 998.5),
        ("-5", -5.0),
        ("−5,25", -5.25),
        (".5", 0.5),
        ("5,", 5.0),
        ("0,150", 0.15),
        ("2150,500", 2150.5),
        ("1 013,25", 1013.25),
        ("1\u202f013.25", 1013.25),
        ("1'013", 1013.0),
        ("1.013,25", 1013.25),
        ("1,013.25", 1013.25),
        ("1.234.567", 1234567.0),
        ("1020 hPa", 1020.0),
        ("1020hpa", 1020.0),
    ],
)
def test_a_number_is_read_as_it_was_meant(text: str, value: float) -> None:
    """Point or comma, with or without thousands set apart, with the field's own unit behind it."""
    assert number_typed(text, unit="hPa") == value


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "-",
        ".",
        ",",
        "abc",
        "1e3",
        "nan",
        "inf",
        "9-5",
        "998,5,2",
        "1 2",
        "1020 mbar",
        "Q1013",
        "٣",
        "1,2.3",
    ],
)
def test_what_is_no_number_is_none(text: str) -> None:
    """Neither a part of it nor what Python would make of it."""
    assert isinstance(number_typed(text, unit="hPa"), Unread)


@pytest.mark.parametrize(
    ("text", "low", "high", "value"),
    [
        ("1.013", 500.0, 1100.0, 1013.0),
        ("29,921", 15.0, 33.0, 29.921),
        ("304.801", -500.0, 6000.0, 304.801),
        ("2.150", 0.0, 10.0, 2.15),
    ],
)
def test_three_places_are_what_can_be(text: str, low: float, high: float, value: float) -> None:
    """A thousand and a bit, or a fraction: where the field can hold only one of them, it is that."""
    assert number_typed(text, low, high) == value


@pytest.mark.parametrize("text", ["2.150", "2,150"])
def test_three_places_that_can_be_both_are_asked(text: str) -> None:
    """2.15 m or 2150 m above the sea: fifteen minutes of processing lie between."""
    found = number_typed(text, -500.0, 6000.0, unit="m")
    assert isinstance(found, Unread)
    assert "2.15 or 2150" in found.why and "Write" in found.why


@pytest.mark.parametrize(
    ("text", "low", "high", "said"),
    [
        ("23.2", 500.0, 1100.0, "23.2 hPa cannot be: 500 to 1100 hPa."),
        ("-5", 1.0, inf, "-5 hPa is too little here: at least 1 hPa."),
        ("700", -inf, 60.0, "700 hPa is too much here: at most 60 hPa."),
    ],
)
def test_what_the_field_cannot_hold_is_said(text: str, low: float, high: float, said: str) -> None:
    assert number_typed(text, low, high, unit="hPa") == Unread(said)


def test_whole_numbers_only_where_they_are_asked() -> None:
    assert number_typed("7", whole=True) == 7.0
    found = number_typed("7,5", whole=True)
    assert isinstance(found, Unread) and "whole number" in found.why


@pytest.mark.parametrize(
    ("value", "text"),
    [(1650.0, "1650"), (0.125, "0.125"), (998.5, "998.5"), (-0.00001, "0"), (0.1 + 0.2, "0.3")],
)
def test_a_number_in_a_field_has_no_noughts_to_spare(value: float, text: str) -> None:
    assert shown(value) == text
    assert number_typed(shown(value)) == float(text)
