"""What the pages read from the store, and the one way they write: by appending an entry.

Reads are shared by all viewers for a moment, so that five open pages ask the store once. A cached function may have
parameters that it does not read, here and in the other modules that read the store: they are part of its key, so that
another ``newest`` or ``minute`` is another answer.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import judging, settings
from dashboard.alarm_model import standing
from dashboard.live_model import usual_spacing_s
from monitor.errors import StoreError
from monitor.record import Run, Sample
from monitor.store import reader
from monitor.store.clock import clock_in_force, read_clocks
from monitor.store.entries import Entry, read_entries
from monitor.store.newest import house_mark, newest_alarm, newest_entries
from monitor.store.stamp import SYSTEM_TIME, epoch_s, machine_boot
from monitor.store.together import Saying, append_together, copies

#: How long one answer serves every viewer; it is frozen or never written to, so it needs no copying. [s]
SHARED_FOR_S = 0.8


@dataclass(frozen=True, slots=True)
class House:
    """One moment of the whole store, for the live page.

    ``now_utc`` is the wall clock, ``rate`` how many seconds of a run pass in one of its seconds: 1 but for a
    demonstration. ``runs`` are those that are on, and those of the alarms that stand. ``heard_s`` is
    how long ago any node was last heard, in such seconds.
    """

    now_utc: datetime
    rate: float
    live: tuple[reader.LiveRow, ...]
    runs: dict[str, reader.RunRow]
    nodes: tuple[reader.NodeRow, ...]
    alarms: tuple[reader.AlarmRow, ...]
    heard_s: float | None


@contextmanager
def store_in(data_dir: Path) -> Iterator[sqlite3.Connection]:
    """A connection for one short read. Raises ``StoreError`` where there is no store."""
    conn = reader.open_reader(data_dir, renew=True)
    try:
        yield conn
    finally:
        conn.close()


def store() -> AbstractContextManager[sqlite3.Connection]:
    """As :func:`store_in`, of the store whose pages these are."""
    return store_in(settings.current().data_dir)


def clock_of(conn: sqlite3.Connection) -> tuple[float | None, float]:
    """(house time now, its rate); no time where no collector has set a clock since this machine started."""
    steady_s = SYSTEM_TIME.monotonic_s()
    row = clock_in_force(read_clocks(conn), machine_boot(), steady_s)
    return (row.house_s(steady_s), row.rate) if row else (None, 1.0)


@st.cache_resource(ttl=SHARED_FOR_S, show_spinner=False)
def house(data_dir: Path) -> House:
    """The store's newest moment, as all viewers see it for less than a second."""
    with store() as conn:
        house_s, rate = clock_of(conn)
        live = tuple(reader.live(conn))
        newest = newest_alarm(conn)
    alarms = _alarms(data_dir, newest)
    wanted = {row.run_id for row in live} | {item.run_id for item in standing(alarms) if item.run_id}
    rows = _rows_of(data_dir, tuple(sorted(wanted))) if wanted else {}
    nodes = _nodes(data_dir)
    heard = [row.last_arrival_s for row in nodes if row.last_arrival_s is not None]
    silent_s = (house_s - max(heard)) / rate if heard and house_s is not None else None
    return House(SYSTEM_TIME.utc_now(), rate, live, rows, nodes, alarms, silent_s)


# What follows grows with the years, or changes seldom; none of it is read anew each second.


@st.cache_resource(max_entries=2, show_spinner=False)
def _entries_add_up(data_dir: Path, grown: tuple[int, ...]) -> reader.House:
    with store_in(data_dir) as conn:
        return reader.read_house(conn)


def told(conn: sqlite3.Connection, data_dir: Path) -> reader.House:
    """What all entries add up to: nothing of it is ever changed, so it is read again only when more was said."""
    return _entries_add_up(data_dir, house_mark(conn))


@st.cache_resource(ttl=5.0, max_entries=4, show_spinner=False)
def _rows_of(data_dir: Path, run_ids: tuple[str, ...]) -> dict[str, reader.RunRow]:
    with store_in(data_dir) as conn:
        return {
            row.run_id: row for row in reader.list_runs(conn, told(conn, data_dir)) if row.run_id in run_ids
        }


@st.cache_resource(ttl=3.0, max_entries=2, show_spinner=False)
def _nodes(data_dir: Path) -> tuple[reader.NodeRow, ...]:
    with store_in(data_dir) as conn:
        return tuple(reader.nodes(conn, told(conn, data_dir)))


@st.cache_resource(max_entries=2, show_spinner=False)
def _alarms(data_dir: Path, newest: int) -> tuple[reader.AlarmRow, ...]:
    """The journal up to its row ``newest``: read again only when it has grown."""
    with store() as conn:
        return tuple(reader.alarms(conn))


def house_now() -> House:
    return house(settings.current().data_dir)


def age_s(moment: House, utc: str) -> float:
    """How long ago a stored time of day was. [s]"""
    return max(0.0, moment.now_utc.timestamp() - epoch_s(utc))


