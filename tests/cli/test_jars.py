"""The verb ``jars`` from the lifting to the labels, on recorded runs in a real store."""

from __future__ import annotations

import html
import json
import re
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.cli.main import main
from monitor.jars import NOTHING_LEFT, jar_code, own_timing_trouble
from monitor.judge import judge
from monitor.record import write_run
from monitor.record.read import read_run
from monitor.store.entries import append_entry, read_entries
from monitor.store.reader import open_reader

RECORDED = Path(__file__).parents[2] / "recorded_runs"


class House:
    """A store with one recorded run in it; every call is the command itself."""

    def __init__(self, folder: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
        self.data, self.capsys = folder, capsys
        assert main(["import", str(RECORDED / name), "--data", str(folder)]) == 0
        self.run = read_run(RECORDED / name)
        self.lifted_s = max(m.t_s for m in self.run.marks if m.kind in ("heat_off", "jars_lifted"))
        capsys.readouterr()

    def say(self, *words: str, hours: float | None = None, status: int = 0) -> str:
        late: list[str] = []
        if hours is not None:
            at = self.run.started_at + timedelta(seconds=self.lifted_s + hours * 3600.0)
            late = ["--at", at.isoformat(), "--reason", "written down later", "--by", "Ada"]
        assert main(["jars", self.run.run_id, *words, *late, "--data", str(self.data)]) == status
        out = self.capsys.readouterr()
        return out.out + out.err


def test_a_held_batch_reaches_the_labelled_shelf(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One jar unsealed, one broken."""
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    jars = house.run.batch.jars
    assert jars is not None and jars >= 3
    house.say("lifted", "--out", str(jars - 1), "--broken", "2", hours=0.1)
    good = ["--press", "firm", "--sight", "dished", "--tap", "ring", "--lift", "holds"]
    assert "provisional" in house.say("seal", "1", *good, hours=3)
    for jar in range(1, jars + 1):
        if jar == 3:
            assert "jar 3: unsealed (press: springs)" in house.say(
                "seal", "3", *good[2:], "--press", "springs", hours=13
            )
        elif jar != 2:
            assert f"jar {jar}: sealed" in house.say("seal", str(jar), *good, hours=13)
    assert "refused: no jar of this run is on the shelf list" in house.say("labels", status=3)
    assert "refused" in house.say("place", "1", "shelf", hours=13.5, status=3)
    house.say("place", "3", "refrigerate", hours=14)
    lines = house.say("review")
    notes = [f"--note={key}=looked at" for key in re.findall(r"^LOOK\s+(\w+)", lines, re.M)]
    status = house.say("review", "--sign", *notes, hours=15)
    deviations = re.findall(r"OPEN \(key (\S+)\)", status)
    for key in deviations:
        house.say("deviation", "--close", key, "--cause", "known", "--action", "none needed", hours=15)
    if deviations:
        lines = house.say("review")
        notes = [f"--note={key}=looked at" for key in re.findall(r"^LOOK\s+(\w+)", lines, re.M)]
        house.say("review", "--sign", *notes, hours=15)
    document = json.loads(house.say("status", "--json"))
    places = [jar["status"] for jar in document["jars"]]
    assert places == ["shelf", "broken", "refrigerate", *["shelf"] * (jars - 3)]
    sheet = tmp_path / "labels.html"
    assert f"{jars - 2} labels" in house.say("labels", "--to", str(sheet))
    assert sheet.read_text().count("<svg") == jars - 2
    document = json.loads(house.say("labels", "--json"))
    assert len(document) == jars - 2 and document[0]["code"] == jar_code(house.run.run_id, 1)
    assert "refused" in house.say("labels", "--jars", "3", status=3)
    assert main(["jars", "pantry", "--data", str(house.data)]) == 0
    shown = capsys.readouterr().out
    assert re.search(r"shelf: (use by|PAST)", shown) and re.search(r"refrigerate: (use by|PAST)", shown)
    assert main(["jars", jar_code(house.run.run_id, 3), "--data", str(house.data)]) == 0
    told = capsys.readouterr().out
    assert "Refrigerate" in told and "1 shelf; 2 broken" in told
    wrong = jar_code(house.run.run_id, 3).replace("/03", "/04")
    assert main(["jars", wrong, "--data", str(house.data)]) == 2
    assert "has a wrong character" in capsys.readouterr().err


def test_a_broken_batch_is_saved_within_its_clock_or_discarded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", "dip-stopped-short", capsys)
    status = house.say("status")
    assert "G58" in status and "Nebraska" in status
    assert not re.search(r"\b(safe|sterile|compliant)\b", status.split("Published guidance")[0], re.I)
    house.say("place", "1", "refrigerate", hours=0.3)
    refused = house.say("place", "2", "frozen", hours=4, status=3)
    assert "refused" in refused and "the 2 hours have passed" in refused
    house.say("place", "2", "discarded", hours=4)
    timed = ["--from", "2026-08-14T15:00:00Z", "--to", "2026-08-14T16:00:00Z"]
    refused = house.say("own-timing", "--how", "timer", *timed, hours=0.2, status=3)
    assert "a broken one was seen to break" in refused
    kept = json.loads(house.say("status", "--json"))["jars"]
    assert [jar["status"] for jar in kept[:3]] == ["refrigerate", "discarded", "on hold"]


@pytest.mark.parametrize(
    ("name", "status"),
    [("dip-stopped-short", 10), ("held-low-altitude", 0)],
)
def test_verdict_and_proof_ask_for_nothing_once_every_jar_has_its_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, status: int
) -> None:
    """With one jar left they still advise; a folder, which tells of no jar, goes on doing so."""
    house = House(tmp_path / "data", name, capsys)
    jars = house.run.batch.jars
    assert jars is not None
    advice = judge(house.run).advice.text

    def told(run: str) -> str:
        assert main(["judge", run, "--data", str(house.data)]) == status
        return " ".join(capsys.readouterr().out.split())

    def proof() -> str:
        page = tmp_path / "proof.html"
        assert main(["prove", house.run.run_id, "--to", str(page), "--data", str(house.data)]) == 0
        capsys.readouterr()
        assert main(["verify", str(page)]) == 0
        capsys.readouterr()
        return html.unescape(page.read_text(encoding="utf-8").partition("<script")[0])

    house.say("place", ",".join(str(jar) for jar in range(1, jars)), "refrigerate", hours=0.3)
    assert advice in told(house.run.run_id) and advice in proof()
    house.say("place", str(jars), "refrigerate", hours=0.3)
    for text in (told(house.run.run_id), proof()):
        assert NOTHING_LEFT in text and advice not in text
    bare = told(str(RECORDED / name))
    assert advice in bare and NOTHING_LEFT not in bare


def test_jars_go_on_in_a_run_of_their_own_with_new_lids_and_the_full_time_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", "dip-stopped-short", capsys)
    minutes = house.run.required.minutes
    again = ["reprocess", "1,2", "--source", "USDA Complete Guide to Home Canning"]
    full = [*again, "--minutes", f"{minutes:g}", "--coldest-jar-c", "71"]
    at = (house.run.started_at + timedelta(seconds=house.lifted_s + 600.0)).isoformat()
    early = ["--at", at, "--reason", "a test", "--by", "Ada"]
    # Months later nothing is left to save: the table, not the time stated, decides.
    assert "cannot be reprocessed" in house.say(*full, "--new-lids", *early, status=3)
    house.say("place", "1,2", "reprocess", hours=0.2)
    assert "new lids" in house.say(*full, *early, status=3)
    assert "not the full time" in house.say(*again, "--minutes", "5", "--new-lids", *early, status=3)


def fresh(
    tmp_path: Path, name: str, run_id: str = "mine", *, canner: str = "canner-1", keep_heat_off: bool = True
) -> Path:
    """A recorded run as if its heat had gone off ten minutes ago, in a real store."""
    shown = read_run(RECORDED / name)
    off_s = max(mark.t_s for mark in shown.marks if mark.kind in ("heat_off", "jars_lifted"))
    began = datetime.now(UTC) - timedelta(seconds=off_s + 600.0)
    run = replace(shown, run_id=run_id, started_at=began, extra=dict(shown.extra) | {"canner": canner})
    if not keep_heat_off:
        run = replace(run, marks=tuple(mark for mark in run.marks if mark.kind != "heat_off"))
    write_run(run, tmp_path / "record")
    data = tmp_path / "data"
    assert main(["import", str(tmp_path / "record"), "--data", str(data)]) == 0
    return data


def test_jars_of_a_reprocessing_that_ended_unproven_have_no_place_and_are_told_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the verbs alone, on the parent and on the run that broke; a canner that is in use is not taken over."""
    data = fresh(tmp_path, "dip-stopped-short")
    jars = read_run(tmp_path / "record").batch.jars
    assert jars is not None and jars >= 4

    def say(*words: str, status: int = 0) -> str:
        assert main([*words, "--data", str(data)]) == status
        out = capsys.readouterr()
        return " ".join((out.out + out.err).split())

    rest = ",".join(str(jar) for jar in range(1, jars + 1) if jar not in (3, 4))
    say("jars", "mine", "place", rest, "refrigerate", "--by", "Ada")
    full = ["--minutes", "90", "--source", "USDA Complete Guide", "--new-lids", "--by", "Ada"]
    begun = say("jars", "mine", "reprocess", "3,4", *full)
    assert (
        "run mine-again1 started for jars 3, 4 of mine: jar 3 is jar 1 there, jar 4 is jar 2 there" in begun
    )
    assert NOTHING_LEFT not in say("judge", "mine", status=10), "they still stand on the counter"
    say("runs", "mark", "mine-again1", "jars_in", "--by", "Ada")
    assert NOTHING_LEFT in say("judge", "mine", status=10)
    taken = say("jars", "mine", "reprocess", "1", *full, status=3)
    assert "refused" in taken
    twice = say("jars", "mine", "reprocess", "3", *full, status=3)
    assert "jar 3 cannot be reprocessed: it goes on in run mine-again1 already" in twice
    assert "Refrigerate" not in twice

    say("runs", "end", "mine-again1", "--by", "Ada")
    advised = say("judge", "mine", status=10)
    assert NOTHING_LEFT not in advised and judge(read_run(tmp_path / "record")).advice.action
    told = say("jars", "mine")
    assert "jars 3, 4 ON HOLD" in told and "jars 1, 2 of run mine-again1, which ended: hold" in told
    assert "It has no place yet" in told and "mark jars in there" not in told
    there = say("jars", "mine-again1")
    assert "jars 1, 2 (3, 4 of mine) ON HOLD" in there and "Reprocess in full" not in there
    found = json.loads(say("jars", "mine-again1", "status", "--json"))["jars"]
    assert [jar["was"] for jar in found] == [{"run": "mine", "jar": 3}, {"run": "mine", "jar": 4}]
    say("jars", "mine-again1", "place", "1,2", "refrigerate", "--by", "Ada")
    assert NOTHING_LEFT in say("judge", "mine", status=10)


def test_a_reprocessing_does_not_end_another_run_without_a_word(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The one that is on has hot jars in it; it is ended first, by the verb for that."""
    data = fresh(tmp_path, "dip-stopped-short")
    full = ["--minutes", "90", "--source", "USDA Complete Guide", "--new-lids", "--data", str(data)]
    assert main(["jars", "mine", "reprocess", "1", *full]) == 0
    capsys.readouterr()
    assert main(["jars", "mine", "reprocess", "2", *full]) == 3
    refused = capsys.readouterr().err
    assert "run mine-again1 is on canner-1, and this one would end it" in refused
    assert "'boilwitness runs end mine-again1'" in refused and len(refused.splitlines()) == 1
    assert main(["runs", "end", "mine-again1", "--data", str(data)]) == 0
    assert main(["jars", "mine", "reprocess", "2", *full]) == 0


def test_an_answer_that_contradicts_another_person_s_does_not_win_without_a_word(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Who, when and what is told; settled by an answer that says what was read, and shown in the review."""
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    good = ["--press", "firm", "--sight", "dished", "--tap", "ring", "--lift", "holds"]
    at = house.run.started_at + timedelta(seconds=house.lifted_s + 13 * 3600.0)
    late = ["--at", at.isoformat(), "--reason", "written down later"]
    house.say("lifted", "--out", str(house.run.batch.jars), hours=0.1)

    def say(*words: str) -> str:
        return " ".join(house.say("seal", "1", *words, *late).split())

    first = say(*good[2:], "--press", "springs", "--by", "Bert")
    number = int(first.rpartition("entry ")[2])
    told = say(*good, "--by", "Anna")
    assert f"jar 1: unsealed (press: springs); entry {number + 1}" in told
    assert "Bert, 20" in told and "Anna, 20" in told and "sealed (firm, dished, rings, holds)" in told
    assert f"--seen {number + 1}" in told
    assert "who did not see each other's answers" in " ".join(house.say("status").split())
    assert json.loads(house.say("status", "--json"))["jars"][0]["disputed"] is True
    assert "jar 1: sealed" in say(*good, "--by", "Anna", "--seen", str(number + 1))
    assert "who did not see each other's answers" not in " ".join(house.say("status").split())
    review = " ".join(house.say("review").split())
    assert "LOOK answers" in review and "Bert, 20" in review and "Anna, 20" in review


def test_more_jars_do_not_come_out_than_went_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    jars = house.run.batch.jars
    assert jars is not None
    refused = house.say("lifted", "--out", str(jars), "--broken", "2", hours=0.1, status=2)
    assert f"{jars} jars went in" in refused and f"--out {jars - 1} --broken 2" in refused
    assert "At most" in house.say("lifted", "--out", str(jars + 1), hours=0.1, status=2)
    assert "has no jar" in house.say("lifted", "--out", "1", "--broken", str(jars + 1), hours=0.1, status=2)
    house.say("lifted", "--out", str(jars - 1), "--broken", "2", hours=0.1)
    assert "too many" not in house.say("status")


@pytest.mark.parametrize("marked", [True, False], ids=["heat off marked", "not marked"])
def test_a_lifting_at_an_hour_that_costs_the_hold_is_asked_about_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], marked: bool
) -> None:
    """A mistyped hour: before the heat was off, inside the hold, before the jars went in."""
    data = fresh(tmp_path, "held-low-altitude", keep_heat_off=marked)
    run = read_run(tmp_path / "record")
    marks = {mark.kind: mark.t_s for mark in run.marks}
    off_s = marks.get("heat_off", max(sample.t_s for sample in run.samples))

    def lifted(t_s: float, *more: str, status: int = 0) -> str:
        at = (run.started_at + timedelta(seconds=t_s)).isoformat()
        said = ["--at", at, "--reason", "x", "--by", "Ada", "--data", str(data)]
        assert main(["jars", "mine", "lifted", "--out", str(run.batch.jars), *said, *more]) == status
        out = capsys.readouterr()
        return " ".join((out.out + out.err).split())

    def verdict() -> str:
        capsys.readouterr()
        main(["judge", "mine", "--json", "--data", str(data)])
        return str(json.loads(capsys.readouterr().out)["verdict"])

    assert verdict() == "held"
    inside = lifted(marks["jars_in"] + 0.6 * (off_s - marks["jars_in"]), status=2)
    assert ("before the heat was off" in inside) is marked and "--even-so" in inside
    early = lifted(marks["jars_in"] - 60.0, status=2)
    assert "before the jars went in" in early and "Nothing was written down" in early
    assert verdict() == "held" and "The lifting is not marked" in told_of(data, capsys)
    lifted(off_s + 1.0)
    assert verdict() == "held" and "Lifted" in told_of(data, capsys)
    # Another hour is no hour that was taken.
    again = lifted(off_s - 120.0, status=2)
    assert "the lifting is marked already" in again and "--take-back" in again


def test_a_lifting_that_was_so_is_taken_once_it_is_said_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = fresh(tmp_path, "held-low-altitude")
    out = str(read_run(tmp_path / "record").batch.jars)
    said = ["jars", "mine", "lifted", "--out", out, "--ago", "12", "--reason", "x", "--data", str(data)]
    assert main(said) == 2
    assert main([*said, "--even-so"]) == 0
    assert "Lifted" in told_of(data, capsys)


def told_of(data: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """What ``jars`` says of the run, in one line."""
    capsys.readouterr()
    assert main(["jars", "mine", "--data", str(data)]) == 0
    return " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (["--minutes", "1800"], "1800 min at a full boil cannot be meant. Give minutes from"),
        (["--minutes", "1e9"], "cannot be meant"),
        (["--minutes", "90", "--coldest-jar-c", "300"], "300 °C cannot be the coldest filled jar"),
        (["--minutes", "90", "--coldest-jar-c", "-50"], "-50 °C cannot be the coldest filled jar"),
    ],
)
def test_no_reprocessing_is_begun_with_what_nobody_can_have_meant(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], given: list[str], says: str
) -> None:
    """Seconds for minutes, degrees Fahrenheit: such a run could not be read, and its jars would boil unwatched."""
    data = fresh(tmp_path, "dip-stopped-short")
    full = ["reprocess", "1", "--source", "USDA Complete Guide", "--new-lids", "--by", "Ada", *given]
    capsys.readouterr()
    assert main(["jars", "mine", *full, "--data", str(data)]) == 3
    assert says in capsys.readouterr().err
    assert main(["jars", "mine-again1", "--data", str(data)]) == 2


