"""What the collector hands to the writer: a batch of what came in, and an outbox of what is said about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from monitor.store.samples import Row


class Refusal(NamedTuple):
    """Input that could not be accepted."""

    source: str
    node_hint: str | None
    why: str
    payload: bytes


class Loss(NamedTuple):
    """Samples of one start of a node that will not come."""

    node_id: int
    boot: int
    from_seq: int
    missing: int
    why: str


@dataclass(slots=True)
class Batch:
    """What one transaction is to hold."""

    rows: list[Row] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    losses: list[Loss] = field(default_factory=list)
    #: (node_id, boot) -> covered without a hole up to here.
    receipts: dict[tuple[int, int], int] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        return not (self.rows or self.refusals or self.losses or self.receipts)


class JudgedWith(NamedTuple):
    """Whose samples a verdict was given on, and what was added to the water's readings."""

    node_id: int
    low_s: float
    high_s: float
    offset_K: float


@dataclass(slots=True)
class Outbox:
    """What is waiting to be written down besides samples. Kept until a write succeeds."""

    events: list[tuple[str, Mapping[str, Any]]] = field(default_factory=list)
    #: (alarm_id, run_id, kind, state, body)
    alarms: list[tuple[str, str | None, str, str, Mapping[str, Any]]] = field(default_factory=list)
    #: run_id -> (canner, view, verdict or None to keep the last)
    live: dict[str, tuple[str | None, Mapping[str, Any], Mapping[str, Any] | None]] = field(
        default_factory=dict
    )
    #: run_id -> verdict of a run that is over; it is live no longer.
    verdicts: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    #: run_id -> what its verdict was given on.
    judged_with: dict[str, list[JudgedWith]] = field(default_factory=dict)
    #: (kind, text, body)
    journal: list[tuple[str, str, Mapping[str, Any]]] = field(default_factory=list)
    meta: dict[str, str] = field(default_factory=dict)

    @property
    def urgent(self) -> bool:
        """Whether something must not wait for the next round."""
        return bool(self.events or self.alarms or self.verdicts or self.journal)

    @property
    def empty(self) -> bool:
        return not (self.urgent or self.live or self.meta)

    def clear(self) -> None:
        for rows in (self.events, self.alarms, self.journal):
            rows.clear()
        for table in (self.live, self.verdicts, self.judged_with, self.meta):
            table.clear()
