"""The seal round: every jar alone, by press, sight, tap and lift. Pure.

A failing or a missing answer makes a jar unsealed (USDA Complete Guide to Home Canning, testing jar seals;
the lift test is common practice). Before 12 hours from lifting a result is provisional. A heard snap is a
hint, never the test.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from monitor.errors import UsageError
from monitor.jars.rows import Row
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


@dataclass(frozen=True, slots=True)
class SealResult:
    """The last answer for one jar, with its reasons. ``bulging`` asks for more than being unsealed."""

    jar: int
    seal: Seal
    why: str
    at: datetime | None = None
    by: str | None = None
    bulging: bool = False
    entry: int | None = None


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
    result = SealResult(jar, Seal.BROKEN, "the jar is broken", row.at, row.by, entry=row.id)
    if body.get("broken") is True:
        return result
    if body.get("opened") is True:
        return SealResult(jar, Seal.OPENED, "opened for a test", row.at, row.by, entry=row.id)
    failing = [f"{q}: {body.get(q) or 'not answered'}" for q, a in QUESTIONS.items() if body.get(q) != a[0]]
    early = lifted is None or row.at < lifted + FINAL_AFTER
    if failing:
        seal = Seal.UNSEALED_EARLY if early else Seal.UNSEALED
    else:
        seal = Seal.SEALED_EARLY if early else Seal.SEALED
    why = "; ".join(failing) if failing else "firm, dished, rings, holds"
    if "tap: dull" in failing and len(failing) == 1:
        why += " (food that touches the lid also dulls it: look again; as answered it counts as unsealed)"
    return SealResult(jar, seal, why, row.at, row.by, body.get("sight") == "bulging", row.id)


def seal_results(rows: Iterable[Row], jars: Iterable[int], lifted: datetime | None) -> dict[int, SealResult]:
    """The last result of every jar; one never judged stays so."""
    results = {jar: SealResult(jar, Seal.NOT_JUDGED, "not judged yet") for jar in jars}
    for row in rows:
        if row.kind == "jars_lifted_count":
            for jar in row.body.get("broken") or ():
                if jar in results:
                    results[jar] = SealResult(jar, Seal.BROKEN, "broken in the canner", row.at, row.by)
        if row.kind == "jar_seal" and row.body.get("jar") in results:
            found = judge_seal(row, lifted)
            if results[found.jar].seal is not Seal.BROKEN:
                results[found.jar] = found
    return results


@dataclass(frozen=True, slots=True)
class Sums:
    """Jars in against jars accounted for. ``problem`` is empty when they agree to the jar."""

    loaded: int | None
    sealed: int
    unsealed: int
    broken: int
    opened: int
    not_judged: int
    problem: str


def sums(loaded: int | None, results: Mapping[int, SealResult], lifted_out: int | None) -> Sums:
    """Loaded = sealed + unsealed + broken + opened; and in = out + broken when the jars out were counted."""
    count = {seal: sum(1 for r in results.values() if r.seal is seal) for seal in Seal}
    sealed = count[Seal.SEALED] + count[Seal.SEALED_EARLY]
    unsealed = count[Seal.UNSEALED] + count[Seal.UNSEALED_EARLY]
    broken, opened, waiting = count[Seal.BROKEN], count[Seal.OPENED], count[Seal.NOT_JUDGED]
    problem = ""
    if loaded is None:
        problem = "the number of jars that went in is not recorded"
    elif lifted_out is not None and lifted_out + broken != loaded:
        missing = _difference(loaded - lifted_out - broken)
        problem = f"{loaded} jars went in; {lifted_out} came out and {broken} broke: {missing}"
    elif waiting:
        problem = f"{waiting} of {loaded} jars have not been judged"
    elif sealed + unsealed + broken + opened != loaded:
        missing = _difference(loaded - sealed - unsealed - broken - opened)
        counted = f"{sealed} sealed, {unsealed} unsealed, {broken} broken, {opened} opened"
        problem = f"{loaded} jars went in; {counted}: {missing}"
    return Sums(loaded, sealed, unsealed, broken, opened, waiting, problem)


def _difference(missing: int) -> str:
    return f"{missing} unaccounted for" if missing > 0 else f"{-missing} too many"
