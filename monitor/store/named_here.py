"""A record from another house under a name of its own here, where a run of that name is in the store already.

The house's name stands before each run's: of the record itself, of the run its jars come from, and of those that
process them again, so that none of them is taken for a run of this store. Nothing else is changed, and what was sealed
is kept beside it as it came.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from monitor.errors import UsageError
from monitor.store.beside import rows_in

#: Before the name of a file as it came.
THERE = "there."
#: Where the name of a run stands.
_NAMES = ("run_id", "reprocess_of")
_HOUSE = re.compile(r"\w[\w.-]{0,39}")


def name_here(house: str, run_id: str) -> str:
    """What a run of that house is called here."""
    return f"{house}-{run_id}"


def must_be_a_house(house: str) -> None:
    """Raises UsageError."""
    if not _HOUSE.fullmatch(house):
        raise UsageError(
            f"--as {house!r}: expected a short name of letters, digits, '.', '_' and '-'.",
            "Nothing was taken in.",
        )


def renamed(name: str, content: bytes, house: str) -> bytes:
    """A record's header, or a file of what was said of it, with every run in it called as it is here."""
    if name == "run.json":
        return (json.dumps(_named(json.loads(content), house), ensure_ascii=False, indent=2) + "\n").encode()
    lines = (_row(row, house) for row in rows_in(content))
    return "".join(
        json.dumps(row, ensure_ascii=False, separators=(",", ":")) + "\n" for row in lines
    ).encode()


def _row(row: Mapping[str, Any], house: str) -> dict[str, Any]:
    body = row.get("body")
    return _named(row, house) | ({"body": _named(body, house)} if isinstance(body, dict) else {})


def _named(form: Mapping[str, Any], house: str) -> dict[str, Any]:
    return {
        key: name_here(house, value) if key in _NAMES and isinstance(value, str) and value else value
        for key, value in form.items()
    }
