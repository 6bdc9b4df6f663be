"""How a record came here from elsewhere: under a seal that fits it, without one, or with its seal removed.

The chain of a store, and the seal of a proof, prove no more than that a record did not change since it was taken in.
What is known of the time before is kept with it, and said wherever its verdict is.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

#: The file that says it: beside an exported record, and beside one that was taken in, and in a proof, whose blocks
#: are named by small letters alone.
TAKEN_IN_FILE = "takenin.json"
FORMAT = "boilwitness-taken-in/1"

INTACT, NEVER, REMOVED, UNKNOWN = "intact", "never", "removed", "unknown"

#: In a word or two, for a list.
BRIEFLY = {
    INTACT: "as it was sealed",
    NEVER: "not sealed",
    REMOVED: "its seal removed",
    UNKNOWN: "sealed or not: not known",
}


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What is known of a record from elsewhere. ``at_utc`` None: it lies in a folder, and no store has it."""

    seal: str
    at_utc: str | None = None
    #: What it is called where it was made, where a run of that name was here already.
    run_id_there: str | None = None

    @property
    def was_sealed(self) -> bool:
        """Whether it was as somebody had sealed it when it came."""
        return self.seal == INTACT

    def before_names(self, run_id: str) -> str:
        """What stands here before the names that runs of that house have there; empty where nothing does."""
        there = self.run_id_there
        return run_id.removesuffix(there) if there and run_id != there and run_id.endswith(there) else ""

    @property
    def briefly(self) -> str:
        """How it came: as it was sealed, not sealed."""
        return BRIEFLY.get(self.seal, BRIEFLY[UNKNOWN])

    @property
    def words(self) -> str:
        """All of it, for a person."""
        return self._of_its_seal() + (
            f" Where it was made it is called {self.run_id_there}." if self.run_id_there else ""
        )

    def _of_its_seal(self) -> str:
        if self.at_utc is None:
            return {
                INTACT: "The record is as it was sealed.",
                NEVER: "The record has no seal: nothing shows whether it was changed.",
            }.get(self.seal, "The record's seal has been removed: nothing shows whether it was changed.")
        when = f"{self.at_utc[:16].replace('T', ' ')} UTC"
        before = f"nothing shows whether it was changed before it was taken in, {when}."
        if self.seal == INTACT:
            return f"The record was sealed elsewhere, and as it was sealed when it was taken in, {when}."
        if self.seal == NEVER:
            return f"The record came without a seal: {before}"
        if self.seal == REMOVED:
            return f"The record's seal had been removed when it came: {before}"
        return f"Whether the record came with a seal was not kept: {before}"

    def as_json(self) -> dict[str, Any]:
        form: dict[str, Any] = {"format": FORMAT, "seal": self.seal, "at_utc": self.at_utc}
        return form | ({"run_id_there": self.run_id_there} if self.run_id_there else {})

    def as_bytes(self) -> bytes:
        return (json.dumps(self.as_json(), ensure_ascii=False) + "\n").encode()


def taken_in_bytes(data: bytes) -> TakenIn:
    """What :meth:`TakenIn.as_bytes` wrote. Of what cannot be read nothing is known."""
    try:
        form = json.loads(data)
    except (ValueError, RecursionError):
        form = None
    if not isinstance(form, Mapping) or form.get("format") != FORMAT or form.get("seal") not in BRIEFLY:
        return TakenIn(UNKNOWN)
    at_utc, there = form.get("at_utc"), form.get("run_id_there")
    return TakenIn(
        str(form["seal"]),
        at_utc if isinstance(at_utc, str) else None,
        there if isinstance(there, str) and there else None,
    )
