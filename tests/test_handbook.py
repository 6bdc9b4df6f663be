"""The handbook's table of rules is whole: whoever asks where a rule lives finds it, and finds it there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HANDBOOK = (ROOT / "DEVELOPERS.md").read_text("utf-8")
RULES = HANDBOOK.split("## Where does this rule live?")[1].split("\n## ")[0]


@pytest.mark.parametrize("room", ["judge", "plan", "jars", "alarms"])
def test_every_file_of_a_room_that_decides_is_in_the_table(room: str) -> None:
    """A new file is named where people look for it."""
    files = {path.name for path in (ROOT / "monitor" / room).glob("*.py")} - {"__init__.py"}
    assert len(files) > 4
    missing = sorted(name for name in files if f"`{room}/{name}`" not in RULES)
    assert not missing, missing


def test_every_file_in_the_table_is_there() -> None:
    """A file that was moved or cut into pieces is named by its new name."""
    named = re.findall(r"`((?:\w+/)+\w+\.(?:py|csv|sql|md))`", RULES)
    assert len(named) > 90
    gone = sorted(
        name for name in named if not (ROOT / "monitor" / name).exists() and not (ROOT / name).exists()
    )
    assert not gone, gone
