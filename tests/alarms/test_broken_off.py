"""A boil that counted is broken off: one alarm of the highest class, whatever broke it; none where nothing broke.

A session and its alarms are driven as the collector drives them, once a second. The readings are made up: water at
sea level that comes up by 4 K/min to a level plateau, read each second with scatter; nothing of it is measured.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import pytest

from monitor.alarms import AlarmMachine, Context, JournalRow, Moment, RunWatch, State
from monitor.judge import Session
from monitor.judge.verdict import Verdict
from monitor.record.model import Calibration, Mark, Probe, Required, Run, Sample, Site

START = datetime(2026, 8, 14, 15, 12, tzinfo=UTC)
#: Saturation temperature at 101.325 kPa (IAPWS R7-97(2012), region 4). [°C]
BOIL_C = 99.9743
SITE = Site(
    name="invented",
    altitude_m=0.0,
    altitude_uncertainty_m=10.0,
    pressure_source="barometer",
    barometer_checked_at=START - timedelta(days=13),
)
SEEN_S, TROUBLE_S, END_S = 700.0, 1200.0, 1600
Change = Callable[[list[Sample]], list[Sample]]


@dataclass
class House:
    """What one run made of its alarms."""

    machine: AlarmMachine
    verdict: Verdict
    journal: list[JournalRow] = field(default_factory=list)

    def rung(self, after_s: float = 0.0) -> list[tuple[str, str]]:
        """What began to sound after a time: kind and priority."""
        return [
            (row.kind, row.priority)
            for row in self.journal
            if row.change == "raised" and row.priority in ("high", "medium") and self.at_s(row) >= after_s
        ]

    @staticmethod
    def at_s(row: JournalRow) -> float:
        return (row.at_utc - START).total_seconds()

    def card(self, kind: str) -> dict[str, str]:
        """The newest alarm or notice of a kind, as raised."""
        return [dict(row.alarm) for row in self.journal if row.kind == kind and row.alarm][-1]


def header(expanded_K: float, marks: Sequence[Mark]) -> Run:
    made = Calibration(
        offset_K=0.0,
        expanded_uncertainty_K=expanded_K,
        ice_offset_K=0.0,
        boil_offset_K=0.0,
        at=START,
        method="ice and boiling points",
    )
    probe = Probe(kind="type K class 1", converter="linearised, 0.0078 K steps", calibration=made)
    jars_in = Mark(0.0, "jars_in")
    return Run(
        "made-up", START, Required(25.0, "an invented time"), site=SITE, probe=probe, marks=(jars_in, *marks)
    )


def boil(level_K: float, until_s: int = END_S) -> list[Sample]:
    rng = random.Random(1)
    rows = []
    for t in range(until_s):
        water_C = min(BOIL_C + level_K, 60.0 + t * 4.0 / 60.0) + rng.gauss(0.0, 0.02)
        read_C = round(water_C * 128.0) / 128.0
        rows.append(
            Sample(float(t), read_C, pressure_kPa=101.325, chip_C=25.0, boot=1, seq=t, uptime_s=100.0 + t)
        )
    return rows


def came_s(row: Sample) -> float:
    """When a row came: its first start counts its uptime from 100 s before, whatever its clock says."""
    return row.t_s if row.boot != 1 or row.uptime_s is None else row.uptime_s - 100.0


def restarts(away_s: int, at_s: float = TROUBLE_S, boot: int = 2) -> Change:
    """Silent for so long, then a new start."""

    def change(rows: list[Sample]) -> list[Sample]:
        back_s = at_s + away_s
        again = [
            row._replace(boot=boot, seq=int(row.t_s - back_s), uptime_s=1.0 + row.t_s - back_s)
            for row in rows
            if row.t_s >= back_s
        ]
        return [row for row in rows if row.t_s < at_s] + again

    return change


def steps(by_s: float) -> Change:
    """The clock is set by so much; the node's own count goes on."""
    return lambda rows: [row._replace(t_s=row.t_s + (by_s if row.t_s >= TROUBLE_S else 0.0)) for row in rows]


def silent(away_s: int, at_s: float = TROUBLE_S) -> Change:
    return lambda rows: [row for row in rows if not at_s <= row.t_s < at_s + away_s]


