"""Lot codes: unique for each load, and any single mistyped character shows.

A lot code is ``260814-K3QF7-4``:

* six digits: year, month and day of processing, at the site;
* five signs that belong to this load alone (two loads on one day never share them);
* one check sign over all that stand before it.

The check sign is ISO/IEC 7064, MOD 37,36: it detects every single wrong character and nearly all swaps.
Signs of the load are never I, L, O or U, which are misread; case and hyphens do not matter when typing.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from datetime import date

from monitor.errors import UsageError
from monitor.record.check_sign import ALPHABET, check_sign

_SERIAL_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
SERIAL_SIGNS = 5
_LOT_SIGNS = 6 + SERIAL_SIGNS + 1


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


def parse_lot(typed: str) -> str:
    """A typed lot code in its printed form.

    Raises
    ------
    UsageError
        The length, a sign, the date or the check sign is wrong: a mistyped code names no lot.
    """
    bare = _bare(typed)
    if len(bare) != _LOT_SIGNS or any(sign not in ALPHABET for sign in bare):
        raise UsageError(f"{typed!r} is not a lot code.", "One looks like 260814-K3QF7-4.")
    if check_sign(bare[:-1]) != bare[-1]:
        raise UsageError(
            f"{typed!r} has a mistyped character: its check sign does not fit.", "Read it again."
        )
    try:
        date(2000 + int(bare[:2]), int(bare[2:4]), int(bare[4:6]))
    except ValueError:
        raise UsageError(f"{typed!r} does not begin with a date.", "Read it again.") from None
    return _with_check(bare[:-1])


def _bare(typed: str) -> str:
    return "".join(typed.upper().split()).replace("-", "")


def _with_check(signs: str) -> str:
    return f"{signs[:6]}-{signs[6:]}-{check_sign(signs)}"
