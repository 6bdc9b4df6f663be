"""One way to write things down for hashing, and the stamps that say which rules and which page drew on them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Any

import monitor

#: The chain's beginning: no seal before the first.
NOTHING_BEFORE = "0" * 64

#: Rooms that decide a verdict, and rooms that draw a page from one.
_RULES = ("physics", "tables", "record", "judge")
_PAGE = (*_RULES, "jars", "proof")


def canonical(form: Any) -> bytes:
    """JSON with sorted keys, no spaces, UTF-8: the same bytes for the same content on any machine."""
    text = json.dumps(form, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.encode("utf-8", "surrogatepass")


def sha256(data: bytes) -> str:
    """64 lower-case hex digits."""
    return hashlib.sha256(data).hexdigest()


def digest_lines(forms: Iterable[Any]) -> tuple[int, str]:
    """How many, and the SHA-256 over the canonical form of each with a newline after it."""
    total, count = hashlib.sha256(), 0
    for form in forms:
        total.update(canonical(form) + b"\n")
        count += 1
    return count, total.hexdigest()


@cache
def rules_stamp() -> str:
    """SHA-256 over every source and table file that decides a verdict: two programs with one stamp agree."""
    return _stamp(_RULES)


@cache
def page_stamp() -> str:
    """SHA-256 over every file that a proof's page is drawn by."""
    return _stamp(_PAGE)


def engine_form() -> dict[str, str]:
    """What decided a verdict: the version people know, and the stamp of the rules themselves."""
    return {"name": "boilwitness", "version": monitor.__version__, "rules_sha256": rules_stamp()}


def _stamp(rooms: Iterable[str]) -> str:
    total = hashlib.sha256()
    for room in rooms:
        folder = resources.files("monitor").joinpath(room)
        for item in sorted(folder.iterdir(), key=lambda item: item.name):
            if item.is_file() and item.name.endswith((".py", ".csv", ".css", ".toml")):
                _add(total, f"{room}/{item.name}", item)
    return total.hexdigest()


def _add(total: Any, name: str, item: Traversable) -> None:
    # A checkout may carry other line ends; they decide nothing.
    total.update(name.encode() + b"\0" + item.read_bytes().replace(b"\r\n", b"\n") + b"\0")
