"""The jars of a batch in words: where each is, why, what to do, by when. Pure."""

from __future__ import annotations

from datetime import datetime

from dashboard import figures
from dashboard.words import Sign
from monitor.jars import BatchState, Status
from monitor.jars.disposition import Basis
from monitor.jars.seals import Seal
from monitor.jars.state import Clock, JarState

SEALS: dict[Seal, Sign] = {
    Seal.NOT_JUDGED: Sign("Not judged", "ring", "○", "quiet"),
    Seal.SEALED_EARLY: Sign("Sealed, provisional", "ring", "◔", "quiet"),
    Seal.UNSEALED_EARLY: Sign("Unsealed, provisional", "fall", "▽", "unsure"),
    Seal.SEALED: Sign("Sealed", "tick", "✔", "held"),
    Seal.UNSEALED: Sign("Unsealed", "fall", "▼", "alarm"),
    Seal.BROKEN: Sign("Broken", "cross", "✖", "alarm"),
    Seal.OPENED: Sign("Opened for a test", "square", "□", "quiet"),
}


def headline(state: BatchState) -> str:
    """What the batch waits for, in one sentence."""
    if state.standing.basis is Basis.OPEN:
        return "The jars are still in the canner."
    if not state.jars:
        return "The record does not say how many jars there are."
    if state.lifted is None:
        return "Lift the jars, and say how many came out whole."
    undecided = state.undecided()
    if undecided:
        noun = "jar waits" if len(undecided) == 1 else "jars wait"
        return f"{len(undecided)} {noun} for your decision."
    waiting = state.next_jar()
    if waiting is not None:
        return f"Jar {waiting} is the next whose seal is to be judged."
    return "Every jar has its place." if state.settled() else "Every seal is judged."


def clock_words(clock: Clock, now: datetime, zone: str | None) -> str:
    """A deadline: until when, how much is left, and why."""
    at = figures.local_time(clock.deadline, zone)[:5]
    left_s = clock.left_s(now)
    if left_s <= 0:
        return (
            f"{clock.name.capitalize()}: closed at {at}. What was not placed by then is discarded, untasted."
        )
    return (
        f"{clock.name.capitalize()}: until {at}, {figures.about(left_s)} from now. {clock.text.capitalize()}."
    )


def seal_round_words(state: BatchState, now: datetime) -> str:
    """When the seals may be judged, in the site's time."""
    if state.seals_from is None:
        return "The seals are judged 12 to 24 hours after the jars were lifted."
    at = figures.local_day(state.seals_from, state.zone)
    if now < state.seals_from:
        return (
            f"The seals may be judged from {at}. An answer before then is provisional and is asked for again."
        )
    return f"The seals may be judged (since {at})."


def jar_cells(jar: JarState, zone: str | None) -> tuple[str, Sign, str, str, str]:
    """(number, seal, place with its date, why, what to do and by when)."""
    place = jar.status.value
    if jar.use_by is not None:
        place += f", use by {jar.use_by.isoformat()}"
    due = f" By {figures.local_day(jar.due, zone)}." if jar.due is not None else ""
    return str(jar.jar), SEALS[jar.seal.seal], place, jar.why, f"{jar.do}{due}".strip()


#: What a person says of a jar, and the word of the entry. The shelf is never chosen, it follows.
PLACES: dict[Status, str] = {
    Status.REFRIGERATE: "Refrigerate",
    Status.FROZEN: "Freeze",
    Status.REPROCESS: "Queue for reprocessing",
    Status.DISCARDED: "Discard, untasted",
    Status.BROKEN: "It is broken",
}
