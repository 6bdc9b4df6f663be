"""A verdict in words for a terminal, in one screenful."""

from __future__ import annotations

import re
import shutil
import textwrap
from collections.abc import Sequence

from monitor.cli._budget import budget_lines
from monitor.jars.revisions import Revision
from monitor.jars.rows import local_time as rows_time
from monitor.judge import Verdict
from monitor.judge.daytime import clock, label, local_time
from monitor.judge.verdict import BOILING, BROKEN, HELD, UNPROVEN, Event
from monitor.judge.words import asked, exact
from monitor.plan.containers import JAR_NAMES
from monitor.proof.figures import floors_C
from monitor.record.model import Run
from monitor.record.taken_in import TakenIn

_WORD = {
    HELD: "HELD      the full boil held for the whole time",
    BROKEN: "BROKEN    the full boil was not held for the whole time",
    UNPROVEN: "UNPROVEN  the record cannot prove that the boil held",
    None: "OPEN      this run has not ended, and has not held yet",
}


#: Said under every verdict.
LIMITS = (
    "Judged on the water's temperature, by a floor of this program's own choice: published guidance names none; "
    "nothing here says the food is good."
)

#: How a reason or event about a pressure that cannot be this kitchen's begins.
_PRESSURE = "The pressure of "

#: More beginnings of the clock than these are counted, not listed.
MOST_STARTS = 4

#: Events that fill a screen without telling anything new about the hold.
_QUIET = ("water_check_due", "jar_cooled")


def in_words(
    record: Run,
    verdict: Verdict,
    *,
    budget: bool = False,
    now: str = "",
    corrected: Sequence[Revision] = (),
    altered: str = "",
    came: TakenIn | None = None,
) -> str:
    """The verdict for a person, in one screenful; what does not fit is said to be left out.

    ``now`` stands in place of the verdict's advice, where more is known of the jars than the record tells.
    ``corrected`` is what corrections of the header made of the verdict, ``altered`` why the record is not what was
    sealed, ``came`` how it came from elsewhere; never left out.
    """
    size = shutil.get_terminal_size((80, 24))
    width, height = min(size.columns, 100), max(size.lines, 24)
    head = [_WORD[verdict.verdict], ""]
    if altered:
        said = f"this is not the record that was sealed: {altered}. The verdict is of what is here now."
        head = [head[0], *_row("ALTERED", said, width), ""]
    if came is not None and came.at_utc is None:
        head[0] += f" (record {came.briefly})"
    elif came is not None:
        head += _row("record" if came.was_sealed else "NOT SEALED", came.words, width)
    head += [*_facts(record, verdict, width), ""]
    for one in corrected:
        head += _row("corrected", one.sentences(lambda at: rows_time(at, record.zone)), width)
    last = [
        *_row("now", now or verdict.advice.text, width),
        *textwrap.wrap(LIMITS, width),
    ]
    told = _told(record, verdict, width, height - len(head) - len(last))
    learned = _row("canner", verdict.kettle, width) if verdict.kettle else []
    if len(head) + len(told) + len(learned) + len(last) > height:
        # Good to know, and decides nothing.
        learned = []
    lines = [*head, *told, *learned, *last]
    if len(lines) > height:
        lines = [line for line in lines if line]
    if budget:
        lines += ["", *budget_lines(verdict.budget, width)]
    return "\n".join(line.rstrip() for line in lines)


def _row(label: str, text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, initial_indent=f"{label:<14} ", subsequent_indent=" " * 15) or [label]


def _facts(record: Run, verdict: Verdict, width: int) -> list[str]:
    """What was run, what was asked, what is proven, and by what it was judged."""
    batch = record.batch
    what = ", ".join(
        str(part)
        for part in (
            batch.food,
            batch.pack and f"{batch.pack} pack",
            JAR_NAMES.get(batch.jar or "", batch.jar),
        )
        if part
    )
    invented = " (simulated)" if record.extra.get("simulated") else ""
    boiling_point = (
        "not known here"
        if verdict.boiling_point_C is None
        else f"{verdict.boiling_point_C:.2f} °C from {verdict.boiling_point_from}; {_floor(verdict)}"
    )
    source = record.required.source or "no source given"
    # First, so that a narrow terminal cuts the source and not what must be said of it.
    caveat = record.required.extra.get("caveat")
    said = f" ({caveat})" if caveat else ""
    required = f"{asked(verdict.required_s)} of full boil{said}; {source}"
    rows = [
        ("run", f"{record.run_id}{invented}, started {_start(record)}"),
        ("batch", what + (f", {batch.jars} jars" if what and batch.jars else "")),
        ("required", textwrap.shorten(required, width - 15, placeholder=" …")),
        ("proven", _proven(verdict)),
        ("clock", _clock(record, verdict)),
        ("boiling point", boiling_point),
        ("seen by eye", _seen(record, verdict)),
    ]
    if verdict.expanded_uncertainty_K is not None:
        known = f"±{verdict.expanded_uncertainty_K:.2f} K (k = 2) of reading against boiling point"
        rows.insert(6, ("uncertainty", known))
    return [line for label, text in rows if text for line in _row(label, text, width)]


