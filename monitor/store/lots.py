"""Lot codes of the runs in a store."""

from __future__ import annotations

import sqlite3

from monitor.store.runs import read_house


def lots(conn: sqlite3.Connection) -> dict[str, str]:
    """Lot code to the id of the run that carries it."""
    batches = ((facts.run_id, facts.header.get("batch")) for facts in read_house(conn).runs.values())
    return {
        str(batch["lot_code"]): run_id
        for run_id, batch in batches
        if isinstance(batch, dict) and "lot_code" in batch
    }
