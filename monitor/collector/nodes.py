"""What the collector remembers of a node: its starts, their clocks, and what of them is stored."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.collector.nodetime import NodeClock
from monitor.collector.receipts import Receipts

#: So many starts of a node are remembered; what an older one still says is stored all the same.
MOST_STARTS = 8


@dataclass(slots=True)
class NodeState:
    """What the collector remembers of one node."""

    name: str
    node_id: int
    source: str
    boot: int | None = None
    clocks: dict[int, NodeClock] = field(default_factory=dict)
    receipts: dict[int, Receipts] = field(default_factory=dict)
    #: House time of the first and the newest sample that was no late one; by start of the node.
    first_s: dict[int, float] = field(default_factory=dict)
    fresh_s: dict[int, float] = field(default_factory=dict)
    #: The start that is refused because another node speaks under this name.
    twin: int | None = None
    presence: str = ""
    #: How far its own time of day was last seen ahead of the house's.
    ahead_s: float = 0.0
    value_boot: int | None = None
    value_seq: int = 0

    def forget_old_starts(self) -> None:
        """Keep the newest starts only: a node that restarts for ever must not fill the memory."""
        for kept in (self.clocks, self.receipts, self.first_s, self.fresh_s):
            spare = [boot for boot in kept if boot not in (self.boot, self.twin)]
            for boot in spare[: max(0, len(kept) - MOST_STARTS + 1)]:
                kept.pop(boot)

    def shift(self, by_s: float) -> None:
        """House time itself was moved."""
        for clock in self.clocks.values():
            clock.shift(by_s)
        for times in (self.first_s, self.fresh_s):
            for boot in times:
                times[boot] += by_s
