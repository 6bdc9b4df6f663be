"""What the verb ``jars`` prints."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from monitor.cli._output import in_one_line
from monitor.jars import Basis, BatchState, JarState, Status, lost_seals, pantry, rest_words
from monitor.jars.alike import alike
from monitor.jars.pantry import BEFORE_OPENING, STORE_TEXT, PantryRow, story, today_of
from monitor.jars.rest import Rest
from monitor.jars.rows import local_time
from monitor.jars.seals import SealResult, dispute, told
from monitor.jars.times import Moment
from monitor.record.model import Run
from monitor.record.taken_in import TakenIn
from monitor.tables.guidance import fact

WIDTH = 92


def status(state: BatchState, now: datetime, came: TakenIn | None = None, clock_doubt: str = "") -> str:
    """Where each jar is, why, and by when; what is published about it.

    ``came``: how the record came from elsewhere. ``clock_doubt``: why its times of day are to be doubted.
    """
    lines: list[str | None] = [
        in_one_line(
            f"{state.run_id}: {state.food}, processed {state.processed_on.isoformat()}; {state.standing.words}."
        ),
        fold(came.words, "") if came is not None else None,
        fold(f"! {clock_doubt}", "") if clock_doubt else None,
        _lifting(state, now),
    ]
    for clock in state.clocks:
        left = _left(clock.left_s(now))
        until, cited = local_time(clock.deadline, state.zone), ", ".join(clock.guidance)
        lines.append(fold(f"CLOCK  {left} ({until}): {clock.text} ({cited}).", ""))
    lines.append("")
    lines += _jars(state, now)
    lines += _rest(state)
    lines += ["", "Published guidance:"]
    lines += [
        fold(f"{number}  {fact(number).fact} [{fact(number).source}]", "    ") for number in state.cited()
    ]
    return "\n".join(line for line in lines if line is not None)


def _lifting(state: BatchState, now: datetime) -> str:
    lines = []
    if state.heat_off is not None:
        lines.append(f"Heat off {local_time(state.heat_off.at, state.zone)} ({state.heat_off.words}).")
    if state.lifting is None or state.seals_from is None:
        lines.append(
            "The lifting is not marked: 'jars RUN lifted --out N'. Rest 5 minutes with the lid off before it."
        )
        return fold(" ".join(lines), "")
    lines.append(f"Lifted {local_time(state.lifting.at, state.zone)} ({state.lifting.words}).")
    if state.rest_note:
        lines.append(f"{state.rest_note[0].upper()}{state.rest_note[1:]}.")
    if _no_seals_asked(state):
        # Good or bad, they all go the same way, and by a clock that does not wait for the seals.
        return fold(" ".join(lines), "")
    if now < state.seals_from:
        lines.append(
            f"Leave the jars alone; the seals may be judged from {local_time(state.seals_from, state.zone)}. "
            "Do not retighten, cover or fan them."
        )
    else:
        following = state.next_jar()
        lines.append(
            f"The seals may be judged; next: jar {following}." if following else "Every seal is judged."
        )
    return fold(" ".join(lines), "")


def _no_seals_asked(state: BatchState) -> bool:
    """Of jars whose hold failed, or that came too late into it, nobody asks for the seals."""
    return state.standing.basis is Basis.FAILED or bool(state.window_words)


def numbered(numbers: Sequence[int]) -> str:
    return f"{'jar' if len(numbers) == 1 else 'jars'} {', '.join(map(str, numbers))}"


def _jars(state: BatchState, now: datetime) -> list[str]:
    """One paragraph for jars that stand alike; of a reprocessing also which jars they were before."""

    def was(numbers: Sequence[int]) -> str:
        before = state.before(numbers)
        return f" ({', '.join(map(str, before))} of {state.parent_run})" if before else ""

    lines = []
    for group in alike(state.jars):
        what, do = _jar(group.shown, now)
        numbers = group.numbers
        lines += [textwrap.fill(f"{numbered(numbers)}{was(numbers)}  {what}", WIDTH), fold(do, "    ")]
    return lines


def _jar(jar: JarState, now: datetime) -> tuple[str, str]:
    due = f", {_left((jar.due - now).total_seconds())}" if jar.due else ""
    until = f", use by {jar.use_by.isoformat()}" if jar.use_by else ""
    gone = f" ({jar.gone})" if jar.gone else ""
    what = f"{jar.status.value.upper()}{gone}{until}{due}: {jar.why}. Seal: {jar.seal.seal.value}."
    offered = ", ".join(status.value for status in jar.choices)
    return what, jar.do + (f" Offered: {offered}." if offered else "")


def so_far(state: BatchState, jar: int) -> str:
    """What was said of a jar's seal, before it is judged again."""
    result = next(one.seal for one in state.jars if one.jar == jar)
    if result.entry is None:
        return f"jar {jar} has not been judged."
    return fold(". ".join(_said(state, one) for one in result.answers) + ".", "")


def disputed(state: BatchState, result: SealResult) -> str:
    """Two answers for one jar, and how it is settled."""
    newest = max(one.entry or 0 for one in result.answers)
    text = dispute(result, lambda at: local_time(at, state.zone))
    settle = f"'jars {state.run_id} seal {result.jar} ... --seen {newest}'"
    return fold(f"{text} Look at it again, then {settle}.", "")


def _said(state: BatchState, one: SealResult) -> str:
    return f"entry {one.entry}, {told(one, lambda at: local_time(at, state.zone))}"


