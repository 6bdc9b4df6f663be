"""The handbook's tables of rules are whole: whoever asks where a rule lives finds it, and finds it there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HANDBOOK = (ROOT / "DEVELOPERS.md").read_text("utf-8")
RULES = HANDBOOK.split("## Where does this rule live?")[1].split("\n## ")[0]


ROOMS = sorted(path.name for path in (ROOT / "monitor").iterdir() if (path / "__init__.py").exists())
PAGES = ["dashboard", "dashboard/views", "dashboard/components"]


@pytest.mark.parametrize("room", [*ROOMS, *PAGES])
def test_every_file_of_every_room_is_in_a_table(room: str) -> None:
    """A new file is named where people look for it."""
    folder = ROOT / room if room in PAGES else ROOT / "monitor" / room
    files = {path.name for path in folder.glob("*.py")} - {"__init__.py"}
    assert files
    missing = sorted(name for name in files if f"`{room}/{name}`" not in RULES)
    assert not missing, missing


def test_no_room_is_passed_over() -> None:
    """The rooms that are looked through are those of the import contract."""
    assert len(ROOMS) == 13 and {"judge", "store", "tables"} < set(ROOMS)


def test_every_file_in_the_table_is_there() -> None:
    """A file that was moved or cut into pieces is named by its new name."""
    named = re.findall(r"`((?:\w+/)+\w+\.(?:py|csv|sql|md))`", RULES)
    assert len(named) > 300
    gone = sorted(
        name for name in named if not (ROOT / "monitor" / name).exists() and not (ROOT / name).exists()
    )
    assert not gone, gone
