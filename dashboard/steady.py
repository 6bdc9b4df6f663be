"""The held time as the large sentence says it: it never runs backwards while one boil goes on.

The engine's own figure moves by a second or two with every reading of a coarse probe, and stands beside it as it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from monitor.judge.words import minutes

#: What falls by more than this, or begins later by more, was taken back: that is shown at once. [s] Chosen: several
#: steps of a coarse probe's dating, and far less than what late readings or a mark take back.
TAKEN_BACK_S = 10.0
_HELD = re.compile(r"Full boil\. (?:[^.]* held|The time counts; how much of it is proven shows soon)\.")
_SILENT = re.compile(r"Not known: no reading for .*")


class HighestHeld:
    """By run, the most that was held of the boil that is on."""

    def __init__(self) -> None:
        #: When the time began, and the most that was held since. [s]
        self._of: dict[str, tuple[float, float]] = {}

    def held_s(self, run_id: str, view: Mapping[str, Any]) -> float | None:
        """What the sentence says is held; None where no time counts now. [s]"""
        phase, started_s = view.get("phase"), view.get("clock_started_s")
        if phase == "unknown":
            # Perhaps the same boil goes on.
            return None
        if phase != "hold" or started_s is None:
            self._of.pop(run_id, None)
            return None
        now_s = float(view.get("held_s") or 0.0)
        before = self._of.get(run_id)
        if before is not None:
            same = float(started_s) - before[0] <= TAKEN_BACK_S and before[1] - now_s <= TAKEN_BACK_S
            now_s = max(now_s, before[1]) if same else now_s
        self._of[run_id] = (float(started_s), now_s)
        return now_s

    def keep(self, run_ids: Iterable[str]) -> None:
        """Forget all other runs."""
        left = set(run_ids)
        for run_id in list(self._of):
            if run_id not in left:
                self._of.pop(run_id, None)


def sentence(told: str, held_s: float | None) -> str:
    """The engine's large sentence, with the held time as it is shown."""
    if held_s is None or held_s < 1.0 or not _HELD.fullmatch(told):
        return told
    return f"Full boil. {minutes(held_s)} held."


def spoken(told: str, held_s: float | None) -> str:
    """The same for whoever hears it: new at a whole minute or another state, not every second."""
    if _SILENT.fullmatch(told):
        return "Not known: no reading comes in."
    if held_s is None or not _HELD.fullmatch(told):
        return told
    whole = int(held_s // 60.0)
    return f"Full boil. {whole} min held." if whole else "Full boil. The time counts."