def test_a_run_that_cannot_be_read_names_the_way_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = fresh(tmp_path, "dip-stopped-short")
    full = ["--minutes", "90", "--source", "a guide", "--new-lids", "--by", "Ada", "--data", str(data)]
    assert main(["jars", "mine", "reprocess", "1", *full]) == 0
    append_entry(data, "header_changed", {"required": {"minutes": 1800.0}}, run_id="mine-again1")
    capsys.readouterr()
    assert main(["jars", "mine-again1", "--data", str(data)]) == 2
    told = capsys.readouterr().err
    assert "expected a number from 0.1 to 1440 min" in told and len(told.splitlines()) == 1
    assert "'boilwitness runs correct mine-again1'" in told and "runs end mine-again1'" in told
    off = ["call-off", "--by", "Ada", "--reason", "a slip", "--data", str(data)]
    assert main(["jars", "mine-again1", *off]) == 0, (
        "no jars went in, and nothing of it need be read for that"
    )


def test_of_jars_whose_hold_failed_nobody_asks_for_the_seals(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """To leave them alone for a night is the opposite of what the two hours ask."""
    data = fresh(tmp_path, "dip-stopped-short")
    out = str(read_run(tmp_path / "record").batch.jars)
    assert main(["jars", "mine", "lifted", "--out", out, "--data", str(data)]) == 0
    told = told_of(data, capsys)
    assert "Lifted" in told and "Reprocess in full" in told
    for words in ("Leave the jars alone", "seals may be judged", "not been judged"):
        assert words not in told


def test_an_opinion_that_is_no_plain_text_is_one_clear_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", "dip-stopped-short", capsys)
    paper = tmp_path / "opinion.pdf"
    paper.write_bytes(b"%PDF-1.7\n\xe2\xe3\xcf\xd3")
    asked = ["evaluation", "--person", "N. N.", "--competence", "c", "--opinion", str(paper), "--by", "Ada"]
    told = house.say(*asked, status=2)
    assert "is not plain text" in told and len(told.splitlines()) == 1


def test_a_bulging_or_opened_jar_says_at_once_what_to_do_with_the_jar(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    bulging = ["--press", "springs", "--sight", "bulging", "--tap", "dull", "--lift", "gives"]
    told = " ".join(house.say("seal", "1", *bulging, hours=13).split())
    assert "jar 1: unsealed" in told and "Do not open, do not taste" in told
    assert "Discard; do not taste." in house.say("seal", "2", "--opened", hours=13)
    good = ["--press", "firm", "--sight", "dished", "--tap", "ring", "--lift", "holds"]
    assert len(house.say("seal", "3", *good, hours=13).splitlines()) == 1


def test_nobody_has_read_what_was_not_yet_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    good = ["--press", "firm", "--sight", "dished", "--tap", "ring", "--lift", "holds"]
    assert "nothing was said of jar 1" in house.say("seal", "1", *good, "--seen", "99999", hours=13, status=2)
    number = re.search(r"entry (\d+)", house.say("seal", "1", "--press", "springs", hours=13))
    assert number
    told = house.say("seal", "1", *good, "--seen", "99999", hours=13, status=2)
    assert f"--seen {number[1]}" in told and "unsealed" in house.say("status")
    assert "jar 1: sealed" in house.say("seal", "1", *good, "--seen", number[1], hours=13)


@pytest.mark.parametrize("numbers", ["", ",", " , "])
def test_a_list_without_a_number_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], numbers: str
) -> None:
    for words in (["place", numbers, "discarded"], ["labels", "--jars", numbers]):
        with pytest.raises(SystemExit) as stopped:
            main(["jars", "mine", *words, "--data", str(tmp_path)])
        assert stopped.value.code == 2
        assert "is no list of jar numbers such as 1,2,5" in capsys.readouterr().err


