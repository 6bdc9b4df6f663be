"""Reprocessing: a run of its own, linked to its parent, hot pack, new lids, the full time, once. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.errors import RefusedError
from monitor.jars.disposition import Status
from monitor.jars.state import BatchState, JarState
from monitor.jars.window import UNTIL, window_end
from monitor.judge.pressure import altitude_within_m
from monitor.record.model import Run
from monitor.tables.containers import jar_mL
from monitor.tables.guidance import NOT_CHECKED
from monitor.tables.named import Named, named, published_for
from monitor.tables.processes import packs_and_jars, timed_jar

#: The header's key: why jars are reprocessed, as the run that they come from said when it was begun.
WHY = "reprocess_why"
INSTEAD = "Refrigerate or freeze the jars instead."
#: Minutes at a full boil, and temperatures of a jar to be boiled, beyond which something else was typed. Our choice.
LONGEST_MIN, COLDEST_C = 600.0, (0.0, 100.0)
#: Header keys of the parent that are the parent's alone.
_PARENTS_OWN = ("marks", "ended_at", "deviations", "capped_at_unproven")


@dataclass(frozen=True, slots=True)
class HotPack:
    """The tested hot-pack process of a batch at its kitchen's altitude."""

    minutes: float
    source: str


def hot_pack(parent: Run) -> HotPack | None:
    """The published hot-pack time for the batch's food and jar; None where the table has none.

    At the upper end of the stated altitude: where a kitchen straddles a step the longer time applies. So does the
    longest where the batch's words fit several foods.
    """
    site, batch = parent.site, parent.batch
    if site.altitude_m is None:
        return None
    highest_m = site.altitude_m + altitude_within_m(site.altitude_uncertainty_m)
    cells = published_for(named(batch.food, batch.food_id).foods, "hot", batch.jar, highest_m)
    cell = max(cells, key=lambda cell: cell.longer_minutes, default=None)
    if cell is None:
        return None
    source = cell.row.source if cell.row.checked else f"{cell.row.source} ({NOT_CHECKED})"
    return HotPack(float(cell.longer_minutes), source)


def reprocess_extra(
    parent: Run,
    state: BatchState,
    jars: Sequence[int],
    *,
    pack: str,
    source: str | None,
    minutes: float,
    new_lids: bool,
) -> dict[str, Any]:
    """The keys that link a child run's header to its parent; add them to the header of ``run_started``.

    Raises
    ------
    RefusedError
        It was reprocessed before; what is in the jars is low-acid or not known; the pack is not hot or no tested
        hot-pack source is named; the time is not the full one; the lids are not new; or a jar is not one that may be
        reprocessed now.
    """
    by_number = {one.jar: one for one in state.jars}
    instead = _instead(by_number[number] for number in jars if number in by_number)
    if state.parent_run is not None:
        raise RefusedError(f"run {parent.run_id} is a reprocessing itself; a second is not offered.", instead)
    if pack != "hot" or not source:
        raise RefusedError("reprocessing takes the tested hot-pack process, with its source.", instead)
    food, jar = named(parent.batch.food, parent.batch.food_id), parent.batch.jar
    _may_be_boiled(food, instead)
    if food.foods and not _has_hot_pack(food, jar):
        what = parent.batch.food or parent.batch.food_id
        raise RefusedError(f"the published table has no hot pack for {what} in {jar or 'any jar'}.", instead)
    _full_time(parent, minutes, instead)
    if not new_lids:
        check = "Check the rims for nicks, then confirm new lids."
        raise RefusedError("reprocessing takes new lids.", check if instead == INSTEAD else instead)
    if not jars:
        raise RefusedError("no jar was named.", "Say which jars go into the canner again.")
    twice = sorted({number for number in jars if list(jars).count(number) > 1})
    if twice:
        raise RefusedError(
            f"jar {twice[0]} was named twice.", "Say which other jar goes in, or name it once."
        )
    for number in jars:
        one = by_number.get(number)
        if one is None:
            raise RefusedError(f"there is no jar {number} in run {parent.run_id}.")
        if one.child_run:
            raise RefusedError(
                f"jar {number} cannot be reprocessed: it goes on in run {one.child_run} already.",
                f"'boilwitness jars {one.child_run}' tells of it there.",
            )
        if one.status is not Status.REPROCESS and Status.REPROCESS not in one.choices:
            raise RefusedError(f"jar {number} cannot be reprocessed: {one.why}.", _instead([one]))
    extra = {"reprocess_of": parent.run_id, "reprocess_jars": sorted(jars), "new_lids": True}
    why = dict.fromkeys(by_number[number].why for number in jars)
    extra[WHY] = f"{state.standing.words}; {'; '.join(why)}"
    until = window_end(state)
    # Told along: a record that is handed on alone has no other run to ask.
    return extra | ({UNTIL: until.isoformat()} if until is not None else {})


