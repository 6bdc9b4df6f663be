"""What a check found: problems that count, and remarks that do not."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from monitor.record.taken_in import TakenIn


@dataclass(slots=True)
class Report:
    """Findings of one check, in the order they were made.

    ``problems``: altered or disagreeing, each one line. ``remarks``: what was found in order, and what could
    not be checked. ``sealed``: whether there was anything to check the bytes against.
    """

    what: str
    problems: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    sealed: bool = True
    #: Of each record that was taken in without a seal that is known to have fitted: what is known.
    unsealed_before: list[str] = field(default_factory=list)

    @property
    def good(self) -> bool:
        return not self.problems

    def problem(self, text: str) -> None:
        self.problems.append(text)

    def came(self, how: TakenIn | None) -> None:
        """Say how a record came from elsewhere: no seal made since tells of the time before."""
        if how is None:
            return
        self.remark(how.words)
        if not how.was_sealed:
            self.unsealed_before.append(how.words)

    def remark(self, text: str) -> None:
        self.remarks.append(text)

    def take(self, other: Report, prefix: str = "") -> None:
        """Add another report's findings."""
        self.problems += [prefix + text for text in other.problems]
        self.remarks += [prefix + text for text in other.remarks]
        self.unsealed_before += [prefix + text for text in other.unsealed_before]
        self.sealed = self.sealed and other.sealed

    def as_json(self) -> dict[str, Any]:
        return {
            "format": "boilwitness-check/1",
            "what": self.what,
            "sealed": self.sealed,
            "intact_and_agreeing": self.good,
            "taken_in_without_a_seal": self.unsealed_before,
            "problems": self.problems,
            "remarks": self.remarks,
        }
