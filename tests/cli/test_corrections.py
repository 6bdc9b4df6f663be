"""What people said wrongly and say rightly afterwards: headers, places, a jar that was called used, a reprocessing."""

from __future__ import annotations

import json
import re
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.main import main
from monitor.jars import batch_state
from monitor.proof.dossier import from_store
from monitor.proof.page import draw
from monitor.record import header_to_json
from monitor.record.read import read_run
from monitor.store.batches import load_batch
from monitor.store.database import open_writer
from monitor.store.entries import Entry, append_entry, read_entries
from monitor.store.handover import Batch
from monitor.store.reader import open_reader
from monitor.store.runs import read_house
from monitor.store.samples import row_values
from monitor.store.writer import StoreWriter
from monitor.timesource import ManualTime

RECORDED = Path(__file__).parents[2] / "recorded_runs"
GOOD = ["--press", "firm", "--sight", "dished", "--tap", "ring", "--lift", "holds"]
LATE = ["--by", "Ada", "--reason", "written down later"]


class House:
    """A store with one recorded run that was begun here; every call is the command itself. Nobody collects."""

    def __init__(
        self, data: Path, capsys: pytest.CaptureFixture[str], record: str, ago_h: float | None = None
    ) -> None:
        self.data, self.capsys = data, capsys
        run = read_run(RECORDED / record)
        self.run_id, self.start = run.run_id, run.started_at.astimezone(UTC)
        if ago_h is not None:
            self.start = datetime.now(UTC) - timedelta(hours=ago_h)
        header = header_to_json(run) | {"started_at": self.start.isoformat()}
        marks = header.pop("marks")
        header.pop("ended_at", None)
        clock = ManualTime(self.start, 500.0)
        with closing(open_writer(data)) as conn:
            append_entry(conn, "node_assigned", {"node": "n1", "canner": run.canner}, time=clock)
            append_entry(conn, "run_started", header, run_id=run.run_id, by="Ada", time=clock)
            writer = StoreWriter(conn, clock)
            node, start_s = writer.node_id("n1", "test"), self.start.timestamp()
            rows = [
                row_values(
                    node,
                    sample._replace(boot=sample.boot or 1, seq=number),
                    start_s + sample.t_s,
                    start_s + sample.t_s,
                    False,
                )
                for number, sample in enumerate(run.samples)
            ]
            writer.commit(Batch(rows=rows))
            self.end_s = max(mark["t_s"] for mark in marks)
            for mark in marks:
                then = ManualTime(self.start + timedelta(seconds=mark["t_s"]), 500.0)
                append_entry(conn, "mark", {"kind": mark["kind"]}, run_id=run.run_id, by="Ada", time=then)
            over = ManualTime(self.start + timedelta(seconds=self.end_s + 300.0), 500.0)
            append_entry(conn, "mark", {"kind": "jars_lifted"}, run_id=run.run_id, by="Ada", time=over)
            over.advance(60.0)
            append_entry(conn, "run_ended", {}, run_id=run.run_id, by="Ada", time=over)
        self.jars = run.batch.jars or 0

    def at(self, hours: float) -> str:
        return (self.start + timedelta(seconds=self.end_s + hours * 3600.0)).isoformat()

    def say(self, *words: str, status: int = 0) -> str:
        self.capsys.readouterr()
        assert main([*words, "--data", str(self.data)]) == status, self.capsys.readouterr()
        told = self.capsys.readouterr()
        return " ".join((told.out + told.err).split())

    def jar(self, *words: str, hours: float | None = None, status: int = 0) -> str:
        late = [] if hours is None else ["--at", self.at(hours), *LATE]
        return self.say("jars", self.run_id, *words, *late, status=status)

    def shelve(self) -> None:
        for jar in range(1, self.jars + 1):
            self.jar("seal", str(jar), *GOOD, hours=13)
        for key in re.findall(r"OPEN \(key (\S+?)\)", self.jar("status")):
            self.jar("deviation", "--close", key, "--cause", "known", "--action", "none needed", hours=14)
        lines = re.findall(r"LOOK (\w+)", self.jar("review"))
        self.jar("review", "--sign", *(f"--note={line}=looked at" for line in lines), hours=15)

    def entry(self, number: int) -> tuple[str, str | None, str | None]:
        with closing(open_reader(self.data)) as conn:
            (found,) = [one for one in read_entries(conn) if one.id == number]
        return found.kind, found.by, found.reason


