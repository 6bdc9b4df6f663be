"""``boilwitness runs``, ``export`` and ``import``: what is printed, what the store then holds."""

from __future__ import annotations

import json
import re
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import tzlocal

from monitor.cli.main import main
from monitor.store import reader
from monitor.store.entries import read_entries

RECORDS = Path(__file__).parents[2] / "recorded_runs"


@pytest.fixture(autouse=True)
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The store is found through the environment, as the contract says."""
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


def test_a_run_from_start_to_end(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = (
        "runs start --already-boiling --canner c1 --node n1 --minutes 30 --food pears --pack hot --jar pint"
    )
    assert main([*words.split(), "--jars", "7", "--zone", "America/Denver", "--by", "Ana"]) == 0
    assert main(["runs", "mark", "jars_in", "--ago", "2"]) == 0
    assert main(["runs", "end"]) == 0
    capsys.readouterr()
    assert main(["runs"]) == 0
    title, line = capsys.readouterr().out.splitlines()
    assert title.split()[:3] == ["RUN", "CANNER", "STARTED"]
    assert "pears hot pint" in line
    assert "30 min" in line
    with closing(reader.open_reader(data)) as conn:
        kinds = [(entry.kind, entry.by) for entry in read_entries(conn)]
        run = reader.load_run(conn, line.split()[0])
    assert kinds == [("node_assigned", "Ana"), ("run_started", "Ana"), ("mark", None), ("run_ended", None)]
    assert run.marks[0].t_s == pytest.approx(-120.0, abs=5.0)
    assert str(run.started_at.utcoffset()) in ("-1 day, 18:00:00", "-1 day, 17:00:00")


def test_readings_by_hand_are_listed_as_manual(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["runs", "start", "--already-boiling", "--minutes", "10", "--run-id", "r1"]) == 0
    hand = ["runs", "reading", "--thermometer", "T-2", "--by", "Ana"]
    assert main([*hand, "202.1F"]) == 0
    assert main([*hand, "r1", "94.6", "--ago", "8", "--reason", "on paper first"]) == 0
    capsys.readouterr()
    assert main(["runs", "reading", "r1"]) == 0
    first, second, words = capsys.readouterr().out.splitlines()
    assert "94.6 °C  T-2  Ana  written down later" in first
    assert "94.5 °C  T-2  Ana" in second and "later" not in second
    assert words.startswith(
        "run r1, manual record: 2 readings by Ana with T-2, up to 8 min apart, which is too far"
    )
    assert main(["runs", "reading", "r1", "hot"]) == 2
    assert main(["runs", "reading", "94.5", "--by", "Ana"]) == 2
    assert main([*hand, "94.5", "--ago", "8"]) == 2


def test_until_when_a_record_is_kept(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["runs", "start", "--already-boiling", "--minutes", "10", "--run-id", "r1"]) == 0
    capsys.readouterr()
    assert main(["runs", "keep"]) == 0
    title, line = capsys.readouterr().out.splitlines()
    assert title.split() == ["RUN", "STARTED", "KEEP", "UNTIL"]
    assert "not known yet" in line


def test_the_second_run_of_a_day_gets_the_next_letter(capsys: pytest.CaptureFixture[str]) -> None:
    for _ in range(2):
        assert main(["runs", "start", "--already-boiling", "--minutes", "10"]) == 0
    out = capsys.readouterr().out
    day = datetime.now(UTC).date()
    assert f"run {day}-canner-1-b started" in out
    assert f"run {day}-canner-1-a on canner-1 is ended by this one" in out
    assert "no node serves canner-1 yet" in out


def test_a_header_from_a_file_is_overlaid_by_the_options(data: Path, tmp_path: Path) -> None:
    form = {
        "run_id": "old",
        "canner": "c9",
        "required": {"minutes": 20, "source": "a guide"},
        "probe": {"kind": "Pt100 class A"},
        "simulated": True,
        "marks": [{"t_s": 1.0, "kind": "jars_in"}],
    }
    (tmp_path / "h.json").write_text(json.dumps(form))
    words = ["runs", "start", "--already-boiling", "--header", str(tmp_path / "h.json"), "--minutes", "25"]
    assert main([*words, "--run-id", "new", "--probe-offset-k", "-0.4", "--probe-uncertainty-k", "0.3"]) == 0
    with closing(reader.open_reader(data)) as conn:
        run = reader.load_run(conn, "new")
        assert reader.list_runs(conn)[0].simulated
    assert (run.canner, run.required.minutes, run.required.source) == ("c9", 25.0, "a guide")
    assert run.probe.calibration is not None
    assert (run.probe.kind, run.probe.calibration.offset_K) == ("Pt100 class A", -0.4)
    assert run.marks == (), "the pattern's marks are its own"


@pytest.mark.parametrize(
    "words, said",
    [
        ("runs start", "say how long the tested recipe asks for"),
        ("runs start --minutes 30 --zone Mars/Base", "no zone 'Mars/Base'"),
        ("runs start --minutes 0", "required.minutes: expected a number from"),
        ("runs start --minutes 30 --altitude-m 99999", "altitude_m: expected a number from"),
        ("runs start --minutes 30 --at 2026-08-14T09:12:00", "offset from UTC"),
        ("runs start --minutes 30 --at 2199-01-01T00:00:00Z", "lies in the future"),
        ("runs start --minutes 30 --at 2026-08-14T09:12:00Z --ago 3", "give one of them"),
        ("runs start --minutes 30 --header nowhere.json", "nowhere.json: cannot be read"),
        ("runs mark jars_in", "no run is on"),
        ("runs mark dancing", "there is no mark 'dancing'"),
        ("runs end nope", "there is no run 'nope'"),
        ("runs", "there is no store in"),
        ("export", "the following arguments are required: --to"),
        ("export --to x", "name one RUN, or say --all"),
        ("export nope --to x", "there is no store in"),
        ("import nowhere", "nowhere: no run folder here"),
        ("collect", "nothing to listen to"),
        ("collect --mqtt http://x", "is not a broker's address"),
        ("collect --mqtt a:1 --mqtt a:1", "is given twice"),
        ("collect --settings nowhere.toml", "nowhere.toml: cannot be read"),
        ("collect --mqtt a:1 --data /proc/nowhere", "cannot"),
    ],
)
def test_what_cannot_be_done_is_one_clear_line_and_status_2(
    words: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    try:
        status = main(words.split())
    except SystemExit as ended:  # argparse's own way
        status = int(ended.code or 0)
    error = capsys.readouterr().err
    assert status == 2
    assert said in error
    assert "Traceback" not in error
    assert len([line for line in error.splitlines() if line.startswith("boilwitness:")]) <= 1


def test_what_is_entered_late_says_why(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["runs", "start", "--already-boiling", "--minutes", "10", "--run-id", "r1"])
    assert main(["runs", "mark", "r1", "jars_in", "--ago", "6"]) == 2
    assert "Say why it is entered late with --reason" in capsys.readouterr().err
    assert (
        main(["runs", "mark", "r1", "jars_in", "--ago", "6", "--reason", "hands full", "--text", "hot"]) == 0
    )
    with closing(reader.open_reader(data)) as conn:
        (entry,) = read_entries(conn, "r1", ["mark"])
    assert (entry.made_late, entry.reason, entry.body["text"]) == (True, "hands full", "hot")


def test_nodes_and_what_they_serve(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["runs", "assign", "n1", "c1"]) == 0
    assert main(["runs", "assign", "n1", "none"]) == 0
    out = capsys.readouterr().out
    assert "node n1 serves c1 from now on" in out
    assert "node n1 serves no canner from now on" in out
    assert main(["runs", "nodes"]) == 0
    assert "no node has been heard yet" in capsys.readouterr().out


def test_out_in_and_out_again(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    began = (datetime.now(UTC) - timedelta(seconds=100)).isoformat()
    main(["runs", "start", "--already-boiling", "--minutes", "10", "--run-id", "r1", "--at", began])
    main(["runs", "end"])
    assert main(["export", "r1", "--to", str(tmp_path / "a")]) == 0
    assert main(["export", "--all", "--to", str(tmp_path / "all")]) == 0
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path / "second"))
    assert main(["import", str(tmp_path / "all")]) == 0
    assert main(["import", str(tmp_path / "a")]) == 0
    assert "run r1 is here already, the same" in capsys.readouterr().out
    assert main(["export", "r1", "--to", str(tmp_path / "b")]) == 0
    for name in ("run.json", "samples.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path / "third"))
    assert main(["import", str(tmp_path / "a")]) == 0
    assert main(["import", str(tmp_path / "all")]) == 0
    assert main(["runs"]) == 0
    assert "(imported)" in capsys.readouterr().out


def test_a_whole_export_makes_the_same_store_again_and_compares_the_check_values(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Restored on a clean machine, from the open files alone, with the check values side by side."""
    assert main(["import", str(RECORDS / "silent-node")]) == 0
    main(["runs", "start", "--already-boiling", "--minutes", "10", "--run-id", "r1"])
    main(["runs", "end"])
    assert main(["prove", "2026-08-03-canner-1-a", "--to", str(tmp_path / "p.html")]) == 0
    everything = tmp_path / "all"
    assert main(["export", "--all", "--to", str(everything)]) == 0
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path / "clean"))
    capsys.readouterr()
    assert main(["import", str(everything)]) == 0
    words = capsys.readouterr().out
    before, after = re.findall(r"chain .*? ([0-9a-f]{64})", words)
    assert before == after != "0" * 64
    assert main(["verify"]) == 0
    path = everything / "entries.jsonl"
    path.write_text(path.read_text().replace("canner-1", "canner-2", 1))
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path / "another"))
    assert main(["import", str(everything)]) == 2
    assert "entries.jsonl was changed" in capsys.readouterr().err


