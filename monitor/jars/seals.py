"""The seal round: every jar alone, by press, sight, tap and lift. Pure.

A failing or a missing answer makes a jar unsealed (USDA Complete Guide to Home Canning, testing jar seals;
the lift test is common practice). Before 12 hours from lifting a result is provisional. A heard snap is a
hint, never the test.

An answer takes the place of another only if whoever gave it knew of that one: its ``seen`` is the newest entry about
the jar that was before them. Of answers given past each other the worst counts, until somebody who has seen them all
judges the jar again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from monitor.errors import UsageError
from monitor.jars.answers import counted, has_read, that_stand
from monitor.jars.rows import Row, all_rows
from monitor.judge.salvage import SEAL_CHECK_AFTER_S

FINAL_AFTER = timedelta(seconds=SEAL_CHECK_AFTER_S)

#: Question, and its answers: the first one passes.
QUESTIONS: dict[str, tuple[str, ...]] = {
    "press": ("firm", "springs"),
    "sight": ("dished", "flat", "bulging"),
    "tap": ("ring", "dull"),
    "lift": ("holds", "gives"),
}
ASK = {
    "press": "Press the middle of the lid: does it stay firm, or spring back?",
    "sight": "Look across the lid at eye level: dished in the middle, flat, or bulging?",
    "tap": "Tap the lid with a teaspoon: a clear ring, or a dull note?",
    "lift": "Ring off, lift the jar a little by the lid's edge over the towel: does the lid hold, or give?",
}


class Seal(StrEnum):
    """What is known of one jar's seal."""

    NOT_JUDGED = "not judged"
    SEALED_EARLY = "sealed, provisional"
    UNSEALED_EARLY = "unsealed, provisional"
    SEALED = "sealed"
    UNSEALED = "unsealed"
    BROKEN = "broken"
    OPENED = "opened for test"


#: Asked for again by its nature: given before 12 hours.
EARLY = (Seal.SEALED_EARLY, Seal.UNSEALED_EARLY)
#: The worse, the higher; answers of one rank agree.
_RANK = {Seal.BROKEN: 4, Seal.UNSEALED: 2, Seal.UNSEALED_EARLY: 2, Seal.OPENED: 1}


@dataclass(frozen=True, slots=True)
class SealResult:
    """The answer that counts for one jar, with its reasons. ``bulging`` asks for more than being unsealed.

    ``seen`` is the newest entry about the jar that its author had before them, None where that was not kept;
    ``against`` are the answers that say otherwise and that it does not take the place of. Of a jar opened for a test,
    ``closed`` is what counted of its seal until then.
    """

    jar: int
    seal: Seal
    why: str
    at: datetime | None = None
    by: str | None = None
    bulging: bool = False
    entry: int | None = None
    seen: int | None = None
    against: tuple[SealResult, ...] = ()
    closed: Seal = Seal.NOT_JUDGED

    @property
    def rank(self) -> int:
        """How bad it is."""
        return 3 if self.bulging else _RANK.get(self.seal, 0)

    @property
    def disputed(self) -> bool:
        """Whether it waits for somebody who has seen all that was said."""
        return bool(self.against)

    @property
    def answers(self) -> list[SealResult]:
        """This one and those against it, in the order in which they were given."""
        return sorted((self, *self.against), key=lambda one: one.entry or 0)


def check_answers(body: Mapping[str, Any]) -> None:
    """Refuse an answer that is none of the question's. Missing ones are allowed: they count as unsealed.

    Raises
    ------
    UsageError
        A jar that is no number, or an answer that the question does not have.
    """
    jar = body.get("jar")
    if not isinstance(jar, int) or isinstance(jar, bool) or jar < 1:
        raise UsageError(f"jar {jar!r} is no jar number.", "Jars are numbered from 1.")
    for question, answers in QUESTIONS.items():
        given = body.get(question)
        if given is not None and given not in answers:
            raise UsageError(f"{given!r} is no answer to '{question}'.", f"Use one of: {', '.join(answers)}.")


