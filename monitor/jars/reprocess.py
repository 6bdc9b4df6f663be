"""Reprocessing: a run of its own, linked to its parent, hot pack, new lids, the full time, once. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.errors import RefusedError
from monitor.jars.disposition import Status
from monitor.jars.state import BatchState, JarState
from monitor.record.model import Run
from monitor.tables.guidance import NOT_CHECKED
from monitor.tables.processes import packs_and_jars, published_minutes

INSTEAD = "Refrigerate or freeze the jars instead."
#: Header keys of the parent that are the parent's alone.
_PARENTS_OWN = ("marks", "ended_at", "deviations", "capped_at_unproven")


@dataclass(frozen=True, slots=True)
class HotPack:
    """The tested hot-pack process of a batch at its kitchen's altitude."""

    minutes: float
    source: str


def hot_pack(parent: Run) -> HotPack | None:
    """The published hot-pack time for the batch's food and jar; None where the table has none.

    At the upper end of the stated altitude: where a kitchen straddles a step the longer time applies.
    """
    site, batch = parent.site, parent.batch
    if site.altitude_m is None:
        return None
    highest_m = site.altitude_m + (site.altitude_uncertainty_m or 0.0)
    cell = published_minutes(batch.food_id, "hot", batch.jar, altitude_m=highest_m)
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
        It was reprocessed before; the pack is not hot or no tested hot-pack source is named; the time is not
        the full one; the lids are not new; or a jar is not one that may be reprocessed now.
    """
    by_number = {one.jar: one for one in state.jars}
    instead = _instead(by_number[number] for number in jars if number in by_number)
    if state.parent_run is not None:
        raise RefusedError(f"run {parent.run_id} is a reprocessing itself; a second is not offered.", instead)
    if pack != "hot" or not source:
        raise RefusedError("reprocessing takes the tested hot-pack process, with its source.", instead)
    food_id, jar = parent.batch.food_id, parent.batch.jar
    known = packs_and_jars(food_id) if food_id else ()
    if known and not any(p == "hot" and (jar is None or j == jar) for p, j in known):
        raise RefusedError(f"the published table has no hot pack for {parent.batch.food} in {jar}.", instead)
    _full_time(parent, minutes, instead)
    if not new_lids:
        check = "Check the rims for nicks, then confirm new lids."
        raise RefusedError("reprocessing takes new lids.", check if instead == INSTEAD else instead)
    if not jars:
        raise RefusedError("no jar was named.", "Say which jars go into the canner again.")
    for number in jars:
        one = by_number.get(number)
        if one is None:
            raise RefusedError(f"there is no jar {number} in run {parent.run_id}.")
        if one.child_run or (one.status is not Status.REPROCESS and Status.REPROCESS not in one.choices):
            raise RefusedError(f"jar {number} cannot be reprocessed: {one.why}.", _instead([one]))
    return {"reprocess_of": parent.run_id, "reprocess_jars": sorted(jars), "new_lids": True}


def _instead(jars: Iterable[JarState]) -> str:
    """What is left for these jars: once the cold is offered to one of them no more, what that one asks for."""
    return next((one.do for one in jars if Status.REFRIGERATE not in one.choices), INSTEAD)


def _full_time(parent: Run, minutes: float, instead: str) -> None:
    """Refuse less than the full time: the table's, else the parent's own where that was a hot pack too."""
    published = hot_pack(parent)
    least = published.minutes if published is not None else 0.0
    if published is None and parent.batch.pack == "hot":
        least = parent.required.minutes
    if not minutes > 0.0 or minutes < least:
        raise RefusedError(f"{minutes:g} min is not the full time of {least:g} min.", instead)


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
    """
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
