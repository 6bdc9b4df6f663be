"""A start looks at the air it is told of, and at numbers and zones as people write them.

1650 ± 10 m: 830.1 hPa on an average day (US Standard Atmosphere 1976); 2150 m: 779.9. Sea-level air there is 1013 hPa.
"""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.record.model import Sample
from monitor.store.database import open_writer
from monitor.store.entries import append_entry, read_entries
from monitor.store.handover import Batch
from monitor.store.reader import open_reader
from monitor.store.samples import row_values
from monitor.store.writer import StoreWriter

PEARS = ["--food", "pears", "--pack", "hot", "--jar", "pint"]
HIGH = ["--altitude-m", "2150", "--altitude-uncertainty-m", "15"]
GOOD = {
    "offset_K": 0.0,
    "expanded_uncertainty_K": 0.25,
    "coverage_factor": 2.0,
    "ice_offset_K": 0.0,
    "boil_offset_K": 0.0,
    "method": "ice and boiling points",
}


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A store with a checked probe, a node with a barometer that says sea-level air, and one without."""
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path))
    place = "mid-depth, at jar-shoulder height, touching neither base nor glass"
    kind = {"kind": "type K class 1", "converter": "linearised, 0.0078 K steps", "place": place}
    append_entry(tmp_path, "probe_registered", {"probe_id": "p1", **kind})
    heard(tmp_path, "sea", 101.3)
    heard(tmp_path, "low", 74.8)
    heard(tmp_path, "none", None)
    return tmp_path


def heard(folder: Path, name: str, pressure_kPa: float | None) -> None:
    with closing(open_writer(folder)) as conn:
        writer = StoreWriter(conn)
        node = writer.node_id(name, "a test")
        for second in range(3):
            sample = Sample(0.0, 21.0, pressure_kPa=pressure_kPa, boot=1, seq=second)
            writer.commit(Batch(rows=[row_values(node, sample, 1000.0 + second, 1000.0 + second, False)]))


def said(capsys: pytest.CaptureFixture[str]) -> str:
    told = capsys.readouterr()
    return " ".join(f"{told.out} {told.err}".split())


def refused(*words: str) -> int:
    """The exit status, however it ends."""
    try:
        return main(words)
    except SystemExit as ended:
        return int(ended.code or 0)


def test_a_start_hears_the_barometer_it_is_told_of(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Sea-level air at 2150 m is named; a node without one too; both stop the start and prove nothing."""
    words = ["plan", *PEARS, *HIGH, "--probe", "p1", "--barometer", "--start"]
    assert main([*words, "--node", "sea"]) == 3
    told = said(capsys)
    assert "This set-up cannot prove a boil" in told and "looks like a sea-level-corrected pressure" in told
    assert "Check the altitude first, then the barometer" in told
    assert main([*words, "--node", "none"]) == 3
    assert "The node sends no pressure" in said(capsys)