def test_a_whole_export_says_whose_a_folder_is_that_is_not_called_by_its_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ids of records from elsewhere: what a folder can be called it is called, and comes back."""
    record = RECORDS / "silent-node"
    ids = ["a/b", "a_b", "läuf-№1", "x y", "2026:08"]
    for number, run_id in enumerate(ids):
        one = tmp_path / "in" / str(number)
        one.mkdir(parents=True)
        form = json.loads((record / "run.json").read_text("utf-8")) | {"run_id": run_id}
        (one / "run.json").write_text(json.dumps(form), "utf-8")
        (one / "samples.csv").write_bytes((record / "samples.csv").read_bytes())
        assert main(["import", str(one)]) == 0
    everything = tmp_path / "all"
    capsys.readouterr()
    assert main(["export", "--all", "--to", str(everything)]) == 0
    told = capsys.readouterr().out.splitlines()
    assert [line for line in told if "is in" in line] == ["run a/b is in runs/a_b.2"]
    found = {
        path.name: json.loads((path / "run.json").read_text("utf-8"))["run_id"]
        for path in (everything / "runs").iterdir()
    }
    assert found == {"a_b.2": "a/b"} | {run_id: run_id for run_id in ids[1:]}
    assert main(["verify", str(everything)]) == 0
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path / "runs only"))
    assert main(["import", str(everything / "runs")]) == 0
    assert capsys.readouterr().out.count("took in run") == len(ids)


def test_parquet_out_and_in_again(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The samples go out as Parquet, come back without the table, and go out as the same table."""
    run_id = "2026-08-03-canner-1-a"
    assert main(["import", str(RECORDS / "silent-node")]) == 0
    assert main(["export", run_id, "--parquet", "--to", str(tmp_path / "a")]) == 0
    assert main(["verify", str(tmp_path / "a")]) == 0
    table = (tmp_path / "a" / "samples.csv").read_bytes()
    (tmp_path / "a" / "samples.csv").unlink()
    assert main(["verify", str(tmp_path / "a")]) == 12
    assert main(["judge", str(tmp_path / "a")]) == 11
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path / "second"))
    assert main(["import", str(tmp_path / "a")]) == 0
    assert main(["export", run_id, "--to", str(tmp_path / "b")]) == 0
    assert (tmp_path / "b" / "samples.csv").read_bytes() == table


