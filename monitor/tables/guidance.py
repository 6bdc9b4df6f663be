"""The published guidance that the tool cites, as numbered facts in our own words."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources

from monitor.errors import ConfigError, UsageError

#: What is shown beside every figure or fact that was not read in its source this time.
NOT_CHECKED = "not checked against the printed guide"

EVIDENCE = ("seen", "seen in part", "memory")

_NUMBER = re.compile(r"^G\d{1,3}$")


@dataclass(frozen=True, slots=True)
class Fact:
    """One statement of published guidance and where it was read."""

    number: str
    topic: str
    fact: str
    source: str
    evidence: str

    def __post_init__(self) -> None:
        if not _NUMBER.match(self.number) or self.evidence not in EVIDENCE:
            raise ConfigError(
                f"guidance.csv: number {self.number!r} or evidence {self.evidence!r} is not known."
            )
        if not (self.topic and self.fact and self.source):
            raise ConfigError(f"guidance.csv: {self.number} lacks its topic, fact or source.")

    @property
    def caveat(self) -> str:
        """Empty where the source was read, else the words to show beside the fact."""
        return "" if self.evidence == "seen" else NOT_CHECKED


@cache
def facts() -> dict[str, Fact]:
    """Every fact by its number, in the table's order. Raises ConfigError when the table is damaged."""
    text = resources.files(__package__).joinpath("guidance.csv").read_text(encoding="utf-8")
    found: dict[str, Fact] = {}
    for record in csv.DictReader(text.splitlines()):
        fact = Fact(**record)
        if fact.number in found:
            raise ConfigError(f"guidance.csv: {fact.number} is there twice.")
        found[fact.number] = fact
    return found


def fact(number: str) -> Fact:
    """The fact with this number, such as ``G4``. Raises UsageError when there is none."""
    try:
        return facts()[number]
    except KeyError:
        raise UsageError(f"No guidance fact is numbered {number!r}.") from None
