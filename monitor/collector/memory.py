"""What a new collector takes over from the one before: receipts and clocks of the nodes, from the store."""

from __future__ import annotations

from monitor.collector.nodes import NodeState
from monitor.collector.nodetime import NodeClock
from monitor.collector.receipts import Receipts
from monitor.store.writer import StoreWriter

#: The clock estimate is taken over from the newest samples: the largest of so many, so that a single mad
#: uptime among them has no say.
_NEWEST = 10


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
        "SELECT seq, at_s, uptime_s, arrival_s, late FROM samples"
        " WHERE node = ? AND boot = ? ORDER BY seq DESC LIMIT ?",
        (node.node_id, boot, _NEWEST),
    ).fetchall()
    known = [(at_s - uptime_s, arrival_s) for _, at_s, uptime_s, arrival_s, _ in rows if uptime_s is not None]
    if known:
        offset_s, arrival_s = max(known)
        node.clocks[boot] = NodeClock(offset_s=offset_s, fed_s=arrival_s, born_s=arrival_s)
    fresh = [at_s for _, at_s, _, _, late in rows if not late]
    if fresh:
        node.first_s[boot], node.fresh_s[boot] = min(fresh), max(fresh)
