"""What ends an alarm is what began it: a node is heard by its own rhythm, a heater is on by one rule.

A session and its alarms are driven as the collector drives them, once a second; the readings are made up.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import pytest

from monitor.alarms import AlarmMachine, Context, Moment, RunWatch, Stage, State
from monitor.alarms.rules import triggers_from_view
from monitor.judge import Session
from monitor.record.model import Mark, Required, Run, Sample, Site

START = datetime(2026, 8, 14, 15, 12, tzinfo=UTC)
SITE = Site(name="invented", altitude_m=0.0, altitude_uncertainty_m=10.0)
HEADER = Run("made-up", START, Required(10.0, "an invented time"), site=SITE, marks=(Mark(0.0, "jars_in"),))
ACTIVE, RETURNED, NORMAL = State.ACTIVE_UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.NORMAL


def warming(times_s: Iterable[float], **what: object) -> list[Sample]:
    """Water that warms by 2 K/min from 20 °C."""
    return [Sample(t, 20.0 + t / 30.0, **what) for t in times_s]  # type: ignore[arg-type]


def changes(samples: list[Sample], kind: str, until_s: int) -> list[tuple[int, State]]:
    """When the alarm of this kind changed its state, and into which."""
    session, machine = Session(HEADER), AlarmMachine()
    watch = RunWatch(machine, Context("r", stage=Stage.HOLD, started_at=START))
    waiting = sorted(samples, key=lambda sample: sample.t_s)
    found: list[tuple[int, State]] = []
    for now_s in range(until_s + 1):
        now = Moment(float(now_s), START + timedelta(seconds=now_s))
        while waiting and waiting[0].t_s <= now_s:
            session.feed([waiting.pop(0)])
        session.tick(float(now_s))
        watch.events(session.take_events(), now)
        watch.view(session.view(float(now_s)), now)
        state = machine.state_of("r", kind)
        if state is not (found[-1][1] if found else NORMAL):
            found.append((now_s, state))
    return found


# --- the node is heard ------------------------------------------------------------------------------------


@pytest.mark.parametrize("every_s", [0.5, 1.0, 2.0, 4.0, 6.0, 10.0, 12.0, 20.0, 28.0])
def test_a_node_that_keeps_its_rhythm_is_never_silent(every_s: float) -> None:
    times_s = [round(n * every_s, 3) for n in range(int(900 / every_s))]
    assert changes(warming(times_s), "node_silent", 880) == []


@pytest.mark.parametrize(
    ("every_s", "told_s"), [(0.5, 5), (1.0, 5), (2.0, 5), (4.0, 10), (6.0, 15), (10.0, 25), (20.0, 30)]
)
def test_a_silence_is_told_by_the_rhythm_and_ends_and_a_second_one_is_told(
    every_s: float, told_s: int
) -> None:
    """A standing alarm would hide the second; it ends ten seconds after the node is back."""
    gone = [(300.0, 360.0), (600.0, 660.0)]
    times_s = [
        t
        for t in (round(n * every_s, 3) for n in range(int(900 / every_s)))
        if not any(low_s < t < high_s for low_s, high_s in gone)
    ]
    assert changes(warming(times_s), "node_silent", 880) == [
        (300 + told_s, ACTIVE),
        (370, RETURNED),
        (600 + told_s, ACTIVE),
        (670, RETURNED),
    ]


def test_a_node_of_one_word_is_silent_after_half_a_minute() -> None:
    """It may send only each ten seconds."""
    assert changes(warming([0.0]), "node_silent", 60) == [(30, ACTIVE)]


def test_a_probe_at_fault_from_the_start_has_a_rhythm_too() -> None:
    """Nothing is read; five seconds after its last word it is silent all the same."""
    faults = [Sample(float(t), None, water_fault="open") for t in range(20)]
    assert changes(faults, "node_silent", 40) == [(24, ACTIVE)]
    slow = [Sample(10.0 * n, None, water_fault="open") for n in range(20)]
    assert changes(slow, "node_silent", 190) == []


def test_another_sensors_word_is_no_sign_of_the_probes_life() -> None:
    """A probe and a barometer as plain numbers each ten seconds; the probe stops."""
    probe = warming([10.0 * n for n in range(30)])
    barometer = [Sample(10.0 * n + 3.0, None, pressure_kPa=101.325) for n in range(60)]
    assert changes([*probe, *barometer], "node_silent", 500) == [(290 + 25, ACTIVE)]
    assert changes(barometer, "node_silent", 60) == [(3 + 30, ACTIVE)]


def test_a_node_of_a_minute_rings_no_more_once_its_rhythm_is_known() -> None:
    """A sensor that people already own; nothing can be proven with it, and nothing is gained by a minute's alarm."""
    found = changes(warming([60.0 * n for n in range(30)]), "node_silent", 1780)
    assert found[0] == (30, ACTIVE) and found[-1][1] is RETURNED and found[-1][0] <= 500
    gone = changes(warming([60.0 * n for n in range(20)]), "node_silent", 1780)
    assert gone[-1] == (19 * 60 + 75, ACTIVE)


