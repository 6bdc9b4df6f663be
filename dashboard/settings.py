"""What the pages are told at start: where the store is and who may change something."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path

from dashboard.passcode import Passcode


@dataclass(frozen=True, slots=True)
class Settings:
    """One server's settings.

    ``passcode`` is ``None`` where the pages can be reached from this machine alone. ``base_url`` is the
    address that people were told, for links on labels.
    """

    data_dir: Path
    passcode: Passcode | None = None
    base_url: str = ""


_current: Settings | None = None


def configure(settings: Settings) -> None:
    """Set this process's settings; called once, before the server starts."""
    global _current
    _current = settings


def current() -> Settings:
    """The settings, or those of the environment when the pages run without the launcher."""
    if _current is not None:
        return _current
    home = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Settings(Path(os.environ.get("BOILWITNESS_DATA") or Path(home) / "boilwitness"))


def passcode() -> Passcode | None:
    """The passcode that counts now: one chosen while the pages run counts at once."""
    global _current
    told = current()
    if told.passcode is None:
        return None
    now = told.passcode.renewed(told.data_dir)
    if now is not told.passcode and _current is told:
        _current = replace(told, passcode=now)
    return now
