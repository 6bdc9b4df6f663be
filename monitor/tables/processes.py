"""The published boiling-water processing times, as typed rows that check themselves when loaded.

The figures live in ``process_times.csv``; where they were read is in each row and in
``process_times.source.toml``. Bands are in feet because the tables are: 1,000 ft is in the first band and
anything above it in the next, so that no rounding ever moves a kitchen into the shorter time.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import pairwise

from monitor.errors import ConfigError, UsageError
from monitor.physics.units import m_to_ft
from monitor.tables.jar_sizes import JAR_SIZES

#: Jar sizes of the tables, smallest first, with the US measure they name. [mL]
JARS_ML = {size.name: size.volume_mL for size in JAR_SIZES if size.listed}

PACKS = ("hot", "raw")

EVIDENCE = ("seen", "memory")

CATEGORIES = (
    "fruit",
    "juice",
    "jam",
    "pie_filling",
    "chutney",
    "curd",
    "tomato_acidified",
    "salsa",
    "pickle",
    "relish",
)

#: Above this altitude published sources disagree: the USDA tables have one band above 6,000 ft, while a Utah
#: State University Extension timetable worked from them has a separate column for 8,001 to 10,000 ft, 5 min longer.
#: [ft, min]
DISAGREEMENT_ABOVE_FT = 8000.0
LONGER_BY_MIN = 5


@dataclass(frozen=True, slots=True)
class ProcessRow:
    """One cell of the published tables. Altitudes in feet, both ends inclusive; time in minutes."""

    food_id: str
    food: str
    category: str
    pack: str
    jar: str
    alt_min_ft: int
    alt_max_ft: int | None
    minutes: int
    source: str
    evidence: str

    def __post_init__(self) -> None:
        """Refuse a row that no table could print."""
        if self.pack not in PACKS or self.jar not in JARS_ML or self.category not in CATEGORIES:
            raise ValueError(
                f"pack {self.pack!r}, jar {self.jar!r} or category {self.category!r} is not known"
            )
        if self.evidence not in EVIDENCE:
            raise ValueError(f"evidence {self.evidence!r} is neither 'seen' nor 'memory'")
        if not self.source.strip() or not self.food.strip():
            raise ValueError("a row needs a food and a source")
        if self.minutes <= 0 or self.alt_min_ft < 0:
            raise ValueError(f"{self.minutes} min from {self.alt_min_ft} ft is not a process")
        if self.alt_max_ft is not None and self.alt_max_ft <= self.alt_min_ft:
            raise ValueError(f"band {self.alt_min_ft} to {self.alt_max_ft} ft is empty")

    @property
    def checked(self) -> bool:
        """Whether the figure was read in the guide or a faithful copy of it."""
        return self.evidence == "seen"


@dataclass(frozen=True, slots=True)
class Cell:
    """The row that governs at one altitude.

    ``row.minutes`` is the figure the guide prints; ``longer_minutes`` is what to plan with: the same, except
    above 8,000 ft, where another published table asks for more (``LONGER_BY_MIN``).
    """

    row: ProcessRow
    longer_minutes: int

    @property
    def minutes(self) -> int:
        """The guide's printed time. [min]"""
        return self.row.minutes

    @property
    def source(self) -> str:
        return self.row.source

    @property
    def evidence(self) -> str:
        return self.row.evidence


def feet(metres: float) -> float:
    """Metres to feet, to a millionth of a foot, so that a band edge typed in metres stays on its edge."""
    return round(m_to_ft(metres), 6)


@cache
def process_rows() -> tuple[ProcessRow, ...]:
    """Every row of the table, in its order.

    Raises
    ------
    ConfigError
        When the table is damaged: names the line.
    """
    text = resources.files(__package__).joinpath("process_times.csv").read_text(encoding="utf-8")
    rows = tuple(_parse(text.splitlines()))
    check_bands(rows)
    return rows


def _parse(lines: list[str]) -> Iterator[ProcessRow]:
    """Rows from the CSV's lines; the first is the header."""
    for number, record in enumerate(csv.DictReader(lines), start=2):
        try:
            yield ProcessRow(
                food_id=record["food_id"],
                food=record["food"],
                category=record["category"],
                pack=record["pack"],
                jar=record["jar"],
                alt_min_ft=int(record["alt_min_ft"]),
                alt_max_ft=int(record["alt_max_ft"]) if record["alt_max_ft"] else None,
                minutes=int(record["minutes"]),
                source=record["source"],
                evidence=record["evidence"],
            )
        except (KeyError, TypeError, ValueError) as trouble:
            raise ConfigError(
                f"process_times.csv line {number}: {trouble}.",
                "Reinstall boilwitness; this table is part of it.",
            ) from trouble


