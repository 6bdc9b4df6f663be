"""The list of past runs: what needs doing first, filters, and a season in one line. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from dashboard import figures, words
from dashboard.live_model import batch_words
from monitor.store.reader import RunRow

#: Advice that asks a person to do something with the jars by a time.
URGENT_ACTIONS = ("reprocess_or_refrigerate", "treat_as_failed", "discard")
#: The longest published salvage clock is a day; what is older was decided, or is discarded.
RECENT = timedelta(days=2)
FINISHED = ("held", "broken", "unproven")


@dataclass(frozen=True, slots=True)
class Line:
    """One run as the list shows it."""

    run_id: str
    sign: words.Sign
    started: str
    batch: str
    canner: str
    proven: str
    action: str
    simulated: bool


def several_zones(rows: Iterable[RunRow]) -> bool:
    """Whether times of day alone would look out of order, each being its own kitchen's."""
    return len({figures.zone(row.zone).key for row in rows}) > 1


def line(row: RunRow, *, zone_named: bool = False) -> Line:
    """A run in words; ``zone_named`` beside runs of other zones."""
    required = figures.minutes(row.required_s) if row.required_s else figures.MISSING
    sign = words.verdict_sign(row.verdict)
    if row.verdict is None and not row.is_on:
        sign = words.Sign("Not judged yet", "ring", "○", "quiet")
    return Line(
        row.run_id,
        sign,
        figures.local_day(figures.parse_utc(row.started_utc), row.zone, named=zone_named),
        words.unturned(batch_words(row.food, row.pack, row.jar, row.jars)) or "batch not described",
        words.unturned(row.canner or figures.MISSING),
        f"{figures.held(row.proven_s)} of {required}",
        words.action_words(row.advice_action) if row.advice_action else "",
        row.simulated,
    )


def needs_doing(rows: Iterable[RunRow], now: datetime) -> list[RunRow]:
    """Runs of the last days whose advice is to reprocess, refrigerate or discard, in the order given."""
    since = now - RECENT
    return [
        row
        for row in rows
        if row.advice_action in URGENT_ACTIONS and figures.parse_utc(row.started_utc) >= since
    ]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a person asked to see. Empty means all."""

    verdict: str = ""
    words: str = ""
    year: str = ""


def chosen(rows: Iterable[RunRow], wanted: Wanted) -> list[RunRow]:
    """Rows that fit every filter; words are looked for in food, canner, jar, pack and run id."""
    parts = wanted.words.casefold().split()
    found = []
    for row in rows:
        if wanted.verdict and wanted.verdict != (row.verdict or ("open" if row.is_on else "")):
            continue
        if wanted.year and not row.started_utc.startswith(wanted.year):
            continue
        text = " ".join(
            str(item or "") for item in (row.food, row.canner, row.jar, row.pack, row.run_id)
        ).casefold()
        if all(part in text for part in parts):
            found.append(row)
    return found


def years(rows: Iterable[RunRow]) -> list[str]:
    """Years that hold a run, newest first."""
    return sorted({row.started_utc[:4] for row in rows}, reverse=True)


_OPEN, _UNJUDGED = "still open", "not judged yet"


def _standing(row: RunRow) -> str:
    if row.verdict in FINISHED:
        return str(row.verdict)
    return _OPEN if row.is_on else _UNJUDGED


def season(rows: Sequence[RunRow]) -> str:
    """``212 runs: 198 held, 9 broken, 5 unproven.``"""
    count = Counter(_standing(row) for row in rows)
    parts = [f"{count[word]:,} {word}" for word in (*FINISHED, _OPEN, _UNJUDGED) if count[word]]
    noun = "run" if len(rows) == 1 else "runs"
    return f"{len(rows):,} {noun}" + (f": {', '.join(parts)}." if parts else ".")


@dataclass(frozen=True, slots=True)
class Month:
    """What one month of a site's calendar held. ``name`` as ``Aug 2026``; counts of runs, and the jars in them."""

    name: str
    runs: int
    held: int
    broken: int
    unproven: int
    jars: int


def months(rows: Iterable[RunRow]) -> list[Month]:
    """The season month by month, newest first, each run in the month of its own site."""
    found: dict[tuple[int, int], list[RunRow]] = {}
    for row in rows:
        when = figures.parse_utc(row.started_utc).astimezone(figures.zone(row.zone))
        found.setdefault((when.year, when.month), []).append(row)
    told = []
    for (year, month), own in sorted(found.items(), reverse=True):
        count = Counter(row.verdict for row in own)
        name = datetime(year, month, 1).strftime("%b %Y")
        jars = sum(row.jars or 0 for row in own if row.verdict == "held")
        told.append(Month(name, len(own), count["held"], count["broken"], count["unproven"], jars))
    return told
