"""What people found of a jar on the shelf: fine, its seal lost, its lid bulging; or that it was used or given away.

A lid that was found bad stays bad until somebody who has read that looks again and writes down why; that the jar was
used ends nothing. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from monitor.jars.answers import counted, has_read, that_stand
from monitor.jars.disposition import Decision, Status
from monitor.jars.rows import Row, all_rows, local_time
from monitor.jars.seals import Seal, SealResult

#: The worse, the higher.
_RANK = {"fine": 0, "lost_seal": 1, "bulge": 2}
GONE = ("used", "given")
#: What is done with such a jar, whatever else is open about it.
_LOST = {
    "lost_seal": (
        "its seal was found lost on the shelf",
        "Discard; do not taste. Look at the other jars of the batch.",
    ),
    "bulge": (
        "its lid was found bulging",
        "Do not open, do not taste. Bag and bin it; look at the other jars of the batch. An open or leaking jar is "
        "boiled under water for 30 minutes first.",
    ),
}
#: Of one that was opened all the same.
_OPENED = (
    "Do not taste. Boil jar, lid and contents under water for 30 minutes, then bin; look at the other jars of the "
    "batch."
)
_LEFT = "Do not taste what is left of it; bag and bin it, and tell whoever has it. Look at the other jars of the batch."
_WORDS = {"fine": "it is fine", "lost_seal": "its seal is lost", "bulge": "its lid bulges"}
LOST_GUIDANCE = ("G66", "G67")


@dataclass(frozen=True, slots=True)
class Look:
    """One answer about a jar on the shelf. ``seen`` is the newest entry about the jar that its author had read."""

    found: str
    at: datetime
    by: str | None
    entry: int
    seen: int | None
    reason: str | None
    against: tuple[Look, ...] = ()

    @property
    def rank(self) -> int:
        """How bad it is."""
        return _RANK[self.found]


@dataclass(frozen=True, slots=True)
class OnShelf:
    """What counts of what was said: ``lost`` is how its lid was found bad, ``gone`` how it left; each may be empty."""

    look: Look | None = None
    gone: str = ""

    @property
    def lost(self) -> str:
        return self.look.found if self.look is not None and self.look.rank else ""


def on_shelf(rows: Iterable[Row], jar: int) -> OnShelf:
    """What was said of a jar on the shelf, as far as it stands."""
    said = [row for row in rows if _is_about(row, jar)]
    if not said:
        return OnShelf()
    gone = str(said[-1].body["found"])
    standing = that_stand((_look(row) for row in said if row.body["found"] in _RANK), _takes_the_place)
    look = None
    if standing:
        worst, against = counted(standing)
        look = replace(worst, against=against)
    return OnShelf(look, gone if gone in GONE else "")


def newest_look(entries: Iterable[Any], jar: int) -> int:
    """The number of the newest entry about a jar on the shelf; 0 where there is none."""
    return max((row.id for row in all_rows(entries) if _is_about(row, jar)), default=0)


def lost_decision(
    said: OnShelf, seal: SealResult, guidance: Sequence[str], zone: str | None
) -> Decision | None:
    """What is decided of a jar whose lid is bad, before all else; None where nobody said that it is."""
    lost = said.lost or ("bulge" if seal.bulging else "")
    if not lost:
        return None
    why, do = _LOST[lost]
    if said.look is not None and said.look.against:
        why += f". {disagreement(said.look, zone)}"
    if seal.seal is Seal.OPENED and lost == "bulge":
        why, do = f"{why}, and it was opened", _OPENED
    if said.gone:
        why, do = f"{why}. It was {said.gone} all the same", _LEFT
    cited = tuple(dict.fromkeys((*guidance, *LOST_GUIDANCE)))
    return Decision(Status.ON_HOLD, frozenset({Status.DISCARDED}), why, do, cited)


def disagreement(look: Look, zone: str | None) -> str:
    """Who said what, and what counts until it is settled."""
    answers = sorted((look, *look.against), key=lambda one: one.entry)
    said = "; ".join(
        f"{one.by or 'somebody'}, {local_time(one.at, zone)}: {_WORDS[one.found]}" for one in answers
    )
    return f"{said}. The worse counts until somebody who has read both looks again and writes down why"


def _is_about(row: Row, jar: int) -> bool:
    found = row.body.get("found")
    return row.kind == "jar_recheck" and row.body.get("jar") == jar and (found in _RANK or found in GONE)


def _look(row: Row) -> Look:
    seen = row.body.get("seen")
    known = isinstance(seen, int) and not isinstance(seen, bool)
    return Look(str(row.body["found"]), row.at, row.by, row.id, seen if known else None, row.reason)


def _takes_the_place(new: Look, old: Look) -> bool:
    """A jar may go bad after it was found fine. That a bad one is fine takes having read that, and a reason."""
    if new.rank >= old.rank:
        return True
    return bool(has_read(new, old)) and bool((new.reason or "").strip())
