"""``heater_off`` is raised at once, once for pauses that follow each other closely, and only while it matters."""

from __future__ import annotations

from monitor.judge.eventlog import EventLog
from monitor.judge.heater import HeaterWatch
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
