"""The jars of a batch in words: where each is, why, what to do, by when. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time

from dashboard import figures
from dashboard.words import Sign
from monitor.jars import BatchState, Status
from monitor.jars.batch import REST
from monitor.jars.disposition import Basis
from monitor.jars.seals import QUESTIONS, Seal, SealResult, dispute, told
from monitor.jars.state import Clock, JarState
from monitor.jars.times import Moment
from monitor.tables.guidance import fact

SEALS: dict[Seal, Sign] = {
    Seal.NOT_JUDGED: Sign("Not judged", "ring", "○", "quiet"),
    Seal.SEALED_EARLY: Sign("Sealed, provisional", "ring", "◔", "quiet"),
    Seal.UNSEALED_EARLY: Sign("Unsealed, provisional", "fall", "▽", "unsure"),
    Seal.SEALED: Sign("Sealed", "tick", "✔", "held"),
    Seal.UNSEALED: Sign("Unsealed", "fall", "▼", "alarm"),
    Seal.BROKEN: Sign("Broken", "cross", "✖", "alarm"),
    Seal.OPENED: Sign("Opened for a test", "square", "□", "quiet"),
}

#: The guidance of the clock that runs for jars which did not seal, and for no other.
_UNSEALED = "G56"

#: What a person says of a jar, and the word of the entry. The shelf is never chosen, it follows.
PLACES: dict[Status, str] = {
    Status.REFRIGERATE: "Refrigerate",
    Status.FROZEN: "Freeze",
    Status.REPROCESS: "Queue for reprocessing",
    Status.DISCARDED: "Discard, untasted",
    Status.BROKEN: "It is broken",
}

#: The four questions of the seal round, short enough for a phone: what to do, and each answer's words.
ROUND: dict[str, tuple[str, dict[str, str]]] = {
    "press": ("Press the middle", {"firm": "Stays firm", "springs": "Springs back"}),
    "sight": ("Look across it", {"dished": "Dished", "flat": "Flat", "bulging": "Bulging"}),
    "tap": ("Tap with a spoon", {"ring": "Rings", "dull": "Dull"}),
    "lift": ("Lift by the lid's edge", {"holds": "Holds", "gives": "Gives"}),
}
assert {key: tuple(answers) for key, (_, answers) in ROUND.items()} == QUESTIONS


def headline(state: BatchState, now: datetime | None = None) -> str:
    """What the batch waits for, in one sentence; ``now`` where it is known (aware)."""
    if state.window_words:
        return f"{state.window_words[0].upper()}{state.window_words[1:]}."
    if state.standing.basis is Basis.OPEN:
        return "The jars are still in the canner."
    if not state.jars:
        return "The record does not say how many jars there are."
    undecided = state.undecided()
    if undecided and state.standing.basis is Basis.FAILED:
        return _undecided(undecided)
    going = [jar for jar in state.jars if jar.status is Status.REPROCESS and not jar.child_in]
    if runs := sorted({jar.child_run for jar in going if jar.child_run}):
        noun = "jar is" if len(going) == 1 else "jars are"
        return f"{len(going)} {noun} still to go in: mark 'jars in' in run {', '.join(runs)}."
    if state.lifting is None:
        return "Lift the jars, and say how many came out whole."
    if disputed := [jar.jar for jar in state.disputed() if jar.jar in state.to_judge()]:
        return f"Jar {disputed[0]} was judged differently by two people: look at it again."
    if undecided:
        return _undecided(undecided)
    waiting = state.next_jar()
    if waiting is not None and now is not None and state.seals_from is not None and now < state.seals_from:
        return f"The jars rest. Judge their seals from {figures.local_time(state.seals_from, state.zone)[:5]} on."
    if waiting is not None:
        return f"Jar {waiting} is the next whose seal is to be judged."
    if held := state.held_by_deviation():
        noun = "jar waits" if len(held) == 1 else "jars wait"
        return f"{len(held)} sealed {noun} for an open deviation to be closed."
    if any(jar.status is Status.WAITING for jar in state.jars):
        return "Review the record and sign it: the sealed jars wait for that."
    return "Every jar has its place." if state.all_placed else "Every seal is judged."


def _undecided(jars: Sequence[JarState]) -> str:
    noun = "jar waits" if len(jars) == 1 else "jars wait"
    return f"{len(jars)} {noun} for your decision."


def clock_words(clock: Clock, now: datetime, zone: str | None) -> str:
    """A deadline: how much is left, until when, and why."""
    at = figures.local_time(clock.deadline, zone)[:5]
    left_s = clock.left_s(now)
    if left_s <= 0:
        when = figures.local_day(clock.deadline, zone)
        # After a good hold the jars that sealed are kept: the round that tells which these are may still be to come.
        left = "A jar that did not seal and" if _UNSEALED in clock.guidance else "What"
        return (
            f"{clock.name.capitalize()}: closed {when}. {left} was not placed by then is discarded, untasted."
        )
    return f"{clock.name.capitalize()}: {figures.about(left_s)} left, until {at}. {clock.text.capitalize()}."


def cited(numbers: Iterable[str]) -> list[tuple[str, str, str]]:
    """(number, what is published, where) of guidance, in its own order, each once."""
    ordered = sorted(set(numbers), key=lambda number: int(number[1:]))
    return [(number, fact(number).fact, fact(number).source) for number in ordered]


def said_of(seal: SealResult, zone: str | None) -> str:
    """What was said of a jar's seal so far, by whom and when; empty where it was not judged."""

    def when(at: datetime) -> str:
        return figures.local_day(at, zone)

    if seal.disputed:
        return dispute(seal, when)
    return f"So far: {told(seal, when)}." if seal.entry is not None else ""


