"""When the heat is over: one rule for the hold and for the jars that cool after it."""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest

from monitor.judge.cooling import CoolingWatch
from monitor.judge.eventlog import EventLog
from monitor.judge.hold import Hold
from monitor.judge.session import Session
from monitor.record.model import ENDS

MARKS = ("jars_in", "heat_on", *ENDS)


@pytest.mark.parametrize("kinds", [*product(MARKS, repeat=3), *product(MARKS, repeat=4)])
def test_the_hold_and_the_cooling_know_one_and_the_same_end(kinds: tuple[str, ...]) -> None:
    hold, watch = Hold(600.0, EventLog()), CoolingWatch()
    for t, kind in enumerate(kinds):
        watch.on_mark(kind, float(t))
        if kind == "jars_in":
            hold.jars_in(float(t))
        elif kind in ENDS:
            hold.ends(float(t), heat_off=kind == "heat_off")
    ends = [at_s for at_s in (watch.heat_off_s, watch.lifted_s) if at_s is not None]
    assert (hold.jars_in_s, hold.heat_off_s) == (watch.jars_in_s, watch.heat_off_s)
    if hold.jars_in_s is not None:
        assert hold.window_end_s == min(ends, default=None)
        assert hold.counts is not (hold.window_end_s is not None)


def reminded(story: Any, hours: float) -> list[str]:
    live = Session(story.run(samples=[]))
    live.feed(story.samples())
    for at_s in range(int(story.now_s), int(hours * 3600.0), 60):
        live.tick(float(at_s))
    kinds = ("reprocess_window_closing", "seal_check_due", "seal_check_overdue")
    return sorted(event.kind for event in live.verdict().events if event.kind in kinds)


@pytest.mark.parametrize("lifted", [True, False])
@pytest.mark.parametrize(
    ("boil_s", "owed"),
    [
        (900.0, ["seal_check_due", "seal_check_overdue"]),
        (300.0, ["reprocess_window_closing", "seal_check_due"]),
    ],
)
def test_live_heat_on_for_the_next_pot_leaves_the_reminders(
    cook: Any, boil_s: float, owed: list[str], lifted: bool
) -> None:
    story = cook(minutes=10.0, every_s=5.0).come_up().seen().stay(boil_s).mark("heat_off")
    if lifted:
        story = story.go(-3.0, 1.0).mark("jars_lifted")
    assert reminded(story.go(-10.0, 1.0).mark("heat_on").stay(120.0), 26.0) == owed
