"""What the engine says: stretches, events, advice and the verdict, as plain data.

The JSON form is the contract's ``boilwitness-verdict/1``; extra keys may be added, none renamed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

VERDICT_FORMAT = "boilwitness-verdict/1"

BOILING = "boiling"
NOT_BOILING = "not_boiling"
UNKNOWN = "unknown"

HELD = "held"
BROKEN = "broken"
UNPROVEN = "unproven"

EVENT_KINDS = (
    "boil_reached",
    "boil_lost",
    "boil_back",
    "hold_complete",
    "overrun",
    "node_silent",
    "node_restarted",
    "probe_fault",
    "probe_moved",
    "reading_frozen",
    "pressure_disagrees",
    "reads_above_boiling",
    "heater_off",
    "clock_stepped",
    "come_up_stalled",
    "water_check_due",
    "verdict_revised",
    "jar_disturbed",
    "jar_cooled",
    "seal_check_due",
    "seal_check_overdue",
    "reprocess_window_closing",
)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of the run in one state. ``why`` is one short phrase for a person."""

    start_s: float
    end_s: float
    state: str
    why: str

    def as_json(self) -> dict[str, Any]:
        return {"start_s": self.start_s, "end_s": self.end_s, "state": self.state, "why": self.why}


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened.

    ``onset_s`` is when it began as far as the record shows, ``raised_s`` the sample or tick on which the
    live engine says so; ``onset_early_s`` and ``onset_late_s`` bound the onset where it is an estimate.
    Every list of events is in the order in which they were raised. Onsets need not be: a fall is dated back, and what
    late rows changed began with the first of them, long before the last came.

    ``cause`` is a word of :mod:`monitor.judge.causes`, or "". ``unproven_s``, where a boil that counted was broken off
    or counts anew, is when it was last told or last proven, whichever is later; the document leaves it out.
    """

    kind: str
    onset_s: float
    raised_s: float
    text: str
    onset_early_s: float | None = None
    onset_late_s: float | None = None
    cause: str = ""
    unproven_s: float | None = None

    def as_json(self) -> dict[str, Any]:
        form: dict[str, Any] = {
            "kind": self.kind,
            "onset_s": self.onset_s,
            "raised_s": self.raised_s,
            "text": self.text,
        }
        if self.onset_early_s is not None:
            form["onset_early_s"] = self.onset_early_s
        if self.onset_late_s is not None:
            form["onset_late_s"] = self.onset_late_s
        if self.cause:
            form["cause"] = self.cause
        return form


@dataclass(frozen=True, slots=True)
class Rate:
    """How fast the water warmed or cooled between two times of the run, as (low, likely, high), all positive.

    ``heat_off``: a fall after a person marked the heat off.
    """

    low_K_per_s: float
    likely_K_per_s: float
    high_K_per_s: float
    since_s: float
    until_s: float
    heat_off: bool = False

    @property
    def per_min(self) -> tuple[float, float, float]:
        """The same per minute, rounded. [K/min]"""
        return (
            round(self.low_K_per_s * 60.0, 3),
            round(self.likely_K_per_s * 60.0, 3),
            round(self.high_K_per_s * 60.0, 3),
        )

    def as_json(self) -> dict[str, Any]:
        return {
            "K_per_min": list(self.per_min),
            "since_s": round(self.since_s, 1),
            "until_s": round(self.until_s, 1),
        }


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One line of the uncertainty budget. ``standard_K`` is a standard uncertainty in kelvin."""

    term: str
    value: str
    unit: str
    distribution: str
    standard_K: float
    source: str


