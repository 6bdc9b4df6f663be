"""Sensors that say a bare number on a topic of their own, against a real broker."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from monitor.intake.mqtt_client import RECEIVE_MAXIMUM
from monitor.intake.mqtt_fence import STALL_S, Fence
from monitor.intake.mqtt_settings import PlainNumber
from monitor.timesource import ManualTime


class TestPlainNumbers:
    NUMBERS = (
        PlainNumber("shed/probe/temperature", "shed", "water", "degF"),
        PlainNumber("shed/barometer", "shed", "pressure", "hPa"),
    )

    def test_reach_their_node_and_channel_in_the_wires_unit(
        self, broker: Any, node: Any, collect: Any
    ) -> None:
        collecting = collect(broker, plain_numbers=self.NUMBERS)
        node.say("shed/probe/temperature", b"212")
        node.say("shed/barometer", b"832.5")
        got = [(a.kind, a.node_hint, a.payload, a.channel, a.unit) for a in collecting.take(2)]
        assert got == [
            ("value", "shed", b"212", "water", "degF"),
            ("value", "shed", b"832.5", "pressure", "hPa"),
        ]

    def test_are_acknowledged_after_the_commit_like_any_other(
        self, broker: Any, node: Any, collect: Any
    ) -> None:
        first = collect(broker, plain_numbers=self.NUMBERS)
        for number in (b"210", b"211", b"212"):
            node.say("shed/probe/temperature", number)
        arrivals = first.take(3)
        assert all(arrival.receipt for arrival in arrivals)
        first.done(arrivals[0])
        first.told(node)
        first.crash()
        second = collect(broker, plain_numbers=self.NUMBERS)
        assert [arrival.payload for arrival in second.take(2)] == [b"211", b"212"]

    def test_no_backlog_pretends_to_be_now(self, broker: Any, node: Any, collect: Any, wait: Any) -> None:
        """A plain number carries no time: what was said while nobody listened must stay a gap, and is shown."""
        collect(broker, plain_numbers=self.NUMBERS).source.close()
        for degrees in range(400):  # more than a broker sends before the first is acknowledged
            node.say("shed/probe/temperature", b"%d" % (100 + degrees % 100))
        node.say("shed/barometer", b"830", retain=True)
        second = collect(broker, plain_numbers=self.NUMBERS)
        for _ in range(401):
            arrival = second.next()
            assert (arrival.kind, arrival.node_hint) == ("refused", "shed")
            assert arrival.why.startswith("a number that waited at the broker")
            second.done(arrival)
        assert second.nothing_more(node)
        wait(second.hears_what_is_new)
        node.say("shed/probe/temperature", b"212")
        assert second.next().kind == "value", "from now on what comes is new"

    def test_after_a_backlog_numbers_said_together_all_count(
        self, broker: Any, node: Any, collect: Any, wait: Any
    ) -> None:
        """A board says its probe and its barometer in one breath, every few seconds: neither is a backlog."""
        collect(broker, plain_numbers=self.NUMBERS).source.close()
        clock = ManualTime(datetime(2026, 8, 14, tzinfo=UTC))
        second = collect(broker, plain_numbers=self.NUMBERS, time=clock)
        wait(second.hears_what_is_new)
        clock.advance(STALL_S + 0.2)
        node.say("shed/probe/temperature", b"212")
        first = second.next()
        second.done(first)
        node.say("shed/barometer", b"832.5")
        assert [first.kind, second.next().kind] == ["value", "value"]
        node.say("boilwitness/told", b"all of it")
        words = [topic for topic, _, _ in node.heard_until("boilwitness/told") if topic.endswith("/fence")]
        assert len(words) == 1, "one for the new link; an acknowledgement in good time is no stall"

    def test_nor_does_what_waited_behind_a_store_that_could_not_be_written(
        self, broker: Any, node: Any, collect: Any, wait: Any
    ) -> None:
        """A broker holds back what is more than our Receive Maximum until something is acknowledged."""
        clock = ManualTime(datetime(2026, 8, 14, tzinfo=UTC))
        collecting = collect(broker, plain_numbers=self.NUMBERS, time=clock)
        for tenths in range(RECEIVE_MAXIMUM + 40):
            node.say("shed/probe/temperature", b"100.%03d" % tenths)
        came = collecting.take(RECEIVE_MAXIMUM)
        assert {arrival.kind for arrival in came} == {"value"}
        assert collecting.nothing()
        clock.advance(STALL_S + 0.2)
        collecting.done(*came)
        for arrival in collecting.take(40):
            assert arrival.why.startswith("a number that waited"), arrival
            collecting.done(arrival)
        # Two links lead to the broker: what the node says now could still overtake the collector's word to itself.
        wait(collecting.hears_what_is_new)
        node.say("shed/probe/temperature", b"212")
        assert collecting.next().kind == "value"

    def test_one_word_said_to_oneself_ends_it(self) -> None:
        fence = Fence()
        assert not fence.connected(kept=False) and not fence.up
        word = fence.connected(kept=True)
        fence.heard(b"an older word")
        assert fence.up
        fence.heard(word)
        assert not fence.up

    def test_an_acknowledgement_is_a_stall_only_where_something_waited_for_one(self) -> None:
        fence = Fence()
        fence.connected(kept=False)
        assert not fence.acknowledged(0, 100.0), "what came without a number waits for nothing"
        fence.came(1, 200.0)
        assert not fence.acknowledged(0, 200.0 + 1.5 * STALL_S)
        assert fence.acknowledged(1, 200.0 + 1.5 * STALL_S), (
            "it waited, whatever else was acknowledged meanwhile"
        )