@st.cache_resource(ttl=2.5, max_entries=8, show_spinner=False)
def live_trace(data_dir: Path, run_id: str, since_s: float) -> tuple[Run | None, list[Sample]]:
    """The header and marks of a run that is on, and its samples from ``since_s`` on, in time order."""
    with store() as conn:
        house = told(conn, data_dir)
        facts = house.runs.get(run_id)
        if facts is None:
            return None, []
        return facts.as_run(), reader.recent_samples(conn, run_id, since_s, house)


@st.cache_resource(ttl=30.0, max_entries=16, show_spinner=False)
def _spacing_s(data_dir: Path, run_id: str, at_s: float) -> float:
    with store() as conn:
        samples = reader.recent_samples(conn, run_id, max(0.0, at_s - 120.0), told(conn, data_dir))
    return usual_spacing_s([sample.t_s for sample in samples if not sample.late])


def spacing_s(run_id: str, at_s: float) -> float:
    """Usual time between the readings of a run that is on, looked up about twice a minute. [s]"""
    return _spacing_s(settings.current().data_dir, run_id, at_s - at_s % 60.0)


@st.cache_resource(ttl=5.0, show_spinner=False)
def _household(data_dir: Path) -> dict[str, Any]:
    chosen: dict[str, Any] = {}
    try:
        with store_in(data_dir) as conn:
            for entry in read_entries(conn, kinds=["settings"]):
                chosen |= entry.body
    except StoreError:
        # No store yet: nothing was chosen.
        return {}
    return chosen


def household() -> dict[str, Any]:
    """What the household chose (``units``, ``zone``), the newest choice of each."""
    return _household(settings.current().data_dir)


@st.cache_resource(ttl=2.0, show_spinner=False)
def runs(data_dir: Path) -> list[reader.RunRow]:
    """Every run, newest first. Those that came from elsewhere are judged here, the newest first, behind the pages."""
    with store() as conn:
        rows = reader.list_runs(conn, told(conn, data_dir))
        said = newest_entries(conn)
    return [
        _with_verdict(row, judging.Record(data_dir, row.run_id, said.get(row.run_id, 0)))
        if row.verdict is None and not row.is_on
        else row
        for row in rows
    ]


def _with_verdict(row: reader.RunRow, record: judging.Record) -> reader.RunRow:
    found = judging.perhaps(record)
    if found is None:
        return row
    advice = found["advice"]["action"]
    return replace(row, verdict=found["verdict"], proven_s=found["proven_s"], advice_action=advice)


def say(
    kind: str,
    body: Mapping[str, Any],
    *,
    run_id: str | None = None,
    reason: str | None = None,
    happened: datetime | None = None,
    corrects: int | None = None,
) -> int:
    """Append what a person said, with who said it; it takes effect as it is appended.

    ``happened`` (aware) is when it was, if not now; more than five minutes ago wants a ``reason``.
    """
    one = Saying(kind, dict(body), run_id=run_id, happened=happened, corrects=corrects, reason=reason)
    return say_together([one])[0]


def say_together(sayings: Sequence[Saying]) -> list[int]:
    """As :func:`say`, all that one press says: whole or not at all, and once.

    A second press stops the page that the first one draws, at whatever that asks Streamlit next: between two entries
    nothing may be asked.
    """
    by, data_dir = speaker(), settings.current().data_dir
    return append_together(data_dir, sayings, by=by)


def take_back(
    number: int, entries: Iterable[Entry], *, run_id: str, reason: str, of: str | None = None
) -> None:
    """Take back an entry of a run, with any copy that the same press left; ``of`` is its kind, where that is kept."""
    body = {"withdrawn": True} | ({"of": of} if of else {})
    say_together(
        [
            Saying("correction", body, run_id=run_id, corrects=one, reason=reason)
            for one in copies(entries, number)
        ]
    )


def speaker() -> str | None:
    """Who is speaking, as far as this viewer has said."""
    return str(st.session_state.get("who") or "").strip() or None


@st.cache_resource(ttl=2.0, show_spinner=False)
def _entries(data_dir: Path, kinds: tuple[str, ...], run_id: str | None) -> list[Entry]:
    try:
        with store() as conn:
            return read_entries(conn, run_id, kinds)
    except StoreError:
        # No store yet: nobody has said anything.
        return []


def entries(kinds: tuple[str, ...], run_id: str | None = None) -> list[Entry]:
    """Entries of these kinds, oldest first."""
    return _entries(settings.current().data_dir, kinds, run_id)


def nodes_now() -> tuple[reader.NodeRow, ...]:
    """Every node heard, none where there is no store yet."""
    try:
        return house_now().nodes
    except StoreError:
        return ()


def zone() -> str | None:
    """The household's zone: as it chose, else that of its newest run."""
    chosen = household().get("zone")
    if isinstance(chosen, str) and chosen:
        return chosen
    return next((row.zone for row in runs(settings.current().data_dir) if row.zone), None)


def zone_of(run: reader.RunRow | None) -> str | None:
    """The zone of a run's own kitchen, where its record names none, or there is no run, the household's as it chose."""
    if run is not None and run.zone:
        return run.zone
    chosen = household().get("zone")
    return chosen if isinstance(chosen, str) and chosen else None


def forget() -> None:
    """Read anew what this viewer has just changed."""
    for shared in (_household, _entries, _rows_of, _nodes, runs, house):
        shared.clear()
