"""A run as the contract describes it: the header (``run.json``) and the samples (``samples.csv``).

Plain frozen data, SI units inside (°C, kPa, s, m, W). Keys of ``run.json`` that this version does not know
are kept in ``extra`` and written back unchanged.
"""

from __future__ import annotations

import copyreg
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Any, NamedTuple

from monitor.record.taken_in import TakenIn

RUN_FORMAT = "boilwitness-run/1"
#: A mark further from the run's start belongs to another day. [s]
EARLIEST_MARK_S = -86400.0
LATEST_MARK_S = 10 * 86400.0

NOTHING: Mapping[Any, Any] = MappingProxyType({})

# Read-only mappings cannot be copied or pickled unless told how; the engine's checkpoint copies records.
copyreg.pickle(MappingProxyType, lambda mapping: (MappingProxyType, (dict(mapping),)))


MARK_KINDS = (
    "heat_on",
    "jars_in",
    "lid_on",
    "rolling_boil_seen",
    "boil_not_seen",
    "water_added",
    "water_checked",
    "heat_off",
    "lid_off",
    "jars_lifted",
    "note",
)
#: Marks that end a hold: the heat is off, or the jars are out.
ENDS = ("heat_off", "jars_lifted")

WATER_FAULTS = ("open", "short_to_ground", "short_to_supply", "out_of_range")


@dataclass(frozen=True, slots=True)
class Mark:
    """Something a person said happened, ``t_s`` seconds after ``started_at``."""

    t_s: float
    kind: str
    by: str | None = None
    text: str | None = None
    extra: Mapping[str, Any] = field(default_factory=lambda: NOTHING)


def jars_held(marks: Iterable[Mark]) -> Mark | None:
    """The mark of the jars that are in the canner with the heat on; None where none are."""
    held = None
    for mark in sorted(marks, key=lambda mark: mark.t_s):
        if mark.kind == "jars_in":
            held = mark
        elif mark.kind in ENDS:
            held = None
    return held


@dataclass(frozen=True, slots=True)
class Site:
    """The place. Altitude in m, station pressure in kPa (never a sea-level value)."""

    name: str | None = None
    altitude_m: float | None = None
    altitude_uncertainty_m: float | None = None
    pressure_source: str | None = None
    barometer_checked_at: datetime | None = None
    station_pressure_kPa: float | None = None
    extra: Mapping[str, Any] = field(default_factory=lambda: NOTHING)


@dataclass(frozen=True, slots=True)
class Batch:
    """What is in the jars."""

    food: str | None = None
    food_id: str | None = None
    pack: str | None = None
    jar: str | None = None
    jars: int | None = None
    extra: Mapping[str, Any] = field(default_factory=lambda: NOTHING)


@dataclass(frozen=True, slots=True)
class Required:
    """The tested processing time, in minutes as people say it, and where it was read."""

    minutes: float
    source: str | None = None
    extra: Mapping[str, Any] = field(default_factory=lambda: NOTHING)

    @property
    def read_from(self) -> str | None:
        """The source, with what must be shown beside it: a time that nobody checked, a process of the cook's own."""
        caveat = str(self.extra.get("caveat") or "")
        source = self.source or ""
        return f"{source} ({caveat})".strip() if caveat and caveat not in source else self.source


@dataclass(frozen=True, slots=True)
class Calibration:
    """A check of the probe. ``offset_K`` is added to the reading.

    Of ``extra`` the judge reads ``kind`` and ``converter`` (made with), ``coverage_percent`` (the level of U, where
    k is not 2) and ``compared_at_C`` (where a comparison with a reference thermometer was made).
    """

    offset_K: float
    expanded_uncertainty_K: float
    #: None where nobody said it.
    coverage_factor: float | None = 2.0
    ice_offset_K: float | None = None
    boil_offset_K: float | None = None
    at: datetime | None = None
    method: str | None = None
    extra: Mapping[str, Any] = field(default_factory=lambda: NOTHING)


@dataclass(frozen=True, slots=True)
class Probe:
    """The water probe and its converter, in the words of the closed lists of ``monitor.tables``."""

    channel: str = "water"
    kind: str | None = None
    converter: str | None = None
    calibration: Calibration | None = None
    extra: Mapping[str, Any] = field(default_factory=lambda: NOTHING)


class Sample(NamedTuple):
    """One instant of one node. Missing is ``None``, never zero.

    ``jars`` maps ``1`` for ``jar_1_C`` and so on; ``lids`` likewise for ``lid_1``.
    """

    t_s: float
    water_C: float | None
    water_fault: str | None = None
    room_C: float | None = None
    pressure_kPa: float | None = None
    heater_W: float | None = None
    mains: bool | None = None
    chip_C: float | None = None
    water_2_C: float | None = None
    boot: int | None = None
    seq: int | None = None
    uptime_s: float | None = None
    arrival_s: float | None = None
    late: bool = False
    jars: Mapping[int, float] = NOTHING
    lids: Mapping[int, bool] = NOTHING


@dataclass(frozen=True, slots=True)
class Run:
    """One recorded session of a batch: header and samples.

    ``ended_at_s`` is the time of a recorded end (seconds since ``started_at``; key ``ended_at`` in
    ``run.json``), for a run that was closed without a ``heat_off`` or ``jars_lifted`` mark.
    """

    run_id: str
    started_at: datetime
    required: Required
    canner: str | None = None
    zone: str | None = None
    site: Site = Site()
    batch: Batch = Batch()
    probe: Probe = Probe()
    marks: tuple[Mark, ...] = ()
    ended_at_s: float | None = None
    samples: tuple[Sample, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=lambda: NOTHING)
    #: How it came from elsewhere; None for one that was recorded here, or where nobody has looked. No header says it.
    taken_in: TakenIn | None = field(default=None, compare=False)

    @property
    def required_s(self) -> float:
        """The processing time asked for. [s]"""
        return self.required.minutes * 60.0
