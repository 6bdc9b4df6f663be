"""From what came in to what is stored: decode, place in time, account for, refuse. Touches no disk itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from monitor.collector.awake import Awake
from monitor.collector.nodes import NodeState
from monitor.collector.nodetime import NodeClock
from monitor.collector.receipts import Receipts
from monitor.errors import StoreError, WireFormatError
from monitor.intake.channels import decode_value
from monitor.intake.source import Arrival
from monitor.intake.wire import Pack, decode_pack, encode_ask, identity_of_refused
from monitor.record.model import Sample
from monitor.store.handover import Batch, Loss, Refusal
from monitor.store.samples import Row, row_values

#: A sample longer on its way than this is late: stored, judged, but no sign of life. [s of people's time]
LATE_S = 5.0
#: A start of a node that speaks again after another has taken over, within this time, is a second node. [s]
TWIN_S = 10.0
#: Times of day that differ by more, or whose difference changed by more, are spoken of. [s]
CLOCKS_DIFFER_S = 2.0
#: By so much the placing of two starts' samples may be wrong against each other. [s]
TWIN_MARGIN_S = 2.0
#: A store serves a house: more strange names than this are noise, or malice. They are refused.
MOST_NODES = 500


@dataclass(slots=True)
class News:
    """What a person should hear of, once: (kind, text)."""

    lines: list[tuple[str, str]] = field(default_factory=list)

    def add(self, kind: str, text: str) -> None:
        self.lines.append((kind, text))


class Ingest:
    """Turns arrivals into a batch. Its own state may run ahead of the disk, never what it tells a node.

    Parameters
    ----------
    recall : callable
        Gives the remembered state of a node by its name and source, from the store, or a new one.
    house_s : callable
        House time of a reading of the steady clock.
    awake : Awake, optional
        When the collector itself could hear nothing: what that delayed is not late.
    known : callable, optional
        Whether a name is the house's: heard before this collector began, or named by a person. Such a node is always
        taken, however many strange names came before it.
    """

    def __init__(
        self,
        recall: Callable[[str, str], tuple[NodeState, bool]],
        house_s: Callable[[float], float],
        awake: Awake | None = None,
        known: Callable[[str], bool] = lambda name: False,
    ) -> None:
        self._recall = recall
        self._house_s = house_s
        self._awake = awake or Awake()
        self._known = known
        self._strange = 0
        self.nodes: dict[str, NodeState] = {}
        self.news = News()
        #: Of nodes that got no number, since the disk refuses one: to be taken again, in front of what comes next.
        self.unplaced: list[Arrival] = []

    def take(self, arrivals: Iterable[Arrival]) -> Batch:
        """Everything in ``arrivals`` as one batch; nothing escapes, whatever the bytes."""
        batch, self.unplaced = Batch(), []
        for arrival in arrivals:
            try:
                self._take_one(arrival, batch)
            except WireFormatError as trouble:
                self._refuse(arrival, str(trouble), batch)
            except StoreError:
                self.unplaced.append(arrival)
        return batch

    def _take_one(self, arrival: Arrival, batch: Batch) -> None:
        if arrival.kind == "samples":
            pack = decode_pack(arrival.payload, arrival.node_hint)
            if pack.seq is not None and pack.boot is not None:
                self._sample(arrival, pack, pack.boot, pack.seq, batch)
            if pack.gone is not None:
                self._gone(arrival, pack, batch)
            elif pack.seq is None:
                raise WireFormatError("this is what the collector says, not a node")
        elif arrival.kind == "value":
            self._value(arrival, batch)
        elif arrival.kind == "presence":
            self._presence(arrival)
        else:
            batch.refusals.append(
                Refusal(arrival.source, arrival.node_hint, arrival.why or "not accepted", arrival.payload)
            )

    def _sample(self, arrival: Arrival, pack: Pack, boot: int, seq: int, batch: Batch) -> None:
        node = self._node(pack.node, arrival.source)
        arrival_s = self._house_s(arrival.arrival_s)
        clock = node.clocks.get(boot)
        if clock is None:
            node.forget_old_starts()
            clock = node.clocks[boot] = NodeClock()
        if pack.uptime_s is None:
            at_s = arrival_s - pack.age_s
        else:
            at_s = clock.place(seq, pack.uptime_s, pack.age_s, arrival_s)
        late = self._awake.delay_s(at_s, arrival_s) > LATE_S
        if boot != node.boot or node.twin is not None:
            self._which_start(node, boot, at_s, late)
        if not late:
            node.first_s.setdefault(boot, at_s)
            node.fresh_s[boot] = max(at_s, node.fresh_s.get(boot, at_s))
        if pack.taken_unix_s is not None:
            self._compare_clocks(node, pack.taken_unix_s - at_s)
        receipts = node.receipts.get(boot)
        if receipts is None:
            receipts = node.receipts[boot] = Receipts()
        receipts.cover(seq)
        batch.receipts[node.node_id, boot] = receipts.upto
        batch.rows.append(
            (
                node.node_id,
                boot,
                seq,
                at_s,
                arrival_s,
                pack.uptime_s,
                1 if late else 0,
                pack.water_C,
                pack.water_fault,
                pack.room_C,
                pack.pressure_kPa,
                pack.heater_W,
                None if pack.mains is None else int(pack.mains),
                pack.chip_C,
                pack.water_2_C,
                *_numbered(pack),
            )
        )

    def _compare_clocks(self, node: NodeState, ahead_s: float) -> None:
        """A node's own time of day is for people; where it differs from ours, they should know by how much."""
        if abs(ahead_s - node.ahead_s) > CLOCKS_DIFFER_S:
            node.ahead_s = ahead_s
            which = "ahead of" if ahead_s > 0 else "behind"
            text = f"the clock of node {node.name} is {abs(ahead_s):.0f} s {which} this machine's"
            self.news.add("clock_differs", f"{text}; durations come from neither")

    def _which_start(self, node: NodeState, boot: int, at_s: float, late: bool) -> None:
        """A node that restarts never speaks from its old start again, unless what it says is old.

        Raises
        ------
        WireFormatError
            A second node uses the name; the one that was here first keeps it.
        """
        if node.boot is None:
            node.boot = boot
            return
        if boot == node.twin:
            heard_s = node.fresh_s.get(node.boot, float("-inf"))
            if at_s - heard_s < TWIN_S:
                raise WireFormatError(f"a second node uses the name {node.name}")
            # The first has gone quiet: the name is free again.
            node.twin = None
            node.boot = boot
            return
        if boot == node.boot or late:
            return
        if boot not in node.fresh_s:
            self._restarted(node, boot)
        elif at_s > node.first_s.get(node.boot, at_s) + TWIN_MARGIN_S:
            # The older start took samples after the newer one had begun to: two nodes, one name.
            self.news.add(
                "twin", f"a second node uses the name {node.name}; it is refused. Give it a name of its own."
            )
            node.twin, node.boot = node.boot, boot

    def _restarted(self, node: NodeState, boot: int) -> None:
        self.news.add("node_restarted", f"node {node.name} started anew (boot {boot})")
        node.boot = boot

    def _gone(self, arrival: Arrival, pack: Pack, batch: Batch) -> None:
        node = self._node(pack.node, arrival.source)
        boot = pack.boot if pack.boot is not None else -1
        receipts = node.receipts.get(boot)
        lost = receipts.gone(pack.gone or 0, pack.resend) if receipts else []
        if receipts is None or not lost:
            return
        batch.losses += [Loss(node.node_id, boot, first, count, "gone") for first, count in lost]
        batch.receipts[node.node_id, boot] = receipts.upto
        total = sum(count for _, count in lost)
        self.news.add("lost", f"node {node.name} no longer holds {total} samples; they are lost")

    def _value(self, arrival: Arrival, batch: Batch) -> None:
        """A plain number from a device that numbers nothing: the collector does it."""
        assert arrival.channel is not None and arrival.node_hint is not None
        fields = decode_value(arrival.payload, arrival.channel, arrival.unit)
        node = self._node(arrival.node_hint, arrival.source)
        arrival_s = self._house_s(arrival.arrival_s)
        if node.value_boot is None:
            # Later than any earlier life of the collector, so that no key is used twice.
            node.value_boot = int(arrival_s) & 0xFFFFFFFF
            node.boot = node.value_boot
        sample = Sample(0.0, **{"water_C": None, **fields}, boot=node.value_boot, seq=node.value_seq)
        node.value_seq += 1
        node.fresh_s[node.value_boot] = arrival_s
        batch.rows.append(row_values(node.node_id, sample, arrival_s, arrival_s, late=False))

    def _presence(self, arrival: Arrival) -> None:
        """A hint only: whether a node lives is seen from its samples."""
        word = arrival.payload.decode("ascii", "replace")
        node = self.nodes.get(arrival.node_hint or "")
        if node is not None and node.presence != word:
            node.presence = word
            self.news.add("presence", f"node {node.name} is said to be {word}")

    def _refuse(self, arrival: Arrival, why: str, batch: Batch) -> None:
        batch.refusals.append(Refusal(arrival.source, arrival.node_hint, why, arrival.payload))
        if arrival.kind != "samples" or "second node" in why:
            return
        identity = identity_of_refused(arrival.payload)
        if identity is None or identity[0] != (arrival.node_hint or identity[0]):
            return
        name, boot, seq = identity
        node = self.nodes.get(name)
        receipts = node.receipts.get(boot) if node else None
        if node is None or receipts is None:
            return
        # It came and will come the same again: its place is closed, or it would be asked for without end.
        receipts.cover(seq)
        batch.losses.append(Loss(node.node_id, boot, seq, 1, "refused"))
        batch.receipts[node.node_id, boot] = receipts.upto

    def _node(self, name: str, source: str) -> NodeState:
        node = self.nodes.get(name)
        if node is None:
            # Asked before it is recalled: the store knows it from then on.
            strange = not self._known(name)
            if strange and self._strange >= MOST_NODES:
                raise WireFormatError(f"more than {MOST_NODES} new nodes; {name} is one too many")
            node, new = self._recall(name, source)
            self._strange += strange
            self.nodes[name] = node
            if new:
                self.news.add("new_node", name)
        if node.source != source:
            node.source = source
        return node

    def asks(self, now_s: float) -> list[tuple[str, str, bytes]]:
        """(source, node, payload) of what is due to be said to nodes. Call after the commit only."""
        due = []
        for node in self.nodes.values():
            if node.boot is None or node.boot == node.value_boot:
                continue
            receipts = node.receipts.get(node.boot)
            if receipts is None:
                continue
            stored, resend = receipts.to_say(now_s)
            if stored is not None or resend is not None:
                payload = encode_ask(node.name, node.boot, stored=stored, resend=resend)
                due.append((node.source, node.name, payload))
        return due

    def shift(self, by_s: float) -> None:
        """House time itself was moved."""
        for node in self.nodes.values():
            node.shift(by_s)

    def carry_on(self, by_s: float) -> None:
        """House time was moved, and what this life of the collector has placed already is to follow."""
        for node in self.nodes.values():
            born_s = [(clock, clock.born_s) for clock in node.clocks.values()]
            node.shift(by_s)
            for clock, was_s in born_s:
                clock.born_s = was_s

    def in_place(self, rows: list[Row]) -> list[Row]:
        """These without the rows that are about to be moved: nobody should see time run otherwise meanwhile."""
        falling = {(node.node_id, boot) for node, boot, _ in self.fallen()}
        return [row for row in rows if (row[0], row[1]) not in falling] if falling else rows

    def fallen(self) -> list[tuple[NodeState, int, NodeClock]]:
        """Clocks whose estimate fell so far that rows already stored should move; the caller moves them."""
        return [
            (node, boot, clock)
            for node in self.nodes.values()
            for boot, clock in node.clocks.items()
            if clock.fell
        ]


def _numbered(pack: Pack) -> tuple[str | None, str | None]:
    if not pack.jars and not pack.lids:
        return None, None
    row: Row = row_values(0, Sample(0.0, None, jars=pack.jars, lids=pack.lids), 0.0, 0.0, late=False)
    return row[15], row[16]
