"""``boilwitness calibrate``: typed, from files, and live from a real store; what is stored and what refused."""

from __future__ import annotations

import argparse
import json
import shutil
import signal
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.cli import calibrate
from monitor.cli.main import main
from monitor.errors import UsageError
from monitor.plan.history import blocked_since
from monitor.plan.registration import PLACES
from monitor.record.model import Sample
from monitor.store.database import open_reader, open_writer
from monitor.store.entries import append_entry, read_entries
from monitor.store.handover import Batch
from monitor.store.samples import row_values
from monitor.store.writer import StoreWriter
from monitor.tables.probes import OTHER

RECORDED = Path(__file__).parents[2] / "recorded_runs"
PLACE = ["--altitude-m", "1650", "--altitude-uncertainty-m", "10", "--altimeter-hPa", "1013.25"]
PROBE = ["--probe", "T1", "--kind", "type K class 1", "--converter", "linearised, 0.0078 K steps"]
SITS = ["--place", PLACES[0]]

#: Boiling point at 830.11 hPa (IAPWS-IF97, by CoolProp's IF97): 94.483 °C.
BOILS_C = 94.483


def _run(capsys: pytest.CaptureFixture[str], data: Path, *words: str) -> tuple[int, dict[str, Any]]:
    status = main(["calibrate", "--data", str(data), *PROBE, *PLACE, *words, "--json"])
    return status, json.loads(capsys.readouterr().out)


def _entries(data: Path) -> list[tuple[str, dict[str, Any]]]:
    conn = open_reader(data)
    try:
        return [(entry.kind, entry.body) for entry in read_entries(conn)]
    finally:
        conn.close()


def test_typed_readings_make_a_check_and_are_stored(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Corrections by hand: ice -0.30 K, boil 94.483 - 94.883 = -0.40 K."""
    status, form = _run(capsys, tmp_path, "--ice-C", "0.30", "--boil-C", str(BOILS_C + 0.4), "--stirred")
    assert status == 0
    assert form["calibration"]["boil_offset_K"] == pytest.approx(-0.40, abs=0.01)
    assert form["calibration"]["ice_offset_K"] == pytest.approx(-0.30)
    kinds = [kind for kind, _ in _entries(tmp_path)]
    assert kinds == ["probe_registered", "probe_checked"]
    assert _entries(tmp_path)[1][1]["calibration"]["pressure_source"] == "station pressure"


def test_a_place_that_nobody_named_is_not_known(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is not the best one by default; it is said, and before an ice bath is filled; a place that is known stays."""
    both = ["--ice-C", "0.30", "--boil-C", str(BOILS_C + 0.4), "--stirred"]
    status, form = _run(capsys, tmp_path, *both)
    assert status == 0 and _entries(tmp_path)[0][1]["place"] == OTHER
    assert any("Nobody said where the probe sits" in note and "--place" in note for note in form["notes"])
    main(["calibrate", "--data", str(tmp_path), *PROBE, *PLACE, "--node", "nobody"])
    assert "Nobody said" not in capsys.readouterr().err, "a node that was never heard takes no check"
    assert _run(capsys, tmp_path, *both, *SITS, "--registers-anew")[0] == 0
    status, form = _run(capsys, tmp_path, *both)
    assert [body["place"] for kind, body in _entries(tmp_path) if kind == "probe_registered"][-1] == PLACES[0]
    assert not any("sits" in note for note in form["notes"])


def test_a_dry_run_stores_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Not even a store."""
    status, form = _run(capsys, tmp_path, "--boil-C", str(BOILS_C), "--dry-run")
    assert form["stored"] is False
    assert (
        main(["calibrate", "--data", str(tmp_path), *PROBE, *PLACE, "--boil-C", str(BOILS_C), "--dry-run"])
        == 0
    )
    assert capsys.readouterr().out.endswith("Nothing was stored (--dry-run): the probe is as it was.\n")
    assert status == 0
    assert list(tmp_path.iterdir()) == []


def test_a_circular_correction_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A boil alone, 1 K off: exit 3, kept as refused, no calibration."""
    status, form = _run(capsys, tmp_path, "--boil-C", str(BOILS_C + 1.0))
    assert status == 3
    assert form["calibration"] is None
    assert "itself" in form["refused"]


def test_a_probe_that_moved_is_blocked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The second check is 0.8 K away from the first."""
    _run(capsys, tmp_path, "--ice-C", "0.0", "--boil-C", str(BOILS_C), "--stirred")
    status, form = _run(capsys, tmp_path, "--ice-C", "0.8", "--boil-C", str(BOILS_C + 0.8), "--stirred")
    assert (status, form["blocked"]) == (3, True)


def test_readings_from_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Any CSV with t_s and water_C; a run's samples.csv will do."""
    for name, mean_C in (("ice", 0.2), ("boil", BOILS_C + 0.2)):
        rows = "".join(f"{second},{mean_C + 0.01 * (second % 3 - 1)}\n" for second in range(70))
        (tmp_path / f"{name}.csv").write_text(f"t_s,water_C\n{rows}", encoding="utf-8")
    files = ["--ice-csv", str(tmp_path / "ice.csv"), "--boil-csv", str(tmp_path / "boil.csv")]
    status, form = _run(capsys, tmp_path / "store", *files, "--stirred")
    assert status == 0
    assert form["calibration"]["offset_K"] == pytest.approx(-0.2, abs=0.01)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("a,b\n1,2\n", "row 1"),
        ("t_s,water_C\n0,1\n1,warm\n", "row 3, column water_C"),
        ("t_s,water_C\n", "never"),
    ],
)
def test_a_bad_file_gets_one_clear_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str, says: str
) -> None:
    """File, row and column; exit 2."""
    (tmp_path / "boil.csv").write_text(content, encoding="utf-8")
    words = ["calibrate", "--data", str(tmp_path), *PROBE, *PLACE, "--boil-csv", str(tmp_path / "boil.csv")]
    assert main(words) == 2
    err = capsys.readouterr().err
    assert says in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "no readings"),
        (["--ice-C", "0.1", "--boil-C", "94.5"], "stirred"),
        (["--node", "nobody"], "no store"),
    ],
)
def test_what_is_missing_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    """Exit 2 and what to do."""
    assert main(["calibrate", "--data", str(tmp_path), *PROBE, *PLACE, *words]) == 2
    assert says in capsys.readouterr().err


