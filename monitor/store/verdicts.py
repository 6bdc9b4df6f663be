"""The verdicts that were written down, as far as they still hold: an entry takes effect when it is appended.

With a collector on, a verdict is judged anew within a second of what shapes its run. Where none is on, what was written
down before that is no verdict any more: whoever asks gets none, and judges the run now.
"""

from __future__ import annotations

import json
import sqlite3
from typing import Any

from monitor.store.runs import SHAPING, RunFacts
from monitor.store.stamp import epoch_text

_KINDS = ", ".join(f"'{kind}'" for kind in SHAPING)
#: What shapes a run by name: said of it, or a correction of that.
_SAID = (
    f"SELECT run_id AS run, at_utc FROM entries WHERE kind != 'correction' AND kind IN ({_KINDS})"
    " UNION ALL SELECT old.run_id, said.at_utc FROM entries AS said JOIN entries AS old ON old.id = said.corrects"
    f" WHERE said.kind = 'correction' AND old.kind IN ({_KINDS})"
)
_SAID_OF_ALL = f"SELECT run, max(at_utc) FROM ({_SAID}) WHERE run IS NOT NULL GROUP BY run"
_SAID_OF_ONE = f"SELECT run, max(at_utc) FROM ({_SAID}) WHERE run = ? GROUP BY run"
#: A node that is said to have served a canner since before now may change runs that are over.
_SAID_OF_NODES = (
    "SELECT happened_utc, at_utc FROM entries WHERE kind = 'node_assigned' AND happened_utc < at_utc"
)
#: Taken out by the database: a season's verdicts are megabytes, of which a list needs three words each.
_OF_VERDICT = "json_extract(verdict, '$.verdict', '$.proven_s', '$.advice.action')"
_LAST = (
    f"SELECT run_id, at_utc, {_OF_VERDICT} FROM verdicts"
    " WHERE verdict_id IN (SELECT max(verdict_id) FROM verdicts GROUP BY run_id)"
)
_LIVE = f"SELECT run_id, updated_utc, {_OF_VERDICT} FROM live WHERE verdict IS NOT NULL"


class Said:
    """What was said of runs, and when. ``run_id`` names the only one that will be asked about."""

    def __init__(self, conn: sqlite3.Connection, run_id: str | None = None) -> None:
        found = conn.execute(_SAID_OF_ONE, (run_id,)) if run_id else conn.execute(_SAID_OF_ALL)
        self._of_runs: dict[str, str] = dict(found.fetchall())
        self._of_nodes: list[tuple[str, str]] = conn.execute(_SAID_OF_NODES).fetchall()

    def since(self, run_id: str, written_utc: str, ended_s: float | None = None) -> bool:
        """Whether something that shapes a run was said after a verdict on it was written down.

        ``ended_s``: the run's end, where it has one (house time).
        """
        if self._of_runs.get(run_id, "") > written_utc:
            return True
        late = [happened_utc for happened_utc, at_utc in self._of_nodes if at_utc > written_utc]
        return bool(late) and (ended_s is None or min(late) < epoch_text(ended_s))


def said_since(conn: sqlite3.Connection, facts: RunFacts, written_utc: str) -> bool:
    """:meth:`Said.since` for one run."""
    return Said(conn, facts.run_id).since(facts.run_id, written_utc, facts.ended_s)


def verdict_of(conn: sqlite3.Connection, run_id: str) -> dict[str, Any] | None:
    """The last verdict written down for a run; of one that is on, the live one. None where it holds no more."""
    row = conn.execute(
        "SELECT verdict, updated_utc FROM live WHERE run_id = ? AND verdict IS NOT NULL", (run_id,)
    ).fetchone()
    if row is None:
        row = conn.execute(
            "SELECT verdict, at_utc FROM verdicts WHERE run_id = ? ORDER BY verdict_id DESC LIMIT 1",
            (run_id,),
        ).fetchone()
    if row is None or Said(conn, run_id).since(run_id, row[1]):
        return None
    found: dict[str, Any] = json.loads(row[0])
    return found


def standing(conn: sqlite3.Connection, runs: dict[str, RunFacts]) -> dict[str, list[Any]]:
    """By run, (verdict, proven_s, action) of each verdict that still holds."""
    said = Said(conn)
    told: dict[str, tuple[str, Any]] = {}
    for run_id, at_utc, text in [*conn.execute(_LAST), *conn.execute(_LIVE)]:
        told.setdefault(run_id, (at_utc, text))
    return {
        run_id: json.loads(text)
        for run_id, (at_utc, text) in told.items()
        if run_id in runs and not said.since(run_id, at_utc, runs[run_id].ended_s)
    }