@dataclass(frozen=True, slots=True)
class Budget:
    """The uncertainty of (reading − boiling point), as a table a person can read."""

    rows: tuple[BudgetRow, ...]
    expanded_K: float
    #: What can be said before the heat goes on: "" when a boil can be proven, else why not and what to do.
    cannot_prove: str
    #: Remarks: what was left out and taken at its widest, what was not allowed to narrow the budget.
    notes: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        return {
            "expanded_uncertainty_K": self.expanded_K,
            "coverage_factor": 2,
            "cannot_prove": self.cannot_prove,
            "notes": list(self.notes),
            "rows": [
                {
                    "term": row.term,
                    "value": row.value,
                    "unit": row.unit,
                    "distribution": row.distribution,
                    "standard_K": row.standard_K,
                    "source": row.source,
                }
                for row in self.rows
            ],
        }


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do now. ``action`` is a fixed word, ``guidance`` numbers facts of the guidance table."""

    action: str
    text: str
    until: str | None = None
    guidance: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        return {
            "action": self.action,
            "until": self.until,
            "text": self.text,
            "guidance": list(self.guidance),
        }


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer and why. Times in s since the run's start, temperatures in °C.

    ``verdict`` is ``held``, ``broken``, ``unproven`` or ``None`` for an open run that has not held yet.
    """

    run_id: str
    verdict: str | None
    required_s: float
    proven_s: float
    possible_s: float
    boiling_point_C: float | None
    boiling_point_from: str
    floor_C: float | None
    expanded_uncertainty_K: float | None
    clock_started_s: float | None
    clock_completed_s: float | None
    seen_by_eye: bool
    stretches: tuple[Stretch, ...]
    events: tuple[Event, ...]
    advice: Advice
    budget: Budget
    #: Whose the floor is: no published source names one.
    floor_from: str = ""
    #: Reasons that cap the verdict at unproven, or explain it, each one sentence.
    reasons: tuple[str, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    #: How fast this canner warmed near the boil and cooled in the newest fall, where the record shows it; in words.
    heating: Rate | None = None
    cooling: Rate | None = None
    kettle: str = ""

    def as_json(self) -> dict[str, Any]:
        """The contract's document."""
        return {
            "format": VERDICT_FORMAT,
            "run_id": self.run_id,
            "verdict": self.verdict,
            "required_s": self.required_s,
            "proven_s": self.proven_s,
            "possible_s": self.possible_s,
            "boiling_point_C": self.boiling_point_C,
            "boiling_point_from": self.boiling_point_from,
            "floor_C": self.floor_C,
            "floor_from": self.floor_from,
            "expanded_uncertainty_K": self.expanded_uncertainty_K,
            "clock": {"started_s": self.clock_started_s, "completed_s": self.clock_completed_s},
            "seen_by_eye": self.seen_by_eye,
            "stretches": [stretch.as_json() for stretch in self.stretches],
            "events": [event.as_json() for event in self.events],
            "advice": self.advice.as_json(),
            "reasons": list(self.reasons),
            "counts": dict(self.counts),
            "kettle": {
                "heating": self.heating.as_json() if self.heating else None,
                "cooling": self.cooling.as_json() if self.cooling else None,
                "text": self.kettle,
            },
            "budget": self.budget.as_json(),
        }


@dataclass(frozen=True, slots=True)
class LiveView:
    """What a page shows of a run that is on. All times in s since the run's start.

    ``phase`` is one of ``waiting`` (no sample yet), ``come_up``, ``cooling`` (going down, with no boil told before),
    ``hold``, ``boil_lost``, ``unknown``, ``complete`` (the required time is proven; turn the heat off) and ``ended``.
    ``remaining_s`` is how long the boil must still hold before ``hold_complete`` can be said.
    ``eta_s`` is the estimated time to the boil as (soonest, likely, latest), seconds from ``at_s``.
    ``heating_K_per_min`` and ``cooling_K_per_min`` are what this run has shown of its canner, as (low, likely, high);
    ``kettle`` says it in words. ``is_heard`` is whether the node speaks, by its own rhythm; ``heater_on`` whether the
    heater is on, None where its node does not say so now. Alarms end by these two, as they begin.
    """

    at_s: float
    state: str
    phase: str
    sentence: str
    reason: str
    water_C: float | None
    boiling_point_C: float | None
    boiling_point_from: str
    floor_C: float | None
    expanded_uncertainty_K: float | None
    held_s: float
    proven_s: float
    required_s: float
    remaining_s: float | None
    clock_started_s: float | None
    last_sample_s: float | None
    eta_s: tuple[float, float, float] | None = None
    rate_K_per_min: float | None = None
    seen_by_eye: bool = False
    heating_K_per_min: tuple[float, float, float] | None = None
    cooling_K_per_min: tuple[float, float, float] | None = None
    kettle: str = ""
    is_heard: bool = False
    heater_on: bool | None = None

    def as_json(self) -> dict[str, Any]:
        form = {name: getattr(self, name) for name in self.__dataclass_fields__}
        for name in ("eta_s", "heating_K_per_min", "cooling_K_per_min"):
            form[name] = list(form[name]) if form[name] else None
        return form