class _Person:
    """Presses Enter whenever asked, and counts."""

    presses = 0

    def readline(self) -> str:
        self.presses += 1
        return "\n"


def test_live_step_by_step_from_a_store(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A writer fills a real store, many times faster than a node would; the person presses Enter twice.

    The node has a barometer, which then gives the boiling point: 84.0 kPa is 94.804 °C (IAPWS-IF97, by CoolProp).
    """
    conn = open_writer(tmp_path)
    node = StoreWriter(conn).node_id("node-1", "a test")
    conn.close()
    person, stop = _Person(), threading.Event()

    def keep_writing() -> None:
        conn = open_writer(tmp_path)
        writer = StoreWriter(conn)
        for second in range(100_000):
            if stop.is_set():
                break
            water_C = (0.25 if person.presses < 2 else 94.804 + 0.3) + 0.02 * (second % 3 - 1)
            sample = Sample(t_s=0.0, water_C=water_C, pressure_kPa=84.0, boot=1, seq=second)
            writer.commit(Batch(rows=[row_values(node, sample, 1000.0 + second, 1000.0 + second, False)]))
            time.sleep(0.005)
        conn.close()

    thread = threading.Thread(target=keep_writing)
    monkeypatch.setattr("sys.stdin", person)
    thread.start()
    try:
        status = main(["calibrate", "--data", str(tmp_path), *PROBE, *PLACE, "--node", "node-1", "--json"])
    finally:
        stop.set()
        thread.join()
    said = capsys.readouterr()
    assert status == 0
    form = json.loads(said.out)
    assert form["calibration"]["ice_offset_K"] == pytest.approx(-0.25, abs=0.01)
    assert form["calibration"]["boil_offset_K"] == pytest.approx(-0.30, abs=0.01)
    assert form["calibration"]["pressure_source"] == "barometer"
    assert "crushed ice" in said.err and "scald" in said.err
    assert said.err.index("Nobody said where the probe sits") < said.err.index("crushed ice")


def test_a_barometer_that_was_compared_makes_the_check_narrower(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rectangular ±1 hPa against ±4 hPa at 0.033 K/hPa (IAPWS-IF97): u 0.019 against 0.075 K."""
    args = argparse.Namespace(
        data=tmp_path,
        altitude_m=1650.0,
        altitude_ft=None,
        altitude_uncertainty_m=10.0,
        altitude_uncertainty_ft=None,
        station_pressure_hPa=None,
        altimeter_hPa=None,
        altimeter_inHg=None,
        sea_level_hPa=None,
        barometer_compared_at=None,
    )
    now = datetime(2026, 8, 14, tzinfo=UTC)
    never = calibrate._basis(args, now, barometer_kPa=83.4)
    args.barometer_compared_at = "2026-08-01"
    compared = calibrate._basis(args, now, barometer_kPa=83.4)
    assert never.standard_K == pytest.approx(0.075, abs=0.004)
    assert compared.standard_K == pytest.approx(0.019, abs=0.002)
    args.barometer_compared_at = "soon"
    with pytest.raises(UsageError, match="no day or time"):
        calibrate._basis(args, now)


def test_the_history_tells_each_hold_and_when_to_check_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two recorded holds that name the probe, judged here; no check yet, so: now."""
    for name in ("held-low-altitude", "held-2400-m"):
        folder = tmp_path / name
        shutil.copytree(RECORDED / name, folder)
        header = json.loads((folder / "run.json").read_text("utf-8"))
        header["probe"]["probe_id"] = "T1"
        (folder / "run.json").write_text(json.dumps(header), encoding="utf-8")
        for seal in folder.glob("seal.json"):
            seal.unlink()
        assert main(["import", str(folder), "--data", str(tmp_path)]) == 0
    capsys.readouterr()
    words = ["calibrate", "--data", str(tmp_path), "--probe", "T1", "--history"]
    assert main([*words, "--json"]) == 0
    form = json.loads(capsys.readouterr().out)
    assert len(form["points"]) == 2
    assert all(abs(point["plateau_minus_boiling_K"]) < 0.5 for point in form["points"])
    assert form["check_due_at"] is None
    assert main(words) == 0
    assert "2 of the 5 holds" in capsys.readouterr().out


def test_a_knock_blocks_the_probe_until_it_was_checked_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The check after it finds the same corrections: believed, and the probe counts again."""
    both = ["--ice-C", "0.3", "--boil-C", str(BOILS_C + 0.3), "--stirred"]
    _run(capsys, tmp_path, *both)
    words = ["calibrate", "--data", str(tmp_path), "--probe", "T1", "--knocked", "a fall"]
    assert main(words) == 0
    assert "After a fall on" in capsys.readouterr().out
    checks = [body for kind, body in _entries(tmp_path) if kind == "probe_checked"]
    assert "After a fall" in blocked_since(checks, "T1")
    assert _run(capsys, tmp_path, *both)[0] == 0
    checks = [body for kind, body in _entries(tmp_path) if kind == "probe_checked"]
    assert blocked_since(checks, "T1") == ""


@pytest.mark.parametrize("what", [["--knocked", "dropped"], ["--history"]])
def test_a_probe_that_nobody_knows_is_not_taken_for_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], what: list[str]
) -> None:
    """A name mistyped would leave the real one trusted."""
    _run(capsys, tmp_path, "--ice-C", "0.3", "--boil-C", str(BOILS_C + 0.3), "--stirred")
    before = _entries(tmp_path)
    assert main(["calibrate", "--data", str(tmp_path), "--probe", "T11", *what]) == 2
    told = capsys.readouterr().err
    assert "no probe 'T11' is known here" in told and "Known: T1." in told
    assert _entries(tmp_path) == before


