"""Where each jar goes: one table, exhaustive over process, seal and open windows. Pure.

Nothing computed ever clears a short or broken hold. A jar reaches the shelf by four things together: its hold
proven (or signed for, and then labelled so for ever), its seal good at 12 hours or more, no open deviation, a
signed review.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from monitor.jars.seals import Seal


class Status(StrEnum):
    """The one place a jar is in."""

    WAITING = "waiting"
    ON_HOLD = "on hold"
    SHELF = "shelf"
    REFRIGERATE = "refrigerate"
    FROZEN = "frozen"
    REPROCESS = "reprocess queued"
    DISCARDED = "discarded"
    BROKEN = "broken"


class Basis(StrEnum):
    """What stands behind the process of a batch."""

    OPEN = "open"  # still in the canner
    PROVEN = "proven"
    OWN_TIMING = "on the cook's own timing"
    EVALUATED = "released by evaluation"
    FAILED = "not proven"


#: Allowed steps. What is not here is refused.
STEPS: dict[Status, frozenset[Status]] = {
    Status.WAITING: frozenset(Status) - {Status.WAITING},
    Status.ON_HOLD: frozenset(Status) - {Status.ON_HOLD},
    Status.SHELF: frozenset({Status.ON_HOLD, Status.DISCARDED, Status.BROKEN}),
    Status.REFRIGERATE: frozenset({Status.FROZEN, Status.DISCARDED, Status.BROKEN}),
    Status.FROZEN: frozenset({Status.DISCARDED, Status.BROKEN}),
    Status.REPROCESS: frozenset({Status.REFRIGERATE, Status.FROZEN, Status.DISCARDED, Status.BROKEN}),
    Status.DISCARDED: frozenset(),
    Status.BROKEN: frozenset(),
}

_AGAIN = "Reprocess with a new lid and the full hot-pack time, refrigerate"
_RESCUE = frozenset({Status.REPROCESS, Status.REFRIGERATE, Status.FROZEN, Status.DISCARDED})
_KEEP_COLD = frozenset({Status.REFRIGERATE, Status.DISCARDED})
_ONLY_DISCARD = frozenset({Status.DISCARDED})


@dataclass(frozen=True, slots=True)
class Decision:
    """Where a jar stands without anyone's placing, what may be chosen, and why."""

    status: Status
    choices: frozenset[Status]
    why: str
    do: str
    guidance: tuple[str, ...]
    #: The salvage clock that runs for it: ``two_hours``, ``day`` or none.
    clock: str | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """Everything the table looks at."""

    basis: Basis
    seal: Seal
    two_hours_open: bool
    day_open: bool
    deviation_open: bool
    reviewed: bool
    reprocessed_before: bool = False
    #: Of a jar opened for a test: what counted of its seal until then.
    closed: Seal = Seal.NOT_JUDGED


def decide(case: Case) -> Decision:
    """The table. Every combination has exactly one answer."""
    if case.seal is Seal.BROKEN:
        return Decision(
            Status.BROKEN,
            frozenset(),
            "the jar is broken",
            "Discard glass and food together; mind your hands.",
            ("G68",),
        )
    if case.basis is Basis.OPEN:
        return Decision(Status.WAITING, frozenset(), "the run is not over", "Wait for the verdict.", ("G4",))
    if case.seal is Seal.OPENED and case.basis is not Basis.FAILED:
        return _opened(case)
    decision = _failed(case) if case.basis is Basis.FAILED else _processed(case)
    if case.reprocessed_before and Status.REPROCESS in decision.choices:
        return Decision(
            decision.status,
            decision.choices - {Status.REPROCESS},
            decision.why,
            decision.do + " It was reprocessed once already; a second time is not offered.",
            (*decision.guidance, "G52"),
            decision.clock,
        )
    return decision


