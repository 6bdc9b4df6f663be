"""The run record: what is written is what is read, and a damaged one is told exactly where."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pyarrow
import pyarrow.parquet
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.errors import RecordError
from monitor.record import Calibration, Mark, Probe, Required, Run, Sample, Site, read_run, write_run
from monitor.record.parquet import write_parquet
from monitor.record.read import read_samples
from monitor.record.write import samples_text

START = datetime(2026, 8, 14, 15, 12, tzinfo=UTC)


@pytest.fixture
def run() -> Run:
    return Run(
        run_id="2026-08-14-canner-1-a",
        started_at=START,
        required=Required(30.0, "a tested recipe"),
        canner="canner-1",
        zone="America/Denver",
        site=Site("hill kitchen", 1650.0, 10.0, "barometer", START, None),
        probe=Probe("water", "type K class 1", "linearised, 0.0078 K steps", Calibration(-0.4, 0.3)),
        marks=(Mark(0.0, "jars_in"), Mark(3400.0, "heat_off", by="A.B.", text="done")),
        samples=(
            Sample(0.0, 60.25, jars={1: 80.5, 2: 81.0}, boot=7, seq=0, pressure_kPa=83.1),
            Sample(1.0, None, "open", boot=7, seq=1, chip_C=31.5, mains=False, lids={1: True}),
            Sample(2.125, 60.5, boot=7, seq=2, late=True, arrival_s=90.5),
        ),
        extra={"colour of the kettle": "blue"},
    )


def test_round_trip(run: Run, tmp_path: Path) -> None:
    """Everything comes back, unknown keys too; a second writing gives the same bytes."""
    write_run(run, tmp_path / "a")
    again = read_run(tmp_path / "a")
    assert again == replace(run, extra=again.extra)
    assert dict(again.extra) == dict(run.extra)
    write_run(again, tmp_path / "b")
    for name in ("run.json", "samples.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_the_contracts_columns_come_first(run: Run, tmp_path: Path) -> None:
    """Columns as the contract prints them, then the optional ones in use."""
    header = (write_run(run, tmp_path) / "samples.csv").read_text().splitlines()[0]
    assert header == (
        "t_s,water_C,water_fault,room_C,jar_1_C,jar_2_C,pressure_kPa,heater_W,lid_1,boot,seq,"
        "chip_C,mains,arrival_s,late"
    )


def test_a_strangers_spreadsheet(tmp_path: Path, run: Run) -> None:
    """Only two columns, in any order, with a byte order mark, CRLF ends, blanks and a column of its own."""
    write_run(run, tmp_path)
    (tmp_path / "samples.csv").write_bytes(
        '\ufeffwater_C,cook\'s note,t_s\r\n99.5,"hot, steam",0\r\n,,1\r\n99.25,,2\r\n'.encode()
    )
    assert [s.water_C for s in read_run(tmp_path).samples] == [99.5, None, 99.25]


STRANGERS = {
    "semicolons and decimal commas": "t_s;water_C;jar_1_C\r\n0,5;99,5;71,25\r\n1,5;;\r\n2,5;99,25;71\r\n",
    "tabs": "t_s\twater_C\tjar_1_C\n0.5\t99.5\t71.25\n1.5\t\t\n2.5\t99.25\t71\n",
    "a line that names the separator": "sep=;\nt_s;water_C;jar_1_C\n0.5;99.5;71.25\n1.5;;\n2.5;99.25;71\n",
    "blank lines and rows of nothing": "t_s,water_C,jar_1_C\n\n0.5,99.5,71.25\n,,\n1.5,,\n \n2.5,99.25,71\n\n\n",
    "empty columns at the right": "t_s,water_C,jar_1_C,,\n0.5,99.5,71.25,,\n1.5,,,,\n2.5,99.25,71,,\n",
    "quotes around everything": '"t_s";"water_C";"jar_1_C"\n"0,5";"99,5";"71,25"\n"1,5";"";""\n"2,5";"99,25";"71"\n',
    "old line ends": "t_s,water_C,jar_1_C\r0.5,99.5,71.25\r1.5,,\r2.5,99.25,71\r",
    "spaces after the commas": "t_s, water_C, jar_1_C\n0.5, 99.5, 71.25\n1.5, , \n2.5, 99.25, 71\n",
}


@pytest.mark.parametrize("what", STRANGERS)
def test_what_other_programs_make_of_a_table(what: str, tmp_path: Path, run: Run) -> None:
    """A record made by a stranger's spreadsheet is read as what it says."""
    write_run(run, tmp_path)
    (tmp_path / "samples.csv").write_bytes(("\ufeff" + STRANGERS[what]).encode())
    found = [(s.t_s, s.water_C, dict(s.jars)) for s in read_run(tmp_path).samples]
    assert found == [(0.5, 99.5, {1: 71.25}), (1.5, None, {}), (2.5, 99.25, {1: 71.0})]


def test_a_header_from_an_editor_that_marks_its_files(tmp_path: Path, run: Run) -> None:
    write_run(run, tmp_path)
    text = (tmp_path / "run.json").read_text("utf-8")
    (tmp_path / "run.json").write_text(text.replace("\n", "\r\n"), "utf-8-sig")
    assert read_run(tmp_path).run_id == run.run_id