def moment_words(what: str, moment: Moment, zone: str | None) -> str:
    """When something happened, and which it was: marked by a person or seen in the record."""
    return f"{what} {seen_words(moment, zone)} ({moment.words})."


def seen_words(moment: Moment, zone: str | None) -> str:
    """From the likely minute to the latest, where these are two."""
    likely, latest = (figures.local_day(at, zone) for at in (moment.at, moment.late))
    if likely == latest:
        return likely
    (day, at), (last_day, last) = likely.rsplit(", ", 1), latest.rsplit(", ", 1)
    return f"{day}, {at} to {last}" if day == last_day else f"{likely} to {latest}"


def rest_words(heat_off: Moment, now: datetime, zone: str | None) -> str:
    """The rest that is suggested before the jars are lifted: for the seals' sake."""
    until = heat_off.at + REST
    if now < until:
        return f"Rest until {figures.local_time(until, zone)[:5]} with the canner's lid off, then lift (G42)."
    return "The 5 minutes of rest are over: lift the jars (G42)."


def seal_round_words(state: BatchState, now: datetime) -> str:
    """When the seals may be judged, in the site's time."""
    if state.seals_from is None:
        return "The seals are judged 12 to 24 hours after the jars were lifted."
    at = figures.local_day(state.seals_from, state.zone)
    if now < state.seals_from:
        left = figures.about((state.seals_from - now).total_seconds())
        return (
            f"The seals may be judged from {at}, {left} from now. An answer before then is provisional and is "
            "asked for again."
        )
    return f"The seals may be judged (since {at})."


def jar_cells(jar: JarState, zone: str | None, now: datetime) -> tuple[str, Sign, str, str, str]:
    """(number, seal, place with its date, why, what to do and by when, or when the time for it ended)."""
    place = jar.gone or jar.status.value.replace(" ", "\N{NO-BREAK SPACE}")
    if jar.use_by is not None and not jar.gone:
        place += f", use by {jar.use_by.isoformat()}"
    due = ""
    if jar.due is not None:
        due = f" {'By' if now <= jar.due else 'The time ended'} {figures.local_day(jar.due, zone)}."
    return str(jar.jar), SEALS[jar.seal.seal], place, jar.why, f"{jar.do}{due}".strip()


def kept_words(seal: SealResult) -> str:
    """What became of an answer that was just kept, and what a bulging lid asks for at once (G66, G67)."""
    do = f" Jar {seal.jar}: do not open it, do not taste; set it apart, and bag and bin it."
    return f"Jar {seal.jar}: {seal.seal.value} ({seal.why}).{do if seal.bulging else ''}"


def instants(day: date, clock: time, zone: str | None) -> list[datetime]:
    """The moments that a kitchen's clock showed this: two in the repeated autumn hour, none in the skipped one."""
    there = figures.zone(zone)
    found = []
    for fold in (0, 1):
        moment = datetime.combine(day, clock, tzinfo=there).replace(fold=fold)
        back = moment.astimezone(UTC).astimezone(there)
        if back.replace(tzinfo=None, fold=0) == moment.replace(tzinfo=None, fold=0):
            found.append(moment.astimezone(UTC))
    return sorted(set(found))