def test_a_fault_of_a_slow_node_ends_too() -> None:
    """It ends by ten seconds of readings that count, without a break: between two of a slow node."""
    rows = warming([10.0 * n for n in range(60)])
    rows[20:22] = [Sample(row.t_s, None, water_fault="open") for row in rows[20:22]]
    assert [state for _, state in changes(rows, "probe_fault", 590)] == [ACTIVE, RETURNED]


def test_a_late_row_is_no_sign_of_life() -> None:
    """A resend proves that the node kept its ring, not that it speaks now."""
    session = Session(HEADER)
    session.feed(warming([0.0, 1.0, 2.0], heater_W=1500.0))
    assert {"node_heard", "reading_counts", "heater_on"} <= triggers_from_view(session.view(3.0))
    session.feed(warming([8.0], heater_W=1500.0, late=True))
    assert triggers_from_view(session.view(8.5)) == frozenset()
    only_late = Session(HEADER)
    only_late.feed(warming([0.0], heater_W=1500.0, late=True))
    assert triggers_from_view(only_late.view(0.0)) == frozenset()


# --- the heater is on -------------------------------------------------------------------------------------


def heated(watts: list[float], mains: list[bool] | None = None) -> list[Sample]:
    return [
        row._replace(heater_W=watt, mains=None if mains is None else mains[n])
        for n, (row, watt) in enumerate(zip(warming(map(float, range(len(watts)))), watts, strict=True))
    ]


def test_standby_watts_end_no_alarm() -> None:
    """3.5 kW, then 100 W of electronics: off, and told, for as long as it lasts."""
    assert changes(heated([3500.0] * 200 + [100.0] * 200), "heater_off", 399) == [(200, ACTIVE)]


def test_a_heater_that_is_back_ends_it() -> None:
    watts = [3500.0] * 200 + [100.0] * 60 + [3500.0] * 60
    assert changes(heated(watts), "heater_off", 319) == [(200, ACTIVE), (270, RETURNED)]


def test_watts_that_were_said_last_are_no_heat_where_the_mains_are_gone() -> None:
    """A meter may repeat its last value."""
    rows = heated([3500.0] * 400, [t < 200 for t in range(400)])
    assert changes(rows, "heater_off", 399) == [(200, ACTIVE)]


def test_a_meter_that_speaks_seldom_ends_it_too() -> None:
    """Watts every ten seconds on samples of each second: those between say nothing against it."""
    rows = heated([3500.0] * 200 + [0.0] * 60 + [3500.0] * 60)
    rows = [row if row.t_s % 10 == 0 else row._replace(heater_W=None) for row in rows]
    assert changes(rows, "heater_off", 319) == [(200, ACTIVE), (270, RETURNED)]


def test_an_outage_after_a_blip_rings_again() -> None:
    """Off for 2 s, on for 28 s, off for good: the alarm of the blip was over."""
    watts = [1500.0] * 200 + [0.0] * 2 + [1500.0] * 28 + [0.0] * 60
    assert changes(heated(watts), "heater_off", 289) == [(200, ACTIVE), (212, RETURNED), (230, ACTIVE)]