def _opened(case: Case) -> Decision:
    """Of a jar that was not found sealed the 24 hours go on; broken glass is not tasted either."""
    if case.closed is Seal.SEALED:
        return Decision(
            Status.ON_HOLD,
            _KEEP_COLD,
            "it was opened for a test",
            "Refrigerate and use within a few days, or discard.",
            ("G55",),
        )
    why = "it was opened for a test and had not been found sealed"
    if case.closed is Seal.BROKEN:
        return Decision(
            Status.ON_HOLD,
            _ONLY_DISCARD,
            "it was opened for a test and had been found broken",
            "Discard; do not taste.",
            ("G68",),
        )
    if case.day_open:
        return Decision(
            Status.ON_HOLD,
            _KEEP_COLD,
            why,
            "Refrigerate before the 24 hours close and use within a few days, or discard.",
            ("G55", "G56"),
            "day",
        )
    return Decision(
        Status.ON_HOLD,
        _ONLY_DISCARD,
        why + ", and the 24 hours have passed",
        "Discard; do not taste.",
        ("G56",),
        "day",
    )


def _failed(case: Case) -> Decision:
    why = "the record does not prove the hold; a good seal says nothing about the process"
    if case.two_hours_open:
        return Decision(
            Status.ON_HOLD,
            _RESCUE,
            why,
            ("Refrigerate" if case.reprocessed_before else "Reprocess in full, refrigerate")
            + " or freeze before the 2 hours close, sealed or not.",
            ("G49", "G57", "G58", "G54", "G55"),
            "two_hours",
        )
    return Decision(
        Status.ON_HOLD,
        _ONLY_DISCARD,
        why + ", and the 2 hours have passed",
        "Discard; do not taste.",
        ("G58", "G57", "G49"),
        "two_hours",
    )


def _processed(case: Case) -> Decision:
    if case.seal in (Seal.UNSEALED, Seal.UNSEALED_EARLY):
        return _unsealed(case)
    if case.seal is Seal.NOT_JUDGED:
        late = "" if case.day_open else " A jar found unsealed now is discarded: the 24 hours have passed."
        return Decision(
            Status.WAITING,
            _RESCUE if case.day_open else _ONLY_DISCARD,
            "its seal has not been judged",
            "Judge the seal 12 to 24 hours after lifting: press, look, tap, lift." + late,
            ("G44", "G48"),
            "day",
        )
    if case.seal is Seal.SEALED_EARLY:
        return Decision(
            Status.WAITING,
            _RESCUE if case.day_open else _ONLY_DISCARD,
            "it was judged before 12 hours: provisional",
            "Judge it again from 12 hours after lifting.",
            ("G44", "G48"),
            "day",
        )
    if case.deviation_open:
        return Decision(
            Status.ON_HOLD,
            _KEEP_COLD,
            "a deviation of this batch is open",
            "Close the deviation: cause, action, and who says so.",
            ("G79",),
        )
    if not case.reviewed:
        return Decision(
            Status.WAITING,
            _KEEP_COLD | {Status.ON_HOLD},
            "the review is not signed",
            "Review the record and sign it.",
            ("G48",),
        )
    return Decision(
        Status.SHELF,
        frozenset({Status.DISCARDED, Status.ON_HOLD}),
        f"hold {case.basis.value}, sealed at 12 hours or more, no open deviation, review signed",
        "Ring off, wash and dry, label, store cool, dark and dry.",
        ("G48", "G63", "G64"),
    )


def _unsealed(case: Case) -> Decision:
    if case.day_open:
        return Decision(
            Status.ON_HOLD,
            _RESCUE,
            "it did not seal",
            ("Refrigerate" if case.reprocessed_before else _AGAIN) + " or freeze before the 24 hours close.",
            ("G51", "G52", "G54", "G55"),
            "day",
        )
    return Decision(
        Status.ON_HOLD,
        _ONLY_DISCARD,
        "it did not seal, and the 24 hours have passed",
        "Discard; do not taste.",
        ("G56",),
        "day",
    )


#: Words for a refused placing.
def refusal(current: Status, wanted: Status, decision: Decision) -> str:
    """Why a placing is not allowed; empty when it is."""
    if wanted is Status.SHELF:
        return f"a jar goes on the shelf by itself once its seal and review are done; now: {decision.why}"
    if wanted is Status.BROKEN:
        return ""
    if wanted is Status.ON_HOLD and current in (Status.WAITING, Status.SHELF):
        return ""  # Holding a jar back never makes more of it.
    if wanted not in STEPS[current]:
        return f"from '{current.value}' a jar does not go to '{wanted.value}'"
    settled = current in (Status.WAITING, Status.ON_HOLD)
    if settled and wanted not in decision.choices:
        return f"'{wanted.value}' is not offered: {decision.why}"
    return ""