def test_readings_come_from_one_place_and_the_node_is_known_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before anybody fills an ice bath; and no typed reading is passed over."""
    open_writer(tmp_path).close()
    words = ["calibrate", "--data", str(tmp_path), *PROBE, *PLACE, "--node", "nosuch"]
    assert main(words) == 2
    assert "no node 'nosuch'" in capsys.readouterr().err
    assert main([*words, "--ice-C", "0"]) == 2
    assert "--ice-C" in capsys.readouterr().err


@pytest.mark.parametrize(("option", "says"), [("--kind", "type K class 1"), ("--converter", "0.0078 K")])
def test_a_kind_that_is_not_in_the_list_is_told_before_anybody_fills_an_ice_bath(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str, says: str
) -> None:
    """With those that are; nothing is asked for and nothing stored."""
    words = ["calibrate", "--data", str(tmp_path), *PROBE, *PLACE, option, "foo", "--boil-C", "94.5"]
    assert main(words) == 2
    told = capsys.readouterr().err
    assert f"{option} 'foo' is not in the list" in told and says in told and len(told.splitlines()) == 1
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_check_that_is_broken_off_says_that_nothing_was_stored(
    tmp_path: Path, number: signal.Signals, status: int
) -> None:
    """Ctrl-C, and the end that a system sends; by the statuses that shells give them."""
    conn = open_writer(tmp_path)
    StoreWriter(conn).node_id("node-1", "a test")
    conn.close()
    words = ["calibrate", "--data", str(tmp_path), *PROBE, *PLACE, "--node", "node-1"]
    with subprocess.Popen(
        [sys.executable, "-m", "monitor", *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as check:
        assert check.stderr is not None
        while "Press Enter" not in check.stderr.readline():
            assert check.poll() is None
        check.send_signal(number)
        _, told = check.communicate(timeout=90)
    assert check.returncode == status
    assert told == "boilwitness: The check was left before it was done. Nothing was stored.\n"
    assert _entries(tmp_path) == []


# --- what a check is tied to ------------------------------------------------------------------------------

BOTH = ["--ice-C", "0.3", "--boil-C", str(BOILS_C + 0.3), "--stirred"]
ANOTHER = "straight-line corrected, 0.25 K steps"
PROVES = "This set-up can prove a boil by itself."


def _plan(capsys: pytest.CaptureFixture[str], data: Path) -> str:
    words = [
        "plan",
        "--food",
        "pears",
        "--pack",
        "hot",
        "--jar",
        "pint",
        *PLACE,
        "--probe",
        "T1",
        "--data",
        str(data),
    ]
    capsys.readouterr()
    main(words)
    return " ".join(capsys.readouterr().out.split())


def _history(capsys: pytest.CaptureFixture[str], data: Path) -> str:
    capsys.readouterr()
    assert main(["calibrate", "--data", str(data), "--probe", "T1", "--history"]) == 0
    return capsys.readouterr().out


def test_another_converter_under_the_same_name_is_asked_about(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Before anything is taken; a place spelled otherwise is the same place."""
    _run(capsys, tmp_path, *BOTH)
    before = _entries(tmp_path)
    words = ["calibrate", "--data", str(tmp_path), *PROBE[:2], *PLACE, *BOTH]
    assert main([*words, "--converter", ANOTHER]) == 2
    told = capsys.readouterr().err
    assert f"and is “{ANOTHER}”" in told and "--registers-anew" in told
    assert _entries(tmp_path) == before
    assert main([*words, "--kind", "Type-K class 1"]) == 0


