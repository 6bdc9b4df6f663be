"""One record from several nodes: the water's rows lead, and take along what others measured just before.

A record has one row a sample time, and its ``boot`` and ``seq`` are one node's. Where a second node (room, jars,
pressure) serves the same canner, or a device says one plain number a topic, each of its values is put once on
the next row of the water's node, at most :data:`ALONG_S` later, where that row says nothing itself. Nothing is
carried on beyond that; a value that finds no row stands in a row of its own, without the water.

Where several nodes have a water channel, the first whose water was heard :data:`HEARD` times on time leads
(:func:`heard_on_time`). One reading alone decides nothing, and what comes late takes the lead from nobody.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from monitor.record.model import Sample
from monitor.store.samples import SELECT

#: How much later the row may be that takes a value along. [s]
ALONG_S = 5.0

#: So many readings of its water on time make a node lead: a few strays from before do not. Our own choice.
HEARD = 5

#: Whether a row was known at some moment; the number is that of a conflict, None for a sample.
Known = Callable[[tuple[Any, ...], int | None], bool]


def everything(row: tuple[Any, ...], conflict: int | None) -> bool:
    """All that the store holds."""
    return True


#: Which of two nodes leads, told from the rows of its water in time order: the smaller leads.
Rank = Callable[[Iterable[tuple[Any, ...]]], tuple[float, ...]]


def heard_on_time(rows: Iterable[tuple[Any, ...]]) -> tuple[float, ...]:
    """When it was heard on time for the :data:`HEARD` th time; for the first time; whenever. [s, house time]

    It hangs on the rows alone and not on the order in which they came, and once a node leads, only what is on time
    and older could change that: a matter of seconds.
    """
    first_s = float("inf")
    on_time_s: list[float] = []
    for row in rows:
        first_s = min(first_s, float(row[3]))
        if not row[6]:
            on_time_s.append(float(row[3]))
            if len(on_time_s) == HEARD:
                return on_time_s[-1], on_time_s[0], first_s
    return float("inf"), min(on_time_s, default=float("inf")), first_s


def first_taken(rows: Iterable[tuple[Any, ...]]) -> tuple[float, ...]:
    """The earlier rule, by which older seals were made: one reading leads, however late it came. [s, house time]"""
    return (next((float(row[3]) for row in rows), float("inf")),)


class Ranks:
    """:func:`heard_on_time` of services in the store, remembered as long as no stored row can have changed it.

    Who leads is asked again with every batch, and a node without water is read from its first row to its last before
    that is known. Whoever keeps this tells of every row that was stored (:meth:`stored`) or moved (:meth:`forget`).
    """

    def __init__(self) -> None:
        self._told: dict[tuple[int, float, float], tuple[float, ...]] = {}

    def of(self, conn: sqlite3.Connection, node: int, low_s: float, high_s: float) -> tuple[float, ...]:
        """The rank of a node's service between two times. [s, house time]"""
        told = self._told.get((node, low_s, high_s))
        if told is None:
            told = heard_on_time(_water_rows(conn, node, low_s, high_s, everything))
            self._told[node, low_s, high_s] = told
        return told

    def stored(self, rows: Iterable[tuple[Any, ...]]) -> None:
        """These are in the store now: a rank is read anew where one of them may come before what it rests on."""
        for row in rows:
            if row[7] is None and row[8] is None:
                continue
            for service, (last_s, _, oldest_s) in list(self._told.items()):
                node, low_s, high_s = service
                counts_s = oldest_s if row[6] else max(last_s, oldest_s)
                if row[0] == node and low_s <= row[3] <= high_s and row[3] < counts_s:
                    del self._told[service]

    def forget(self) -> None:
        """Rows were moved in time."""
        self._told.clear()


class Span(NamedTuple):
    """A node's service: its number, from when to when (house time), and whether others' rows lead."""

    node: int
    low_s: float
    high_s: float
    auxiliary: bool


