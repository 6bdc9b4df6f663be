"""What people said, taken up as it is appended: runs begun, marked, corrected and ended, jars judged, alarms
acknowledged."""

from __future__ import annotations

from monitor.collector.afterwards import Afterwards
from monitor.collector.board import Board
from monitor.collector.liverun import Teller
from monitor.collector.resting import JAR_ENTRIES, Resting
from monitor.collector.storing import Storing
from monitor.store import reader
from monitor.store.entries import OF_A_REPROCESSING, read_entries, tells_of_reprocessing
from monitor.store.newest import newest_entry
from monitor.store.runs import read_house

ALARM_ENTRIES = ("alarm_acknowledged", "alarm_silenced", "alarm_shelved")


class Uptake:
    """Looks for new entries and hands them to whom they concern."""

    def __init__(
        self, storing: Storing, teller: Teller, board: Board, resting: Resting, afterwards: Afterwards
    ) -> None:
        self._conn = storing.writer.conn
        self._storing = storing
        self._teller = teller
        self._board = board
        self._resting = resting
        self._afterwards = afterwards
        self._version = -1
        self._newest = -1
        self._anew = False
        done = self._conn.execute("SELECT value FROM meta WHERE key = 'alarm_entries_done'").fetchone()
        self._alarms_done = int(done[0]) if done else 0
        self._zones: dict[str, str | None] = {}

    def zone_of(self, run_id: str) -> str | None:
        """The zone of a run's site, where it says one."""
        return self._zones.get(run_id)

    def look_anew(self) -> None:
        """Entries lie elsewhere in time than they did: they are taken up again."""
        self._anew = True

    def look(self, now_s: float) -> None:
        """Take up entries made since last asked."""
        version = reader.data_version(self._conn)
        if version == self._version and not self._anew:
            return
        self._version = version
        newest = newest_entry(self._conn)
        if newest == self._newest and not self._anew:
            return
        self._anew = False
        since, self._newest = self._newest, newest
        house = read_house(self._conn)
        self._teller.run_ids = house.runs.keys()
        self._zones = {run_id: facts.header.get("zone") for run_id, facts in house.runs.items()}
        if since >= 0:
            self._note_clock(since)
            self._afterwards.said(self._board.house, house)
        self._board.refresh(house)
        self._resting.refresh(house, now_s)
        if since >= 0:
            self._settle(since)
        self._hear_alarms()

    def _note_clock(self, since: int) -> None:
        """At a run's start and end it is kept how right the times of day were."""
        for entry in read_entries(self._conn, kinds=("run_started", "run_ended"), after_id=since):
            self._storing.note_clock("clock", f"run {entry.run_id}: {entry.kind.replace('_', ' ')}")

    def _settle(self, since: int) -> None:
        fresh = read_entries(self._conn, kinds=JAR_ENTRIES, after_id=since)
        told = {entry.run_id for entry in fresh}
        # The clock of the run that jars come from goes on until they are in the one that reprocesses them.
        moved = read_entries(self._conn, kinds=OF_A_REPROCESSING, after_id=since)
        runs = self._board.house.runs
        for child in {entry.run_id for entry in moved if tells_of_reprocessing(entry)}:
            told.add(runs[child].header.get("reprocess_of") if child in runs else None)
        for run_id in told:
            if run_id is not None:
                self._board.settle(run_id)
                self._resting.settle(run_id)

    def _hear_alarms(self) -> None:
        for entry in read_entries(self._conn, kinds=ALARM_ENTRIES, after_id=self._alarms_done):
            self._teller.apply(entry.kind, entry.body, entry.by, hold_owed=self._board.hold_owed)
            self._alarms_done = entry.id
            self._storing.outbox.meta["alarm_entries_done"] = str(entry.id)