def _seen(record: Run, verdict: Verdict) -> str:
    """Whether a person saw it boil; where the last look saw no boil, that too."""
    looks = [mark for mark in record.marks if mark.kind in ("rolling_boil_seen", "boil_not_seen")]
    if not any(mark.kind == "rolling_boil_seen" for mark in looks):
        return "no"
    last = max(mark.t_s for mark in looks)
    if any(mark.kind == "boil_not_seen" and mark.t_s == last for mark in looks):
        said = f"a person marked the rolling boil, and at {clock(record, last)} that there was none"
        return said if verdict.seen_by_eye else f"no; {said}"
    if not verdict.seen_by_eye:
        return "no; what a person marked was not the boil judged here"
    return "yes, a person marked the rolling boil"


def _start(record: Run) -> str:
    """With the offset from UTC, so that every time of day below it is plain."""
    began = local_time(record, 0.0)
    return f"{began:%Y-%m-%d %H:%M:%S} {began.isoformat()[-6:]}"


def _told(record: Run, verdict: Verdict, width: int, room: int) -> list[str]:
    """What happened and why, in as many words as there is room for."""
    events = [event for event in verdict.events if event.kind not in _QUIET]
    said = " ".join(event.text for event in events)
    why = [_row("why", reason, width) for reason in verdict.reasons if _anew(reason, said)]
    long = [_event(record, each, each.text, width) for each in events]
    short = [_event(record, each, _first_sentence(each.text), width) for each in events]
    for told in (long, short):
        if sum(map(len, [*told, *why])) <= room:
            return [line for part in [*told, *why] for line in part]
    # The reasons decide, the first of them at any price; of what happened the end matters most.
    why = [_row("why", reason, width) for reason in verdict.reasons]
    kept, why = why[:1], why[1:]
    room -= 1 + sum(map(len, kept))
    left_out: list[str] = []
    for part in why:
        if len(part) <= room:
            kept.append(part)
            room -= len(part)
        else:
            left_out.append("reasons")
    shown: list[list[str]] = []
    for part in reversed(short):
        if len(part) > room:
            break
        shown.insert(0, part)
        room -= len(part)
    left_out += [_kind(event) for event in events[: len(events) - len(shown)]]
    return [*_more(left_out, width), *(line for part in [*shown, *kept] for line in part)]


def _more(left_out: list[str], width: int) -> list[str]:
    """One line for what there is no room for."""
    if not left_out:
        return []
    named = ", ".join(dict.fromkeys(left_out))
    most = width - 15 - len(f"({len(left_out)} more: ; --json lists them all)")
    return [
        f"{'':<15}({len(left_out)} more: {textwrap.shorten(named, most, placeholder=' …')}; --json lists them all)"
    ]


def _kind(event: Event) -> str:
    return event.kind.replace("_", " ")


def _event(record: Run, event: Event, text: str, width: int) -> list[str]:
    """When it happened and what; where it began long before it was told, both times, in the order of the telling."""
    listed_s, began_s = label(event.kind, event.onset_s, event.raised_s)
    began = "" if began_s is None else f"From {clock(record, began_s)} on: "
    return _row(clock(record, listed_s), began + text, width)


def _first_sentence(text: str) -> str:
    """Up to the first full stop that ends a sentence."""
    return re.split(r"(?<=[.?!]) (?=[A-Z])", text, maxsplit=1)[0]


def _anew(reason: str, said: str) -> bool:
    """Whether a reason says more than the events do. A pressure is told of once, whatever its last digit was."""
    return reason not in said and not (reason.startswith(_PRESSURE) and _PRESSURE in said)


def _floor(verdict: Verdict) -> str:
    """From where on a reading counts; a boil that came back unseen has a higher floor than one that was seen."""
    low, stated = floors_C(verdict.as_json()) or (0.0, 0.0)
    if low == stated:
        return f"floor {stated:.2f} °C"
    judged = "by which it was judged" if verdict.proven_s >= verdict.required_s else "where a person saw it"
    return f"floor {low:.2f} °C, {judged}; {stated:.2f} °C for a boil after it that nobody saw"


def _proven(verdict: Verdict) -> str:
    proven = f"{exact(verdict.proven_s)} without a break"
    if verdict.possible_s - verdict.proven_s >= 1.0:
        proven += f"; at most {exact(verdict.possible_s, up=True)} if everything unknown was boiling"
    return proven


def _clock(record: Run, verdict: Verdict) -> str:
    """Each time the clock began, as it is credited: late where a person saw the boil late, never without jars."""
    jars_s = max((mark.t_s for mark in record.marks if mark.kind == "jars_in"), default=None)
    if jars_s is None:
        return "never started: no mark says that the jars were in"
    starts: list[float] = []
    ended_s: float | None = None
    for stretch in verdict.stretches:
        if stretch.state != BOILING or stretch.end_s <= jars_s:
            continue
        if stretch.start_s != ended_s:
            starts.append(max(stretch.start_s, jars_s))
        ended_s = stretch.end_s
    if not starts:
        return "never started"
    said = [f"started {clock(record, starts[0], late=True)}"]
    said += [f"began again {clock(record, start_s, late=True)}" for start_s in starts[1:]]
    if len(said) > MOST_STARTS:
        said = [said[0], f"began again {len(said) - 1} times, last {clock(record, starts[-1], late=True)}"]
    if verdict.clock_completed_s is not None:
        said.append(f"complete {clock(record, verdict.clock_completed_s, late=True)}")
    return ", ".join(said)
