"""``heater_off`` is raised at once, once for pauses that follow each other closely, and only while it matters."""

from __future__ import annotations

import pytest

from monitor.judge.eventlog import EventLog
from monitor.judge.heater import HeaterWatch, is_heating
from monitor.record.model import Sample


def raised(samples: list[Sample], *, in_process: bool = True) -> list[float]:
    log = EventLog()
    watch = HeaterWatch(log)
    for sample in samples:
        watch.take(sample, in_process)
    return [event.raised_s for event in log.events]


def powers(*watts: float) -> list[Sample]:
    return [Sample(float(t), 98.0, heater_W=power) for t, power in enumerate(watts)]


def test_a_heater_that_stops_is_said_on_the_very_sample() -> None:
    assert raised(powers(1800.0, 1800.0, 0.0, 0.0, 0.0)) == [2.0]


def test_a_cycling_heater_is_said_once_a_minute_at_most() -> None:
    """Common practice: a thermostat cycles in tens of seconds."""
    watts = ([1800.0] * 15 + [0.0] * 15) * 10
    assert len(raised(powers(*watts))) == 1


def test_mains_gone_is_off_whatever_the_watts_last_said() -> None:
    samples = [Sample(0.0, 98.0, mains=True), Sample(1.0, 98.0, heater_W=1800.0, mains=False)]
    assert raised(samples) == [1.0]


def test_a_small_standby_power_is_no_heater() -> None:
    assert raised(powers(12.0, 12.0, 0.0)) == []


def test_after_the_heat_was_turned_off_nothing_is_said() -> None:
    assert raised(powers(1800.0, 0.0), in_process=False) == []


def test_a_heater_that_cycles_is_told_when_it_stays_off() -> None:
    """Two minutes on, one off, ten times: the first pauses are told, not each; the last, which does not end, is."""
    watts = ([1800.0] * 120 + [0.0] * 60) * 10 + [1800.0] * 120 + [0.0] * 200
    times = raised(powers(*watts))
    assert len(times) == 4 and times[:3] == [120.0, 300.0, 480.0]
    assert 1920.0 + 60.0 < times[3] <= 1920.0 + 90.0


def test_where_it_cycles_power_that_is_gone_is_told_at_once() -> None:
    watts = ([1800.0] * 120 + [0.0] * 60) * 5 + [1800.0] * 120
    samples = powers(*watts)
    gone = [Sample(len(watts) + 0.0, 98.0, heater_W=0.0, mains=False)]
    assert raised(samples + gone)[-1] == float(len(watts))


def test_an_outage_after_a_blip_is_told_at_once_too() -> None:
    """Two seconds without power, half a minute with it, then none: a thermostat's pause is no blink of an eye."""
    watts = [1800.0] * 400 + [0.0] * 2 + [1800.0] * 28 + [0.0] * 60
    assert raised(powers(*watts)) == [400.0, 430.0]


def test_an_outage_after_a_pause_is_told_once_it_is_plainly_longer() -> None:
    """Pauses of 12 s each 40 s may be a thermostat's (common practice: tens of seconds); a longer one is none."""
    watts = [1800.0] * 400 + [0.0] * 12 + [1800.0] * 28 + [0.0] * 60
    times = raised(powers(*watts))
    assert times[0] == 400.0 and len(times) == 2 and 452.0 < times[1] <= 462.0


def test_after_one_pause_no_outage_is_told_later_than_the_reading_would_show_it() -> None:
    """The longest pause after which another may follow within a minute, and the shortest time on between."""
    watts = [1800.0] * 400 + [0.0] * 49 + [1800.0] * 11 + [0.0] * 90
    times = raised(powers(*watts))
    assert times[0] == 400.0 and len(times) == 2 and times[1] <= 460.0 + 41.0