def test_an_altitude_is_corrected_and_both_verdicts_stay_to_be_seen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", capsys, "held-low-altitude")
    house.shelve()
    assert house.say("judge", house.run_id).startswith("HELD")
    correct = ["runs", "correct", house.run_id, "--altitude-m", "2400", "--altitude-uncertainty-m", "10"]
    assert "who" in house.say(*correct, "--reason", "map misread", status=2)
    assert "why" in house.say(*correct, "--by", "Cleo", status=2)
    told = house.say(*correct, "--by", "Cleo", "--reason", "map misread")
    assert "the altitude [m] from" in told and "to 2400" in told
    assert "Verdict before: held," in told and "Verdict after: unproven," in told
    assert "take them off" in told and "Off the shelf list" in told
    number = int(re.search(r"entry (\d+):", told)[1])  # type: ignore[index]
    assert house.entry(number) == ("header_changed", "Cleo", "map misread")

    seen = house.say("judge", house.run_id, status=11)
    assert f"Entry {number}" in seen and "Cleo" in seen and "map misread" in seen
    assert "Verdict before: held," in seen
    document = json.loads(house.say("judge", house.run_id, "--json", status=11))
    (revision,) = document["corrections"]
    assert revision["before"]["verdict"] == "held" and revision["after"]["verdict"] == "unproven"
    assert "unproven (corrected; was held)" in house.say("runs")
    proof = tmp_path / "proof.html"
    house.say("prove", house.run_id, "--to", str(proof))
    page = " ".join(re.sub(r"<[^>]+>", " ", proof.read_text().partition('type="application')[0]).split())
    assert "Verdict before: held," in page and "map misread" in page
    assert "intact" in house.say("verify", str(proof)).lower()

    back = house.say(
        *("runs", "correct", house.run_id, "--altitude-m", "195", "--altitude-uncertainty-m", "10"),
        *("--by", "Cleo", "--reason", "the map was right"),
    )
    assert "Verdict before: unproven," in back and "Verdict after: held," in back
    assert "It says more after the correction than before" in back
    seen = house.say("judge", house.run_id)
    assert seen.index("Verdict after: unproven,") < seen.index("Verdict after: held,")


def test_what_hung_on_the_old_value_goes_with_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    house = House(tmp_path / "data", capsys, "held-low-altitude")
    correct = ["runs", "correct", house.run_id, "--by", "Cleo", "--reason", "the label says so"]
    assert "where the corrected time was read" in house.say(*correct, "--minutes", "10", status=2)
    assert "when that pressure was read" in house.say(*correct, "--altimeter-hpa", "1013", status=2)
    assert "nothing of this differs" in house.say(*correct, status=2)
    house.say(*correct, "--food", "green beans", "--jar", "12 oz", "--minutes", "10", "--source", "a leaflet")
    with closing(open_reader(house.data)) as conn:
        header = read_house(conn).run(house.run_id).header
    assert header["batch"]["food"] == "green beans" and "food_id" not in header["batch"]
    assert header["batch"]["jar"] == "pint" and round(header["batch"]["jar_mL"]) == 355
    assert header["required"]["minutes"] == 10.0 and header["required"]["source"] == "a leaflet"
    house.say(*correct, "--altitude-ft", "800", "--altimeter-inhg", "29.92", "--pressure-at", house.at(-0.5))
    with closing(open_reader(house.data)) as conn:
        site = read_house(conn).run(house.run_id).header["site"]
    assert site["altitude_uncertainty_m"] is None and site["station_pressure_kind"] == "altimeter_setting"
    house.say(*correct, "--altitude-m", "100")
    with closing(open_reader(house.data)) as conn:
        site = read_house(conn).run(house.run_id).header["site"]
    assert site["station_pressure_kPa"] is None


def corrected_from_elsewhere(data: Path) -> str:
    """A held record is taken in, and its altitude corrected; its id."""
    assert main(["import", str(RECORDED / "held-low-altitude"), "--data", str(data)]) == 0
    run_id = read_run(RECORDED / "held-low-altitude").run_id
    words = ["runs", "correct", run_id, "--altitude-m", "2400", "--by", "Cleo", "--reason", "map misread"]
    assert main([*words, "--data", str(data)]) == 0
    return run_id