def live(
    *changes: Change,
    expanded_K: float = 0.2,
    level_K: float = 0.15,
    seen: bool = True,
    mark_s: float | None = None,
) -> House:
    """The run with its trouble, second by second; ``mark_s``: the boil is marked anew then."""
    rows = boil(level_K)
    for change in changes:
        rows = change(rows)
    run = header(expanded_K, [Mark(SEEN_S, "rolling_boil_seen")] if seen else [])
    session, machine = Session(run), AlarmMachine()
    watch = RunWatch(machine, Context("r", canner="canner-1", started_at=START))
    journal: list[JournalRow] = []
    at, heard = 0, (0.0, 0)
    for second in range(END_S + 60):
        now = Moment(float(second), START + timedelta(seconds=second))
        fed = []
        while at < len(rows) and came_s(rows[at]) <= second:
            fed.append(rows[at])
            heard = (rows[at].t_s, second)
            at += 1
        session.feed(fed)
        if mark_s is not None and second == int(mark_s):
            session.mark(Mark(mark_s, "rolling_boil_seen"))
        if at < len(rows):
            session.tick(heard[0] + second - heard[1])
            journal += watch.events(session.take_events(), now)
            if second % 5 == 0:
                journal += watch.view(session.view(), now)
    return House(machine, session.verdict(), journal)


# --- a restart --------------------------------------------------------------------------------------------


def test_a_restart_that_breaks_the_proof_rings_highest_and_asks_for_the_mark_anew() -> None:
    """U of 0.76 K, proven by the mark alone: 4 s away, and without a new mark nothing is proven any more.

    The class is the table's own rule: whatever stops the hold from being proven is of the highest. One trouble, one
    alarm (EEMUA 191).
    """
    house = live(restarts(4), expanded_K=0.7, level_K=-0.05)
    assert house.verdict.verdict is None and house.verdict.proven_s < 600.0
    assert house.rung(TROUBLE_S) == [("node_restarted", "high")]
    card = house.card("node_restarted")
    assert card["headline"] == "The node restarted: the time begins again"
    assert "is it at a full boil" in card["do"] and "Mark it" in card["do"]
    assert house.machine.state_of("r", "node_restarted") is State.ACTIVE_UNACKNOWLEDGED


def test_the_mark_ends_that_alarm_and_the_time_counts_again_without_a_second_one() -> None:
    house = live(restarts(4), expanded_K=0.7, level_K=-0.05, mark_s=1300.0)
    assert house.rung(TROUBLE_S) == [("node_restarted", "high")]
    assert house.machine.state_of("r", "node_restarted") is State.RETURNED_UNACKNOWLEDGED
    back = house.card("boil_back")
    assert back["priority"] == "notice" and "begin again from here" in back["what"]


@pytest.mark.parametrize("away_s", [0, 2, 4])
def test_a_restart_that_hides_nothing_stays_low(away_s: int) -> None:
    """The gap rule passes (DESIGN, section 5): the stretch goes on, and nobody is called."""
    house = live(restarts(away_s))
    assert house.rung(TROUBLE_S) == []
    card = house.card("node_restarted")
    assert card["priority"] == "low" and "the time goes on" in card["what"]
    assert max(s.end_s - s.start_s for s in house.verdict.stretches if s.state == "boiling") > 800.0


def test_a_restart_that_breaks_what_no_mark_was_needed_for_asks_to_look() -> None:
    """It is proven again by the readings: asking for a mark would only move the start later."""
    house = live(restarts(4), expanded_K=0.5, level_K=0.1, seen=False)
    assert house.rung(TROUBLE_S) == [("node_restarted", "high")]
    card = house.card("node_restarted")
    assert "is it at a full boil" in card["do"] and "Mark it" not in card["do"]
    assert house.machine.state_of("r", "node_restarted") is State.RETURNED_UNACKNOWLEDGED


def test_a_restart_after_a_silence_that_rang_is_no_second_alarm() -> None:
    """20 s away: the silence rang, and sent somebody to the canner."""
    house = live(restarts(20))
    assert house.rung(TROUBLE_S) == [("node_silent", "high")]
    assert house.card("node_restarted")["priority"] == "low"
    assert house.card("boil_back")["priority"] == "notice"


def test_a_second_restart_takes_nothing_away_from_the_first() -> None:
    """The first broke the proof and waits for an answer; the second, 20 s later, costs nothing more."""
    house = live(restarts(4), restarts(1, TROUBLE_S + 90.0, boot=3), expanded_K=0.7, level_K=-0.05)
    assert [row.priority for row in house.journal if row.kind == "node_restarted" and row.alarm] == ["high"]
    (standing,) = [
        row for row in house.machine.board(Moment(1700.0, START)) if row["kind"] == "node_restarted"
    ]
    assert (standing["priority"], standing["sound"]) == ("high", "urgent")


# --- a step of the clock ----------------------------------------------------------------------------------


