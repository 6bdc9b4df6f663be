"""Lot and jar codes: unique for each load, and any single mistyped character shows.

A lot code is ``260814-K3QF7-4``:

* six digits: year, month and day of processing, at the site;
* five signs that belong to this load alone (two loads on one day never share them);
* one check sign over all that stand before it.

A jar code puts the jar's number in: ``260814-K3QF7-03-P``, with a check sign of its own.

The check sign is ISO/IEC 7064, MOD 37,36: it detects every single wrong character and nearly all swaps.
Signs of the load are never I, L, O or U, which are misread; case and hyphens do not matter when typing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

from monitor.errors import UsageError

_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_SERIAL_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
SERIAL_SIGNS = 5
_LOT_SIGNS = 6 + SERIAL_SIGNS + 1
_JAR_SIGNS = _LOT_SIGNS + 2


@dataclass(frozen=True, slots=True)
class Code:
    """A code that passed its check. ``jar`` is None in a lot code."""

    lot: str
    processed_on: date
    jar: int | None


def lot_code(run_id: str, processed_on: date, taken: Collection[str] = ()) -> str:
    """The lot code of a run: always the same one, unless ``taken`` already holds it.

    Parameters
    ----------
    run_id : str
        The load; two loads have two ids.
    processed_on : date
        Date of processing in the site's zone.
    taken : collection of str
        Lot codes in use; the next free one is given.
    """
    attempt = 0
    while True:
        digest = hashlib.sha256(f"{run_id}\n{attempt}".encode()).digest()
        number = int.from_bytes(digest[:8], "big")
        serial = ""
        for _ in range(SERIAL_SIGNS):
            number, index = divmod(number, len(_SERIAL_ALPHABET))
            serial += _SERIAL_ALPHABET[index]
        code = _with_check(f"{processed_on:%y%m%d}{serial}")
        if code not in taken:
            return code
        attempt += 1


def jar_code(lot: str, jar: int) -> str:
    """The code of jar ``jar`` (1 to 99) of a lot. Raises UsageError for a bad lot code or number."""
    parsed = parse_code(lot)
    if parsed.jar is not None:
        raise UsageError(f"{lot!r} is a jar's code already.", "Give the lot's code.")
    if not 1 <= jar <= 99:
        raise UsageError(f"jar number {jar} is not between 1 and 99.")
    return _with_check(f"{_bare(lot)[:-1]}{jar:02d}")


def parse_code(typed: str) -> Code:
    """Read a typed lot or jar code.

    Raises
    ------
    UsageError
        The length, a sign, the date or the check sign is wrong: a mistyped code names no jar.
    """
    bare = _bare(typed)
    if len(bare) not in (_LOT_SIGNS, _JAR_SIGNS) or any(sign not in _ALPHABET for sign in bare):
        raise UsageError(f"{typed!r} is not a lot or jar code.", "One looks like 260814-K3QF7-4.")
    if check_sign(bare[:-1]) != bare[-1]:
        raise UsageError(
            f"{typed!r} has a mistyped character: its check sign does not fit.", "Read it again."
        )
    try:
        processed_on = date(2000 + int(bare[:2]), int(bare[2:4]), int(bare[4:6]))
        jar = int(bare[11:13]) if len(bare) == _JAR_SIGNS else None
    except ValueError:
        raise UsageError(f"{typed!r} does not begin with a date.", "Read it again.") from None
    return Code(lot=_with_check(bare[:11]), processed_on=processed_on, jar=jar)


def check_sign(signs: str) -> str:
    """The check sign of ISO/IEC 7064:2003, MOD 37,36, over digits and capital letters."""
    product = 36
    for sign in signs:
        total = (product + _ALPHABET.index(sign)) % 36 or 36
        product = total * 2 % 37
    return _ALPHABET[(37 - product) % 36]


def _bare(typed: str) -> str:
    return "".join(typed.upper().split()).replace("-", "")


def _with_check(signs: str) -> str:
    parts = [signs[:6], signs[6:11], *([signs[11:]] if signs[11:] else []), check_sign(signs)]
    return "-".join(parts)