@pytest.mark.parametrize(("on_s", "off_s"), [(30, 30), (28, 12), (15, 15), (45, 15), (25, 33)])
def test_a_thermostat_of_half_a_minute_rings_once(on_s: int, off_s: int) -> None:
    """Forty minutes of it."""
    watts = ([1800.0] * on_s + [0.0] * off_s) * (2400 // (on_s + off_s))
    assert len(raised(powers(*watts))) == 1


@pytest.mark.parametrize(("on_s", "off_s"), [(2, 2), (26, 4), (90, 4), (35, 45), (300, 100)])
def test_a_heater_that_cycles_otherwise_is_quiet_after_its_third_pause(on_s: int, off_s: int) -> None:
    watts = ([1800.0] * on_s + [0.0] * off_s) * (3600 // (on_s + off_s))
    assert len(raised(powers(*watts))) <= 3


def mains(*there: bool) -> list[Sample]:
    return [Sample(float(t), 98.0, heater_W=1800.0, mains=on) for t, on in enumerate(there)]


@pytest.mark.parametrize("off_s", [2, 20])
def test_power_that_is_gone_again_is_told_at_once_again(off_s: int) -> None:
    """No thermostat: the outlet itself."""
    there = [True] * 400 + [False] * off_s + [True] * 20 + [False] * 60
    assert raised(mains(*there)) == [400.0, 420.0 + off_s]


def test_an_outlet_that_is_switched_by_turns_does_not_ring_all_the_time() -> None:
    """A controller before the heater's own outlet; when it stays off that is told all the same."""
    there = ([True] * 28 + [False] * 12) * 30 + [True] * 28 + [False] * 60
    times = raised(mains(*there))
    assert times[:3] == [28.0, 68.0, 108.0] and len(times) == 4
    assert 1228.0 + 12.0 < times[3] <= 1228.0 + 25.0


def test_power_cuts_teach_no_thermostat() -> None:
    """Three cuts of two minutes; the heater that then stops by itself does not wait for a fourth to pass."""
    there = ([True] * 300 + [False] * 120) * 3 + [True] * 300
    gone = [Sample(len(there) + float(t), 98.0, heater_W=0.0, mains=True) for t in range(10)]
    assert raised(mains(*there) + gone)[-1] == float(len(there))


def test_power_that_goes_in_a_pause_is_told_though_the_pause_was() -> None:
    """Whoever was told of the thermostat's pause was not told of this."""
    watts = powers(1800.0, 1800.0, 0.0, 0.0)
    assert raised([*watts, Sample(4.0, 98.0, heater_W=0.0, mains=False)]) == [2.0, 4.0]


def test_a_pause_before_the_jars_went_in_teaches_and_mutes_nothing() -> None:
    log = EventLog()
    watch = HeaterWatch(log)
    for sample in powers(*[1800.0] * 10, *[0.0] * 20, *[1800.0] * 10, *[0.0] * 5):
        watch.take(sample, in_process=sample.t_s >= 30.0)
    assert [event.raised_s for event in log.events] == [40.0]


# --- whether it is on, as alarms and pages are told -------------------------------------------------------


@pytest.mark.parametrize(
    ("sample", "top_W", "heats"),
    [
        (Sample(1.0, 98.0, heater_W=3500.0), 3500.0, True),
        (Sample(1.0, 98.0, heater_W=100.0), 3500.0, False),
        (Sample(1.0, 98.0, heater_W=0.0), 3500.0, False),
        (Sample(1.0, 98.0, heater_W=100.0, mains=True), 3500.0, False),
        (Sample(1.0, 98.0, heater_W=3500.0, mains=False), 3500.0, False),
        (Sample(1.0, 98.0, heater_W=12.0), 12.0, None),
        (Sample(1.0, 98.0, heater_W=12.0, mains=True), 12.0, True),
        (Sample(1.0, 98.0, mains=True), 0.0, True),
        (Sample(1.0, 98.0, mains=False), 0.0, False),
        (Sample(1.0, 98.0), 3500.0, None),
    ],
)
def test_one_rule_of_on(sample: Sample, top_W: float, heats: bool | None) -> None:
    """Watts against the most that was seen; without mains nothing heats, whatever the watts last said."""
    assert is_heating(sample, top_W) is heats


def test_whether_it_is_on_is_known_for_half_a_minute() -> None:
    """A meter that says no more says nothing of now, and a sample without its value takes nothing back."""
    watch = HeaterWatch(EventLog())
    assert watch.is_on(0.0) is None
    for sample in powers(1800.0, 1800.0):
        watch.take(sample, in_process=True)
    watch.take(Sample(2.0, 98.0), in_process=True)
    assert watch.is_on(2.0) is True and watch.is_on(31.0) is True
    assert watch.is_on(31.5) is None