@pytest.mark.parametrize("by_s", [4.0, 20.0, 40.0])
def test_a_step_of_the_clock_in_the_hold_rings_highest_and_once(by_s: float) -> None:
    """Readings came all the time: not "no readings are coming in" beside it."""
    house = live(steps(by_s))
    assert house.rung(TROUBLE_S) == [("clock_stepped", "high")]
    card = house.card("clock_stepped")
    assert card["headline"] == "Times jumped: the time begins again"
    assert "is it at a full boil" in card["do"] and "Nothing to do" not in card["do"]
    assert house.machine.state_of("r", "clock_stepped") is State.RETURNED_UNACKNOWLEDGED
    assert house.card("boil_back")["priority"] == "notice"


def test_a_step_that_only_a_mark_could_mend_asks_for_it() -> None:
    house = live(steps(4.0), expanded_K=0.7, level_K=-0.05)
    assert house.rung(TROUBLE_S) == [("clock_stepped", "high")]
    assert "Mark it" in house.card("clock_stepped")["do"]


def test_a_step_on_the_way_up_is_a_notice() -> None:
    def early(rows: list[Sample]) -> list[Sample]:
        return [row._replace(t_s=row.t_s + (30.0 if row.t_s >= 100.0 else 0.0)) for row in rows]

    card = live(early).card("clock_stepped")
    assert card["priority"] == "notice" and "Nothing to do" not in card["do"]


# --- what rang nothing ------------------------------------------------------------------------------------


def test_a_time_that_begins_again_after_what_rang_nothing_is_heard_once() -> None:
    """A hole of 4 s, too short for a silence (5 s) and too long for this probe's uncertainty."""
    house = live(silent(4), expanded_K=0.5, level_K=0.1, seen=False)
    assert house.rung(TROUBLE_S) == [("boil_back", "medium")]
    card = house.card("boil_back")
    assert card["headline"] == "The time has begun again" and "timer anew" in card["do"]
    assert house.machine.state_of("r", "boil_back") is State.RETURNED_UNACKNOWLEDGED


def test_a_time_that_begins_again_after_a_silence_that_rang_is_a_notice() -> None:
    house = live(silent(40))
    assert house.rung(TROUBLE_S) == [("node_silent", "high")]
    assert house.card("boil_back")["priority"] == "notice"


def test_an_alarm_of_another_time_does_not_stand_in_for_it() -> None:
    """A silence of 8 s rang and was over five minutes before the hole of 4 s, which nobody was told of."""
    house = live(silent(8, 900.0), silent(4), level_K=0.05, expanded_K=0.45, seen=False)
    assert house.rung(890.0) == [("node_silent", "high"), ("boil_back", "medium")]


def test_a_boil_that_is_not_proven_again_after_what_rang_nothing_is_heard_once() -> None:
    """The same hole where only the mark proved it: nothing would ever be proven, and nobody told."""
    house = live(silent(4), expanded_K=0.7, level_K=-0.05)
    assert house.rung(TROUBLE_S) == [("verdict_revised", "medium")]
    assert "mark what you see" in house.card("verdict_revised")["what"]


def test_an_alarm_as_it_was_kept_before_causes_were_is_taken_up() -> None:
    """A journal of an earlier version has none."""
    house = live(restarts(4))
    rows = [row.as_json() for row in house.journal]
    for row in rows:
        if row["alarm"]:
            del row["alarm"]["cause"]
    machine = AlarmMachine()
    machine.restore(rows, Moment(0.0, START))
    assert [row["cause"] for row in machine.board(Moment(1.0, START))] in ([], [""])


def test_that_a_silence_rang_is_known_when_the_run_is_judged_anew_and_after_a_restart_of_the_collector() -> (
    None
):
    """Rows that came late, or a new life of the program, make no second alarm of one trouble."""
    house = live(silent(40))
    back = [e for e in house.verdict.events if e.kind == "boil_back"][-1]
    again = AlarmMachine()
    again.restore((row.as_json() for row in house.journal if row.kind != "boil_back"), Moment(0.0, START))
    for machine in (house.machine, again):
        watch = RunWatch(machine, Context("r", started_at=START))
        rows = watch.events([replace(back, raised_s=back.raised_s + 0.5)], Moment(1300.0, START))
        assert [row.priority for row in rows if row.kind == "boil_back"] == ["notice"]


def test_a_boil_back_of_no_cause_is_good_news_still() -> None:
    """After a loss that was told, it rings nothing."""
    event = [e for e in live(silent(40)).verdict.events if e.kind == "boil_back"][-1]
    machine = AlarmMachine()
    watch = RunWatch(machine, Context("r", started_at=START))
    (row,) = watch.events([replace(event, cause="", unproven_s=None)], Moment(1300.0, START))
    assert row.priority == "notice"
