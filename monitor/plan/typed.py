"""A number as a person writes it: a decimal comma is one, thousands may be set apart, and what is in doubt is asked.

Nothing is made of what cannot be read: neither a number that is like it, nor the one that stood there before.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import inf

#: What people type for a minus, and between groups of three.
_MINUS = str.maketrans({"−": "-", "–": "-"})
_SPACES = "\u0020\u00a0\u2009\u202f'’"
_GROUPS = re.compile(rf"([+-]?\d{{1,3}})((?:[{_SPACES}]\d{{3}})+)(?!\d)")
_PLAIN = re.compile(r"([+-]?\d*)(?:([.,])(\d*))?")
#: Thousands set apart by a point or a comma, at least twice, or once before the other sign.
_POINTED = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?")
_COMMAED = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Unread:
    """Why what was typed is no number here, and what to write; in whole sentences.

    ``in_doubt``: it is a number, and can be two.
    """

    why: str
    in_doubt: bool = False


def number_typed(
    text: str, low: float = -inf, high: float = inf, *, unit: str = "", whole: bool = False
) -> float | Unread:
    """The number that a person wrote, or why it cannot be read.

    Parameters
    ----------
    text : str
        ``1650``, ``998.5``, ``998,5``, ``2 150``, ``1,013.25`` or ``1.013,25``; the field's unit may follow.
    low, high : float
        What the field can hold. One sign and three places after it may be thousands: where both readings lie
        within, it is asked which is meant.
    unit : str
        The unit of the field.
    whole : bool
        Only whole numbers.
    """
    said = text.translate(_MINUS).strip()
    if unit and said.casefold().endswith(unit.casefold()):
        said = said[: -len(unit)].strip()
    said = _GROUPS.sub(lambda found: found[1] + re.sub(rf"[{_SPACES}]", "", found[2]), said)
    readings = _readings(said)
    if not readings:
        in_unit = f" in {unit}" if unit else ""
        return Unread(f"“{text.strip()}” cannot be read as a number. Write the number alone{in_unit}.")
    within = [value for value in readings if low <= value <= high]
    if not within:
        return Unread(f"{_outside(readings[0], low, high, unit)}")
    if len(within) > 1:
        first, second = (shown(value) for value in within)
        return Unread(
            f"“{text.strip()}” can be {first} or {second}. Write {second}, or {first}.", in_doubt=True
        )
    if whole and within[0] != round(within[0]):
        return Unread(f"{shown(within[0])} is not a whole number, and one is asked here.")
    return within[0]


def shown(value: float) -> str:
    """A number as it stands in a field: a decimal point, no thousands set apart, no noughts at the end."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _readings(said: str) -> list[float]:
    """What the signs can mean: none, one, or two numbers; the one with a decimal sign first."""
    if _POINTED.fullmatch(said) and (said.count(".") > 1 or "," in said):
        return [float(said.replace(".", "").replace(",", "."))]
    if _COMMAED.fullmatch(said) and (said.count(",") > 1 or "." in said):
        return [float(said.replace(",", ""))]
    found = _PLAIN.fullmatch(said)
    if found is None or not any(map(str.isdigit, said)) or not said.isascii():
        return []
    before, sign, after = found[1], found[2], found[3] or ""
    plain = float(f"{before}.{after}" if sign else before)
    digits = before.lstrip("+-")
    if sign and len(after) == 3 and 1 <= len(digits) <= 3 and not digits.startswith("0"):
        return [plain, float(before + after)]
    return [plain]


def _outside(value: float, low: float, high: float, unit: str) -> str:
    of = f" {unit}" if unit else ""
    if low == -inf:
        return f"{shown(value)}{of} is too much here: at most {shown(high)}{of}."
    if high == inf:
        return f"{shown(value)}{of} is too little here: at least {shown(low)}{of}."
    return f"{shown(value)}{of} cannot be: {shown(low)} to {shown(high)}{of}."
