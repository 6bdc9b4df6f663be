"""The alarm states (ISA-18.2 / IEC 62682 names), silence, shelving, the journal and a restart."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import product
from pathlib import Path

import pytest

from monitor.alarms import (
    TRANSITIONS,
    AlarmMachine,
    Context,
    Input,
    Moment,
    RunWatch,
    Stage,
    State,
    alarm_for,
    condition_alarm,
)
from monitor.errors import RefusedError
from monitor.judge import judge
from monitor.judge.verdict import Event, LiveView
from monitor.record.read import read_run

RECORDED = Path(__file__).parents[2] / "recorded_runs"
START = datetime(2026, 8, 14, 15, 12, tzinfo=UTC)
RUN = Context("run-1", canner="canner-1", stage=Stage.HOLD, started_at=START)


def at(now_s: float) -> Moment:
    return Moment(now_s, START + timedelta(seconds=now_s))


def event(kind: str = "boil_lost", onset_s: float = 700.0) -> Event:
    return Event(kind, onset_s, onset_s + 10.0, f"{kind} at {onset_s}")


def raised(kind: str = "boil_lost", context: Context = RUN, onset_s: float = 700.0) -> AlarmMachine:
    machine = AlarmMachine()
    alarm = alarm_for(event(kind, onset_s), context)
    assert alarm is not None
    machine.raise_alarm(alarm, at(onset_s + 10.0))
    return machine


def test_the_table_answers_every_state_with_every_input() -> None:
    assert set(TRANSITIONS) == set(product(State, Input))


def apply(machine: AlarmMachine, change: Input, number: int) -> list[object]:
    """One input of the table through the public calls."""
    now = at(1000.0 + number)
    if change is Input.RAISED:
        alarm = alarm_for(event(onset_s=900.0 + number), RUN)
        assert alarm is not None
        return list(machine.raise_alarm(alarm, now))
    if change is Input.RETURNED:
        return list(machine.triggers("run-1", ["boil_back"], now))
    board = machine.board(now)
    return list(machine.acknowledge(board[0]["alarm_id"] if board else "run-1:boil_lost:1", "Ada", now))


@pytest.mark.parametrize("walk", list(product(Input, repeat=4)))
def test_every_walk_of_four_inputs_follows_the_table(walk: tuple[Input, ...]) -> None:
    """All 81 walks: the machine is where the table says, and each change has its journal row."""
    machine, state = AlarmMachine(), State.NORMAL
    for number, change in enumerate(walk):
        expected = TRANSITIONS[state, change]
        rows = apply(machine, change, number)
        assert machine.state_of("run-1", "boil_lost") is expected
        assert bool(rows) == (expected is not state or change is Input.RAISED)
        state = expected


def test_an_alarm_that_clears_by_itself_stays_until_acknowledged() -> None:
    machine = raised()
    machine.triggers("run-1", ["boil_back"], at(800.0))
    (row,) = machine.board(at(5000.0))
    assert row["state"] == "returned_unacknowledged"
    assert row["sound"] == "urgent"
    machine.acknowledge(row["alarm_id"], "Ada", at(5001.0))
    assert machine.board(at(5002.0)) == []


def test_an_acknowledgement_of_an_earlier_raising_leaves_the_newer_one_sounding() -> None:
    """A tap that was on its way when the boil was lost a second time must not hush the second loss."""
    machine = raised()
    first = machine.board(at(711.0))[0]["alarm_id"]
    again = alarm_for(event(onset_s=720.0), RUN)
    assert again is not None
    machine.raise_alarm(again, at(730.0))
    assert machine.acknowledge(first, "Ada", at(731.0)) == []
    assert machine.board(at(732.0))[0]["sound"] == "urgent"


def test_silence_lasts_two_minutes_at_most_and_the_new_sounds_through_it() -> None:
    machine = raised()
    (row,) = machine.silence("Ada", at(720.0), seconds_s=3600.0)
    assert row.change == "silenced" and row.text == "sound off for 2 min"
    assert row.as_json()["quiet_s"] == 120.0
    assert machine.board(at(839.9))[0]["sound"] is None
    assert machine.board(at(840.1))[0]["sound"] == "urgent"
    machine.silence("Ada", at(850.0))
    fault = alarm_for(event("probe_fault", 851.0), RUN)
    assert fault is not None
    machine.raise_alarm(fault, at(861.0))
    sounds = {row["kind"]: row["sound"] for row in machine.board(at(862.0))}
    assert sounds == {"boil_lost": None, "probe_fault": "urgent"}


@pytest.mark.parametrize("seconds_s", [float("nan"), -5.0, float("inf")])
def test_a_nonsense_silence_is_never_longer_than_the_limit(seconds_s: float) -> None:
    machine = raised()
    machine.silence("Ada", at(720.0), seconds_s=seconds_s)
    assert machine.board(at(840.1))[0]["sound"] == "urgent"


def test_the_highest_class_cannot_be_shelved_in_a_hold() -> None:
    machine = raised()
    alarm_id = machine.board(at(711.0))[0]["alarm_id"]
    for hold_owed in (True, False):
        with pytest.raises(RefusedError, match="cannot be put aside during a hold"):
            machine.shelve(alarm_id, "Ada", at(712.0), seconds_s=60.0, hold_owed=hold_owed)
    (row,) = machine.apply_entry("alarm_shelved", {"alarm_id": alarm_id}, "Ada", at(713.0))
    assert row.change == "refused"
    assert machine.board(at(714.0))[0]["shelved_until_utc"] is None


def test_shelving_lasts_ten_minutes_at_most_and_its_end_is_in_the_journal() -> None:
    machine = raised("come_up_stalled", Context("run-1", stage=Stage.COME_UP, started_at=START))
    alarm_id = machine.board(at(711.0))[0]["alarm_id"]
    machine.shelve(alarm_id, "Ada", at(720.0), seconds_s=9000.0, hold_owed=False)
    assert machine.tick(at(1319.0)) == []
    assert machine.board(at(1319.0))[0]["sound"] is None
    (row,) = machine.tick(at(1320.0))
    assert row.change == "unshelved"
    assert machine.board(at(1321.0))[0]["sound"] == "attention"


def test_a_condition_returns_only_after_ten_seconds_of_being_well() -> None:
    machine = raised("node_silent")
    for now_s in range(720, 729):
        assert machine.conditions("run-1", ["node_heard"], at(now_s)) == []
    machine.conditions("run-1", [], at(729.0))
    for now_s in range(730, 740):
        assert machine.conditions("run-1", ["node_heard"], at(now_s)) == []
    (row,) = machine.conditions("run-1", ["node_heard"], at(740.0))
    assert row.to_state == "returned_unacknowledged"


def test_a_notice_is_kept_but_neither_stands_nor_sounds() -> None:
    machine = AlarmMachine()
    alarm = alarm_for(event("boil_reached"), RUN)
    assert alarm is not None
    (row,) = machine.raise_alarm(alarm, at(710.0))
    assert row.change == "noted"
    assert machine.board(at(711.0)) == []


def test_what_happens_in_an_instant_waits_to_be_seen() -> None:
    machine = raised("jar_disturbed")
    (row,) = machine.board(at(720.0))
    assert row["state"] == "returned_unacknowledged"


def test_a_replayed_record_raises_nothing_twice() -> None:
    machine = raised()
    alarm = alarm_for(event(), RUN)
    assert alarm is not None
    assert machine.raise_alarm(alarm, at(800.0)) == []


def test_a_restart_forgets_silences_but_no_alarm() -> None:
    machine, journal = AlarmMachine(), []
    for kind in ("boil_lost", "probe_fault"):
        alarm = alarm_for(event(kind), RUN)
        assert alarm is not None
        journal += machine.raise_alarm(alarm, at(710.0))
    journal += machine.silence("Ada", at(711.0))
    journal += machine.acknowledge("run-1:probe_fault:1", "Ada", at(712.0))
    journal += machine.raise_alarm(condition_alarm("remote_path_lost", Context("house"), "down"), at(713.0))
    journal += machine.triggers("house", ["remote_path_back"], at(714.0))
    journal += machine.acknowledge("house:remote_path_lost:1", None, at(715.0))
    again = AlarmMachine()
    again.restore([row.as_json() for row in journal], at(5.0))
    board = {row["kind"]: row for row in again.board(at(6.0))}
    assert set(board) == {"boil_lost", "probe_fault"}
    assert board["boil_lost"]["sound"] == "urgent"
    assert board["probe_fault"]["state"] == "active_acknowledged"
    assert board["probe_fault"]["acknowledged_by"] == "Ada"
    repeat = alarm_for(event(), RUN)
    assert repeat is not None and again.raise_alarm(repeat, at(7.0)) == []
    newer = alarm_for(event(onset_s=999.0), RUN)
    assert newer is not None
    assert again.raise_alarm(newer, at(8.0))[0].alarm_id == "run-1:boil_lost:2"


def test_a_run_from_come_up_to_lost_boil_and_back() -> None:
    """The order of the board, the stage and the returns, through the calls the collector makes."""
    machine = AlarmMachine()
    watch = RunWatch(machine, Context("run-1", canner="canner-1", started_at=START))
    watch.mark("jars_in", 0.0, at(0.0))
    watch.events([Event("boil_reached", 600.0, 630.0, "boiling")], at(630.0))
    assert watch.hold_owed
    watch.events([Event("water_check_due", 900.0, 900.0, "15 min")], at(900.0))
    watch.events([Event("boil_lost", 1000.0, 1015.0, "falling")], at(1015.0))
    assert [row["kind"] for row in machine.board(at(1016.0))] == ["boil_lost", "water_check_due"]
    watch.events([Event("boil_back", 1200.0, 1230.0, "boiling")], at(1230.0))
    assert machine.state_of("run-1", "boil_lost") is State.RETURNED_UNACKNOWLEDGED
    watch.events([Event("hold_complete", 3000.0, 3020.0, "done")], at(3020.0))
    assert machine.state_of("run-1", "water_check_due") is State.RETURNED_UNACKNOWLEDGED
    watch.mark("heat_off", 3050.0, at(3050.0))
    assert machine.state_of("run-1", "hold_complete") is State.RETURNED_UNACKNOWLEDGED


@pytest.mark.parametrize("kind", ["heat_off", "jars_lifted"])
def test_the_end_of_the_jars_before_said_late_silences_nothing_of_the_hold_that_is_on(kind: str) -> None:
    """The hold runs from the last jars_in to the first end after it; an alarm of it is as loud as before."""
    machine = AlarmMachine()
    watch = RunWatch(machine, Context("run-1", canner="canner-1", started_at=START))
    watch.mark("jars_in", 300.0, at(300.0))
    watch.events([Event("boil_reached", 600.0, 630.0, "boiling")], at(630.0))
    watch.mark(kind, -5000.0, at(640.0))
    assert watch.hold_owed
    watch.events([Event("boil_lost", 1000.0, 1015.0, "falling")], at(1015.0))
    (row,) = machine.board(at(1016.0))
    assert (row["kind"], row["priority"]) == ("boil_lost", "high")
    watch.mark(kind, 1100.0, at(1101.0))
    assert not watch.hold_owed


def test_an_old_mark_ends_nothing_that_came_after_it() -> None:
    """heat_off entered late, dated before the fault: the fault stands."""
    machine = raised("probe_fault")
    assert machine.triggers("run-1", ["heat_off"], at(800.0), after_s=100.0) == []


def test_a_dated_view_is_no_sign_of_life() -> None:
    machine = raised("node_silent")
    watch = RunWatch(machine, RUN)
    view = LiveView(
        at_s=760.0,
        state="boiling",
        phase="hold",
        sentence="",
        reason="",
        water_C=99.0,
        boiling_point_C=99.5,
        boiling_point_from="barometer",
        floor_C=98.5,
        expanded_uncertainty_K=0.4,
        held_s=100.0,
        proven_s=100.0,
        required_s=600.0,
        remaining_s=500.0,
        clock_started_s=600.0,
        last_sample_s=700.0,
    )
    for now_s in range(760, 790):
        assert watch.view(view, at(now_s)) == []


def test_seals_that_are_judged_are_not_asked_for_again() -> None:
    machine = AlarmMachine()
    watch = RunWatch(machine, Context("run-1", started_at=START))
    watch.events([Event("seal_check_due", 43200.0, 43200.0, "12 h")], at(43200.0))
    assert machine.state_of("run-1", "seal_check_due") is State.ACTIVE_UNACKNOWLEDGED
    watch.mark("seals_judged", 50000.0, at(50000.0))
    assert machine.state_of("run-1", "seal_check_due") is State.RETURNED_UNACKNOWLEDGED
    assert watch.events([Event("seal_check_overdue", 80000.0, 80000.0, "23 h")], at(80000.0)) == []
    assert watch.events([Event("reprocess_window_closing", 80001.0, 80001.0, "")], at(80001.0)) != []


def test_an_answer_that_was_taken_back_is_asked_for_again() -> None:
    """The 24 h go on for a jar whose seal nobody judged (USDA Complete Guide to Home Canning)."""
    watch = RunWatch(AlarmMachine(), Context("run-1", started_at=START))
    for word in ("seals_judged", "jars_decided"):
        watch.mark(word, 50000.0, at(50000.0))
    watch.settled_still(["jars_decided"])
    assert watch.events([Event("seal_check_overdue", 80000.0, 80000.0, "23 h")], at(80000.0)) != []
    assert watch.events([Event("reprocess_window_closing", 80001.0, 80001.0, "")], at(80001.0)) == []


@pytest.mark.parametrize(
    "name",
    ["held-low-altitude", "coarse-probe-held", "cycling-ring-held", "held-2400-m", "a-night-of-cooling"],
)
def test_a_good_noisy_run_raises_nothing_of_the_highest_class_and_little_else(name: str) -> None:
    """EEMUA 191 as a yardstick: no more than one alarm in ten minutes; every one asks for a response."""
    run = read_run(RECORDED / name)
    verdict = judge(run)
    machine = AlarmMachine()
    watch = RunWatch(machine, Context(run.run_id, started_at=run.started_at))
    steps = [(mark.t_s, 0, mark) for mark in run.marks] + [(e.raised_s, 1, e) for e in verdict.events]
    raised = []
    for t_s, _, what in sorted(steps, key=lambda step: step[:2]):
        rows = (
            watch.events([what], at(t_s)) if isinstance(what, Event) else watch.mark(what.kind, t_s, at(t_s))
        )
        raised += [(row.kind, row.priority) for row in rows if row.change == "raised"]
    expected = {"hold_complete", "overrun", "water_check_due", "seal_check_due", "seal_check_overdue"}
    assert {kind for kind, _ in raised} <= expected
    assert "high" not in {priority for _, priority in raised}
    assert len(raised) <= run.samples[-1].t_s / 600.0
