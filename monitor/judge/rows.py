"""The rows of a record as a set: their order, and what makes two deliveries one sample."""

from __future__ import annotations

from collections.abc import Iterable
from math import inf, isfinite

from monitor.record.model import NOTHING, Sample

#: (boot, seq): what identifies a sample of a node.
Key = tuple[int, int]


class _Told:
    """All that a row says, as something to order it by; worked out only where nothing else tells two rows apart."""

    __slots__ = ("_row",)

    def __init__(self, row: Sample | None) -> None:
        self._row = row

    def _words(self) -> str:
        row = self._row
        if row is None:
            return ""
        alone = row._replace(jars=NOTHING, lids=NOTHING)
        return repr((*alone, sorted(row.jars.items()), sorted(row.lids.items())))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Told) and (self._row is other._row or self._words() == other._words())

    def __lt__(self, other: _Told) -> bool:
        return self._words() < other._words()

    __hash__ = None  # type: ignore[assignment]


#: Of a row with a number: that tells it from all others.
_NUMBERED = _Told(None)


def order(sample: Sample) -> tuple[float, int, int, float, _Told]:
    """By time; at one time by start and number, and where a row has none by what it says, the lower reading first.

    Of two readings with one time the first is used (:mod:`monitor.judge.engine`). Without numbers nobody can say
    whether they are two samples or one with two values, and the order of a file's rows says nothing: so the lower one
    decides, as of two probes.
    """
    boot, seq = sample.boot, sample.seq
    if boot is not None and seq is not None:
        return sample.t_s, boot, seq, -inf, _NUMBERED
    water_C = inf if sample.water_C is None or not isfinite(sample.water_C) else sample.water_C
    return sample.t_s, boot or 0, seq or 0, water_C, _Told(sample)


def reading(sample: Sample) -> tuple[object, ...]:
    """What two deliveries of one sample must agree in."""
    return (
        sample.water_C,
        sample.water_fault,
        sample.water_2_C,
        sample.pressure_kPa,
        sample.heater_W,
        sample.mains,
        dict(sample.jars),
    )


def arrived_s(sample: Sample) -> float:
    """When a sample came; its own time where the record does not say. [s since the run's start]"""
    return sample.t_s if sample.arrival_s is None else sample.arrival_s


def comes_before(sample: Sample, other: Sample) -> bool:
    """Whether ``sample`` is the one to keep of two deliveries of one number: the earlier, the one on time."""
    return (sample.t_s, sample.late, arrived_s(sample)) < (other.t_s, other.late, arrived_s(other))


def as_set(samples: Iterable[Sample]) -> tuple[list[Sample], set[Key]]:
    """Samples in time order, each once; and the numbers that came with two values."""
    samples = list(samples)
    if _in_order(samples):
        return samples, set()
    by_key: dict[Key, Sample] = {}
    conflicts: set[Key] = set()
    rest: list[Sample] = []
    for sample in samples:
        if sample.boot is None or sample.seq is None:
            rest.append(sample)
            continue
        key = (sample.boot, sample.seq)
        before = by_key.get(key)
        if before is None:
            by_key[key] = sample
        elif before is not sample:
            if reading(before) != reading(sample):
                conflicts.add(key)
            if comes_before(sample, before):
                by_key[key] = sample
    return sorted([*by_key.values(), *distinct(sorted(rest, key=order))], key=order), conflicts


def distinct(ordered: list[Sample]) -> list[Sample]:
    """Rows in order, each once: of rows without numbers their values alone can tell."""
    return [row for at, row in enumerate(ordered) if not at or row != ordered[at - 1]]


def _in_order(samples: list[Sample]) -> bool:
    """Whether the rows are those of one start of one node, each once and in order, as most records are."""
    if not samples:
        return True
    boot, seq, t_s = samples[0].boot, -1, float("-inf")
    if boot is None:
        return False
    for sample in samples:
        number = sample.seq
        if number is None or number <= seq or sample.t_s <= t_s or sample.boot != boot:
            return False
        seq, t_s = number, sample.t_s
    return True
