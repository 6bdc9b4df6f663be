"""A jar that goes on in a run of its own: what became of it there, for the run that it came from. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from monitor.jars.disposition import Basis, Decision, Status
from monitor.jars.state import BatchState, JarState
from monitor.jars.times import Child


@dataclass(frozen=True, slots=True)
class Again:
    """What is known of a run that reprocesses jars; ``state`` None where its jars cannot be told yet.

    ``went_in``: when its record says that the jars went in, aware; None where it does not.
    """

    over: bool
    state: BatchState | None
    went_in: datetime | None = None


#: For whoever does not look into the other run.
TAKEN_TO_BE_ON = Again(over=False, state=None)


@dataclass(frozen=True, slots=True)
class GoneOn:
    """Where the jar stands now. ``placed``: the run is on, or the jar has its place there."""

    decision: Decision
    due: datetime | None
    placed: bool


#: What is still open for a jar whose reprocessing was begun and that is not in yet.
_WHILE_IT_WAITS = frozenset({Status.REFRIGERATE, Status.FROZEN, Status.DISCARDED})


def to_go_on(
    before: Decision, child: Child, again: Again | None, until: datetime | None, now: datetime
) -> GoneOn:
    """A run was begun for the jar, and nobody has marked it in: the clock of the run that it comes from goes on."""
    if until is not None and now > until:
        why = f"it was to go on in run {child.run_id}, no jars were marked in there, and the time has passed"
        discard = frozenset({Status.DISCARDED})
        guidance = tuple(dict.fromkeys((*before.guidance, "G56", "G58")))
        return GoneOn(
            Decision(Status.ON_HOLD, discard, why, "Discard; do not taste.", guidance), until, False
        )
    why = f"it is reprocessed: {before.why}"
    do = f"It goes on in run {child.run_id} as jar {child.jar}"
    known = again is not None and again is not TAKEN_TO_BE_ON
    do += ": mark jars in there, and hold the full time." if known else "."
    guidance = tuple(dict.fromkeys((*before.guidance, "G51", "G52")))
    return GoneOn(Decision(Status.REPROCESS, _WHILE_IT_WAITS, why, do, guidance), until, False)


def came_too_late(
    before: Decision, child: Child, until: datetime, when: Callable[[datetime], str]
) -> Decision:
    """The jar went in after its time had closed: what that run held changes nothing."""
    went_in = child.went_in or child.began
    what = "its jars went in" if child.went_in is not None else "was begun"
    why = (
        f"run {child.run_id} for it came too late: {what} at {when(went_in)}, and the time had closed at "
        f"{when(until)}"
    )
    guidance = tuple(dict.fromkeys((*before.guidance, "G56", "G58", "G57")))
    return Decision(Status.ON_HOLD, frozenset({Status.DISCARDED}), why, "Discard; do not taste.", guidance)


def contradicted(child: Child, seal: str) -> Decision:
    """It was judged well sealed after it had gone on elsewhere: a jar is in one place, and a person must say where."""
    why = (
        f"it was judged {seal} after jar {child.jar} of run {child.run_id} had been begun for it: one of the two was "
        "written down wrong"
    )
    do = (
        f"Say which: correct its seal here, or which jars went into run {child.run_id} ('boilwitness jars "
        f"{child.run_id} these-are'). It is on no shelf until then."
    )
    return Decision(Status.ON_HOLD, frozenset(), why, do, ("G48", "G52"))


def gone_on(before: Decision, child: Child, again: Again | None) -> GoneOn:
    """``before`` is what the table says of the jar in the run that it came from. Not told is not placed."""
    guidance = tuple(dict.fromkeys((*before.guidance, "G51", "G52")))
    if again is None or not again.over:
        why = f"it is reprocessed: {before.why}"
        do = f"It goes on in run {child.run_id} as jar {child.jar}"
        known = again is not None and again is not TAKEN_TO_BE_ON
        if again is None:
            do += ". That run is not told of here: where the jar is now is not known here."
        else:
            do += ": hold the full time there." if known else "."
        return GoneOn(Decision(Status.REPROCESS, frozenset(), why, do, guidance), None, again is not None)
    where = f"jar {child.jar} of run {child.run_id}"
    jar = _jar(again, child)
    if jar is None or again.state is None:
        why = f"it was reprocessed as {where}, which is over and does not tell where the jar is"
        return GoneOn(Decision(Status.ON_HOLD, frozenset(), why, "Say it there.", guidance), None, False)
    if jar.gone or jar.status not in (Status.WAITING, Status.ON_HOLD, Status.REPROCESS):
        why = f"it was reprocessed as {where}, and is '{jar.gone or jar.status.value}' there"
        return GoneOn(Decision(Status.REPROCESS, frozenset(), why, jar.do, jar.guidance), None, True)
    if again.state.standing.basis is Basis.FAILED:
        why = f"it was reprocessed as {where}, which ended: {again.state.standing.words}. It has no place yet"
        do = f"{jar.do} Say there which it was."
        return GoneOn(Decision(Status.ON_HOLD, frozenset(), why, do, jar.guidance), jar.due, False)
    why = f"it was reprocessed as {where}, which is over, and has no place there yet: {jar.why}"
    return GoneOn(Decision(Status.REPROCESS, frozenset(), why, jar.do, jar.guidance), jar.due, False)


def _jar(again: Again, child: Child) -> JarState | None:
    jars = again.state.jars if again.state is not None else ()
    return next((jar for jar in jars if jar.jar == child.jar), None)
