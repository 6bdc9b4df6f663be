"""From bytes to rows, without a disk: what is placed, what is refused, what is said."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.collector.ingest import MOST_NODES, Ingest
from monitor.collector.nodes import MOST_STARTS, NodeState
from monitor.intake.source import Arrival
from monitor.intake.wire import Pack, decode_pack, encode_pack
from monitor.store.handover import Batch


def an_ingest(**options: Any) -> Ingest:
    return Ingest(
        lambda name, source: (NodeState(name, 1 + len(name), source), True),
        lambda steady_s: steady_s,
        **options,
    )


def pack(
    seq: int, at_s: float, *, boot: int = 7, node: str = "n1", late_s: float = 0.01, **more: Any
) -> Arrival:
    values = {"uptime_s": round(at_s - 900.0, 3), "water_C": 20.0, **more}
    payload = encode_pack(Pack(node, boot=boot, seq=seq, **values))
    return Arrival("mqtt b", node, payload, at_s + late_s)


def test_a_sample_is_placed_where_it_was_taken() -> None:
    ingest = an_ingest()
    batch = ingest.take([pack(n, 1000.0 + n, late_s=0.01 + 0.3 * (n % 2)) for n in range(6)])
    assert [row[3] for row in batch.rows] == pytest.approx([1000.01 + n for n in range(6)], abs=1e-3)
    assert [row[6] for row in batch.rows] == [0] * 6
    assert batch.receipts == {(3, 7): 5}


def test_late_is_late_and_no_sign_of_life() -> None:
    ingest = an_ingest()
    ingest.take([pack(0, 1000.0)])
    fresh_s = ingest.nodes["n1"].fresh_s[7]
    batch = ingest.take([pack(1, 1001.0, late_s=30.0)])
    assert batch.rows[0][6] == 1
    assert batch.rows[0][3] == pytest.approx(1001.01, abs=0.01)
    assert ingest.nodes["n1"].fresh_s[7] == fresh_s


def test_a_node_that_restarts_is_the_same_node() -> None:
    ingest = an_ingest()
    ingest.take([pack(0, 1000.0), pack(1, 1001.0)])
    batch = ingest.take([pack(0, 1005.0, boot=8, uptime_s=2.0), pack(2, 1002.0, late_s=4.0)])
    assert len(batch.rows) == 2, "what the old start had still to say is no second node"
    assert ingest.nodes["n1"].boot == 8
    assert [kind for kind, _ in ingest.news.lines] == ["new_node", "node_restarted"]


def test_a_second_node_under_a_name_in_use_is_refused_and_said() -> None:
    ingest = an_ingest()
    for n in range(10):
        ingest.take([pack(n, 1000.0 + n)])
    refused = 0
    for n in range(10, 40):
        batch = ingest.take([pack(n - 10, 1000.5 + n, boot=99, uptime_s=n + 0.0), pack(n, 1000.0 + n + 1)])
        refused += len(batch.refusals)
        assert all("second node uses the name n1" in refusal.why for refusal in batch.refusals)
    assert refused >= 25
    assert ingest.nodes["n1"].boot == 7
    assert sum(kind == "twin" for kind, _ in ingest.news.lines) == 1
    # The first goes quiet for good: the name is free.
    batch = ingest.take([pack(200, 1100.0, boot=99, uptime_s=130.0)])
    assert len(batch.rows) == 1


def test_a_refused_sample_is_not_asked_for_without_end() -> None:
    """Its place in the sequence is closed as refused, once the node is known."""
    ingest = an_ingest()
    ingest.take([pack(0, 1000.0)])
    bad = b'[{"bn":"n1:","n":"boot","v":7},{"n":"seq","v":1},{"n":"water","u":"Cel","v":5000}]'
    batch = ingest.take([Arrival("mqtt b", "n1", bad, 1001.0)])
    assert [(loss.from_seq, loss.missing, loss.why) for loss in batch.losses] == [(1, 1, "refused")]
    assert len(batch.refusals) == 1
    ingest.take([pack(2, 1002.0)])
    assert ingest.nodes["n1"].receipts[7].upto == 2


def test_what_a_ring_no_longer_holds_is_recorded() -> None:
    ingest = an_ingest()
    ingest.take([pack(100, 1100.0)])
    asked = [decode_pack(payload) for _, _, payload in [*ingest.asks(0.0), *ingest.asks(2.0)]]
    assert [ask.resend for ask in asked] == [0]
    gone = encode_pack(Pack("n1", boot=7, gone=60, resend=0))
    batch = ingest.take([Arrival("mqtt b", "n1", gone, 1101.0)])
    assert [(loss.from_seq, loss.missing) for loss in batch.losses] == [(0, 60)]
    assert ingest.nodes["n1"].receipts[7].first_hole == (60, 99)


def test_a_plain_number_gets_its_numbers_here() -> None:
    ingest = an_ingest()
    arrivals = [
        Arrival("mqtt b", "pot", b"99.5", 1000.0, kind="value", channel="water"),
        Arrival("mqtt b", "pot", b"83250", 1000.5, kind="value", channel="pressure"),
    ]
    batch = ingest.take(arrivals)
    assert [(row[1], row[2], row[7], row[10]) for row in batch.rows] == [
        (1000, 0, 99.5, None),
        (1000, 1, None, 83.25),
    ]
    assert ingest.asks(2000.0) == []


def test_neither_names_nor_restarts_without_end_fill_the_memory() -> None:
    ingest = an_ingest()
    for n in range(MOST_NODES + 50):
        ingest.take([pack(0, 1000.0, node=f"n{n}")])
    assert len(ingest.nodes) == MOST_NODES
    rows = 0
    for boot in range(100):
        rows += len(ingest.take([pack(0, 2000.0 + 30 * boot, boot=boot, node="n1")]).rows)
    assert rows == 100
    assert len(ingest.nodes["n1"].clocks) <= MOST_STARTS
    assert len(ingest.nodes["n1"].fresh_s) <= MOST_STARTS + 1


def test_strange_names_keep_no_node_out_that_the_house_knows() -> None:
    """After a restart a broken gateway may be the first to be heard; a person may name a node at any time."""
    ours = {f"ours{n}" for n in range(3)}
    ingest = an_ingest(known=lambda name: name in ours)
    for n in range(MOST_NODES + 5):
        ingest.take([pack(0, 1000.0, node=f"n{n}")])
    assert [len(ingest.take([pack(0, 1010.0, node=name)]).rows) for name in sorted(ours)] == [1, 1, 1]
    assert "one too many" in ingest.take([pack(0, 1011.0, node="late")]).refusals[0].why
    ours.add("late")
    assert len(ingest.take([pack(1, 1012.0, node="late")]).rows) == 1


@pytest.mark.parametrize(
    "arrival",
    [
        Arrival("s", None, b"\xff\xfe", 1.0),
        Arrival("s", None, b"[" * 100_000, 1.0),
        Arrival("s", None, b"x" * 1_000_000, 1.0),
        Arrival("s", "n1", b'[{"bn":"n2:","n":"boot","v":1},{"n":"seq","v":1}]', 1.0),
        Arrival("s", "n1", b'[{"bn":"n1:","n":"boot","v":1},{"n":"stored","v":1}]', 1.0),
        Arrival("s", "n1", b"hot", 1.0, kind="value", channel="water"),
        Arrival("s", None, b"torn", 1.0, kind="refused", why="the checksum does not match"),
    ],
)
def test_hostile_input_is_kept_and_counted(arrival: Arrival) -> None:
    batch = an_ingest().take([arrival, pack(0, 1000.0)])
    assert len(batch.refusals) == 1
    assert len(batch.rows) == 1


@settings(max_examples=300)
@given(st.lists(st.binary(max_size=200), max_size=10), st.sampled_from(["samples", "presence", "refused"]))
def test_no_bytes_whatever_escape_or_invent(payloads: list[bytes], kind: str) -> None:
    ingest = an_ingest()
    batch: Batch = ingest.take([Arrival("s", None, payload, 1.0, kind=kind) for payload in payloads])
    assert batch.rows == []


def test_a_node_whose_clock_differs_is_spoken_of_once_and_again_when_that_changes() -> None:
    """PIC/S PI 041 and FDA's guide to inspections, part 2, page 12: watches that differ make records disagree."""
    ingest = an_ingest()
    told = []
    for seq, ahead_s in enumerate([0.5, 90.0, 90.4, 89.1, -30.0, -30.2]):
        at_s = 1_750_000_000.0 + seq
        said = Pack("n1", boot=7, seq=seq, uptime_s=100.0 + seq, taken_unix_s=at_s + ahead_s, water_C=90.0)
        batch = ingest.take([Arrival("mqtt b", "n1", encode_pack(said), at_s)])
        assert [row[3] for row in batch.rows] == [pytest.approx(at_s)], "no duration comes from it"
        told += [text for kind, text in ingest.news.lines if kind == "clock_differs"]
        ingest.news.lines.clear()
    assert [text.split(";")[0] for text in told] == [
        "the clock of node n1 is 90 s ahead of this machine's",
        "the clock of node n1 is 30 s behind this machine's",
    ]
