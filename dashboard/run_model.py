"""One run's page: the verdict in words, the budget as a table, marks and advice. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from dashboard import figures
from monitor.errors import UsageError
from monitor.judge.words import per_minute
from monitor.physics.units import F_PER_K
from monitor.proof.words import eye
from monitor.tables.guidance import fact

#: What every verdict says of itself, whatever it is.
LIMITS = (
    "A verdict speaks of the boil alone. It does not say that the food is fit to eat: that rests on a tested "
    "recipe, its acid and its time, clean work, and the seals. Where local codes or a licensed person ask "
    "for more, they come first."
)


def verdict_facts(
    verdict: Mapping[str, Any], fahrenheit: bool, read_from: str | None
) -> list[tuple[str, str]]:
    """Name and value of what the verdict rests on. ``read_from``: where the time was read, with its caveat."""
    clock = verdict.get("clock") or {}
    point = figures.temperature(verdict.get("boiling_point_C"), fahrenheit)
    source = verdict.get("boiling_point_from")
    return [
        ("Asked for", figures.minutes(float(verdict.get("required_s") or 0.0))),
        ("Read from", read_from or figures.MISSING),
        ("Proven without a break", figures.held(verdict.get("proven_s"))),
        ("Possible, unknown counted as boiling", figures.held(verdict.get("possible_s"), up=True)),
        ("Clock started", _moment(clock.get("started_s"))),
        ("Clock complete", _moment(clock.get("completed_s"))),
        ("Water boils here at", f"{point} ({source})" if source else point),
        ("Counts as boiling from", figures.temperature(verdict.get("floor_C"), fahrenheit)),
        (
            "Expanded uncertainty, k = 2",
            "± " + figures.difference(verdict.get("expanded_uncertainty_K"), fahrenheit),
        ),
        ("Full boil", eye(verdict)),
    ]


def _moment(t_s: float | None) -> str:
    return figures.MISSING if t_s is None else f"{figures.held(t_s)} after the start"


def headline(verdict: Mapping[str, Any]) -> str:
    """The verdict in one sentence."""
    required = figures.minutes(float(verdict.get("required_s") or 0.0))
    proven = figures.held(verdict.get("proven_s"))
    possible = figures.held(verdict.get("possible_s"), up=True)
    sentences = {
        "held": f"The record proves a boil of {proven} without a break; {required} were asked for.",
        "broken": f"No boil of {required} was held. The longest that the record allows is {possible}.",
        "unproven": f"The record neither proves nor excludes a boil of {required}: {proven} proven, "
        f"{possible} possible.",
    }
    word = verdict.get("verdict")
    return sentences.get(str(word), f"The run is still on: {proven} of {required} proven so far.")


def until_words(advice: Mapping[str, Any]) -> str:
    """``Fri 14 Aug, 12:16`` at the site, until when the advice can be followed; empty where nothing presses."""
    until = advice.get("until")
    return datetime.fromisoformat(str(until)).strftime("%a %-d %b, %H:%M") if until else ""


def guidance(numbers: list[str]) -> list[tuple[str, str, str]]:
    """(number, fact, source) of each piece of guidance; a number that is not in the table says so."""
    told = []
    for number in numbers:
        try:
            found = fact(number)
        except UsageError:
            told.append((number, "This number is not in the table of guidance.", ""))
            continue
        caveat = f" ({found.caveat})" if found.caveat else ""
        told.append((number, found.fact, found.source + caveat))
    return told


def kettle_words(text: str, rates: Iterable[Sequence[float] | None], fahrenheit: bool) -> str:
    """What a run has shown of its canner, in the viewer's unit; empty where it has shown nothing.

    ``text`` is the engine's own sentence, ``rates`` the (low, likely, high) in it. [K/min]
    """
    for rate in rates if fahrenheit else ():
        if rate:
            text = text.replace(per_minute(rate, "K", 1.0), per_minute(rate, "°F", F_PER_K))
    return text


def budget_rows(budget: Mapping[str, Any]) -> list[tuple[str, str, str, str]]:
    """(term, value, standard uncertainty, source), the largest first."""
    rows = sorted(budget.get("rows") or (), key=lambda row: -float(row["standard_K"]))
    return [
        (
            str(row["term"]),
            f"{row['value']} {row['unit']}, {row['distribution']}".strip(),
            f"{float(row['standard_K']):.3f} K",
            str(row["source"]),
        )
        for row in rows
    ]