def judge_seal(row: Row, lifted: datetime | None) -> SealResult:
    """One ``jar_seal`` entry, judged; ``lifted`` None counts as too early to tell."""
    body, jar = row.body, int(row.body["jar"])
    seen = body.get("seen")
    given = SealResult(
        jar,
        Seal.BROKEN,
        "the jar is broken",
        row.at,
        row.by,
        entry=row.id,
        seen=seen if isinstance(seen, int) and not isinstance(seen, bool) else None,
    )
    if body.get("broken") is True:
        return given
    if body.get("opened") is True:
        return replace(given, seal=Seal.OPENED, why="opened for a test")
    failing = [f"{q}: {body.get(q) or 'not answered'}" for q, a in QUESTIONS.items() if body.get(q) != a[0]]
    early = lifted is None or row.at < lifted + FINAL_AFTER
    if failing:
        seal = Seal.UNSEALED_EARLY if early else Seal.UNSEALED
    else:
        seal = Seal.SEALED_EARLY if early else Seal.SEALED
    why = "; ".join(failing) if failing else "firm, dished, rings, holds"
    if "tap: dull" in failing and len(failing) == 1:
        why += " (food that touches the lid also dulls it: look again; as answered it counts as unsealed)"
    return replace(given, seal=seal, why=why, bulging=body.get("sight") == "bulging")


def seal_results(rows: Iterable[Row], jars: Iterable[int], lifted: datetime | None) -> dict[int, SealResult]:
    """What counts for every jar; one never judged stays so."""
    said: dict[int, list[SealResult]] = {jar: [] for jar in jars}
    for given in _given(rows, said, lifted):
        earlier = said[given.jar]
        if given.seal is Seal.OPENED:
            given = _opened(given, _counted(given.jar, that_stand(earlier, _takes_the_place)))
        earlier.append(given)
    return {jar: _counted(jar, that_stand(found, _takes_the_place)) for jar, found in said.items()}


def _opened(given: SealResult, before: SealResult) -> SealResult:
    """That a jar was opened makes it no better than it was found when it was closed."""
    closed = before.closed if before.seal is Seal.OPENED else before.seal
    return replace(given, closed=closed, bulging=before.bulging)


def _given(rows: Iterable[Row], jars: Iterable[int], lifted: datetime | None) -> Iterator[SealResult]:
    """Every answer about these jars, in order."""
    wanted = set(jars)
    for row in rows:
        if row.kind == "jars_lifted_count":
            for jar in sorted(wanted.intersection(row.body.get("broken") or ())):
                yield SealResult(jar, Seal.BROKEN, "broken in the canner", row.at, row.by, entry=row.id)
        if row.kind == "jar_seal" and row.body.get("jar") in wanted:
            yield judge_seal(row, lifted)


def _takes_the_place(new: SealResult, old: SealResult) -> bool:
    """Whether an answer was given in the knowledge of an earlier one.

    Where nobody kept what was seen: of an own answer, and of one before 12 hours, which is asked for again; broken
    glass stays broken.
    """
    if (read := has_read(new, old)) is not None:
        return read
    if old.seal is Seal.BROKEN:
        return False
    return (old.by is not None and old.by == new.by) or (_early(old) and not _early(new))


def _early(one: SealResult) -> bool:
    return one.seal in EARLY and not one.bulging


def _counted(jar: int, standing: Sequence[SealResult]) -> SealResult:
    """The worst of what stands, the newest of answers that agree."""
    if not standing:
        return SealResult(jar, Seal.NOT_JUDGED, "not judged yet")
    worst, against = counted(standing)
    return replace(worst, against=against)


def newest_answer(entries: Iterable[Any], jar: int) -> int:
    """The number of the newest entry about a jar's seal, taken back or not; 0 where there is none."""
    found = (row.id for row in all_rows(entries) if any(_given([row], [jar], None)))
    return max(found, default=0)