def test_a_new_converter_ends_the_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A refused check with it registers nothing, and the old one's proves nothing until it is cleared up; both are said
    where the probe is looked at. Registered as another on the page: its class's tolerance, and why."""
    _run(capsys, tmp_path, *BOTH)
    assert PROVES in _plan(capsys, tmp_path)
    words = [
        "calibrate",
        "--data",
        str(tmp_path),
        *PROBE[:2],
        *PLACE,
        "--registers-anew",
        "--converter",
        ANOTHER,
    ]
    assert main([*words, "--ice-C", "0.3", "--stirred"]) == 3
    assert [kind for kind, _ in _entries(tmp_path)].count("probe_registered") == 1
    for said in (_plan(capsys, tmp_path), _history(capsys, tmp_path)):
        assert "Blocked:" in said and ANOTHER in said and PROVES not in said
    again = [*words[:-1], PROBE[5], *BOTH]
    assert main(again) == 0
    capsys.readouterr()
    assert PROVES in _plan(capsys, tmp_path)
    probe = {"probe_id": "T1", "kind": PROBE[3], "converter": ANOTHER, "place": PLACES[0]}
    append_entry(tmp_path, "probe_registered", probe)
    for said in (_plan(capsys, tmp_path), _history(capsys, tmp_path)):
        assert "Its earlier check ended when it was registered anew" in said and ANOTHER in said
        assert PROVES not in said