def test_a_record_from_elsewhere_is_listed_with_its_verdict(capsys: pytest.CaptureFixture[str]) -> None:
    """As ``about.json`` beside each expects it, from the simulated kettle's own truth; and the jar in words."""
    for name, verdict in (
        ("held-2400-m", "held"),
        ("short-by-a-minute", "broken"),
        ("silent-node", "unproven"),
    ):
        about = json.loads((RECORDS / name / "about.json").read_text())
        assert about["expected"]["verdict"] == verdict
        assert main(["import", str(RECORDS / name)]) == 0
        run_id = json.loads((RECORDS / name / "run.json").read_text())["run_id"]
        capsys.readouterr()
        assert main(["runs"]) == 0
        (line,) = [text for text in capsys.readouterr().out.splitlines() if text.startswith(run_id)]
        # Invented records say so too.
        assert re.search(rf"\b{verdict}( \(simulated\))? \(imported\)$", line)
        assert ("half_pint" not in line) and re.search(r"\d+ min( \d\d s)?  ", line)


def test_what_may_surprise_of_an_assignment_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """A name never heard, a second node at a canner, a run that is left without readings; all of it is done."""

    def assign(node: str, canner: str) -> str:
        assert main(["runs", "assign", node, canner]) == 0
        return capsys.readouterr().out

    assert "! No node n1 was ever heard" in assign("n1", "c1")
    assert "too: one of them" not in assign("n1", "c1")
    assert "! c1 is served by n1 too: one of them leads" in assign("n2", "c1")
    assert (
        main(["runs", "start", "--already-boiling", "--canner", "c1", "--minutes", "10", "--run-id", "r1"])
        == 0
    )
    capsys.readouterr()
    assert "no readings" not in assign("n2", "none")
    assert "! Run r1 on c1 is on, and no other node watches it" in assign("n1", "c2")