def check_bands(rows: Iterable[ProcessRow]) -> None:
    """Hold every food, pack and jar to contiguous bands from 0 ft up and to times that never fall.

    Raises
    ------
    ConfigError
        Names the food, pack, jar and the edge that does not fit.
    """
    for key, bands in _by_key(rows).items():
        name = "/".join(key)
        if bands[0].alt_min_ft != 0 or bands[-1].alt_max_ft is not None:
            raise ConfigError(
                f"process_times.csv: the bands of {name} do not run from 0 ft up without an end."
            )
        for below, above in pairwise(bands):
            if below.alt_max_ft is None or above.alt_min_ft != below.alt_max_ft + 1:
                raise ConfigError(
                    f"process_times.csv: the bands of {name} leave a hole at {above.alt_min_ft} ft."
                )
            if above.minutes < below.minutes:
                raise ConfigError(f"process_times.csv: the time of {name} falls at {above.alt_min_ft} ft.")


def _by_key(rows: Iterable[ProcessRow]) -> dict[tuple[str, str, str], list[ProcessRow]]:
    groups: dict[tuple[str, str, str], list[ProcessRow]] = {}
    for row in rows:
        groups.setdefault((row.food_id, row.pack, row.jar), []).append(row)
    return {key: sorted(group, key=lambda row: row.alt_min_ft) for key, group in groups.items()}


@cache
def _table() -> dict[tuple[str, str, str], list[ProcessRow]]:
    return _by_key(process_rows())


def bands(food_id: str, pack: str, jar: str) -> tuple[ProcessRow, ...]:
    """The altitude bands of one food, pack and jar, lowest first; empty when the tables have none."""
    return tuple(_table().get((food_id, pack, jar), ()))


def packs_and_jars(food_id: str) -> tuple[tuple[str, str], ...]:
    """Every (pack, jar) the tables print for a food, in their order."""
    return tuple((pack, jar) for food, pack, jar in _table() if food == food_id)


def cell_at(food_id: str, pack: str, jar: str, altitude_m: float) -> Cell:
    """The cell of a (food, pack, jar) that is known to be in the table. Raises UsageError when it is not."""
    cell = published_minutes(food_id, pack, jar, altitude_m=altitude_m)
    if cell is None:
        raise UsageError(f"The tables have no time for {food_id}, {pack} pack, {jar}.")
    return cell


def timed_jar(food_id: str, pack: str, jar_mL: float) -> str | None:
    """The listed jar whose time governs a jar of this volume: the smallest listed one that is not smaller.

    So a jar smaller than the smallest one listed takes that one's time (guidance G25), a size between two
    takes the larger one's, and a jar larger than any listed has no process at all (G24): ``None``.
    """
    listed = {row_jar for food, row_pack, row_jar in _table() if (food, row_pack) == (food_id, pack)}
    return next((jar for jar, volume in JARS_ML.items() if jar in listed and volume >= jar_mL), None)


def published_minutes(
    food_id: str | None,
    pack: str | None,
    jar: str | None,
    *,
    altitude_ft: float | None = None,
    altitude_m: float | None = None,
) -> Cell | None:
    """The published cell for a food, pack, jar and altitude, or ``None`` when the tables have none.

    Parameters
    ----------
    food_id, pack, jar : str or None
        As in the table; nothing is guessed from other words.
    altitude_ft, altitude_m : float
        Exactly one of them. Altitude of the kitchen above sea level. [ft] or [m]. Below sea level the first
        band applies: water boils hotter there than the band asks for.

    Raises
    ------
    UsageError
        When not exactly one altitude is given, or it is not a finite number.
    """
    if (altitude_ft is None) == (altitude_m is None):
        raise UsageError("Give the altitude once, in feet or in metres.")
    height_ft = altitude_ft if altitude_ft is not None else feet(altitude_m or 0.0)
    if not math.isfinite(height_ft):
        raise UsageError(f"An altitude of {height_ft} ft is not a number.", "Give the kitchen's altitude.")
    if food_id is None or pack is None or jar is None:
        return None
    for row in bands(food_id, pack, jar):
        if row.alt_max_ft is None or height_ft <= row.alt_max_ft:
            longer = LONGER_BY_MIN if height_ft > DISAGREEMENT_ABOVE_FT else 0
            return Cell(row=row, longer_minutes=row.minutes + longer)
    return None