def test_registered_again_as_the_same_it_keeps_its_check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another spelling, or how fast it answers, makes no other probe of it."""
    _run(capsys, tmp_path, *SITS, *BOTH)
    probe = {"probe_id": "T1", "kind": "TYPE K, class 1", "converter": PROBE[5], "place": PLACES[0]}
    append_entry(tmp_path, "probe_registered", probe | {"response_s": 4.0, "channel": "water_C"})
    assert PROVES in _plan(capsys, tmp_path)


# --- the last attempt -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("readings", "blocks"),
    [
        (["--ice-C", "0.3", "--boil-C", str(BOILS_C + 1.1), "--stirred"], True),
        (["--boil-C", str(BOILS_C + 1.1)], True),
        (["--ice-C", "0.4", "--stirred"], False),
    ],
)
def test_a_refused_check_is_told_wherever_the_earlier_one_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], readings: list[str], blocks: bool
) -> None:
    """With its reason; where it found the probe more than 0.5 K away, the earlier one counts no longer."""
    _run(capsys, tmp_path, *BOTH)
    status, form = _run(capsys, tmp_path, *readings)
    assert (status, form["blocked"]) == (3, blocks)
    for said in (_plan(capsys, tmp_path), _history(capsys, tmp_path)):
        assert ("Blocked: The probe moved by -0.80 K" in said) is blocks
        assert ("was not accepted" in said and "ice point -0.40 K" in said) is not blocks
    assert ("Check it again by" in _history(capsys, tmp_path)) is not blocks
    assert (PROVES in _plan(capsys, tmp_path)) is not blocks
    _run(capsys, tmp_path, *BOTH)
    assert PROVES in _plan(capsys, tmp_path)
    assert "Check it again by" in _history(capsys, tmp_path)


def test_a_knocked_probe_is_cleared_by_both_points_only(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And until then no history names the day until which its last check is good."""
    _run(capsys, tmp_path, *BOTH)
    assert main(["calibrate", "--data", str(tmp_path), "--probe", "T1", "--knocked", "a fall"]) == 0
    capsys.readouterr()
    status, form = _run(capsys, tmp_path, "--boil-C", str(BOILS_C + 0.3))
    assert status == 3 and "both points" in form["refused"]
    assert "After a fall" in _plan(capsys, tmp_path)
    said = _history(capsys, tmp_path)
    assert "After a fall" in said and "check it again now" in said and "before each season" not in said


# --- what was typed ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--ice-C", "32.5", "--boil-C", "199.8", "--stirred"], "If it was read in °F, it is 0.28 °C"),
        (["--boil-C", "202"], "If it was read in °F, it is 94.44 °C"),
        (["--ice-C", "94.5", "--boil-C", "0.2", "--stirred"], "It may be the other point's."),
        (["--boil-C", "70"], "70 °C is not boiling water: 94.5 °C (202.1 °F) is expected."),
        ([*BOTH, "--channel", "banana"], "no channel of a water probe"),
        ([*BOTH, "--response-s", "-3"], "expected seconds"),
        ([*BOTH, "--response-s", "900"], "expected seconds"),
        ([*BOTH, "--probe", " "], "the probe has no name"),
    ],
)
def test_what_cannot_be_is_not_taken(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    """As it is held against in a file: within 8 K of the point. In one line; nothing is stored."""
    assert main(["calibrate", "--data", str(tmp_path), *PROBE, *PLACE, *words]) == 2
    told = capsys.readouterr().err
    assert says in told and len(told.splitlines()) == 1
    assert not list(tmp_path.iterdir())


def test_what_nobody_said_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """±100 m, and a kind and converter of which nobody knows."""
    words = ["calibrate", "--data", str(tmp_path), "--probe", "T2", "--altitude-m", "1650"]
    assert main([*words, "--altimeter-hPa", "1013.25", *BOTH]) == 0
    told = capsys.readouterr().out
    assert "±100 m is taken" in told and "Give --kind and --converter" in told


def test_a_file_of_readings_may_be_written_as_a_record_may(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Semicolons, decimal commas, the mark that spreadsheets put first."""
    rows = "".join(f"{second};{f'{BOILS_C + 0.2:.3f}'.replace('.', ',')}\n" for second in range(70))
    (tmp_path / "boil.csv").write_text(f"\ufefft_s;water_C\n{rows}", encoding="utf-8")
    status, form = _run(capsys, tmp_path / "store", "--boil-csv", str(tmp_path / "boil.csv"))
    assert status == 0
    assert form["calibration"]["offset_K"] == pytest.approx(-0.2, abs=0.01)
    assert main(["calibrate", "--data", str(tmp_path), *PROBE, *PLACE, "--boil-csv", "nowhere.csv"]) == 2
    assert "nowhere.csv: cannot be read" in capsys.readouterr().err
