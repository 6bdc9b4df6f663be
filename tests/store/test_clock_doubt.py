"""A clock that was set after a run began: its times of day are not those of the clock on the wall."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.store.clock import ClockRow, write_clock
from monitor.store.clock_doubt import clock_doubt
from monitor.store.database import open_writer
from monitor.store.entries import append_entry, read_entries
from monitor.store.stamp import SYSTEM_TIME, machine_boot, utc_text


def begun(data: Path, ahead_s: float, boot: str | None = None) -> None:
    """A run that began while the machine believed a time so far ahead."""
    now, steady_s = SYSTEM_TIME.utc_now(), SYSTEM_TIME.monotonic_s()
    offset_s = now.timestamp() - steady_s + ahead_s
    with closing(open_writer(data)) as conn:
        write_clock(
            conn, ClockRow(boot or machine_boot(), 0.0, 1.0, offset_s, utc_text(now), "the collector started")
        )
        conn.commit()
    header = {"format": "boilwitness-run/1", "run_id": "r1", "canner": "c1", "started_at": utc_text(now)}
    header["required"] = {"minutes": 10, "source": "chosen for the test"}  # type: ignore[assignment]
    append_entry(data, "run_started", header, run_id="r1")


@pytest.mark.parametrize(
    ("ahead_s", "says"),
    [
        (7200.0, "are 2 h ahead of it"),
        (-3.0 * 86400.0 - 300.0, "are 3 days 5 min behind it"),
        (20.0, ""),
        (0.0, ""),
    ],
)
def test_by_how_much_the_times_of_day_are_off_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ahead_s: float, says: str
) -> None:
    begun(tmp_path, ahead_s)
    assert main(["jars", "r1", "--data", str(tmp_path)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert (says in told) if says else ("own clock" not in told)


def test_of_another_start_of_the_machine_nothing_is_known(tmp_path: Path) -> None:
    begun(tmp_path, 7200.0, boot="another")
    with closing(open_writer(tmp_path)) as conn:
        (began,) = read_entries(conn, "r1")
        assert clock_doubt(conn, began, SYSTEM_TIME.utc_now()) == ""
        assert clock_doubt(conn, None, SYSTEM_TIME.utc_now()) == ""
