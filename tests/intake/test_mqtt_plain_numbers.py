"""Sensors that say a bare number on a topic of their own, against a real broker."""

from __future__ import annotations

import threading
from typing import Any

from monitor.intake.mqtt_client import RECEIVE_MAXIMUM
from monitor.intake.mqtt_fence import Fence
from monitor.intake.mqtt_settings import PlainNumber


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
        self, broker: Any, node: Any, collect: Any, wait: Any
    ) -> None:
        first = collect(broker, plain_numbers=self.NUMBERS)
        for number in (b"210", b"211", b"212"):
            node.say("shed/probe/temperature", number)
        arrivals = first.take(3)
        assert all(arrival.receipt for arrival in arrivals)
        first.done(arrivals[0])
        wait(lambda: not first.source._client._out_packet)
        first.crash()
        second = collect(broker, plain_numbers=self.NUMBERS)
        assert [arrival.payload for arrival in second.take(2)] == [b"211", b"212"]

    def test_no_backlog_pretends_to_be_now(self, broker: Any, node: Any, collect: Any) -> None:
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
        assert second.nothing()
        node.say("shed/probe/temperature", b"212")
        assert second.next().kind == "value", "from now on what comes is new"

    def test_nor_does_what_waited_behind_a_store_that_could_not_be_written(
        self, broker: Any, node: Any, collect: Any
    ) -> None:
        """A broker holds back what is more than our Receive Maximum until something is acknowledged."""
        collecting = collect(broker, plain_numbers=self.NUMBERS)
        for tenths in range(RECEIVE_MAXIMUM + 40):
            node.say("shed/probe/temperature", b"100.%03d" % tenths)
        came = collecting.take(RECEIVE_MAXIMUM)
        assert {arrival.kind for arrival in came} == {"value"}
        assert collecting.nothing()
        threading.Event().wait(2.2)
        collecting.done(*came)
        for arrival in collecting.take(40):
            assert arrival.why.startswith("a number that waited"), arrival
            collecting.done(arrival)
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
