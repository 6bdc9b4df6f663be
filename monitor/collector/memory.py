"""What a new collector takes over from the one before: receipts and clocks of the nodes, from the store."""

from __future__ import annotations

from monitor.collector.nodes import NodeState
from monitor.collector.nodetime import BACK_S, DRIFT_PER_S, NodeClock
from monitor.collector.receipts import Receipts
from monitor.store.writer import StoreWriter

#: The clock estimate is taken over from so many of the newest samples.
_NEWEST = 10_000


def recall(writer: StoreWriter, name: str, source: str, *, clocks_continue: bool) -> tuple[NodeState, bool]:
    """The state of a node, and whether it was never heard before.

    ``clocks_continue``: house time still is what it was when the stored samples were placed.
    """
    new = not writer.knows(name)
    node = NodeState(name, writer.node_id(name, source), source)
    newest = writer.conn.execute(
        "SELECT boot FROM samples WHERE node = ? ORDER BY at_s DESC LIMIT 1", (node.node_id,)
    ).fetchone()
    if newest is None:
        return node, new
    node.boot = int(newest[0])
    node.receipts[node.boot] = _receipts(writer, node.node_id, node.boot)
    if clocks_continue:
        _take_over_clock(writer, node, node.boot)
    return node, new


def _receipts(writer: StoreWriter, node_id: int, boot: int) -> Receipts:
    key = (node_id, boot)
    row = writer.conn.execute("SELECT upto FROM receipts WHERE node = ? AND boot = ?", key).fetchone()
    receipts = Receipts(upto=int(row[0]) if row else -1)
    # Only what lies beyond the receipt is read, so that a week of samples costs nothing.
    beyond = writer.conn.execute(
        "SELECT seq FROM samples WHERE node = ? AND boot = ? AND seq > ? ORDER BY seq", (*key, receipts.upto)
    )
    for (seq,) in beyond:
        receipts.cover(seq)
    for first, count in writer.conn.execute(
        "SELECT from_seq, count FROM lost WHERE node = ? AND boot = ? ORDER BY from_seq", key
    ):
        receipts.cover(first, first + count - 1)
    return receipts


def _take_over_clock(writer: StoreWriter, node: NodeState, boot: int) -> None:
    rows = writer.conn.execute(
        "SELECT at_s, uptime_s, arrival_s, late, seq FROM samples"
        " WHERE node = ? AND boot = ? ORDER BY seq DESC LIMIT ?",
        (node.node_id, boot, _NEWEST),
    ).fetchall()
    # Back to where its counter last made no sense, if it ever did: there the estimate began.
    later_s, known, counted = float("inf"), [], []
    for at_s, uptime_s, arrival_s, _, seq in rows:
        if uptime_s is None:
            continue
        if uptime_s > later_s + BACK_S:
            break
        later_s = uptime_s
        known.append((arrival_s, at_s - uptime_s))
        counted.append((int(seq), float(uptime_s), float(arrival_s)))
    if known:
        known.sort()
        fed_s = known[-1][0]
        node.clocks[boot] = NodeClock(
            # One mad uptime among the last must not become the estimate.
            offset_s=max(offset_s for _, offset_s in known[-3:]),
            fed_s=fed_s,
            born_s=known[0][0],
            # What was placed too late by a collector that did not live to mend it is still to be moved.
            placed_s=max(offset_s - DRIFT_PER_S * (fed_s - arrival_s) for arrival_s, offset_s in known),
        )
        # How slow its crystal is was learned before: a restart must not cost the better part of an hour each time.
        for _, uptime_s, arrival_s in reversed(counted):
            node.clocks[boot].crystal.take(arrival_s - uptime_s, arrival_s)
        node.clocks[boot].take_over(counted[1] if len(counted) > 1 else None, counted[0])
    fresh = [at_s for at_s, _, _, late, _ in rows if not late]
    if fresh:
        node.first_s[boot], node.fresh_s[boot] = min(fresh), max(fresh)
