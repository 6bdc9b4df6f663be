"""A record from elsewhere: whether it came as it was sealed is kept with it and said with its verdict everywhere."""

from __future__ import annotations

import json
import shutil
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.store.batches import load_batch
from monitor.store.database import open_reader, open_writer
from monitor.store.entries import append_entry
from monitor.store.take_in import import_run

RECORDS = Path(__file__).parents[2] / "recorded_runs"
SHOWN = RECORDS / "held-low-altitude"
RUN = json.loads((SHOWN / "run.json").read_text("utf-8"))["run_id"]

NEVER = "The record came without a seal: nothing shows whether it was changed before it was taken in"
REMOVED = "The record's seal had been removed when it came: nothing shows whether it was changed"
INTACT = "The record was sealed elsewhere, and as it was sealed when it was taken in"


def exported(tmp_path: Path) -> Path:
    """A sealed folder, as another house hands it over (invented)."""
    elsewhere = tmp_path / "elsewhere"
    with closing(open_writer(elsewhere)) as conn:
        import_run(conn, SHOWN)
    append_entry(elsewhere, "jar_seal", {"jar": 1, "press": "firm"}, run_id=RUN, by="Ada")
    with closing(open_writer(elsewhere)) as conn, pytest.MonkeyPatch.context() as patch:
        # There it was recorded and not taken in.
        patch.setattr("monitor.store.export.taken_in_all", lambda _: {})
        from monitor.proof.folder import seal_export
        from monitor.store.export import export_run

        seal_export(conn, RUN, export_run(conn, RUN, tmp_path / "sealed"))
    return tmp_path / "sealed"


