"""The published times: against a hand-typed sample, at band edges to the foot, and damaged tables refused."""

from __future__ import annotations

import csv
import tomllib
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.errors import ConfigError, UsageError
from monitor.tables import processes
from monitor.tables.processes import ProcessRow, published_minutes, timed_jar

SAMPLE = Path(__file__).parent / "published_cells.csv"
TABLES = Path(processes.__file__).parent


def _sample() -> list[dict[str, str]]:
    lines = [line for line in SAMPLE.read_text("utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def test_at_least_sixty_cells_were_typed_from_a_page_that_is_named() -> None:
    """What was typed from memory of the guide does not count."""
    read = [row for row in _sample() if row["read_at"].startswith("http")]
    cells = {(row["food_id"], row["pack"], row["jar"]) for row in read}
    assert len(cells) == len(read)
    assert 4 * len(cells) >= 60
    assert len({row["food_id"] for row in read}) >= 12


@pytest.mark.parametrize("row", _sample(), ids=lambda row: f"{row['food_id']}-{row['pack']}-{row['jar']}")
def test_times_against_the_printed_tables(row: dict[str, str]) -> None:
    """Each band of a printed row, at both of its edges."""
    for bottom_ft, top_ft in ((0, 1000), (1001, 3000), (3001, 6000), (6001, 8000)):
        for altitude_ft in (bottom_ft, top_ft):
            cell = published_minutes(row["food_id"], row["pack"], row["jar"], altitude_ft=altitude_ft)
            assert cell is not None
            assert cell.minutes == int(row[f"minutes_{bottom_ft}"]), (row["table"], altitude_ft)


@pytest.mark.parametrize(
    ("altitude_m", "minutes"),
    # 1,000 ft is 304.8 m exactly, 3,000 ft is 914.4 m, 6,000 ft is 1828.8 m (foot of 0.3048 m, NIST SP 811).
    [
        (-300.0, 20),
        (0.0, 20),
        (304.8, 20),
        (304.81, 25),
        (914.4, 25),
        (914.41, 30),
        (1828.8, 30),
        (1828.81, 35),
    ],
)
def test_band_edges_given_in_metres(altitude_m: float, minutes: int) -> None:
    """The edge itself is in the lower band; a centimetre above it, the longer time applies."""
    cell = published_minutes("pears", "hot", "pint", altitude_m=altitude_m)
    assert cell is not None
    assert cell.minutes == minutes


def test_between_two_printed_feet_the_higher_band_applies() -> None:
    """1,000.5 ft is in no printed band: the longer time."""
    cell = published_minutes("pears", "hot", "pint", altitude_ft=1000.5)
    assert cell is not None
    assert cell.minutes == 25


@pytest.mark.parametrize(
    ("food_id", "pack", "jar", "usda", "longer"),
    [
        # Utah State University Extension, column 8,001-10,000 ft, against the guide's band above 6,000 ft.
        ("apples_sliced", "hot", "pint", 35, 40),
        ("cherries_whole", "hot", "pint", 25, 30),
        ("apple_juice", "hot", "pint", 15, 20),
    ],
)
def test_above_8000_ft_the_longer_of_two_sources(
    food_id: str, pack: str, jar: str, usda: int, longer: int
) -> None:
    """Both figures are told; at 8,000 ft itself there is only one."""
    cell = published_minutes(food_id, pack, jar, altitude_ft=8001)
    assert cell is not None
    assert (cell.minutes, cell.longer_minutes) == (usda, longer)
    at_edge = published_minutes(food_id, pack, jar, altitude_ft=8000)
    assert at_edge is not None
    assert at_edge.longer_minutes == usda


def test_what_the_tables_do_not_have_is_none() -> None:
    """No neighbouring row stands in."""
    assert published_minutes("pears", "raw", "pint", altitude_m=0.0) is None
    assert published_minutes("pears", "hot", "half_gallon", altitude_m=0.0) is None
    assert published_minutes("no such food", "hot", "pint", altitude_m=0.0) is None
    assert published_minutes(None, "hot", "pint", altitude_m=0.0) is None


def test_the_altitude_is_given_once_and_is_a_number() -> None:
    """Neither both units, nor none, nor not-a-number."""
    with pytest.raises(UsageError, match="once"):
        published_minutes("pears", "hot", "pint", altitude_ft=1.0, altitude_m=1.0)
    with pytest.raises(UsageError, match="once"):
        published_minutes("pears", "hot", "pint")
    with pytest.raises(UsageError, match="not a number"):
        published_minutes("pears", "hot", "pint", altitude_m=float("nan"))


def test_a_jar_takes_the_next_larger_listed_time() -> None:
    """Never a smaller one's, and a jar larger than any listed has none (guidance G24, G25)."""
    assert timed_jar("pears", "hot", 237) == "pint"
    assert timed_jar("pears", "hot", 473) == "pint"
    assert timed_jar("pears", "hot", 474) == "quart"
    assert timed_jar("pears", "hot", 947) is None
    assert timed_jar("apple_juice", "hot", 1893) == "half_gallon"


def test_every_band_is_contiguous_and_no_time_falls() -> None:
    """Said again here, without the loader's own check."""
    groups: dict[tuple[str, str, str], list[ProcessRow]] = {}
    for row in processes.process_rows():
        groups.setdefault((row.food_id, row.pack, row.jar), []).append(row)
    for key, rows in groups.items():
        rows.sort(key=lambda row: row.alt_min_ft)
        assert rows[0].alt_min_ft == 0, key
        assert rows[-1].alt_max_ft is None, key
        for below, above in pairwise(rows):
            assert below.alt_max_ft is not None
            assert above.alt_min_ft - below.alt_max_ft == 1, key
            assert above.minutes >= below.minutes, key


def test_damaged_tables_are_refused() -> None:
    """A hole, a falling time and a band without an end below the top: each named."""
    first, second, third, fourth = processes.bands("pears", "hot", "pint")
    with pytest.raises(ConfigError, match="hole at 1002 ft"):
        processes.check_bands([first, replace(second, alt_min_ft=1002), third, fourth])
    with pytest.raises(ConfigError, match="falls at 3001 ft"):
        processes.check_bands([first, second, replace(third, minutes=20), fourth])
    with pytest.raises(ConfigError, match="without an end"):
        processes.check_bands([first, second, third])
    with pytest.raises(ValueError, match="not a process"):
        replace(first, minutes=0)
    with pytest.raises(ValueError, match="not known"):
        replace(first, pack="warm")


@pytest.mark.parametrize("name", sorted(path.stem for path in TABLES.glob("*.csv")))
def test_every_table_says_where_it_is_from(name: str) -> None:
    """Each CSV has a source file whose columns are the table's, and no row without evidence."""
    source = TABLES / f"{name}.source.toml"
    assert source.exists(), f"{name}.csv has no {name}.source.toml"
    told = tomllib.loads(source.read_text("utf-8"))
    assert told["title"] and told["publisher"]
    header = (TABLES / f"{name}.csv").read_text("utf-8").splitlines()[0].split(",")
    assert set(told["columns"]) == set(header)