def test_a_record_from_elsewhere_tells_the_verdict_that_it_came_with(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It came without the entry that began it: its own header tells what stood there. A deviation is opened."""
    data = tmp_path / "data"
    run_id = corrected_from_elsewhere(data)
    said = " ".join(capsys.readouterr().out.split())
    assert "Verdict before: held, " in said and "Verdict after: unproven" in said
    assert main(["judge", run_id, "--data", str(data), "--json"]) == 11
    (told,) = json.loads(capsys.readouterr().out)["corrections"]
    assert (told["before"]["verdict"], told["after"]["verdict"]) == ("held", "unproven")
    assert main(["runs", "--data", str(data)]) == 0
    assert "corrected; was held" in capsys.readouterr().out
    assert main(["jars", run_id, "--data", str(data)]) == 0
    assert "the altitude [m] to 2400" in " ".join(capsys.readouterr().out.split())
    assert main(["prove", run_id, "--data", str(data), "--to", str(tmp_path / "p.html")]) == 0
    assert "Verdict before: held, " in (tmp_path / "p.html").read_text("utf-8")
    assert main(["verify", str(tmp_path / "p.html")]) == 0


@pytest.mark.parametrize("begun_here", [True, False])
def test_a_correction_stays_to_be_seen_where_the_record_is_taken_in(
    begun_here: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The folder and the store that takes it in say the same."""
    data = tmp_path / "first"
    if begun_here:
        House(data, capsys, "short-by-a-minute")
    else:
        assert main(["import", str(RECORDED / "short-by-a-minute"), "--data", str(data)]) == 0
    run_id = read_run(RECORDED / "short-by-a-minute").run_id
    words = ["runs", "correct", run_id, "--minutes", "5", "--source", "own card", "--by", "Cleo"]
    assert main([*words, "--reason", "slip", "--data", str(data)]) == 0
    out, second = tmp_path / "out", tmp_path / "second"
    assert main(["export", run_id, "--to", str(out), "--data", str(data)]) == 0
    assert main(["import", str(out), "--data", str(second)]) == 0
    capsys.readouterr()
    main(["judge", str(out), "--json"])
    of_folder = json.loads(capsys.readouterr().out)
    main(["judge", run_id, "--data", str(second), "--json"])
    of_store = json.loads(capsys.readouterr().out)
    # What only the store that took it in knows.
    assert of_store.pop("taken_in")["seal"] == ("intact" if begun_here else "never")
    assert of_folder["corrections"] and of_store == of_folder
    main(["judge", run_id, "--data", str(second)])
    before = "broken, " if begun_here else "not in this record"
    assert f"Verdict before: {before}" in " ".join(capsys.readouterr().out.split())
    main(["runs", "--data", str(second)])
    assert "corrected; was " + ("broken" if begun_here else "not known") in capsys.readouterr().out


def test_a_review_is_not_undone_by_what_stands_for_the_record_as_it_was_taken_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A reviewer signs over the entries there are: the page and the command agree on what they come to."""
    data = tmp_path / "data"
    run_id = corrected_from_elsewhere(data)
    with closing(open_writer(data)) as conn:
        now = datetime(2026, 12, 1, tzinfo=UTC)
        dossier = from_store(conn, run_id, now)
        batch = load_batch(conn, run_id, now)
    began, *entries = dossier.entries
    assert (began["id"], began["kind"]) == (0, "run_started")
    assert (
        batch_state(dossier.run(), dossier.verdict, entries, now, again={}).deviations
        == batch.state.deviations
    )
    page = draw(dossier).decode()
    assert "the altitude [m] to 2400" in page and re.search(r"site.altitude_m: 180(\.0)? → 2400", page)


def test_a_place_is_taken_back_with_a_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    house = House(tmp_path / "data", capsys, "held-low-altitude")
    assert "refused" in house.jar("place", "1", "--take-back", "--reason", "wrong jar", status=3)
    house.jar("place", "1,2", "refrigerate", hours=1)
    assert "why it is taken back" in house.jar("place", "1", "--take-back", status=2)
    assert "takes no place" in house.jar("place", "1", "frozen", "--take-back", status=2)
    assert "say where the jars go" in house.jar("place", "1", status=2)
    house.jar("place", "1", "--take-back", "--by", "Cleo", "--reason", "wrong jar")
    jars = json.loads(house.jar("status", "--json"))["jars"]
    assert [jar["status"] for jar in jars[:2]] == ["waiting", "refrigerate"]
    with closing(open_reader(house.data)) as conn:
        last = read_entries(conn, house.run_id)[-1]
    assert (last.kind, last.by, last.reason) == ("correction", "Cleo", "wrong jar")


def test_a_jar_called_used_by_mistake_is_on_the_shelf_again_and_has_a_label(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", capsys, "held-low-altitude")
    house.shelve()
    assert "refused" in house.jar("recheck", "1", "--take-back", "--reason", "jar 2 was", status=3)
    house.jar("recheck", "1", "used")
    assert "refused: no label for jar 1: it was used" in house.jar("labels", "--jars", "1", status=3)
    assert len(json.loads(house.jar("labels", "--json"))) == house.jars - 1
    house.jar("recheck", "1", "--take-back", "--by", "Cleo", "--reason", "jar 2 was")
    assert len(json.loads(house.jar("labels", "--json"))) == house.jars
    house.jar("recheck", "1", "bulge")
    assert "refused" in house.jar("recheck", "1", "--take-back", "--reason", "no", status=3)
    assert "refused" in house.jar("labels", "--jars", "1", status=3)


def test_a_reprocessing_begun_in_error_is_called_off_and_does_not_count(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", capsys, "dip-stopped-short", ago_h=1.5)
    again = ["reprocess", "1,2", "--minutes", "60", "--source", "a tested guide", "--new-lids"]
    house.jar(*again)
    child = f"{house.run_id}-again1"
    off = ["jars", child, "call-off"]
    assert "who calls it off, and why" in house.say(*off, "--by", "Cleo", status=2)
    assert "reprocesses no jars" in house.say(
        "jars", house.run_id, "call-off", "--by", "Cleo", "--reason", "x", status=3
    )
    house.say(*off, "--by", "Cleo", "--reason", "wrong jars were named")
    assert "already" in house.say(*off, "--by", "Cleo", "--reason", "again", status=3)
    house.jar("reprocess", "3,4", *again[2:])
    other = f"{house.run_id}-again2"
    house.say("runs", "mark", other, "jars_in")
    assert "jars went into" in house.say("jars", other, "call-off", "--by", "Cleo", "--reason", "x", status=3)


def test_a_slip_is_taken_back_and_the_mark_stays_to_be_seen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A heat off marked in the hold: the record without it says held, and that it once said less."""
    house = House(tmp_path / "data", capsys, "held-low-altitude")
    early = house.at(-0.1)
    house.say("runs", "mark", house.run_id, "heat_off", "--at", early, "--reason", "x", "--even-so")
    assert house.say("judge", house.run_id, status=10)
    back = ["runs", "mark", house.run_id, "heat_off", "--take-back"]
    assert "somebody" in house.say(*back, "--reason", "slip of the finger", status=2)
    assert "why" in house.say(*back, "--by", "Cleo", status=2)
    assert "no mark boil_not_seen" in house.say(
        *("runs", "mark", house.run_id, "boil_not_seen", "--take-back", "--by", "Cleo", "--reason", "x"),
        status=2,
    )
    told = house.say(*back, "--by", "Cleo", "--reason", "slip of the finger")
    assert "is taken back" in told
    assert "Verdict before: broken," in told and "Verdict after: held," in told
    assert "It says more after the correction than before" in told
    number = int(re.search(r"entry (\d+): heat_off", told)[1])  # type: ignore[index]
    assert house.entry(number) == ("correction", "Cleo", "slip of the finger")

    seen = house.say("judge", house.run_id)
    assert f"Entry {number}" in seen and "Cleo" in seen and "slip of the finger" in seen
    assert "held (corrected; was broken)" in house.say("runs")
    status = house.jar("status")
    assert "OPEN" in status and "the mark heat off of entry" in status and "taken back" in status

    proof = tmp_path / "proof.html"
    house.say("prove", house.run_id, "--to", str(proof))
    page = " ".join(re.sub(r"<[^>]+>", " ", proof.read_text().partition('type="application')[0]).split())
    assert "Verdict before: broken," in page and "slip of the finger" in page and "withdrawn" in page
    assert "intact" in house.say("verify", str(proof)).lower()

    out = tmp_path / "out"
    house.say("export", house.run_id, "--to", str(out))
    (folder,) = {path.parent for path in out.rglob("run.json")}
    record = json.loads((folder / "run.json").read_text())
    assert [mark["kind"] for mark in record["marks"]].count("heat_off") == 1
    lines = [json.loads(line) for line in (folder / "entries.jsonl").read_text().splitlines()]
    (kept,) = [line for line in lines if line["kind"] == "correction"]
    assert kept["by"] == "Cleo" and any(line["id"] == kept["corrects"] for line in lines)
    house.say("verify", str(folder))
    assert "slip of the finger" in house.say("judge", str(folder))


def test_a_sealed_run_shows_what_was_taken_back_after_its_seal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path / "data", capsys, "held-low-altitude")
    early = house.at(-0.1)
    house.say("runs", "mark", house.run_id, "heat_off", "--at", early, "--reason", "x", "--even-so")
    house.say("prove", house.run_id, "--to", str(tmp_path / "before.html"))
    house.say(
        *("runs", "mark", house.run_id, "heat_off", "--entry"),
        *(str(max(e.id for e in house_marks(house, "heat_off"))), "--take-back", "--by", "Cleo"),
        *("--reason", "slip"),
    )
    house.say("prove", house.run_id, "--to", str(tmp_path / "after.html"))
    assert "sealed again" in house.say("verify", str(house.data))