def contradicted(
    rows: Iterable[Row], results: Mapping[int, SealResult], lifted: datetime | None
) -> list[list[SealResult]]:
    """For each jar of which two people said different things, all that was said of it, corrected or not, settled or
    not. An answer before 12 hours is asked for again: it contradicts none."""
    said: dict[int, list[SealResult]] = {jar: [] for jar in results}
    for given in _given(rows, results, lifted):
        said[given.jar].append(given)
    return [found for jar, found in said.items() if results[jar].disputed or _differ(found)]


def _differ(found: Sequence[SealResult]) -> bool:
    final = [one for one in found if not _early(one)]
    people = {one.by for one in final}
    return len({one.rank for one in final}) > 1 and (len(people) > 1 or None in people)


def told(one: SealResult, when: Callable[[datetime], str]) -> str:
    """An answer with who gave it and when: ``Bert, 14:05: unsealed (press: springs)``."""
    at = f", {when(one.at)}" if one.at is not None else ""
    return f"{one.by or 'Somebody'}{at}: {one.seal.value} ({one.why})"


def dispute(one: SealResult, when: Callable[[datetime], str]) -> str:
    """What was said of a jar by people who did not know of each other's answers, and what counts until then."""
    said = ". ".join(told(answer, when) for answer in one.answers)
    people = {answer.by for answer in one.answers}
    how = f"Jar {one.jar} was judged differently by people who did not see each other's answers"
    if len(people) == 1 and None not in people:
        how = f"Of jar {one.jar} one person said different things"
    return f"{how}. {said}. The worse counts until somebody who has read both judges the jar again."


@dataclass(frozen=True, slots=True)
class Sums:
    """Jars in against jars accounted for. ``problem`` is empty when they agree to the jar.

    ``placed``: those of the jars not judged that have a place or are gone all the same.
    """

    loaded: int | None
    sealed: int
    unsealed: int
    broken: int
    opened: int
    not_judged: int
    problem: str
    placed: int = 0


def sums(
    loaded: int | None,
    results: Mapping[int, SealResult],
    lifted_out: int | None,
    settled: Collection[int] = (),
) -> Sums:
    """Loaded = sealed + unsealed + broken + opened; and in = out + broken when the jars out were counted.

    ``settled``: jars that have a place or are gone, whose seal nobody needs to judge any more.
    """
    count = {seal: sum(1 for r in results.values() if r.seal is seal) for seal in Seal}
    sealed = count[Seal.SEALED] + count[Seal.SEALED_EARLY]
    unsealed = count[Seal.UNSEALED] + count[Seal.UNSEALED_EARLY]
    broken, opened = count[Seal.BROKEN], count[Seal.OPENED]
    placed = sum(1 for jar, r in results.items() if r.seal is Seal.NOT_JUDGED and jar in settled)
    waiting = count[Seal.NOT_JUDGED] - placed
    problem = ""
    if loaded is None:
        problem = "the number of jars that went in is not recorded"
    elif lifted_out is not None and lifted_out + broken != loaded:
        missing = _difference(loaded - lifted_out - broken)
        problem = f"{loaded} jars went in; {lifted_out} came out and {broken} broke: {missing}"
    elif waiting:
        problem = f"{waiting} of {loaded} jars have not been judged"
    elif sealed + unsealed + broken + opened + placed != loaded:
        missing = _difference(loaded - sealed - unsealed - broken - opened - placed)
        counted = f"{sealed} sealed, {unsealed} unsealed, {broken} broken, {opened} opened"
        problem = f"{loaded} jars went in; {counted}: {missing}"
    return Sums(loaded, sealed, unsealed, broken, opened, waiting, problem, placed)


def _difference(missing: int) -> str:
    return f"{missing} unaccounted for" if missing > 0 else f"{-missing} too many"