def _rest(state: BatchState) -> list[str]:
    lines = [disputed(state, jar.seal) for jar in state.disputed()]
    if state.sums.problem and not (_no_seals_asked(state) and state.sums.not_judged):
        lines.append(f"Jars: {state.sums.problem}.")
    for one in state.deviations:
        word = f"closed by {one.closed_by}: {one.cause}; {one.action}" if one.closed_by else "OPEN"
        low = f"; lowest {one.lowest_C:.2f} °C" if one.lowest_C is not None else ""
        touched = f"; {numbered(one.jars)}" if one.jars else ""
        found = f"found {one.how_found}{low}{touched}"
        lines.append(fold(f"{one.number} {word} (key {one.key}): {one.what} ({found})", "    "))
    lines += [fold(f"refused: {text}", "    ") for text in state.refused]
    if state.review is None:
        lines.append("The review is not signed.")
    else:
        word = "valid" if state.review.valid else f"lapsed: {state.review.lapsed}"
        own = ", by the person who ran the batch" if state.review.self_review else ""
        lines.append(f"Review signed by {state.review.by}{own}: {word}.")
    return lines


def _left(seconds_s: float) -> str:
    minutes = abs(int(seconds_s)) // 60
    text = f"{minutes // 60} h {minutes % 60:02d} min" if minutes < 2880 else days(minutes // 1440)
    return f"{text} left" if seconds_s >= 0 else f"closed {text} ago"


def days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"


def fold(text: str, indent: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


def review(state: BatchState) -> str:
    """The check list with its evidence."""
    marks = {True: "holds  ", False: "LOOK   ", None: "n/a    "}
    lines = [f"{marks[item.ok]}{item.key:<12} {item.title}: {item.evidence}" for item in state.review_items]
    lines.append("Sign with: jars RUN review --sign --by NAME [--note LINE=REASON for each LOOK]")
    return "\n".join(lines)


def found(state: BatchState, jar: int) -> str:
    """One jar by its code."""
    return "\n".join(fold(line, "") for line in story(state, jar))


def _moment_json(moment: Moment | None) -> dict[str, Any] | None:
    return None if moment is None else {"at": moment.at.isoformat(), "how": moment.words}


def state_json(state: BatchState, now: datetime) -> dict[str, Any]:
    """The state as plain data."""
    return {
        "run_id": state.run_id,
        "standing": {"basis": state.standing.basis.value, "words": state.standing.words},
        "heat_off": _moment_json(state.heat_off),
        "lifted": _moment_json(state.lifting),
        "seals_from": state.seals_from.isoformat() if state.seals_from else None,
        "clocks": [
            {
                "name": c.name,
                "deadline": c.deadline.isoformat(),
                "left_s": c.left_s(now),
                "guidance": list(c.guidance),
            }
            for c in state.clocks
        ],
        "jars": [
            {
                "jar": j.jar,
                "status": j.status.value,
                "seal": j.seal.seal.value,
                "disputed": j.seal.disputed,
                "why": j.why,
                "do": j.do,
                "choices": [choice.value for choice in j.choices],
                "due": j.due.isoformat() if j.due else None,
                "found_bad": j.lost or None,
                "gone": j.gone or None,
                "use_by": j.use_by.isoformat() if j.use_by else None,
                "guidance": list(j.guidance),
                "goes_on_in": {"run": j.child_run, "jar": j.child_jar} if j.child_run else None,
                "was": {"run": state.parent_run, "jar": was[0]} if (was := state.before([j.jar])) else None,
            }
            for j in state.jars
        ],
        "sums_problem": state.sums.problem,
        "deviations": [
            {"number": d.number, "key": d.key, "what": d.what, "how_found": d.how_found, "open": d.is_open}
            for d in state.deviations
        ],
        "review": None if state.review is None else {"by": state.review.by, "valid": state.review.valid},
        "refused": list(state.refused),
    }


def pantry_words(states: Sequence[BatchState], now: datetime) -> str:
    """What is kept, what to use first, and lost seals with their siblings."""
    rows = pantry(states, today_of(states, now))
    kept = [row for row in rows if not row.held_back]
    lines = ["USE FIRST"] if kept else ["Nothing is on the shelf or kept cold."]
    for row in kept:
        left = _date_words(row)
        jars = numbered(row.jars)
        words = f"; {row.words}" if row.words else ""
        where = f"{row.food}, {row.place.value}: {left}; {days(row.age_days)} old"
        lines.append(fold(f"{where}; {row.run_id} {jars}{words}", "    "))
    held = [row for row in rows if row.held_back]
    lines += ["HELD BACK, not to be used now"] if held else []
    for row in held:
        lines.append(fold(f"{row.food}; {row.run_id} {numbered(row.jars)}: {row.held_back}", "    "))
    for lost in lost_seals(states):
        siblings = ", ".join(map(str, lost.siblings)) or "none left"
        head = "LOST SEAL, LID BULGES" if lost.bulging else "LOST SEAL"
        told = f"{head} {lost.run_id} jar {lost.jar}: {lost.do} Other jars of the batch: {siblings}."
        lines.append(fold(told, "    "))
    return "\n".join([*lines, "", fold(STORE_TEXT, ""), fold(BEFORE_OPENING, "")])


def _date_words(row: PantryRow) -> str:
    if row.use_by is None or row.days_left is None:
        return "no date"
    if row.days_left >= 0:
        return f"use by {row.use_by.isoformat()}, {days(row.days_left)}"
    past = f"PAST its date of {row.use_by.isoformat()} by {days(-row.days_left)}"
    return past if row.place is Status.SHELF else f"{past}: discard, do not taste"


def cooling(run: Run, rest: Rest) -> str:
    """Each jar probe's course and forecast, the vacuum to expect, and the lids that were heard."""
    return "\n".join(rest_words.lines(run, rest, lambda text: fold(text, "    ")))
