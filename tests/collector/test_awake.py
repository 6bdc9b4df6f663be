"""A machine that did nothing for a while is no silent node; a node that says nothing is, within five seconds."""

from __future__ import annotations

import os
import re
import signal
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from monitor.collector.awake import Awake
from monitor.timesource import ManualTime


@pytest.fixture
def real() -> ManualTime:
    return ManualTime(datetime(2026, 8, 14, 15, 0, tzinfo=UTC), 500.0)


def rounds(awake: Awake, real: ManualTime, now_s: float, *, count: int, each_s: float, rate: float) -> float:
    """Rounds of ``each_s`` of the machine; house time after them."""
    for _ in range(count):
        real.advance(each_s)
        now_s += each_s * rate
        awake.look(now_s)
    return now_s


def test_while_rounds_go_on_everything_could_be_heard(real: ManualTime) -> None:
    awake = Awake(1.0, real)
    now_s = rounds(awake, real, 1000.0, count=200, each_s=0.05, rate=1.0)
    assert awake.deaf_s(1000.0, now_s) == 0.0
    assert awake.listened_s(1000.0, now_s) == pytest.approx(10.0)


@pytest.mark.parametrize("rate", [1.0, 30.0])
def test_a_stall_is_taken_out_of_the_silence_and_of_the_delay(real: ManualTime, rate: float) -> None:
    """Eight seconds of the machine without a round; a quarter of a second of it may be work."""
    awake = Awake(rate, real)
    heard_s = rounds(awake, real, 1000.0, count=20, each_s=0.05, rate=rate)
    real.advance(8.0)
    now_s = heard_s + 8.0 * rate
    assert awake.look(now_s) == pytest.approx(7.75)
    assert awake.deaf_s(heard_s, now_s) == pytest.approx(7.75 * rate)
    assert awake.listened_s(heard_s, now_s) <= 0.25 * rate
    # Taken in the middle of it, read from the cable after it.
    assert awake.delay_s(heard_s + 4.0 * rate, now_s) == pytest.approx(0.0, abs=1e-9)
    # What was old before it still is.
    assert awake.delay_s(heard_s - 60.0 * rate, now_s) == pytest.approx(60.25)


def test_in_a_house_that_runs_faster_silence_lasts_five_seconds_of_peoples_time(real: ManualTime) -> None:
    awake = Awake(30.0, real)
    now_s = rounds(awake, real, 1000.0, count=98, each_s=0.05, rate=30.0)
    assert awake.listened_s(1000.0, now_s) < 5.0
    now_s = rounds(awake, real, now_s, count=4, each_s=0.05, rate=30.0)
    assert awake.listened_s(1000.0, now_s) >= 5.0


def test_it_moves_with_house_time(real: ManualTime) -> None:
    awake = Awake(1.0, real)
    real.advance(10.25)
    awake.look(1000.0)
    awake.shift(3600.0)
    assert awake.deaf_s(4590.0, 4600.0) == pytest.approx(10.0)


def test_a_stopped_collector_calls_no_node_silent_and_then_hears_a_real_silence_in_time(
    broker: Any,
    collect: Any,
    make_node: Any,
    stored: Any,
    boilwitness: Callable[..., Any],
    wait: Any,
    in_time: Callable[..., None],
) -> None:
    """SIGSTOP for 7 s, as a machine that has no time; the node goes on, and what it said waits at the broker."""
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    boilwitness("runs", "start", "--already-boiling", "--minutes", "10", "--node", "n1", "--canner", "c1")
    node = make_node()
    states = "SELECT state FROM alarms WHERE kind = 'node_silent' ORDER BY id DESC LIMIT 1"
    ends = threading.Event()

    def speak() -> None:
        while not ends.is_set():
            node.sample()
            ends.wait(1.0)

    def held_up_s() -> int:
        """The longest told of. Stopped within a write, it looks like a slow disk from inside; said it is either way."""
        told = re.findall(r"for (\d+) s; nothing was watched meanwhile", "\n".join(collector.said))
        return max(map(int, told), default=0)

    def silent() -> bool:
        return bool(stored.ask(states) == [("active_unacknowledged",)])

    def silence_s() -> float:
        """From the node's last word to the alarm."""
        last_s = 0.0

        def heard() -> bool:
            nonlocal last_s
            node.sample()
            last_s = time.monotonic()
            time.sleep(0.3)
            return not silent()

        wait(heard, what="for the node to be heard")
        wait(silent, what="for the alarm")
        return time.monotonic() - last_s

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        wait(lambda: len(stored.seqs()) >= 5, what="for samples")
        os.kill(collector.process.pid, signal.SIGSTOP)
        time.sleep(7.0)
        os.kill(collector.process.pid, signal.SIGCONT)
        wait(lambda: held_up_s() >= 6, what="for the line about the stall")
        made = node.made
        wait(lambda: len(stored.seqs()) > made, what="for the samples of the stall")
        assert stored.ask("SELECT sum(late) FROM samples") == [(0,)]
        assert stored.ask(states) == []
    finally:
        ends.set()
        speaker.join()
    in_time(silence_s, 6.0)  # 5 s, the tick, and how often this looks
