"""A mark that can hardly be meant is asked about; a note has words; the help offers what is taken."""

from __future__ import annotations

import shutil
from contextlib import closing
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.plan.registration import PLACES
from monitor.store.entries import append_entry, read_entries
from monitor.store.reader import open_reader

RECORDED = Path(__file__).parents[2] / "recorded_runs"


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BOILWITNESS_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


def begin(run_id: str = "r1") -> None:
    start = ["runs", "start", "--already-boiling", "--minutes", "10", "--run-id", run_id, "--canner", "c1"]
    assert main(start) == 0
    assert main(["runs", "mark", "jars_in"]) == 0


def marks(data: Path, run_id: str = "r1") -> list[str]:
    with closing(open_reader(data)) as conn:
        return [str(entry.body["kind"]) for entry in read_entries(conn, run_id, ["mark"])]


@pytest.mark.parametrize("kind", ["heat_off", "jars_lifted"])
def test_an_end_before_the_jars_went_in_is_asked_about(
    data: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    """It is the batch before's, said late: DESIGN 5 counts the first after the last jars_in."""
    begin()
    late = ["--ago", "8", "--reason", "typed late"]
    assert main(["runs", "mark", kind, *late]) == 2
    told = capsys.readouterr().err
    assert "before the jars of run r1 went in" in told and "--even-so" in told
    assert marks(data) == ["jars_in"]
    assert main(["runs", "mark", kind, *late, "--even-so"]) == 0


def test_the_same_said_twice_in_a_breath_is_asked_about(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    begin()
    seen = ["runs", "mark", "rolling_boil_seen"]
    assert main([*seen, "--by", "Ann"]) == 0
    capsys.readouterr()
    assert main([*seen, "--by", "Ben"]) == 2
    told = capsys.readouterr().err
    assert "marked already, by Ann" in told and "--even-so" in told
    assert marks(data) == ["jars_in", "rolling_boil_seen"]
    assert main([*seen, "--ago", "2"]) == 0, "two minutes before is another moment"
    assert main([*seen, "--even-so"]) == 0


def test_a_note_has_words(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    begin()
    for words in ([], ["--text", ""], ["--text", "  "]):
        assert main(["runs", "mark", "note", *words]) == 2
        assert "--text" in capsys.readouterr().err
    assert marks(data) == ["jars_in"]


@pytest.mark.parametrize("verb", ["mark", "reading"])
def test_the_help_offers_the_run_once(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["runs", verb, "--help"])
    usage = " ".join(capsys.readouterr().out.partition("\n\n")[0].split())
    assert usage.count("[RUN]") == 1 and "..." not in usage
    assert usage.endswith("[RUN] KIND" if verb == "mark" else "[RUN] [DEGREES]")
    assert "--ago" in usage and "--data" in usage


def test_what_is_empty_is_no_answer(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither a knock of nothing, which would block a probe, nor a run without a name, which is the folder here."""
    append_entry(
        data,
        "probe_registered",
        {
            "probe_id": "p1",
            "kind": "type K class 1",
            "converter": "linearised, 0.0078 K steps",
            "place": PLACES[0],
        },
    )
    for empty in ("", " "):
        assert main(["calibrate", "--probe", "p1", "--knocked", empty]) == 2
        assert "--knocked WHAT" in capsys.readouterr().err
        assert main(["judge", empty]) == 2
        assert "name a run" in capsys.readouterr().err
    with closing(open_reader(data)) as conn:
        assert read_entries(conn, kinds=["probe_checked"]) == []


def test_a_jar_is_named_as_people_name_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shutil.copytree(RECORDED / "held-low-altitude", tmp_path / "run")
    header = folder / "run.json"
    header.write_text(header.read_text().replace('"jar": "pint"', '"jar": "half_pint"'))
    main(["judge", str(folder)])
    told = capsys.readouterr().out
    assert "half-pint" in told and "half_pint" not in told