def test_options_are_found_however_their_letters_are_written(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["runs", "start", "--already-boiling", "--minutes", "10", "--run-id", "r1"]
    assert main([*words, "--coldest-jar-c", "70", "--Loading-Water-C=75"]) == 0
    assert "coldest filled jar" not in (told := capsys.readouterr().out)
    assert "water at loading" not in told
    with pytest.raises(SystemExit) as stopped:
        main([*words, "--coldest-jar-k", "70"])
    assert stopped.value.code == 2


def _marks(data: Path, run_id: str) -> list[str]:
    with closing(reader.open_reader(data)) as conn:
        return [str(entry.body["kind"]) for entry in read_entries(conn, run_id, ("mark",))]


def test_a_mark_that_takes_back_what_a_run_has_proven_is_asked_for_twice(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No mark is taken back: jars_in once more, or whatever on a run that is over, wants --even-so."""
    start = ["runs", "start", "--already-boiling", "--minutes", "10", "--run-id", "r1", "--canner", "c1"]
    assert main(start) == 0
    assert main(["runs", "mark", "jars_in"]) == 0
    assert main(["runs", "mark", "heat_off"]) == 0
    capsys.readouterr()
    assert main(["runs", "mark", "jars_in"]) == 2
    told = capsys.readouterr().err
    assert "begins again from zero" in told and "--even-so" in told and "jars_lifted" in told
    assert main(["runs", "mark", "note", "--text", "still hot"]) == 0
    assert main(["runs", "end"]) == 0
    capsys.readouterr()
    assert main(["runs", "mark", "r1", "heat_off"]) == 2
    assert "is over since" in capsys.readouterr().err
    assert main(["runs", "mark", "r1", "note", "--text", "one lid rang"]) == 0
    assert _marks(data, "r1") == ["jars_in", "heat_off", "note", "note"]
    assert main(["runs", "mark", "r1", "jars_in", "--even-so"]) == 0
    assert _marks(data, "r1")[-1] == "jars_in"
    # Nor does an end come twice; an earlier one may still be said.
    assert main(["runs", "end", "r1"]) == 2
    assert main(["runs", "end", "r1", "--ago", "2"]) == 0


def test_a_mark_on_a_record_from_elsewhere_is_asked_for_twice(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["import", str(RECORDS / "held-2400-m")]) == 0
    run_id = json.loads((RECORDS / "held-2400-m" / "run.json").read_text())["run_id"]
    assert main(["runs", "mark", run_id, "jars_in"]) == 2
    assert "a mark now changes what it proves" in capsys.readouterr().err
    assert _marks(data, run_id) == []


@pytest.mark.parametrize(
    ("given", "told"), [([], "America/Denver"), (["--zone", "Europe/Berlin"], "Europe/Berlin")]
)
def test_a_run_started_here_is_told_in_this_machines_zone(
    data: Path, monkeypatch: pytest.MonkeyPatch, given: list[str], told: str
) -> None:
    """IANA names; one that was given counts."""
    monkeypatch.setenv("TZ", "America/Denver")
    # The library asks the machine once in a process, and keeps the answer.
    asked = sys.modules[tzlocal.get_localzone_name.__module__]
    monkeypatch.setattr(asked, "_cache_tz_name", None)
    words = ["runs", "start", "--already-boiling", "--minutes", "10", "--source", "a note"]
    assert main([*words, *given]) == 0
    with closing(reader.open_reader(data)) as conn:
        (row,) = reader.list_runs(conn)
    assert row.zone == told