def test_a_reprocessing_that_is_said_late_says_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = fresh(tmp_path, "dip-stopped-short")
    full = ["--minutes", "90", "--source", "USDA Complete Guide", "--new-lids", "--data", str(data)]
    late = ["jars", "mine", "reprocess", "1", *full, "--ago", "6", "--by", "Ada"]
    assert main(late) == 2
    assert "Say why it is entered late with --reason." in capsys.readouterr().err
    assert main([*late, "--reason", "hands full"]) == 0
    with closing(open_reader(data)) as conn:
        (begun,) = [e for e in read_entries(conn, "mine-again1") if e.kind == "run_started"]
    assert begun.reason == "hands full"


def test_labels_skip_only_places_that_a_sheet_has(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    assert "-1 labels cannot be gone" in house.say("labels", "--skip", "-1", status=2)
    assert "give --to" in house.say("labels", "--skip", "2", status=2)


def test_a_refused_place_is_dated_as_the_kitchen_dates_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", "dip-stopped-short", capsys)
    refused = house.say("place", "2", "frozen", hours=4, status=3)
    assert re.search(r"at 20\d\d-\d\d-\d\d \d\d:\d\d -0600: ", refused), refused


def test_an_own_timing_outside_its_run_is_refused_by_the_verb(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = fresh(tmp_path, "silent-node")
    run = read_run(tmp_path / "record")
    since = run.started_at - timedelta(hours=3)
    ends = ["--from", since.isoformat(), "--to", (since + timedelta(hours=2)).isoformat()]
    sign = ["jars", "mine", "own-timing", "--how", "timer", "--by", "Ada", "--data", str(data)]
    assert main([*sign, *ends]) == 3
    assert "begins before the jars went in" in capsys.readouterr().err


def test_a_fault_found_later_is_opened_in_every_run_of_the_probe(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    told = house.say("deviation", "--open", "the probe read 0.6 K high at a check", "--others", "--by", "Ada")
    assert "also opened in: no other run" in told and "0.6 K high" in told


def test_a_night_of_cooling_is_told_with_its_forecast_or_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", "a-night-of-cooling", capsys)
    document = json.loads(house.say("cooling", "--json"))
    assert document["jars"] and all(jar["cooling"]["jar"] >= 1 for jar in document["jars"])
    text = house.say("cooling")
    assert "within 3 K of the room" in text
    assert "never a proof" in text or "no reading" in text


@pytest.mark.parametrize(
    ("words", "match"),
    [
        (["no-such-run"], "there is no run"),
        (["no-such-run", "seal", "1"], "there is no run"),
    ],
)
def test_what_is_not_there_is_one_clear_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], match: str
) -> None:
    House(tmp_path / "data", "held-low-altitude", capsys)
    assert main(["jars", *words, "--data", str(tmp_path / "data")]) == 2
    error = capsys.readouterr().err
    assert match in error and len(error.splitlines()) == 1


def test_a_seal_corrects_an_answer_about_its_own_jar_and_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another jar's answer, a mark, the lifting: they would be gone without a word."""
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    jars = house.run.batch.jars
    house.say("lifted", "--out", str(jars), hours=0.1)
    good = ["--press", "firm", "--sight", "dished", "--tap", "ring", "--lift", "holds"]
    numbers = {}
    for jar in (1, 2):
        told = re.search(r"entry (\d+)", house.say("seal", str(jar), *good, hours=13))
        assert told
        numbers[jar] = told[1]
    for wrong in (numbers[2], "1", "99"):
        refused = house.say("seal", "1", "--press", "springs", "--corrects", wrong, hours=13, status=2)
        assert f"entry {wrong} is no answer about the seal of jar 1" in refused and numbers[1] in refused
    assert "jar 2: sealed" in house.say("seal", "2", *good, "--corrects", numbers[2], hours=13.1)
    # One that was corrected stands no more.
    house.say("seal", "2", *good, "--corrects", numbers[2], hours=13.1, status=2)
    places = json.loads(house.say("status", "--json"))["jars"]
    assert [jar["seal"] for jar in places[:2]] == ["sealed", "sealed"]


def test_what_would_be_passed_over_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A use-by that is no day; a reason about no line of the review."""
    house = House(tmp_path / "data", "dip-stopped-short", capsys)
    assert "is no day" in house.say("place", "1", "refrigerate", "--use-by", "never", hours=0.3, status=2)
    for note in ("nosuch=x", "gaps"):
        told = house.say("review", "--sign", "--note", note, hours=0.5, status=2)
        assert "names no line" in told and "Lines: " in told
    assert main(["jars", "pantry", "--data", str(house.data), "labels"]) == 2
    assert "only shown" in capsys.readouterr().err
    assert (
        main(["jars", jar_code(house.run.run_id, 1), "--data", str(house.data), "recheck", "1", "used"]) == 2
    )
    assert "only shown" in capsys.readouterr().err


def test_a_hold_that_is_proven_or_not_over_is_not_told_of_as_a_broken_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = fresh(tmp_path, "held-low-altitude")
    ends = ["--from", "2026-08-14T09:00:00-06:00", "--to", "2026-08-14T10:00:00-06:00"]
    assert main(["jars", "mine", "own-timing", "--how", "x", "--by", "Ada", *ends, "--data", str(data)]) == 3
    told = capsys.readouterr().err
    assert "the record proves this hold" in told and "broken" not in told
    run = read_run(tmp_path / "record")
    on = own_timing_trouble(run, {"verdict": None}, {}, "Ada", datetime.now(UTC))
    assert "this run is not over" in on and "broken" not in on


def test_a_jar_off_the_shelf_is_not_found_fine_on_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is bad news is taken wherever the jar is."""
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    refused = house.say("recheck", "1", "fine", status=3)
    assert "jar 1 is not on the shelf" in refused and len(refused.splitlines()) == 1
    house.say("recheck", "1", "bulge")


def test_a_seal_is_not_judged_before_the_heat_was_off(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A jar that broke in the canner is told of."""
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    good = ["--press", "firm", "--sight", "dished", "--tap", "ring", "--lift", "holds"]
    refused = house.say("seal", "1", *good, hours=-0.5, status=2)
    assert "the heat was not off yet" in refused and "not judged" in house.say("status")
    house.say("seal", "1", "--broken", hours=-0.5)


def test_a_timing_that_was_signed_is_not_asked_for_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The verdict stays what it is; a folder tells of no signature."""
    data = fresh(tmp_path, "silent-node")
    record = read_run(tmp_path / "record")
    marked = {mark.kind: mark.t_s for mark in record.marks}
    asked, unproven = "sign that you timed the boil yourself", "UNPROVEN"

    def told(run: str) -> str:
        assert main(["judge", run, "--data", str(data)]) == 11
        return " ".join(capsys.readouterr().out.split())

    assert asked in told("mine")
    until = record.started_at + timedelta(seconds=marked["heat_off"])
    since = until - timedelta(minutes=record.required.minutes)
    ends = ["--from", since.isoformat(), "--to", until.isoformat()]
    assert main(["jars", "mine", "own-timing", "--how", "x", "--by", "Ada", *ends, "--data", str(data)]) == 0
    capsys.readouterr()
    after = told("mine")
    assert asked not in after and unproven in after
    assert "on the cook's own timing (Ada); not proven by the record" in after
    assert "'boilwitness jars mine'" in after
    assert asked in told(str(tmp_path / "record"))


def test_every_word_of_placing_a_jar_is_explained(capsys: pytest.CaptureFixture[str]) -> None:
    """What stands for a jar, which places there are, and where the store lies."""
    with pytest.raises(SystemExit):
        main(["jars", "run", "place", "--help"])
    told = " ".join(capsys.readouterr().out.split())
    for words in (
        "JAR[,JAR] the jars' numbers in their run, with commas between",
        "PLACE one of refrigerate, frozen, reprocess, discarded",
        "--data DIR where the store lives",
    ):
        assert words in told


def test_a_lid_found_bad_is_fine_again_only_for_whoever_says_what_was_read_and_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", "held-low-altitude", capsys)
    house.say("recheck", "1", "bulge", "--by", "Ada")
    refused = " ".join(house.say("recheck", "1", "fine", "--by", "Cleo", status=3).split())
    assert "Ada" in refused and "its lid bulges" in refused
    number = re.search(r"--seen (\d+) --reason", refused)
    assert number
    read = ["recheck", "1", "fine", "--seen", number[1], "--by", "Cleo"]
    assert "why jar 1 is fine" in house.say(*read, status=2)
    assert json.loads(house.say("status", "--json"))["jars"][0]["found_bad"] == "bulge"
    house.say("recheck", "1", "used", "--by", "Ada")
    assert main(["jars", "pantry", "--data", str(house.data)]) == 0
    shown = capsys.readouterr().out
    assert "LOST SEAL" in shown, "that it was used does not end the warning"
    assert "LID BULGES" in shown
    newest = str(int(number[1]) + 1)
    told = [*read[:3], "--seen", newest, "--reason", "a shadow on the lid", "--by", "Cleo"]
    house.say(*told)
    assert json.loads(house.say("status", "--json"))["jars"][0]["found_bad"] is None


def test_a_reprocessing_left_on_the_counter_gives_no_time_and_its_jars_are_corrected_by_an_entry(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the verbs alone: the clock stands on both, and a run that ended empty gives the jars back."""
    data = fresh(tmp_path, "dip-stopped-short")
    capsys.readouterr()

    def say(*words: str, status: int = 0) -> str:
        assert main([*words, "--data", str(data)]) == status
        out = capsys.readouterr()
        return " ".join((out.out + out.err).split())

    def jars(run_id: str) -> list[dict[str, object]]:
        return list(json.loads(say("jars", run_id, "status", "--json"))["jars"])

    full = ["--minutes", "90", "--source", "USDA Complete Guide", "--new-lids", "--by", "Ada"]
    due = jars("mine")[0]["due"]
    assert "jar 1 was named twice" in say("jars", "mine", "reprocess", "1,1", *full, status=3)
    say("jars", "mine", "reprocess", "1,2", *full)
    assert jars("mine")[0]["due"] == due
    assert jars("mine-again1")[0]["due"] == due
    assert "CLOCK" in say("jars", "mine-again1") and "no jars are marked in yet" in say("jars", "mine-again1")
    say("runs", "end", "mine-again1", "--by", "Ada")
    refused = say("jars", "mine-again1", "place", "1", "refrigerate", "--by", "Ada", status=3)
    assert "jars of run mine again" in refused
    assert "It goes on in" not in say("jars", "mine") and jars("mine")[0]["due"] == due

    say("jars", "mine", "reprocess", "1,2", *full)
    say("runs", "mark", "mine-again2", "jars_in", "--by", "Ada")
    assert "say it there" in say("jars", "mine", "place", "1", "refrigerate", "--by", "Ada", status=3)
    assert "who corrects it" in say("jars", "mine-again2", "these-are", "1,3", status=2)
    correct = ["--by", "Ada", "--reason", "the wrong jar was written down"]
    assert "jar 2 is jar 3 there" in say("jars", "mine-again2", "these-are", "1,3", *correct)
    assert [jar["goes_on_in"] is not None for jar in jars("mine")[:3]] == [True, False, True]
    assert "of mine" in say("jars", "mine-again2")
