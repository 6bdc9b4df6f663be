"""A jar that goes on in a run of its own: what became of it there, for the run that it came from. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from monitor.jars.disposition import Basis, Decision, Status
from monitor.jars.state import BatchState, JarState
from monitor.jars.times import Child


@dataclass(frozen=True, slots=True)
class Again:
    """What is known of a run that reprocesses jars; ``state`` None where its jars cannot be told yet."""

    over: bool
    state: BatchState | None


#: For whoever does not look into the other run.
TAKEN_TO_BE_ON = Again(over=False, state=None)


@dataclass(frozen=True, slots=True)
class GoneOn:
    """Where the jar stands now. ``placed``: the run is still to come or on, or the jar has its place there."""

    decision: Decision
    due: datetime | None
    placed: bool


def gone_on(before: Decision, child: Child, again: Again | None) -> GoneOn:
    """``before`` is what the table says of the jar in the run that it came from. Not told is not placed."""
    guidance = tuple(dict.fromkeys((*before.guidance, "G51", "G52")))
    if again is None or not again.over:
        why = f"it is reprocessed: {before.why}"
        do = f"It goes on in run {child.run_id} as jar {child.jar}"
        known = again is not None and again is not TAKEN_TO_BE_ON
        do += ": mark jars in there, and hold the full time." if known else "."
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
