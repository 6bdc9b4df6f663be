"""What the named questions to the store answer: plain frozen rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from monitor.record.taken_in import TakenIn


@dataclass(frozen=True, slots=True)
class RunRow:
    """One line of the list of runs. ``verdict`` None: still open, or never judged."""

    run_id: str
    canner: str | None
    started_utc: str
    ended_utc: str | None
    zone: str | None
    food: str | None
    pack: str | None
    jar: str | None
    jars: int | None
    required_s: float | None
    verdict: str | None
    proven_s: float | None
    advice_action: str | None
    simulated: bool
    imported: bool
    #: Of a record from elsewhere: how it came.
    taken_in: TakenIn | None = None

    @property
    def is_on(self) -> bool:
        """Whether more may come of it. What was recorded elsewhere is not on here, told where it ended or not."""
        return self.ended_utc is None and not self.imported


@dataclass(frozen=True, slots=True)
class LiveRow:
    """What the engine last said of a run that is on; ``view`` is LiveView's JSON, ``verdict`` Verdict's."""

    run_id: str
    canner: str | None
    updated_utc: str
    view: dict[str, Any]
    verdict: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class NodeRow:
    """A node. ``canner`` None: new here, or serving nothing. ``last_arrival_s`` None: no sample yet."""

    name: str
    canner: str | None
    first_seen_utc: str
    last_arrival_s: float | None
    samples: int
    lost: int
    conflicts: int
    source: str


@dataclass(frozen=True, slots=True)
class RefusalRow:
    """Input that was not accepted. ``payload`` is hostile until escaped."""

    at_utc: str
    source: str
    node_hint: str | None
    why: str
    size: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One change of state of one alarm, oldest first; the last row of an ``alarm_id`` is its state."""

    id: int
    alarm_id: str
    run_id: str | None
    at_utc: str
    kind: str
    state: str
    body: dict[str, Any]