def spans_of(
    conn: sqlite3.Connection,
    serving: Iterable[tuple[str, float, float]],
    known: Known = everything,
    rank: Rank = heard_on_time,
    remembered: Ranks | None = None,
) -> list[Span]:
    """Who leads of the nodes that serve at the same time; where ``rank`` ties, the node that was assigned first.

    ``remembered`` takes the place of reading all rows for ``known`` and ``rank`` as they are by default.
    """
    numbers = dict(conn.execute("SELECT name, node_id FROM nodes"))
    there = [(numbers[name], low_s, high_s) for name, low_s, high_s in serving if name in numbers]
    if len(there) < 2:
        return [Span(*one, auxiliary=False) for one in there]
    # The earlier rule looked at each assignment by itself.
    ranked: Iterable[tuple[int, float, float]] = there if rank is first_taken else _from_its_begin(there)
    if remembered is not None:
        ranks = [remembered.of(conn, *one) for one in ranked]
    else:
        ranks = [rank(_water_rows(conn, *one, known)) for one in ranked]
    order = sorted(range(len(there)), key=lambda at: (ranks[at], at))
    leading: list[tuple[int, float, float]] = []
    spans: list[Span] = []
    for at in order:
        node, low_s, high_s = there[at]
        beside = any(low < high_s and low_s < high for other, low, high in leading if other != node)
        spans.append(Span(node, low_s, high_s, auxiliary=beside))
        if not beside:
            leading.append(there[at])
    return spans


def _from_its_begin(there: Sequence[tuple[int, float, float]]) -> Iterator[tuple[int, float, float]]:
    """A node that was assigned again to what it served already has served it since before."""
    node, begin_s, until_s = -1, 0.0, 0.0
    for number, low_s, high_s in there:
        if (number, low_s) != (node, until_s):
            begin_s = low_s
        node, until_s = number, high_s
        yield node, begin_s, high_s


def _water_rows(
    conn: sqlite3.Connection, node: int, low_s: float, high_s: float, known: Known
) -> Iterator[tuple[Any, ...]]:
    rows = conn.execute(
        f"{SELECT} WHERE node = ? AND at_s BETWEEN ? AND ?"
        " AND (water_C IS NOT NULL OR water_fault IS NOT NULL) ORDER BY at_s",
        (node, low_s, min(high_s, 1e12)),
    )
    return (row for row in rows if known(row, None))


def stands_beside(sample: Sample) -> bool:
    """Whether a row is a plain number other than the water's: it has no uptime, and says nothing of the water."""
    return sample.water_C is None and sample.water_fault is None and sample.uptime_s is None


class Merger:
    """Puts values along. Feed it in time order; live, in the order in which things come."""

    def __init__(self) -> None:
        self._waiting: list[Sample] = []

    def push(self, sample: Sample, *, auxiliary: bool) -> list[Sample]:
        """Rows that are ready now."""
        alone = self._expired(sample.t_s)
        if auxiliary:
            self._waiting.append(sample)
            return alone
        along = [one for one in self._waiting if one.t_s <= sample.t_s]
        if along:
            self._waiting = [one for one in self._waiting if one.t_s > sample.t_s]
            for one in reversed(along):
                sample = _with(sample, one)
        return [*alone, sample]

    def flush(self) -> list[Sample]:
        """What found no row."""
        return self._expired(float("inf"))

    def _expired(self, now_s: float) -> list[Sample]:
        if not self._waiting:
            return []
        alone = [_alone(one) for one in self._waiting if now_s - one.t_s > ALONG_S]
        self._waiting = [one for one in self._waiting if now_s - one.t_s <= ALONG_S]
        return alone


def _with(row: Sample, other: Sample) -> Sample:
    """``row`` with what it lacks and ``other`` has; the newest of several wins among the others' own."""
    second_C = other.water_C if other.water_C is not None else other.water_2_C
    return row._replace(
        room_C=_first(row.room_C, other.room_C),
        pressure_kPa=_first(row.pressure_kPa, other.pressure_kPa),
        heater_W=_first(row.heater_W, other.heater_W),
        mains=row.mains if row.mains is not None else other.mains,
        water_2_C=_first(row.water_2_C, second_C),
        jars={**other.jars, **row.jars} if other.jars else row.jars,
        lids={**other.lids, **row.lids} if other.lids else row.lids,
    )


def _alone(sample: Sample) -> Sample:
    return sample._replace(
        boot=None, seq=None, water_C=None, water_fault=None, water_2_C=None, chip_C=None, uptime_s=None
    )


def _first(value: float | None, other: float | None) -> float | None:
    return other if value is None else value