DAMAGED_ROWS = [
    ("t_s,water_C\n0,1\n\n\n1,abc\n", r"row 5, column water_C: expected a temperature"),
    ("t_s,water_C\n\n0,5000\n", r"row 3, column water_C: expected -100 to 1000"),
    ("t_s,water_C\n,\n,2\n", r"row 3, column t_s: expected seconds"),
    ("t_s,water_C\n0,5,99,5\n", r"row 2: expected 2 columns .* found 4.* point, or .* semicolons"),
    ('t_s,water_C\n0,"99,5"\n', r'row 2, column water_C: expected a temperature .* found "99,5"'),
    ("sep=;\nt_s;water_C\n0;x\n", r"row 3, column water_C"),
    ("t_s;water_C\n0;1.000,5\n", r"row 2, column water_C"),
    ('t_s,water_C\n0,"9\n9"\n', r"expected one row a line, found a line end within quotes|comma-separated"),
    ("time;temp\n0;1\n", r"row 1: expected a column t_s, found 'time;temp'|found 'time,temp'"),
    ("t_s,water_C\n0,abc\n", r"samples\.csv: row 2, column water_C: expected a temperature in °C, or blank"),
    ("t_s,water_C\n0,1\n,2\n", r"row 3, column t_s: expected seconds"),
    ("t_s,water_C\n0,nan\n", r"row 2, column water_C: expected a temperature"),
    ("t_s,water_C\n0,1e999\n", r"row 2, column water_C: expected a temperature"),
    ("t_s,water_C\n0,1_0\n", r"row 2, column water_C: expected a temperature"),
    ("t_s,water_C\n0,5000\n", r"row 2, column water_C: expected -100 to 1000 °C, found 5000"),
    ("t_s,water_C\n0,1,2\n", r"row 2: expected 2 columns \(t_s,water_C\), found 3"),
    ("t_s,water\n0,1\n", r"row 1: expected a column water_C"),
    ("t_s,water_C,t_s\n0,1,0\n", r"row 1: expected each column once, found t_s twice"),
    ("t_s,water_C,water_fault\n0,,burnt\n", r"row 2, column water_fault: expected blank or one of open,"),
    ("t_s,water_C,seq\n0,1,1.5\n", r"row 2, column seq: expected a whole number"),
    ("t_s,water_C,mains\n0,1,perhaps\n", r"row 2, column mains: expected true, false"),
    ("", r"row 1: expected a header"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message"), DAMAGED_ROWS)
def test_damaged_samples(run: Run, tmp_path: Path, text: str, message: str) -> None:
    """One line that names the file, row and column, and what was expected."""
    write_run(run, tmp_path)
    (tmp_path / "samples.csv").write_text(text)
    with pytest.raises(RecordError, match=message) as trouble:
        read_run(tmp_path)
    assert "\n" not in str(trouble.value)


DAMAGED_HEADERS = [
    ({"format": "other/1"}, r'format: expected "boilwitness-run/1", found "other/1"'),
    ({"run_id": None}, r"run_id: expected a text, found nothing"),
    ({"started_at": "yesterday"}, r"started_at: expected a date and time such as"),
    ({"started_at": "2026-08-14T09:12:00"}, r"started_at: expected a time with its UTC offset"),
    ({"started_at": "0001-01-01T00:00:00+00:00"}, r"started_at: expected a year from 1970 to 2199"),
    ({"started_at": "9999-12-31T23:59:00+00:00"}, r"started_at: expected a year from 1970 to 2199"),
    ({"zone": "Mars/Base"}, r"zone: expected a zone name such as America/Denver"),
    ({"required": None}, r"required: expected an object"),
    ({"required": {"minutes": "30"}}, r"required\.minutes: expected a number \[min\], found \"30\""),
    ({"required": {"minutes": 0}}, r"required\.minutes: expected a number from 0\.1 to 1440 min"),
    ({"site": {"altitude_m": 1e9}}, r"site\.altitude_m: expected a number from -500 to 6000 m"),
    ({"marks": [{"t_s": 0, "kind": "whistle"}]}, r"marks\[0\]\.kind: expected one of heat_on,"),
    ({"marks": [{"t_s": True, "kind": "note"}]}, r"marks\[0\]\.t_s: expected a number"),
    ({"probe": {"calibration": {"offset_K": 0.1}}}, r"calibration\.expanded_uncertainty_K: expected a number"),
    ({"batch": {"jars": 2.5}}, r"batch\.jars: expected a whole number"),
]  # fmt: skip


@pytest.mark.parametrize(("change", "message"), DAMAGED_HEADERS)
def test_damaged_header(run: Run, tmp_path: Path, change: dict[str, object], message: str) -> None:
    """The key is named by its path, with what was expected and what was found."""
    write_run(run, tmp_path)
    form = json.loads((tmp_path / "run.json").read_text())
    (tmp_path / "run.json").write_text(json.dumps(form | change))
    with pytest.raises(RecordError, match=message):
        read_run(tmp_path)


@pytest.mark.parametrize(
    ("data", "message"),
    [(b"{", r"line 1, column 2: expected JSON"), (b"\xff\xfe", "expected UTF-8"), (b'{"a": NaN}', "finite"),
     (b'{"site": {"name": "a", "name": "b"}}', 'each key once, found "name" twice'),
     (b"[" * 100_000, "nested too deeply|expected JSON")],
)  # fmt: skip
def test_a_header_that_is_no_json(run: Run, tmp_path: Path, data: bytes, message: str) -> None:
    """Also where it is not even text."""
    write_run(run, tmp_path)
    (tmp_path / "run.json").write_bytes(data)
    with pytest.raises(RecordError, match=message):
        read_run(tmp_path)


def test_parquet_says_the_same_as_the_table(run: Run, tmp_path: Path) -> None:
    """Written by pyarrow, read back without the table: the same samples, and the same table again."""
    write_run(run, tmp_path)
    table = (tmp_path / "samples.csv").read_bytes()
    write_parquet(read_run(tmp_path).samples, tmp_path / "samples.parquet")
    (tmp_path / "samples.csv").unlink()
    again = read_run(tmp_path)
    assert again.samples == run.samples
    assert samples_text(again.samples).encode() == table


def test_a_strangers_parquet(run: Run, tmp_path: Path) -> None:
    """As another program writes it: whole numbers as such, a column of its own; a wrong type is told."""
    write_run(run, tmp_path)
    (tmp_path / "samples.csv").unlink()
    place = tmp_path / "samples.parquet"
    pyarrow.parquet.write_table(
        pyarrow.table({"t_s": [0, 1], "water_C": [99.5, None], "cook": ["a", "b"]}), place
    )
    assert [(s.t_s, s.water_C) for s in read_run(tmp_path).samples] == [(0.0, 99.5), (1.0, None)]
    for columns, message in [
        ({"t_s": [0.0], "water_C": ["hot"]}, r"row 1, column water_C: expected float, found 'hot'"),
        ({"t_s": [0.0], "water_C": [float("nan")]}, r"row 1, column water_C: expected float, found nan"),
        ({"t_s": [None], "water_C": [1.0]}, r"row 1, column t_s: expected seconds"),
        ({"t_s": [0.0]}, r"expected a column water_C"),
        ({"t_s": [0.0], "water_C": [5000.0]}, r"row 1, column water_C: expected -100 to 1000"),
    ]:
        pyarrow.parquet.write_table(pyarrow.table(columns), place)
        with pytest.raises(RecordError, match=message):
            read_run(tmp_path)
    place.write_bytes(b"PAR1 no more")
    with pytest.raises(RecordError, match="cannot be read as Parquet"):
        read_run(tmp_path)


def test_nothing_there(tmp_path: Path) -> None:
    """No folder, no run.json, no samples.csv: each is said."""
    with pytest.raises(RecordError, match="no such run folder"):
        read_run(tmp_path / "none")
    with pytest.raises(RecordError, match=r"run\.json: not there"):
        read_run(tmp_path)


_NUMBERS = st.none() | st.floats(-99.0, 900.0).map(lambda value: float(f"{value:.6g}"))


_SAMPLES = st.fixed_dictionaries(
    {
        "t_s": st.integers(0, 10**8).map(lambda ms: ms / 1000),
        "water_C": _NUMBERS,
        "chip_C": st.none() | st.floats(-20, 80).map(lambda value: float(f"{value:.6g}")),
        "boot": st.none() | st.integers(0, 2**32 - 1),
        "seq": st.none() | st.integers(0, 2**31),
        "mains": st.none() | st.booleans(),
        "late": st.booleans(),
        "jars": st.dictionaries(st.integers(1, 20), st.floats(0, 110).map(lambda v: float(f"{v:.6g}"))),
    }
).map(lambda fields: Sample(**fields))


@given(samples=st.lists(_SAMPLES, max_size=6))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_samples_round_trip(samples: list[Sample], tmp_path: Path) -> None:
    """Whatever a node may have said comes back as it was."""
    path = tmp_path / "samples.csv"
    path.write_text(samples_text(samples), encoding="utf-8")
    assert list(read_samples(path)) == samples


def test_whole_numbers_as_spreadsheets_write_them(run: Run, tmp_path: Path) -> None:
    """A column of whole numbers with blanks comes out of many programs as 500.0; -1 is no number of a sample."""
    folder = write_run(run, tmp_path)
    (folder / "samples.csv").write_text("t_s,water_C,boot,seq\n0,20,7.0,500.0\n1,20,,\n2,20,7,502.\n")
    assert [(s.boot, s.seq) for s in read_run(folder).samples] == [(7, 500), (None, None), (7, 502)]
    (folder / "samples.csv").write_text("t_s,water_C,boot,seq\n0,20,7,-1\n")
    with pytest.raises(
        RecordError, match=r"row 2, column seq: expected a whole number from 0 on, or blank, found"
    ):
        read_run(folder)
