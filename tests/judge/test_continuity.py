"""Restarts, clock steps and rhythm: what makes a sample not simply follow the one before.

The limits (2 s at once, a thousandth besides, five gaps alike) are this project's rules; the times are made up.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from monitor.judge import judge, words
from monitor.judge.continuity import Continuity
from monitor.judge.engine import Engine
from monitor.judge.eventlog import EventLog
from monitor.record.model import Required, Run, Sample


class Node:
    """Feeds samples at times of the test's choosing; uptimes and numbers go on by themselves."""

    def __init__(self, *, uptime: bool = True) -> None:
        self.log = EventLog()
        self.continuity = Continuity(self.log)
        self.boot, self.seq, self.uptime_s, self.last_s = 1, 0, 3.0, -1e18
        self._has_uptime = uptime

    def send(self, t_s: float, *, passed_s: float = 1.0, numbers: int = 1) -> str:
        self.seq += numbers
        self.uptime_s += passed_s
        sample = Sample(
            t_s, 98.0, boot=self.boot, seq=self.seq, uptime_s=self.uptime_s if self._has_uptime else None
        )
        why = self.continuity.break_before(sample, self.last_s)
        if not why and self.last_s > -1e17:
            self.continuity.learn(t_s - self.last_s)
        self.last_s = t_s
        return why

    def run(self, seconds: int, *, each_s: float = 1.0) -> list[str]:
        start_s = max(self.last_s, 0.0)
        return [self.send(start_s + each_s * (i + 1)) for i in range(seconds)]


@pytest.mark.parametrize("uptime", [True, False])
def test_a_node_that_goes_on_follows(uptime: bool) -> None:
    assert not any(Node(uptime=uptime).run(300))


def test_a_restart_is_told_once_and_breaks_off() -> None:
    node = Node()
    node.run(30)
    node.boot, node.uptime_s = 2, 0.0
    assert node.send(31.0) == words.RESTART_GAP
    assert not any(node.run(30))
    assert [event.kind for event in node.log.events] == ["node_restarted"]


def test_two_starts_that_interleave_are_told_once_a_minute() -> None:
    """Two nodes under one name: every sample breaks off, and nobody is told 580 times of it."""
    node = Node()
    node.run(30)
    for second in range(31, 331):
        node.boot, node.uptime_s = 3 - node.boot, 10.0 * node.boot + second
        assert node.send(float(second)) == words.RESTART_GAP
    assert 4 <= len(node.log.events) <= 6
    assert {event.kind for event in node.log.events} == {"node_restarted"}


@pytest.mark.parametrize("step_s", [3.0, 60.0, -5.0])
def test_a_clock_that_steps_against_the_uptime_breaks_off(step_s: float) -> None:
    node = Node()
    node.run(30)
    assert node.send(31.0 + step_s) == words.CLOCK_GAP
    assert not any(node.run(30))


def test_a_clock_that_creeps_in_small_steps_is_no_better() -> None:
    """Each step of 1.4 s alone is within what a late sample could do; forty make a minute that never was."""
    node = Node()
    t_s, broken = 0.0, 0
    for second in range(1200):
        t_s += 2.4 if second % 30 == 29 else 1.0
        broken += bool(node.send(t_s))
    assert broken >= 15
    # 40 steps of 1.4 s in 21 min, one trouble: told at once, and again at most once in ten minutes.
    told_s = [event.raised_s for event in node.log.events]
    assert len(told_s) == 2 and told_s[0] < 120.0 and told_s[1] - told_s[0] >= 600.0


def test_two_clocks_that_interleave_are_one_trouble() -> None:
    """Set back by two minutes: in time order the rows of before and after alternate until the first run out."""
    node = Node()
    node.run(300)
    before, after = node.seq, node.seq + 120
    broken = 0
    for second in range(120):
        for number, uptime_s in ((before + second, 303.0 + second), (after + second, 423.0 + second)):
            node.seq, node.uptime_s = number, uptime_s
            broken += bool(node.send(301.0 + second + 0.5 * (number >= after)))
    assert broken >= 200
    assert [event.kind for event in node.log.events] == ["clock_stepped"]


@pytest.mark.parametrize("uptime", [True, False])
def test_a_second_step_of_its_own_is_told_too(uptime: bool) -> None:
    """Five minutes after the first, which had settled."""
    node = Node(uptime=uptime)
    node.run(60)
    node.send(70.0, numbers=60, passed_s=60.0)
    node.run(300)
    node.send(node.last_s + 5.0, numbers=60, passed_s=60.0)
    assert [event.kind for event in node.log.events] == ["clock_stepped"] * 2


def test_a_cheap_crystal_is_no_creep() -> None:
    """100 ppm off over some hours, five times what a crystal's data sheet allows (common practice: 20 ppm)."""
    node = Node()
    assert not any(node.run(26 * 3600 // 10, each_s=1.0001))


def test_without_uptime_more_numbers_than_time_can_hold_are_a_step_back() -> None:
    node = Node(uptime=False)
    node.run(60)
    assert node.send(61.0, numbers=30) == words.CLOCK_GAP


def test_a_record_that_begins_with_a_late_row_is_not_silent() -> None:
    """A resent row says nothing about when the node was heard."""
    engine = Engine(Run("late", datetime(2026, 8, 14, tzinfo=UTC), Required(10.0, "an invented time")))
    engine.push(Sample(0.0, 60.0, boot=1, seq=0, late=True))
    engine.tick(30.0)
    assert not [event for event in engine.state.log.events if event.kind == "node_silent"]


def test_the_usual_interval_is_learned_and_relearned() -> None:
    """1 Hz, then a sample each 4 s: five gaps alike are the new rhythm."""
    node = Node()
    node.run(60)
    assert node.continuity.spacing_s == pytest.approx(1.0)
    for _ in range(6):
        node.continuity.learn_gap(4.0)
    assert node.continuity.spacing_s == pytest.approx(4.0)


def test_a_node_that_speaks_every_ten_seconds_is_not_said_to_be_silent(cook: Any) -> None:
    """Its rhythm is known from its second sample; before that it may well be as slow as this."""
    story = cook(every_s=10.0).come_up()
    story.seen().stay(900.0).mark("heat_off")
    assert [event.raised_s for event in judge(story.run()).events if event.kind == "node_silent"] == []


def test_a_gap_behind_the_first_sample_sets_no_rhythm(cook: Any) -> None:
    """Nothing for 19 s after the very first one, then each second, and later a gap of 8 s: that is one."""
    story = cook().come_up()
    story.seen().stay(900.0).mark("heat_off")
    samples = [s for s in story.samples() if not (1.0 <= s.t_s < 20.0 or 400.0 < s.t_s < 408.0)]
    verdict = judge(story.run(samples))
    assert verdict.verdict == "held" and verdict.counts["gaps"] == 1


def test_a_restart_once_the_heat_is_over_sends_nobody_to_the_canner(cook: Any) -> None:
    """The same power dip, before the heat is off and an hour after."""

    def told(dip_s: float) -> int:
        story = cook().come_up().seen().stay(400.0).mark("heat_off").stay(4000.0)
        rows = [row._replace(boot=8) if row.t_s >= dip_s else row for row in story.samples()]
        return [event.kind for event in judge(story.run(samples=rows)).events].count("node_restarted")

    assert (told(300.0), told(4200.0)) == (1, 0)
