"""What is known of a batch after the heat is off, as plain data for pages, command line and labels."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from monitor.jars.deviations import Deviation
from monitor.jars.disposition import Basis, Status
from monitor.jars.review import Item, Signature
from monitor.jars.rows import local_time
from monitor.jars.seals import EARLY, Seal, SealResult, Sums
from monitor.jars.signed import Standing
from monitor.jars.times import Moment
from monitor.tables.guidance import fact

#: What stands in place of the verdict's advice once :attr:`BatchState.all_placed`.
NOTHING_LEFT = "Nothing is left to do: every jar of this batch has its place."


@dataclass(frozen=True, slots=True)
class Clock:
    """A deadline, why it runs, and where that is published."""

    name: str
    deadline: datetime
    text: str
    guidance: tuple[str, ...]

    def left_s(self, now: datetime) -> float:
        """Seconds left; negative once it has passed. [s]"""
        return (self.deadline - now).total_seconds()


@dataclass(frozen=True, slots=True)
class JarState:
    """One jar: where it is, why, what to do, by when."""

    jar: int
    status: Status
    seal: SealResult
    choices: tuple[Status, ...]
    why: str
    do: str
    guidance: tuple[str, ...]
    due: datetime | None
    use_by: date | None
    placed_by: str | None
    #: The run that reprocesses it, whether that is over or not; for a jar that was placed elsewhere since, too.
    child_run: str | None
    found: str
    #: Its number there, and whether that gives it a place: the run is not over, or the jar was placed in it.
    child_jar: int | None = None
    child_placed: bool = False
    #: The entry that placed it, whoever would take that back.
    placed_entry: int | None = None
    #: How its lid was found bad on the shelf, ``lost_seal`` or ``bulge``, whatever was said of the jar since; or empty.
    lost: str = ""
    #: The newest entry about that: whoever says otherwise has read up to it.
    lost_entry: int = 0
    #: Its jars went in there, and in time: from then on that run tells where it is.
    child_in: bool = False
    #: It stood on the shelf list when the review was signed, whatever has lapsed since.
    was_shelved: bool = False

    @property
    def gone(self) -> str:
        """``used`` or ``given`` once it has left the house's keeping; else empty."""
        return self.found if self.found in ("used", "given") else ""

    @property
    def seal_lost(self) -> bool:
        """Its seal was found lost, or its lid bulging, whenever that was."""
        return self.seal.bulging or bool(self.lost)

    def sources(self) -> list[str]:
        """Guidance by number and source, one line each."""
        return [f"{number}: {fact(number).source}" for number in self.guidance]


@dataclass(frozen=True, slots=True)
class BatchState:
    """A batch after the heat is off."""

    run_id: str
    zone: str | None
    food: str
    pack: str
    jar_size: str
    #: The lot code of the load, empty where its record has none.
    lot: str
    #: What must be said beside its time wherever that is used, empty where it was read in the printed guide.
    time_caveat: str
    processed_on: date
    standing: Standing
    jars: tuple[JarState, ...]
    clocks: tuple[Clock, ...]
    sums: Sums
    deviations: tuple[Deviation, ...]
    review_items: tuple[Item, ...]
    review: Signature | None
    review_due: datetime | None
    content: str
    heat_off: Moment | None
    lifting: Moment | None
    rest_note: str
    lifted: datetime | None
    seals_from: datetime | None
    two_hours: datetime | None
    day: datetime | None
    parent_run: str | None
    #: Their numbers in the run that this one reprocesses, in order.
    parent_jars: tuple[int, ...]
    refused: tuple[str, ...]
    #: Until when an own timing may be signed.
    sign_by: datetime | None = None
    #: Of a run that reprocesses: what stands before its verdict's advice; empty where its jars went in in time.
    window_words: str = ""

    def before(self, jars: Iterable[int]) -> list[int]:
        """The numbers that these jars had in the run that this one reprocesses; none where it reprocesses none."""
        return [self.parent_jars[jar - 1] for jar in jars if 0 < jar <= len(self.parent_jars)]

    def to_judge(self) -> list[int]:
        """The jars without a final answer or with two that differ, but for those that have a place already."""
        early = (Seal.NOT_JUDGED, *EARLY)
        settled = (Status.REFRIGERATE, Status.FROZEN, Status.DISCARDED, Status.BROKEN, Status.REPROCESS)
        asked = [j for j in self.jars if j.seal.seal in early or j.seal.disputed]
        return [j.jar for j in asked if j.status not in settled and not j.child_run]

    def disputed(self) -> list[JarState]:
        """Jars of which people who did not know of each other's answers said different things."""
        return [j for j in self.jars if j.seal.disputed]

    def next_jar(self) -> int | None:
        """The jar that the seal round asks for next; None when done."""
        return next(iter(self.to_judge()), None)

    def undecided(self) -> list[JarState]:
        """Jars that need a person's choice now."""
        held = self.held_by_deviation()
        return [j for j in self.jars if j.status is Status.ON_HOLD and not j.gone and j not in held]

    def held_by_deviation(self) -> list[JarState]:
        """Jars that ask for no choice: well processed and sealed, they wait until a deviation is closed."""
        if self.standing.basis in (Basis.OPEN, Basis.FAILED):
            return []
        still = {number for one in self.deviations if one.is_open for number in one.jars}
        waiting = [j for j in self.jars if j.status is Status.ON_HOLD and j.seal.seal is Seal.SEALED]
        waiting = [j for j in waiting if not j.child_run]
        return [j for j in waiting if j.jar in still and not j.placed_by and not j.seal_lost]

    def settled(self) -> frozenset[str]:
        """What the alarms need not ask for any more: ``seals_judged``, ``jars_decided``."""
        words = set()
        if self.jars and self.next_jar() is None:
            words.add("seals_judged")
        moving = (Status.WAITING, Status.ON_HOLD)
        # Until they are in, the clock of this run goes on for jars that are to go on in another.
        queued = any(jar.status is Status.REPROCESS and not jar.child_in for jar in self.jars)
        if self.jars and not queued and not any(jar.status in moving and not jar.gone for jar in self.jars):
            words.add("jars_decided")
        return frozenset(words)

    @property
    def all_placed(self) -> bool:
        """Each jar has its place, so what the verdict advised was done, or is too late.

        A jar that went on in another run has one while that is on with its jars in, and once it was placed there:
        where they are still to go in, where that run is over without it or was not told of, something may be left.
        """
        elsewhere = all(jar.child_placed for jar in self.jars if jar.status is Status.REPROCESS)
        return "jars_decided" in self.settled() and elsewhere

    @property
    def instead_of_advice(self) -> str:
        """What is told in place of the verdict's advice, which knows neither of places nor of the run before."""
        if self.all_placed:
            return NOTHING_LEFT
        if self.window_words:
            do = next((jar.do for jar in self.jars), "")
            return f"{self.window_words[0].upper()}{self.window_words[1:]}. {do}".strip()
        shorter = self.two_hours is not None and self.sign_by is not None and self.two_hours < self.sign_by
        if shorter and self.two_hours is not None and self.undecided():
            until, do = local_time(self.two_hours, self.zone), self.undecided()[0].do
            return f"What was left of the time of run {self.parent_run} counts, until {until}. {do}"
        return ""

    def cited(self) -> list[str]:
        """The numbers of all guidance behind these jars and clocks, in order."""
        numbers = {n for jar in self.jars for n in jar.guidance} | {
            n for c in self.clocks for n in c.guidance
        }
        return sorted(numbers, key=lambda number: int(number[1:]))
