"""The pantry: what is on the shelf or kept cold, how old, what to use first, and lost seals with siblings. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from monitor.jars.disposition import Basis, Status
from monitor.jars.labels import jar_code
from monitor.jars.rows import local_date
from monitor.jars.seals import Seal
from monitor.jars.state import BatchState, JarState

STORE_TEXT = "Cool, dark and dry, best 10 to 21 °C, never above 35 °C or by pipes, stoves or sun; rings off."
BEFORE_OPENING = (
    "Before opening, look: flat or bulging lid, streaks from the rim, rising bubbles, odd colour. On opening: "
    "spurting, off smell, mould. Any of these: do not taste, discard."
)
_KEPT = (Status.SHELF, Status.REFRIGERATE, Status.FROZEN)


@dataclass(frozen=True, slots=True)
class PantryRow:
    """Jars of one batch in one place."""

    run_id: str
    food: str
    jar_size: str
    place: Status
    jars: tuple[int, ...]
    codes: tuple[str, ...]
    processed_on: date
    age_days: int
    use_by: date | None
    days_left: int | None
    words: str
    #: Why jars that stood on the shelf list may not be used now, and what to do; empty for those that may.
    held_back: str = ""


@dataclass(frozen=True, slots=True)
class LostSeal:
    """A jar whose seal was lost or whose lid bulges, and its siblings still about."""

    run_id: str
    food: str
    jar: int
    do: str
    siblings: tuple[int, ...]
    #: Its lid bulges, which may be before any seal was.
    bulging: bool = False


def pantry(states: Iterable[BatchState], today: date) -> list[PantryRow]:
    """What is kept, to be used first on top: the nearest date, then the oldest."""
    rows = []
    for state in states:
        groups: dict[tuple[Status, date | None, str], list[JarState]] = {}
        for jar in state.jars:
            held = _held_back(jar)
            if held or (jar.status in _KEPT and not jar.gone and not jar.seal_lost):
                groups.setdefault((jar.status, jar.use_by, held), []).append(jar)
        rows += [_row(state, key, jars, today) for key, jars in groups.items()]
    return sorted(
        rows, key=lambda row: (bool(row.held_back), row.use_by or date.max, row.processed_on, row.run_id)
    )


def _held_back(jar: JarState) -> str:
    """Why a jar that may stand on the shelf is not to be used now; empty for any other."""
    waits = jar.status in (Status.WAITING, Status.ON_HOLD)
    if not (jar.was_shelved and waits) or jar.gone or jar.seal_lost or jar.child_run:
        return ""
    return f"{jar.why}. {jar.do}"


def _row(
    state: BatchState, key: tuple[Status, date | None, str], jars: list[JarState], today: date
) -> PantryRow:
    place, use_by, held_back = key
    signed = state.standing.basis in (Basis.OWN_TIMING, Basis.EVALUATED)
    return PantryRow(
        run_id=state.run_id,
        food=state.food,
        jar_size=state.jar_size,
        place=place,
        jars=tuple(jar.jar for jar in jars),
        codes=tuple(jar_code(state.run_id, jar.jar) for jar in jars),
        processed_on=state.processed_on,
        age_days=(today - state.processed_on).days,
        use_by=use_by,
        days_left=(use_by - today).days if use_by else None,
        words=state.standing.words if signed else "",
        held_back=held_back,
    )


def today_of(states: Iterable[BatchState], now: datetime) -> date:
    """The calendar day in the kitchen; UTC's where no batch names its zone."""
    return local_date(now, next((state.zone for state in states if state.zone), None))


def story(state: BatchState, jar: int) -> list[str]:
    """From a jar's code: where it is and why, its siblings, and the runs before and after it."""
    one = next((item for item in state.jars if item.jar == jar), None)
    if one is None:
        return [f"Run {state.run_id} has no jar {jar}."]
    where = one.gone or one.status.value
    until = f", use by {one.use_by.isoformat()}" if one.use_by and not one.gone else ""
    told = [
        f"{state.food}, jar {jar} of run {state.run_id}, processed {state.processed_on.isoformat()}.",
        f"{where.capitalize()}{until}: {one.why}. {one.do}",
    ]
    if state.parent_run:
        before = state.parent_jars[jar - 1] if jar <= len(state.parent_jars) else None
        told.append(
            f"It was reprocessed here; before that it was jar {before or '?'} of run {state.parent_run}."
        )
    if one.child_run and "It goes on in" not in one.do:
        told.append(f"It goes on in run {one.child_run} as jar {one.child_jar}.")
    others = "; ".join(f"{s.jar} {s.gone or s.status.value}" for s in state.jars if s.jar != jar)
    return [*told, f"The other jars of the batch: {others or 'none'}."]


def lost_seals(states: Iterable[BatchState]) -> list[LostSeal]:
    """Jars found with a lost seal or a bulging lid, until they are discarded; their batch is looked at as a whole.

    That such a jar was used ends nothing: others of its batch may be like it.
    """
    found = []
    for state in states:
        siblings = [jar.jar for jar in state.jars if _is_about(jar)]
        for jar in state.jars:
            if jar.seal_lost and jar.status is not Status.DISCARDED:
                closed = jar.seal.bulging and not jar.gone and jar.seal.seal is not Seal.OPENED
                do = "Do not open, do not taste; bag and bin it." if closed else jar.do
                bulges = jar.seal.bulging or jar.lost == "bulge"
                found.append(LostSeal(state.run_id, state.food, jar.jar, do, tuple(siblings), bulges))
    return found


def _is_about(jar: JarState) -> bool:
    """Whether a jar is still in the house, as far as anybody said; one not judged yet is."""
    left = jar.status in (Status.DISCARDED, Status.BROKEN) or jar.gone or jar.child_in
    return not left and not jar.seal_lost
