"""Every run that starts here has a lot code of its own, with the day it has in its kitchen."""

from __future__ import annotations

from pathlib import Path

from monitor.plan.lot import parse_lot
from monitor.store.database import open_reader, open_writer
from monitor.store.entries import append_entry
from monitor.store.lots import lots, with_lot

HEADER = {
    "format": "boilwitness-run/1",
    "run_id": "2026-08-14-canner-1-a-again1",
    # Half past ten in the evening of the 14th in Denver.
    "started_at": "2026-08-15T04:30:00+00:00",
    "zone": "America/Denver",
    "required": {"minutes": 30},
    "batch": {"food": "pear halves"},
}


def test_a_code_of_its_own_by_the_day_of_the_kitchen(tmp_path: Path) -> None:
    open_writer(tmp_path).close()
    conn = open_reader(tmp_path)
    told = with_lot(conn, HEADER)
    code = told["batch"]["lot_code"]
    assert code.startswith("260814-") and parse_lot(code) == code
    assert told["batch"]["food"] == "pear halves" and "lot_code" not in HEADER["batch"]
    assert with_lot(conn, told) == told, "one that is there stays"
    # The same code is in use: the next one is given.
    append_entry(tmp_path, "run_started", told, run_id="r1")
    assert lots(conn) == {code: "r1"}
    assert with_lot(conn, HEADER)["batch"]["lot_code"] != code
    conn.close()
