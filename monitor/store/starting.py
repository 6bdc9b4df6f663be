"""A run's start, all of it or none, in one transaction with the look at what it would take away.

Two people may start at the same moment. Whoever comes second has not been told of the first's run, so that run is not
ended: the start is refused, with its name.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from monitor.errors import RefusedError, StoreError
from monitor.store.database import open_writer, transaction
from monitor.store.entries import append_entry
from monitor.store.occupied import StartClashes, start_clashes
from monitor.store.runs import House, read_house
from monitor.store.together import Saying, append_all


def start_run(
    data_dir: Path,
    run_id: str,
    entries: Sequence[tuple[str, Mapping[str, Any]]],
    *,
    canner: str | None,
    nodes: Sequence[str] = (),
    seen: StartClashes,
    by: str | None = None,
    starts_s: float | None = None,
    happened_utc: str | None = None,
    reason: str | None = None,
    also: Sequence[Saying] = (),
) -> None:
    """Append ``entries`` (kind, body) of a start, unless it takes more than ``seen`` says.

    Parameters
    ----------
    seen : StartClashes
        What whoever starts was told that the start takes from runs that are on, and took upon themselves.
    starts_s : float, optional
        When it starts, as :func:`start_clashes` takes it.
    also : Sequence of Saying, optional
        What the start says of other runs.

    Raises
    ------
    RefusedError
        Somebody else has started or loaded a run in the meantime; nothing is written.
    StoreError
        The store cannot be written; nothing is written either.
    """
    try:
        with closing(open_writer(data_dir)) as conn, transaction(conn):
            house = read_house(conn)
            now = start_clashes(house, canner, nodes, starts_s=starts_s)
            _must_be_as_seen(house, run_id, now, seen)
            for kind, body in entries:
                own = None if kind == "node_assigned" else run_id
                append_entry(conn, kind, body, run_id=own, by=by, happened_utc=happened_utc, reason=reason)
            append_all(conn, also, by=by)
    except sqlite3.Error as trouble:
        raise StoreError(
            f"the start could not be written: {trouble}.", "Nothing was started; try again."
        ) from trouble


def _must_be_as_seen(house: House, run_id: str, now: StartClashes, seen: StartClashes) -> None:
    if now.why and now.why != seen.why:
        raise RefusedError(f"{now.why}.", "Nothing was started.")
    if now.ends and now.ends != seen.ends:
        raise RefusedError(
            f"run {now.ends} was started on {house.run(now.ends).canner}{_by(house, now.ends)} a moment ago, and this "
            "start would end it.",
            "Nothing was started: look whose jars are to go in.",
        )
    if run_id in house.runs:
        raise RefusedError(f"there is a run {run_id} by now.", "Nothing was started; start it again.")


def _by(house: House, run_id: str) -> str:
    who = house.run(run_id).header.get("started_by")
    return f" by {who}" if isinstance(who, str) and who else ""
