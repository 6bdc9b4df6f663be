"""The proof's tables of what came after the hold: jars, deviations, alarms, the log of entries, the review."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from itertools import groupby
from typing import Any

from monitor.jars import BatchState, JarState
from monitor.jars.alike import alike
from monitor.jars.revisions import Revision
from monitor.jars.rows import local_date
from monitor.proof.facts import table
from monitor.proof.figures import clock, day_time, esc, stamp
from monitor.proof.log import Line
from monitor.record import Run
from monitor.store import retention


def corrections(run: Run, found: Sequence[Revision]) -> str:
    """What corrections of the header made of the verdict, each with the one before it."""
    if not found:
        return ""
    items = "".join(f"<li>{esc(one.sentences(lambda at: day_time(run, at)))}</li>" for one in found)
    title = "Corrected after the jars were in: the verdict before and after"
    return f'<section class="block list"><h2>{title}</h2><ul>{items}</ul></section>'


def jar_table(run: Run, state: BatchState) -> str:
    """Jars that stand alike in one row, each named."""
    rows = []
    for same in _rows(state.jars):
        (group,) = alike(same)
        jar = group.shown
        rows.append(
            (
                _range(group.numbers),
                f"{jar.seal.seal.value}: {jar.seal.why}",
                _judged(run, same),
                jar.status.value + (f", use by {jar.use_by}" if jar.use_by else ""),
                _why(jar),
            )
        )
    sums = state.sums
    told = sums.problem or (
        f"{sums.loaded} in = {sums.sealed} sealed + {sums.unsealed} unsealed + {sums.broken} broken + "
        f"{sums.opened} opened"
    )
    html = table(
        "Jars, seals, dispositions",
        ("Jar", "Seal, as a person judged it", "By, when", "Disposition", "Why"),
        rows,
        none="The record does not say how many jars went in.",
        kind="jars",
    )
    note = f"Process: {state.standing.words}. Sums: {told}."
    return html.replace("</section>", f'<p class="note">{esc(note)}</p></section>')


def _rows(jars: Sequence[JarState]) -> list[list[JarState]]:
    """Jars that follow each other and stand alike: the table goes through them in order."""
    groups = alike(jars, lambda jar: (jar.seal.why, jar.seal.by))
    row_of = {number: at for at, group in enumerate(groups) for number in group.numbers}
    return [list(same) for _, same in groupby(jars, key=lambda jar: row_of[jar.jar])]


def _range(numbers: Sequence[int]) -> str:
    return str(numbers[0]) if len(numbers) == 1 else f"{numbers[0]}–{numbers[-1]}"


def _judged(run: Run, jars: Sequence[JarState]) -> str:
    times = sorted(jar.seal.at for jar in jars if jar.seal.at is not None)
    if not times:
        return "–"
    who = jars[0].seal.by or "name not given"
    return f"{who}, {day_time(run, times[-1])}"


def _why(jar: JarState) -> str:
    return f"{jar.why}; goes on in run {jar.child_run}" if jar.child_run else jar.why


def deviation_table(run: Run, state: BatchState) -> str:
    """Every departure, with who closed it."""
    rows = []
    for one in state.deviations:
        times = "" if one.start_s is None else f"{clock(run, one.start_s)}"
        if one.end_s is not None and one.start_s is not None:
            times += f" to {clock(run, one.end_s, late=True)}"
        lowest = "" if one.lowest_C is None else f"; lowest reading {one.lowest_C:.2f} °C"
        closed = f"closed by {one.closed_by}: {one.cause}; {one.action}" if one.closed_by else "OPEN"
        rows.append(
            (
                one.number.removeprefix(f"{run.run_id}-"),
                times or "–",
                (one.what.rstrip(".") if lowest else one.what) + lowest,
                closed,
            )
        )
    return table(
        "Deviations",
        ("No.", "When", "What", "Closed"),
        rows,
        none="None was found or noted.",
        kind="deviations",
    )


def alarm_table(run: Run, rows: Sequence[Mapping[str, Any]]) -> str:
    """The alarm journal: every change of state of every alarm, one alarm an item."""
    by_alarm: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        by_alarm.setdefault(str(row["alarm_id"]), []).append(row)
    if not by_alarm:
        return '<p class="none"><b>Alarms.</b> No alarm is in the record.</p>'
    items = []
    for found in by_alarm.values():
        text = str(found[0].get("body", {}).get("text") or found[0]["kind"]).replace("_", " ")
        steps = "; ".join(
            f"{stamp(run, str(row['at_utc']))} {str(row['state']).replace('_', ' ')}" for row in found
        )
        items.append(f"<li><b>{esc(text)}</b> {esc(steps)}</li>")
    return f'<section class="block list"><h2>Alarms</h2><ul>{"".join(items)}</ul></section>'


def log_list(run: Run, lines: Sequence[Line]) -> str:
    """Entries in the order they were made. What was said late shows both times and the reason."""
    title = "Entries and corrections, as they were made"
    if not lines:
        none = "This record came without its history of entries: marks are those of the record itself."
        return f'<p class="none"><b>{title}.</b> {none}</p>'
    items = "".join(_item(run, line) for line in lines)
    return f'<section class="block list"><h2>{title}</h2><ul>{items}</ul></section>'


def _item(run: Run, line: Line) -> str:
    late = f", <b>entered {esc(day_time(run, line.entered))}</b>" if line.entered is not None else ""
    reason = f" (reason: {esc(line.reason)})" if line.reason else ""
    kept = f" [replaced by entry {line.replaced_by}; kept]" if line.replaced_by is not None else ""
    return (
        f"<li><b>{esc(line.number)}</b> {esc(day_time(run, line.happened))}{late}, {esc(line.by)}: "
        f"{esc(line.what)}{reason}{kept}</li>"
    )


def review_line(run: Run, state: BatchState) -> str:
    """Who signed, when, what for, and whether it still stands."""
    found = state.review
    if found is None:
        return "Review: not signed."
    same = " Reviewer and operator are one person." if found.self_review else ""
    standing = (
        "It stands: the content is the one that was signed." if found.valid else f"LAPSED: {found.lapsed}."
    )
    return f"Review: {found.meaning}, signed by {found.by}, {day_time(run, found.at)}. {standing}{same}"


def keep_until(run: Run, state: BatchState, gone: datetime | None = None) -> date:
    """The first day on which this record need no longer be kept.

    ``gone`` is when the last jar was used or given away; a batch that still has jars counts from its use-by dates.
    """
    last = (
        local_date(gone, run.zone) if gone else max((j.use_by for j in state.jars if j.use_by), default=None)
    )
    return retention.keep_until(local_date(run.started_at, run.zone), last)
