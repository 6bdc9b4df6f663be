"""How long the machine was away, as far as the nodes can tell.

After a new start of the machine in a run, house time begins at the least that is known. A node that went on meanwhile,
or that was up sooner, knows better: what it kept was taken after all that the store held by then. Where its samples
would come to lie before that, the machine was away for longer, and house time is to go forward by the difference.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from monitor.collector.nodes import NodeState
from monitor.collector.nodetime import NodeClock
from monitor.judge.gap import CEILING_S
from monitor.store.samples import Row

#: Less than this is a link's delay or a crystal's drift. [s] Chosen, within what the engine takes for agreement.
LEAST_S = 1.0
#: More than this is a node's mad counter and no time that a machine was away in a run. [s] Chosen.
MOST_S = 86400.0
#: For so long after a node was first heard its estimate may still come down: what it kept comes in. [s] Chosen.
LISTEN_S = 60.0
#: Uptime and count of samples tell the same time when they differ by no more than this, or this share. [s] Chosen.
AGREE_S, AGREE_SHARE = 5.0, 0.05


@dataclass(slots=True)
class _Start:
    """One start of a node: its least offset against house time, as far as that is known. [s]"""

    until_s: float
    first_uptime_s: float
    #: Of a start that the store knows: sequence number and uptime of its newest sample, least offset, rhythm. [s]
    known: tuple[int, float, float, float] | None

    def least_s(self, floor_s: float, seq: int, uptime_s: float) -> float | None:
        """The least offset; ``seq`` and ``uptime_s``: of its newest sample."""
        if self.known is None:
            return floor_s - self.first_uptime_s
        before_seq, before_s, offset_s, step_s = self.known
        passed_s = uptime_s - before_s
        apart_s = abs(passed_s - (seq - before_seq) * step_s)
        return offset_s if apart_s <= AGREE_S + AGREE_SHARE * abs(passed_s) else None


class Longer(NamedTuple):
    """``node`` shows that the machine was away for ``by_s`` longer; ``went_on``: it did not start anew itself."""

    by_s: float
    node: str
    went_on: bool


class Away:
    """Listens to the nodes that serve a run, each for a while after it was first heard.

    Parameters
    ----------
    nodes : iterable of str
        The nodes that serve the runs that are on.
    held_s : float
        The newest house time that the store held when the machine started; far in the past where that is not known.
    """

    def __init__(self, conn: sqlite3.Connection, nodes: Iterable[str], held_s: float) -> None:
        self._conn = conn
        self._nodes = frozenset(nodes)
        #: What a new start of a node says first is no nearer to what was held than a gap that nothing bridges.
        self._floor_s = held_s + CEILING_S + LEAST_S
        self._starts: dict[tuple[int, int], _Start] = {}

    def shown(self, nodes: Mapping[str, NodeState], rows: Iterable[Row], now_s: float) -> Longer | None:
        """That the machine was away for longer than is recorded, where these rows show it.

        Call before the rows are stored.
        """
        newest: dict[tuple[int, int], tuple[int, float]] = {}
        for node_id, boot, seq, _, _, uptime_s, *_ in rows:
            if uptime_s is not None:
                self._hear((node_id, boot), uptime_s, now_s)
                newest[node_id, boot] = max(newest.get((node_id, boot), (-1, 0.0)), (seq, uptime_s))
        longer = Longer(LEAST_S, "", went_on=False)
        for node in nodes.values():
            if node.name not in self._nodes:
                continue
            for boot, clock in node.clocks.items():
                start = (node.node_id, boot)
                short_s = self._short_s(start, clock, newest[start], now_s) if start in newest else 0.0
                if longer.by_s < short_s <= MOST_S:
                    longer = Longer(short_s, node.name, went_on=self._starts[start].known is not None)
        return longer if longer.node else None

    def moved(self, by_s: float) -> None:
        """House time went forward by that."""
        for heard in self._starts.values():
            heard.until_s += by_s

    def _hear(self, start: tuple[int, int], uptime_s: float, now_s: float) -> None:
        heard = self._starts.get(start)
        if heard is None:
            self._starts[start] = _Start(now_s + LISTEN_S, uptime_s, self._known(start))
        else:
            heard.first_uptime_s = min(heard.first_uptime_s, uptime_s)

    def _known(self, start: tuple[int, int]) -> tuple[int, float, float, float] | None:
        rows = self._conn.execute(
            "SELECT seq, uptime_s, at_s FROM samples WHERE node = ? AND boot = ? AND uptime_s IS NOT NULL"
            " ORDER BY seq DESC LIMIT 2",
            start,
        ).fetchall()
        if len(rows) < 2:
            return None
        (seq, uptime_s, at_s), (before_seq, before_s, _) = rows
        return int(seq), uptime_s, at_s - uptime_s, (uptime_s - before_s) / (seq - before_seq)

    def _short_s(
        self, start: tuple[int, int], clock: NodeClock, newest: tuple[int, float], now_s: float
    ) -> float:
        heard = self._starts[start]
        if clock.offset_s is None or clock.wrapped or now_s > heard.until_s:
            return 0.0
        least_s = heard.least_s(self._floor_s, *newest)
        return 0.0 if least_s is None else least_s - clock.offset_s
