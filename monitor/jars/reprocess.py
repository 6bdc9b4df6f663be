"""Reprocessing: a run of its own, linked to its parent, hot pack, new lids, the full time, once. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from monitor.errors import RefusedError
from monitor.jars.disposition import Status
from monitor.jars.state import BatchState
from monitor.record.model import Run
from monitor.tables.processes import packs_and_jars

INSTEAD = "Refrigerate or freeze the jars instead."


def reprocess_extra(
    parent: Run,
    state: BatchState,
    jars: Sequence[int],
    *,
    pack: str,
    source: str | None,
    new_lids: bool,
) -> dict[str, Any]:
    """The keys that link a child run's header to its parent; add them to the header of ``run_started``.

    Raises
    ------
    RefusedError
        It was reprocessed before; the pack is not hot or no tested hot-pack source is named; the lids are not
        new; or a jar is not one that may be reprocessed now.
    """
    if state.parent_run is not None:
        raise RefusedError(f"run {parent.run_id} is a reprocessing itself; a second is not offered.", INSTEAD)
    if pack != "hot" or not source:
        raise RefusedError("reprocessing takes the tested hot-pack process, with its source.", INSTEAD)
    food_id, jar = parent.batch.food_id, parent.batch.jar
    known = packs_and_jars(food_id) if food_id else ()
    if known and not any(p == "hot" and (jar is None or j == jar) for p, j in known):
        raise RefusedError(f"the published table has no hot pack for {parent.batch.food} in {jar}.", INSTEAD)
    if not new_lids:
        raise RefusedError("reprocessing takes new lids.", "Check the rims for nicks, then confirm new lids.")
    by_number = {one.jar: one for one in state.jars}
    for number in jars:
        one = by_number.get(number)
        if one is None:
            raise RefusedError(f"there is no jar {number} in run {parent.run_id}.")
        if one.child_run or (one.status is not Status.REPROCESS and Status.REPROCESS not in one.choices):
            raise RefusedError(f"jar {number} cannot be reprocessed: {one.why}.", INSTEAD)
    return {"reprocess_of": parent.run_id, "reprocess_jars": sorted(jars), "new_lids": True}