def test_what_the_barometer_says_is_judged(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """748 hPa where 780 is the average, never compared: half of what is beyond 10 hPa is added, 0.4 K, and what helps
    is to compare it."""
    check = {**GOOD, "at": "2026-08-01T10:00:00+00:00"}
    append_entry(data, "probe_checked", {"probe_id": "p1", "calibration": check, "text": []})
    words = ["plan", *PEARS, *HIGH, "--probe", "p1", "--barometer"]
    assert main([*words, "--node", "low"]) == 0
    told = said(capsys)
    assert "pressure far below the altitude's" in told
    assert "Compare the node's barometer with the altimeter setting" in told
    assert main(words) == 0
    assert "taken for granted" in said(capsys)


def test_runs_start_says_why_and_what_helps(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Sea-level air typed at 2150 m: as `plan` refuses it, with the reason and with what to do."""
    words = ["runs", "start", "--minutes", "35", *HIGH, "--pressure-source", "station pressure"]
    assert main([*words, "--station-pressure-kpa", "101.3", "--probe", "p1"]) == 3
    told = said(capsys)
    assert "looks like a sea-level-corrected pressure" in told
    assert "What helps: Type today's altimeter setting (QNH)" in told
    assert "enter it as what it is" in told
    assert main([*words, "--station-pressure-kpa", "78.0", "--probe", "p1"]) == 3
    assert "enter it as what it is" not in said(capsys)


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["--altitude-m", "2.150"], 2, "2.15 or 2150"),
        (["--altitude-ft", "7,054"], 2, "7.054 or 7054"),
        (["--altitude-m", "2150,5"], 0, "2,150"),
        (["--altitude-m", "304.801"], 0, "1,001 to 3,000 ft"),
        ([*HIGH, "--altimeter-hPa", "1020,5"], 0, "1020.5 hPa"),
        ([*HIGH, "--station-pressure-hPa", "30.1"], 2, "30.1 inHg are 1019 hPa"),
        ([*HIGH, "--station-pressure-hPa", "78.1"], 2, "78.1 kPa are 781 hPa"),
        ([*HIGH, "--altimeter-inHg", "1019"], 2, "1019 looks like hPa"),
        ([*HIGH, "--altimeter-hPa", "785"], 2, "station pressure"),
    ],
)
def test_numbers_and_units_as_people_write_them(
    words: list[str], status: int, says: str, data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """1 inHg is 3.386389 kPa (NIST SP 811); 304.801 m are 1000.003 ft, above the first band."""
    assert refused("plan", *PEARS, *words) == status
    assert says in said(capsys)


@pytest.mark.parametrize(
    ("zone", "says"),
    [
        ("america/denver", ""),
        ("denver", "America/Denver"),
        ("America/Denvr", "America/Denver"),
        ("MST", "without summer time"),
        ("Nowhere", "such as America/Denver"),
    ],
)
def test_a_zone_by_its_letters_or_nearly(
    zone: str, says: str, data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status = refused("plan", *PEARS, *HIGH, "--probe", "p1", "--zone", zone)
    assert (status == 0) is (says == "") and says in said(capsys)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--altitude-m", "2.150"], "2.15 or 2150"),
        (["--altitude-uncertainty-m", "ten"], "expected a number alone"),
        (["--minutes", "1.440"], "1.44 or 1440"),
        (["--minutes", "nan"], "expected a number alone"),
        (["--own-band-ft", "1,001", "3000"], "1.001 or 1001"),
        (["--jars", "7,5"], "7.5 is not a whole number"),
        (["--jars", "seven"], "cannot be read as a number"),
        (["--zone", "denver"], "America/Denver"),
        (["--zone", "MST"], "without summer time"),
    ],
)
def test_a_described_start_asks_what_is_in_doubt(
    words: list[str], says: str, data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As *plan* does; nothing is begun."""
    start = ["runs", "start", "--already-boiling", "--minutes", "35", "--altitude-m", "2150"]
    assert refused(*start, *words) == 2
    assert says in said(capsys)
    with closing(open_reader(data)) as conn:
        assert not read_entries(conn, kinds=["run_started"])


def test_a_described_start_takes_numbers_and_zones_as_people_write_them(data: Path) -> None:
    words = ["--altitude-m", "2 150", "--altitude-uncertainty-m", "12,5", "--station-pressure-kpa", "78,05"]
    words += ["--minutes", "35,5", "--jars", "7", "--probe-offset-k", "0,25", "--probe-uncertainty-k", "0,3"]
    words += ["--zone", "america/denver"]
    assert main(["runs", "start", "--already-boiling", "--run-id", "r1", *words]) == 0
    with closing(open_reader(data)) as conn:
        (entry,) = read_entries(conn, kinds=["run_started"])
    site, calibration = entry.body["site"], entry.body["probe"]["calibration"]
    assert (site["altitude_m"], site["altitude_uncertainty_m"]) == (2150.0, 12.5)
    assert site["station_pressure_kPa"] == 78.05
    assert (entry.body["required"]["minutes"], entry.body["batch"]["jars"]) == (35.5, 7)
    assert (calibration["offset_K"], calibration["expanded_uncertainty_K"]) == (0.25, 0.3)
    assert entry.body["zone"] == "America/Denver"
