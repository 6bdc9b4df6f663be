"""The first reason of a verdict that is not held, in one sentence: what in the record decides it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import inf

from monitor.judge.budget import ALLOWANCE_SEEN_K
from monitor.judge.daytime import clock
from monitor.judge.engine import COME_UP_K
from monitor.judge.ledger import POSSIBLE, longest
from monitor.judge.verdict import BOILING, BROKEN, UNKNOWN, UNPROVEN, Stretch
from monitor.judge.words import COME_UP, DATING, NO_COME_UP, asked, exact, minutes
from monitor.record.model import Run

#: No more unknown times than this are told, the longest first. Chosen.
MOST_TOLD = 3

#: How a hold ends that somebody ended.
HEAT_OFF = "when the heat was turned off or the jars were lifted"
#: What helps where a record begins too late.
COME_UP_HELPS = (
    f"Begin the next record earlier: it has to show the water {COME_UP_K + ALLOWANCE_SEEN_K:.0f} K below its boiling "
    "point on the way up."
)


def because(
    run: Run,
    word: str | None,
    stretches: Sequence[Stretch],
    window: tuple[float, float],
    spans: tuple[float, float],
    *,
    is_end_recorded: bool = False,
) -> str:
    """Why the verdict is not ``held``, or "" where nothing in the stretches says so.

    ``window``: jars in and heat off. ``spans``: ``proven_s`` and ``possible_s``. [s]
    ``is_end_recorded``: nobody marked the heat off, and the window ends with the run.
    """
    proven_s, possible_s = spans
    inside = [
        replace(each, start_s=max(each.start_s, window[0]), end_s=min(each.end_s, window[1]))
        for each in stretches
        if min(each.end_s, window[1]) > max(each.start_s, window[0])
    ]
    if word == BROKEN:
        ended = "where the record says that the run ended" if is_end_recorded else HEAT_OFF
        return _broken(run, inside, window[1], possible_s, ended)
    if word == UNPROVEN and proven_s < run.required_s:
        return _unproven(run, inside)
    return ""


def _unproven(run: Run, inside: list[Stretch]) -> str:
    """What is unknown in the longest time that may have boiled."""
    start_s, end_s = longest(inside, POSSIBLE, -inf, inf)
    unknown = _whole([each for each in inside if each.state == UNKNOWN and start_s <= each.start_s < end_s])
    # The dating of a boil's ends is told only where nothing else explains it.
    unknown.sort(key=lambda each: (each.why in DATING, each.start_s - each.end_s))
    told: list[Stretch] = []
    for each in unknown[:MOST_TOLD]:
        if _longest_without(told, start_s, end_s) < run.required_s:
            break
        told.append(each)
    pieces = [_piece(run, each) for each in sorted(told, key=lambda each: each.start_s)]
    if not pieces:
        return ""
    remedy = f" {COME_UP_HELPS}" if any(NO_COME_UP in each.why for each in told) else ""
    return f"Not known whether it boiled {'; and '.join(pieces)}.{remedy}"


def _longest_without(gone: Sequence[Stretch], start_s: float, end_s: float) -> float:
    """The longest piece that is left from ``start_s`` to ``end_s`` without some of it. [s]"""
    edges = [start_s, *sorted(edge for each in gone for edge in (each.start_s, each.end_s)), end_s]
    return max(until_s - since_s for since_s, until_s in zip(edges[::2], edges[1::2], strict=True))


def _whole(unknown: list[Stretch]) -> list[Stretch]:
    """Unknown pieces that follow each other as one: what was not read, and the dating around it, which it caused."""
    groups: list[list[Stretch]] = []
    for each in unknown:
        if groups and each.start_s <= groups[-1][-1].end_s:
            groups[-1].append(each)
        else:
            groups.append([each])
    return [replace(group[0], end_s=group[-1].end_s, why=_cause(group)) for group in groups]


def _cause(group: list[Stretch]) -> str:
    """Why pieces in a row are unknown; how a boil's ends are dated only where nothing else is the matter."""
    longest_first = sorted(group, key=lambda each: each.start_s - each.end_s)
    causes = dict.fromkeys(each.why for each in longest_first if each.why not in DATING)
    # One may say the same as another, and more.
    told = [why for why in causes if not any(other != why and other.startswith(why) for other in causes)]
    return ", and ".join(told) or longest_first[0].why


def _piece(run: Run, piece: Stretch) -> str:
    """From when to when, how long, and why."""
    lasted = minutes(piece.end_s - piece.start_s)
    said = "" if lasted in piece.why else f" ({lasted})"
    return f"from {clock(run, piece.start_s)} to {clock(run, piece.end_s, late=True)}{said}: {piece.why}"


def _broken(run: Run, inside: list[Stretch], heat_off_s: float, possible_s: float, how: str) -> str:
    """How long it boiled at most, and what ended that."""
    if not any(each.state == BOILING for each in inside):
        # Every run comes up: that is the reason only where there is no other.
        other = [each for each in inside if each.why not in (COME_UP, *DATING)]
        most = max(other or inside, key=lambda each: each.end_s - each.start_s, default=None)
        said = "" if most is None else f" For {minutes(most.end_s - most.start_s)} of it: {most.why}."
        return f"No full boil shows while the jars were in.{said}"
    end_s = longest(inside, POSSIBLE, -inf, inf)[1]
    after = next((each for each in inside if each.start_s >= end_s - 1e-6), None)
    ended = f"at {clock(run, end_s)}, {how}"
    if end_s < heat_off_s and after is not None:
        ended = f"about {clock(run, after.start_s)}: {after.why}"
    return (
        f"The longest boil, {exact(possible_s, up=True)} at most of {asked(run.required_s)}, ended {ended}."
    )