def these_are_trouble(parent: BatchState, child: BatchState, jars: Sequence[int]) -> str:
    """Why ``jars`` of ``parent`` cannot be those that ``child`` took; empty where they can."""
    if len(set(jars)) != len(jars):
        return "a jar is named twice"
    if len(jars) != len(child.parent_jars):
        return f"{len(child.parent_jars)} jars were written down, {len(jars)} are named"
    by_number = {one.jar: one for one in parent.jars}
    for number in jars:
        one = by_number.get(number)
        if one is None:
            return f"there is no jar {number} in run {parent.run_id}"
        if one.child_run not in (None, child.run_id):
            return f"jar {number} went on in run {one.child_run}"
        if one.gone or (one.placed_by is not None and one.status is not Status.REPROCESS):
            return f"jar {number} is '{one.gone or one.status.value}' in run {parent.run_id}"
    return ""


def _instead(jars: Iterable[JarState]) -> str:
    """What is left for these jars: once the cold is offered to one of them no more, what that one asks for."""
    return next((one.do for one in jars if Status.REFRIGERATE not in one.choices), INSTEAD)


def _may_be_boiled(food: Named, instead: str) -> None:
    """Refuse what no boiling makes keep, and what nobody can look up a time for."""
    if food.low_acid is not None:
        label = food.low_acid.food_class.label
        raise RefusedError(
            f"“{food.low_acid_words}” counts as {label}: no boiling, however long, makes it keep.", instead
        )
    if food.contradiction:
        raise RefusedError(food.contradiction[:1].lower() + food.contradiction[1:], instead)


def _has_hot_pack(food: Named, jar: str | None) -> bool:
    """Whether the published table has a hot pack for this food, in a jar of this size where that is said."""
    if jar is None:
        return any(pack == "hot" for one in food.foods for pack, _ in packs_and_jars(one.food_id))
    volume_mL = jar_mL(jar)
    return volume_mL is not None and any(timed_jar(one.food_id, "hot", volume_mL) for one in food.foods)


def _full_time(parent: Run, minutes: float, instead: str) -> None:
    """Refuse less than the full time: the table's, or where nothing was found there the parent's own.

    A hot pack may ask for less than a raw one; how much less is not known without its table.
    """
    published = hot_pack(parent)
    least = parent.required.minutes if published is None else published.minutes
    if not minutes > 0.0 or minutes < least:
        raise RefusedError(f"{minutes:g} min is not the full time of {least:g} min.", instead)
    most = max(LONGEST_MIN, least)
    if minutes > most:
        raise RefusedError(
            f"{minutes:g} min at a full boil cannot be meant.", f"Give minutes from {least:g} to {most:g}."
        )


def child_header(
    parent: Mapping[str, Any],
    known_ids: Collection[str],
    extra: Mapping[str, Any],
    *,
    minutes: float,
    source: str,
    at: datetime,
    coldest_jar_C: float | None = None,
) -> dict[str, Any]:
    """The header of the run that reprocesses some jars of ``parent`` (a header too), begun at ``at`` (aware).

    ``extra`` is what :func:`reprocess_extra` gave. The initial temperature is the child's own.

    Raises
    ------
    RefusedError
        The coldest jar is colder than ice or hotter than boiling water.
    """
    if coldest_jar_C is not None and not COLDEST_C[0] <= coldest_jar_C <= COLDEST_C[1]:
        low, high = COLDEST_C
        raise RefusedError(
            f"{coldest_jar_C:g} °C cannot be the coldest filled jar.", f"Give {low:g} to {high:g} °C."
        )
    parent_id = str(extra["reprocess_of"])
    number = 1
    while (run_id := f"{parent_id}-again{number}") in known_ids:
        number += 1
    header = {key: value for key, value in parent.items() if key not in _PARENTS_OWN}
    batch = dict(header.get("batch") or {}) | {"pack": "hot", "jars": len(extra["reprocess_jars"])}
    for key in ("coldest_jar_C", "loading_water_C", "lot_code", "jar_numbers"):
        batch.pop(key, None)
    if coldest_jar_C is not None:
        batch["coldest_jar_C"] = coldest_jar_C
    header["batch"] = batch
    header |= {"run_id": run_id, "started_at": at.isoformat()}
    header["required"] = {"minutes": minutes, "source": source}
    return header | dict(extra)