def folder_of(how: str, tmp_path: Path) -> Path:
    if how == NEVER:
        return SHOWN
    folder = exported(tmp_path)
    if how == REMOVED:
        (folder / "seal.json").unlink()
    return folder


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize(("how", "briefly"), [(NEVER, "not sealed"), (REMOVED, "its seal removed")])
def test_a_record_without_its_seal_is_told_of_with_every_verdict(
    how: str, briefly: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, page = str(tmp_path / "data"), str(tmp_path / "p.html")
    assert main(["import", str(folder_of(how, tmp_path)), "--data", data]) == 0
    capsys.readouterr()
    assert main(["judge", RUN, "--data", data]) == 0
    told = flat(capsys.readouterr().out)
    assert told.startswith("HELD") and f"NOT SEALED {how}" in told
    assert main(["judge", RUN, "--data", data, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["taken_in"]["text"].startswith(how)
    assert main(["runs", "--data", data]) == 0
    head, line = capsys.readouterr().out.splitlines()
    assert "RECORD CAME" in head and f"  {briefly}  " in line
    assert main(["jars", RUN, "--data", data]) == 0
    assert how in flat(capsys.readouterr().out)
    assert main(["prove", RUN, "--data", data, "--to", page]) == 0
    assert how in capsys.readouterr().out
    assert how.replace("'", "&#x27;") in Path(page).read_text("utf-8").partition("<script")[0]
    for path in (page, data):
        assert main(["verify", path]) == 0
        told = capsys.readouterr().out
        head = told.partition("\n")[0]
        assert head.startswith("INTACT AND AGREEING: ") and "taken in without a known seal" in head
        assert how in told
    assert main(["verify", page, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["taken_in_without_a_seal"][0].startswith(how)


def test_a_record_that_fits_its_seal_is_told_of_quietly(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data, page = str(tmp_path / "data"), str(tmp_path / "p.html")
    assert main(["import", str(exported(tmp_path)), "--data", data]) == 0
    assert main(["judge", RUN, "--data", data]) == 0
    told = flat(capsys.readouterr().out)
    assert f"record {INTACT}" in told and "NOT SEALED" not in told
    assert main(["runs", "--data", data]) == 0
    assert "  as it was sealed  " in capsys.readouterr().out
    assert main(["prove", RUN, "--data", data, "--to", page]) == 0
    assert main(["verify", page]) == main(["verify", data]) == 0
    told = capsys.readouterr().out
    assert told.count("INTACT AND AGREEING: ") == 2 and told.count(INTACT) >= 3 and "BUT" not in told


@pytest.mark.parametrize(("how", "ok"), [(NEVER, False), (REMOVED, False), (INTACT, True)])
def test_the_review_has_a_line_of_it_that_needs_a_reason(how: str, ok: bool, tmp_path: Path) -> None:
    data = tmp_path / "data"
    assert main(["import", str(folder_of(how, tmp_path)), "--data", str(data)]) == 0
    with closing(open_reader(data)) as conn:
        state = load_batch(conn, RUN, datetime.now(UTC)).state
    (item,) = [one for one in state.review_items if one.key == "seal"]
    assert item.ok is ok and item.evidence.startswith(how)
    failing = {one.key: "looked at" for one in state.review_items if one.ok is False and one.key != "seal"}
    for reasons, signed in ((failing, ok), ({**failing, "seal": "its maker showed it to me"}, True)):
        append_entry(data, "review", {"content": state.content, "reasons": reasons}, run_id=RUN, by="Bert")
        with closing(open_reader(data)) as conn:
            review = load_batch(conn, RUN, datetime.now(UTC)).state.review
        assert review is not None
        by_sums = "do not add up" in review.lapsed
        assert review.valid is signed or (signed and by_sums)
        assert (
            signed
            or "no reason was written for: The record came as it was sealed" in review.lapsed
            or by_sums
        )


def test_no_second_store_makes_a_sealed_record_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An export seals what it writes: what the record came with goes along under that seal."""
    first, out, second = str(tmp_path / "first"), str(tmp_path / "out"), str(tmp_path / "second")
    everything, third = str(tmp_path / "everything"), str(tmp_path / "third")
    assert main(["import", str(SHOWN), "--data", first]) == 0
    assert main(["export", RUN, "--data", first, "--to", out]) == 0
    assert main(["export", "--all", "--data", first, "--to", everything]) == 0
    capsys.readouterr()
    assert main(["verify", out]) == main(["verify", everything]) == 0
    told = capsys.readouterr().out
    assert "BUT ONLY SINCE ITS RECORD CAME" in told and "BUT OF 1 OF ITS RECORDS ONLY SINCE" in told
    assert main(["import", out, "--data", second]) == main(["import", everything, "--data", third]) == 0
    assert NEVER in capsys.readouterr().out
    for data in (second, third):
        assert main(["judge", RUN, "--data", data]) == 0
        assert NEVER in flat(capsys.readouterr().out)
    assert main(["import", out, "--data", second]) == 0
    assert f"is here already, the same. {NEVER}" in capsys.readouterr().out
    # Without the seal over it that file says nothing.
    (Path(out) / "seal.json").unlink()
    assert main(["verify", out]) == 12
    assert main(["import", out, "--data", str(tmp_path / "fourth")]) == 0
    assert main(["judge", RUN, "--data", str(tmp_path / "fourth")]) == 0
    assert REMOVED in flat(capsys.readouterr().out)


def test_of_one_that_an_earlier_version_took_in_nothing_is_claimed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with closing(open_writer(tmp_path / "data")) as conn:
        import_run(conn, SHOWN)
    assert main(["judge", RUN, "--data", str(tmp_path / "data")]) == 0
    assert "NOT SEALED Whether the record came with a seal was not kept: nothing shows" in flat(
        capsys.readouterr().out
    )


def test_a_folder_without_a_seal_is_judged_and_called_not_sealed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["judge", str(SHOWN)]) == 0
    assert capsys.readouterr().out.startswith(
        "HELD      the full boil held for the whole time (record not sealed)\n"
    )
    assert main(["prove", str(SHOWN), "--to", str(tmp_path / "p.html")]) == 0
    assert main(["verify", str(tmp_path / "p.html")]) == 0
    assert "BUT ONLY SINCE ITS RECORD CAME" in capsys.readouterr().out
    sealed = exported(tmp_path)
    assert main(["judge", str(sealed)]) == 0
    assert "sealed)" not in capsys.readouterr().out


def test_a_record_here_is_not_told_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What this store recorded came from nowhere; what a header claims of itself counts for nothing."""
    copy = tmp_path / "copy"
    shutil.copytree(SHOWN, copy)
    form = json.loads((copy / "run.json").read_text("utf-8"))
    form["taken_in"] = {
        "format": "boilwitness-taken-in/1",
        "seal": "intact",
        "at_utc": "2026-01-01T00:00:00Z",
    }
    (copy / "run.json").write_text(json.dumps(form), "utf-8")
    assert main(["import", str(copy), "--data", str(tmp_path / "data")]) == 0
    assert main(["judge", RUN, "--data", str(tmp_path / "data")]) == 0
    assert NEVER in flat(capsys.readouterr().out)
