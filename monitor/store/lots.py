"""Lot codes of the runs in a store."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.plan.lot import lot_code
from monitor.store.runs import read_house


def lots(conn: sqlite3.Connection) -> dict[str, str]:
    """Lot code to the id of the run that carries it."""
    batches = ((facts.run_id, facts.header.get("batch")) for facts in read_house(conn).runs.values())
    return {
        str(batch["lot_code"]): run_id
        for run_id, batch in batches
        if isinstance(batch, dict) and "lot_code" in batch
    }


def with_lot(conn: sqlite3.Connection, header: Mapping[str, Any]) -> dict[str, Any]:
    """A header that is about to start a run, with a lot code of its own where it has none."""
    batch = header.get("batch")
    told = dict(batch) if isinstance(batch, Mapping) else {}
    if not told.get("lot_code"):
        started_at = datetime.fromisoformat(str(header["started_at"]))
        # Without a known zone: the day by the header's own offset.
        with suppress(ZoneInfoNotFoundError, ValueError):
            started_at = started_at.astimezone(ZoneInfo(str(header.get("zone") or "UTC")))
        told["lot_code"] = lot_code(str(header["run_id"]), started_at.date(), lots(conn))
    return {**header, "batch": told}