def house_marks(house: House, kind: str) -> list[Entry]:
    with closing(open_reader(house.data)) as conn:
        return [e for e in read_entries(conn, house.run_id, ["mark"]) if e.body["kind"] == kind]


def test_parent_and_child_handed_on_one_by_one_keep_their_link(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The one without the other says where its jars went on, and never to discard them; a bare record tells as well."""
    house = House(tmp_path / "data", capsys, "dip-stopped-short", ago_h=1.5)
    house.jar("reprocess", "1,2", "--minutes", "60", "--source", "a tested guide", "--new-lids")
    child = f"{house.run_id}-again1"
    house.say("runs", "mark", child, "jars_in")
    house.say("runs", "end", child)
    folders = {}
    for run_id in (house.run_id, child):
        folders[run_id] = tmp_path / run_id
        house.say("export", run_id, "--to", str(folders[run_id]))
    bare = tmp_path / "bare"
    bare.mkdir()
    for name in ("run.json", "samples.csv"):
        (bare / name).write_bytes((folders[child] / name).read_bytes())
    old = tmp_path / "old"
    old.mkdir()
    for name in ("run.json", "samples.csv", "entries.jsonl"):
        (old / name).write_bytes((folders[house.run_id] / name).read_bytes())

    def taken(name: str, *records: Path) -> list[dict[str, Any]]:
        there = ["--data", str(tmp_path / name)]
        for record in records:
            assert main(["import", str(record), *there]) == 0
        capsys.readouterr()
        assert main(["jars", house.run_id, "--json", *there]) == 0
        jars: list[dict[str, Any]] = json.loads(capsys.readouterr().out)["jars"]
        assert main(["verify", str(tmp_path / name)]) == 0
        return jars

    whole, parent = folders[house.run_id], folders[house.run_id]
    for name, records in (
        ("alone", (parent,)),
        ("both", (parent, folders[child])),
        ("child first", (folders[child], parent)),
        ("from an older export", (old, folders[child])),
        ("a bare child", (old, bare)),
    ):
        jars = taken(name, *records)
        for number, jar in enumerate(jars[:2], 1):
            assert jar["goes_on_in"] == {"run": child, "jar": number}, name
            assert "Discard" not in jar["do"] or "again1" in jar["why"], name
        assert jars[2]["goes_on_in"] is None
    assert "not known here" in taken("alone too", whole)[0]["do"]
    again = tmp_path / "again"
    assert main(["export", house.run_id, "--to", str(again), "--data", str(tmp_path / "alone")]) == 0
    assert (again / "reprocessings.jsonl").read_bytes() == (parent / "reprocessings.jsonl").read_bytes()
    assert main(["verify", str(again)]) == 0 and main(["verify", str(parent)]) == 0
