"""One record from several nodes: nothing invented, nothing carried on, the water's rows untouched."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from monitor.record.model import Sample
from monitor.store.merge import ALONG_S, Merger, stands_beside


def merged(water: list[Sample], others: list[Sample]) -> list[Sample]:
    merger = Merger()
    both = sorted([(s, False) for s in water] + [(s, True) for s in others], key=lambda item: item[0].t_s)
    rows = [row for sample, beside in both for row in merger.push(sample, auxiliary=beside)]
    return rows + merger.flush()


def water_row(t_s: float, **more: object) -> Sample:
    return Sample(t_s, 95.0, boot=1, seq=int(t_s), uptime_s=t_s + 5.0)._replace(**more)


def test_a_value_goes_along_once_with_the_next_row() -> None:
    rows = merged(
        [water_row(1.0), water_row(2.0), water_row(3.0)], [Sample(1.4, None, room_C=21.0, boot=9, seq=0)]
    )
    assert [row.room_C for row in rows] == [None, 21.0, None]
    assert [(row.boot, row.seq) for row in rows] == [(1, 1), (1, 2), (1, 3)]


def test_what_the_row_says_itself_stands() -> None:
    other = Sample(1.4, 80.0, room_C=30.0, jars={1: 60.0, 2: 61.0}, boot=9, seq=0)
    (row,) = merged([water_row(2.0, room_C=21.0, jars={1: 70.0})], [other])
    assert (row.water_C, row.water_2_C, row.room_C, row.jars) == (95.0, 80.0, 21.0, {1: 70.0, 2: 61.0})


def test_a_value_that_finds_no_row_stands_alone_and_without_a_number() -> None:
    rows = merged([water_row(1.0), water_row(20.0)], [Sample(2.0, None, jars={1: 70.0}, boot=9, seq=0)])
    assert [(row.t_s, row.boot, dict(row.jars)) for row in rows] == [
        (1.0, 1, {}),
        (2.0, None, {1: 70.0}),
        (20.0, 1, {}),
    ]


def test_plain_numbers_of_one_device_join() -> None:
    assert stands_beside(Sample(1.0, None, pressure_kPa=83.0, boot=1, seq=1))
    assert not stands_beside(Sample(1.0, 95.0, boot=1, seq=2))
    assert not stands_beside(Sample(1.0, None, boot=1, seq=2, uptime_s=3.0)), "a node that has no reading"


times = st.lists(st.floats(0, 100).map(lambda t: round(t, 1)), max_size=30, unique=True)


@given(times, times)
def test_nothing_is_invented_and_nothing_lost(water_s: list[float], other_s: list[float]) -> None:
    others = [Sample(t_s, None, room_C=1000.0 + t_s, boot=9, seq=n) for n, t_s in enumerate(sorted(other_s))]
    rows = merged([water_row(t_s) for t_s in water_s], others)
    assert [row.t_s for row in rows if row.boot == 1] == sorted(water_s)
    said = [row for row in rows if row.room_C is not None]
    for row in said:
        assert row.room_C is not None
        assert -1e-6 <= row.t_s - (row.room_C - 1000.0) <= ALONG_S + 1e-6
    # No value stands twice.
    for earlier, later in itertools.pairwise(said):
        assert earlier.room_C != later.room_C
