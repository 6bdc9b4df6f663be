"""Whatever is changed in a proof, an export or the store is reported; what is not is not."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import random
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import MonitorError, RecordError
from monitor.proof.cover import TABLES as COVERED
from monitor.proof.cover import WORKING, without
from monitor.proof.dossier import from_folder, from_store
from monitor.proof.envelope import open_proof, seal_page
from monitor.proof.folder import seal_everything, seal_export
from monitor.proof.page import draw
from monitor.proof.report import Report
from monitor.proof.seal import seal_due
from monitor.proof.signing import make_key
from monitor.proof.verify import verify_path, verify_proof_bytes, verify_store_at
from monitor.record import Sample
from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.store.export import export_all, export_run
from monitor.store.handover import Batch
from monitor.store.open_files import TABLES as OPEN_FILES
from monitor.store.reader import load_run
from monitor.store.samples import row_values
from monitor.store.take_in import import_run

RECORDS = Path(__file__).parents[2] / "recorded_runs"
#: What the fixtures of this folder hand out.
Household = Any
ISSUED = datetime(2026, 9, 1, 12, 0, tzinfo=UTC)
WithFacts = Callable[..., bytes]
NAMES = sorted(path.name for path in RECORDS.iterdir() if path.is_dir())


@pytest.fixture(scope="module")
def proof() -> bytes:
    return seal_page(draw(from_folder(RECORDS / "held-low-altitude", ISSUED)))


@pytest.fixture
def sealed(house: Household) -> Household:
    """One sealed run, and one row at least of everything else that a store keeps."""
    house.fill()
    seal_due(house.conn, time=house.clock)
    return house


@pytest.fixture
def exported(sealed: Household, tmp_path: Path) -> Path:
    folder = tmp_path / "exported"
    export_run(sealed.conn, sealed.run_id, folder)
    seal_export(sealed.conn, sealed.run_id, folder)
    return folder


# --- untouched --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_record_proves_and_verifies(name: str) -> None:
    report = verify_proof_bytes(seal_page(draw(from_folder(RECORDS / name, ISSUED))))
    assert report.problems == []
    assert any("byte for byte" in text for text in report.remarks)


@pytest.mark.parametrize("change", [{"proven_s": 1500.0}, {"required_s": 900.0}, {"verdict": "broken"}])
def test_a_rebuilt_proof_that_claims_something_else_is_refused(
    change: dict[str, Any], proof: bytes, with_facts: WithFacts
) -> None:
    """Somebody writes another verdict into the facts and hashes everything anew: the samples say no."""
    facts = re.search(rb'id="dossier">\n(.*?)\n</script>', proof, re.DOTALL)
    assert facts
    forged = with_facts(proof, verdict=json.loads(facts[1])["verdict"] | change)
    assert any(next(iter(change)) in text for text in verify_proof_bytes(forged).problems)


def test_a_rebuilt_proof_with_other_words_is_refused(proof: bytes) -> None:
    above = proof[: proof[:-1].rfind(b"\n") + 1]
    forged = seal_page(above.replace(b"without a break; 20 min", b"without a break; 10 min"))
    assert any(
        "does not say what the record inside it says" in text for text in verify_proof_bytes(forged).problems
    )


# --- one byte ---------------------------------------------------------------------------------------------


def flips(data: bytes, count: int, seed: int) -> Iterator[bytes]:
    rng = random.Random(seed)
    for _ in range(count):
        at = rng.randrange(len(data))
        changed = bytearray(data)
        changed[at] ^= 1 << rng.randrange(8)
        yield bytes(changed)


def is_refused(data: bytes) -> bool:
    try:
        report = Report("p")
        opened = open_proof(data, report)
    except RecordError:
        return True
    return bool(report.problems) or opened is None


@pytest.mark.parametrize("count", [100, pytest.param(1000, marks=pytest.mark.long)])
def test_flipped_bytes_of_a_proof_are_each_reported(count: int, proof: bytes) -> None:
    """In process, by all that ``verify`` does: hash, files, verdict from the samples, the page drawn again."""
    for changed in flips(proof, count, seed=8):
        try:
            assert verify_proof_bytes(changed).problems
        except RecordError:
            continue  # Not even a proof any more.


def test_a_changed_reading_under_hashes_that_fit_again_is_found_by_judging(proof: bytes) -> None:
    """Bytes are guarded by hashes; a verdict is guarded by the samples, even where all hashes were made anew."""
    match = re.search(rb'id="samples.csv">\n(.*?)\n</script>', proof, re.DOTALL)
    facts = re.search(rb'id="dossier">\n(.*?)\n</script>', proof, re.DOTALL)
    assert match and facts
    rows = gzip.decompress(base64.b64decode(match[1])).decode().splitlines(keepends=True)
    middle = len(rows) // 2
    column = rows[0].split(",").index("water_C")
    for place in range(middle, middle + 60):
        cells = rows[place].split(",")
        cells[column] = "90.5"
        rows[place] = ",".join(cells)
    table = "".join(rows).encode()
    form = json.loads(facts[1])
    form["files"]["samples.csv"] = {"bytes": len(table), "sha256": hashlib.sha256(table).hexdigest()}
    forged = proof[: proof[:-1].rfind(b"\n") + 1].replace(match[1], base64.b64encode(gzip.compress(table)))
    forged = forged.replace(facts[1], json.dumps(form, indent=1).encode())
    problems = verify_proof_bytes(seal_page(forged)).problems
    assert any("the verdict is recorded as held; computed again" in text for text in problems), problems


def test_every_byte_of_the_first_and_last_lines_counts(proof: bytes) -> None:
    """Where a form is read by eye or by pattern, no byte may be free."""
    last = proof[:-1].rfind(b"\n") + 1
    for at in [*range(60), *range(last, len(proof))]:
        changed = bytearray(proof)
        changed[at] ^= 4
        assert is_refused(bytes(changed)), at


def test_every_flip_of_a_signed_proof_is_reported(tmp_path: Path) -> None:
    key = make_key(tmp_path / "household.key")
    page = seal_page(draw(from_folder(RECORDS / "coarse-probe-held", ISSUED)), key)
    assert verify_proof_bytes(page, key=key.public).problems == []
    tail = page.rfind(b'<p id="signature">')
    for at in range(tail, len(page), 3):
        changed = bytearray(page)
        changed[at] ^= 1
        assert is_refused(bytes(changed)), at


def flip_in_folder(folder: Path, rng: random.Random, tmp: Path) -> Path:
    target = tmp / "flipped"
    shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(folder, target)
    files = sorted(path for path in target.rglob("*") if path.is_file())
    weights = [path.stat().st_size for path in files]
    path = rng.choices(files, weights)[0] if rng.random() < 0.5 else rng.choice(files)
    data = bytearray(path.read_bytes())
    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    path.write_bytes(data)
    return target


def check_flips(folder: Path, tmp: Path, count: int) -> None:
    rng = random.Random(20)
    for number in range(count):
        assert verify_path(flip_in_folder(folder, rng, tmp)).problems, number


def test_a_hundred_flipped_bytes_of_an_export_are_each_reported(exported: Path, tmp_path: Path) -> None:
    """In process, and each flipped record is judged again as ``verify`` does it."""
    assert verify_path(exported).problems == []
    check_flips(exported, tmp_path, 100)


@pytest.mark.long
def test_a_thousand_flipped_bytes_of_an_export_are_each_reported(exported: Path, tmp_path: Path) -> None:
    check_flips(exported, tmp_path, 1000)


# --- lines, files, runs -----------------------------------------------------------------------------------


def edit_lines(path: Path, change: Callable[[list[str]], None]) -> None:
    lines = path.read_text("utf-8").splitlines(keepends=True)
    change(lines)
    path.write_text("".join(lines), "utf-8")


def swap(lines: list[str]) -> None:
    lines[3], lines[4] = lines[4], lines[3]


LINE_CHANGES: dict[str, Callable[[list[str]], None]] = {
    "a line dropped": lambda lines: lines.pop(4),
    "the tail cut": lambda lines: lines.__delitem__(slice(-3, None)),
    "two lines swapped": swap,
    "a line doubled": lambda lines: lines.insert(4, lines[4]),
    "a line added": lambda lines: lines.append(lines[-1]),
}


@pytest.mark.parametrize("file", ["samples.csv", "run.json", "entries.jsonl", "seal.json"])
@pytest.mark.parametrize("what", LINE_CHANGES)
def test_changed_lines_of_an_export_are_reported(file: str, what: str, exported: Path) -> None:
    edit_lines(exported / file, LINE_CHANGES[what])
    assert verify_path(exported).problems


def test_files_added_and_removed_are_reported(exported: Path) -> None:
    (exported / "more.txt").write_text("x")
    assert "more.txt was added" in verify_path(exported).problems
    (exported / "more.txt").unlink()
    (exported / "entries.jsonl").unlink()
    assert "entries.jsonl is missing" in verify_path(exported).problems


def test_a_removed_seal_is_noticed_on_an_export_and_said_of_a_bare_folder(
    exported: Path, tmp_path: Path
) -> None:
    (exported / "seal.json").unlink()
    assert any("its seal has been removed" in text for text in verify_path(exported).problems)
    report = verify_path(RECORDS / "held-low-altitude")
    assert (report.problems, report.sealed) == ([], False)
    assert any(text.startswith("NOT SEALED") for text in report.remarks)


@pytest.fixture
def whole(sealed: Household, tmp_path: Path) -> Path:
    import_run(sealed.conn, RECORDS / "short-by-a-minute")
    seal_due(sealed.conn, time=sealed.clock)
    folder = tmp_path / "everything"
    export_all(sealed.conn, folder)
    seal_everything(sealed.conn, folder)
    return folder


def test_a_whole_export_is_checked_whole(whole: Path) -> None:
    report = verify_path(whole)
    assert report.problems == []
    assert sum("verdict computed again" in text for text in report.remarks) == 2
    gone = next(path for path in (whole / "runs").iterdir() if "canner" in path.name)
    shutil.rmtree(gone)
    assert any("is missing" in text for text in verify_path(whole).problems)


def test_a_changed_store_copy_in_an_export_is_reported(whole: Path) -> None:
    copy = whole / "boilwitness.sqlite"
    data = bytearray(copy.read_bytes())
    data[len(data) // 2] ^= 1
    copy.write_bytes(data)
    assert any(text.startswith("boilwitness.sqlite was changed") for text in verify_path(whole).problems)


def test_a_restored_copy_is_the_store_it_was(whole: Path, sealed: Household, tmp_path: Path) -> None:
    """Onto a clean machine, check values compared."""
    clean = tmp_path / "clean"
    clean.mkdir()
    shutil.copy(whole / "boilwitness.sqlite", clean)
    before, after = verify_store_at(sealed.data), verify_store_at(clean)
    assert after.problems == []
    assert after.remarks == before.remarks


def test_byte_equal_after_out_in_and_out_again(sealed: Household, exported: Path, tmp_path: Path) -> None:
    """And the proof of what came in says the same of it."""
    second = open_writer(tmp_path / "second")
    with closing(second):
        import_run(second, exported)
        export_run(second, sealed.run_id, tmp_path / "again")
        seal_export(second, sealed.run_id, tmp_path / "again")
        for name in ("run.json", "samples.csv", "entries.jsonl", "alarms.jsonl"):
            assert (tmp_path / "again" / name).read_bytes() == (exported / name).read_bytes()
        first = from_store(sealed.conn, sealed.run_id, ISSUED)
        there = from_store(second, sealed.run_id, ISSUED)
        assert (there.verdict, there.entries, there.alarms) == (first.verdict, first.entries, first.alarms)


def test_what_came_with_a_record_is_guarded_too(sealed: Household, exported: Path, tmp_path: Path) -> None:
    with closing(open_writer(tmp_path / "second")) as second:
        import_run(second, exported)
        assert seal_due(second, time=sealed.clock) == [sealed.run_id]
        append_entry(second, "jar_recheck", {"jar": 1, "found": "lost_seal"}, run_id=sealed.run_id)
        report = verify_store_at(tmp_path / "second")
        assert report.problems == []
        assert any("2 imported files" in text for text in report.remarks), report.remarks
        second.execute("DROP TRIGGER imported_files_never_change")
        second.execute("UPDATE imported_files SET content = CAST(replace(content, 'Ada', 'Eve') AS BLOB)")
        problems = verify_store_at(tmp_path / "second").problems
        assert any("entries.jsonl beside it is not the one that was taken in" in text for text in problems)


# --- the store --------------------------------------------------------------------------------------------


def tamper(house: Household, *statements: str) -> Report:
    """Change the database behind the program's back, and check it."""
    for (name,) in house.conn.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        house.conn.execute(f"DROP TRIGGER {name}")
    house.conn.execute("PRAGMA foreign_keys=OFF")
    for statement in statements:
        house.conn.execute(statement)
    return verify_store_at(house.data)


def test_a_sealed_store_is_in_order(sealed: Household) -> None:
    report = verify_store_at(sealed.data)
    assert report.problems == [] and report.sealed


@pytest.mark.parametrize(
    "statement, told",
    [
        ("UPDATE samples SET water_C = water_C + 0.01 WHERE seq = 1200", "changed after it was sealed"),
        ("DELETE FROM samples WHERE seq = 1200", "2403 samples were sealed, 2402 are there"),
        ("UPDATE samples SET at_s = at_s + 1.5 WHERE seq = 700", "changed after it was sealed"),
        ("UPDATE entries SET by = 'Eve' WHERE id = 4", "one was changed"),
        ("UPDATE entries SET at_utc = happened_utc WHERE id = 9", "one was changed"),
        ("DELETE FROM entries WHERE id = 12", "1 were removed"),
        ("UPDATE entries SET id = 900 WHERE id = 5", "removed"),
        ("UPDATE seals SET sealed_utc = '2026-01-01T00:00:00.000Z'", "does not add up"),
        ("UPDATE seals SET statement = replace(statement, 'held', 'broken')", "does not add up"),
        ("DELETE FROM entries WHERE kind = 'run_started'", "no longer in the store"),
        (
            "UPDATE alarms SET at_utc = '2026-07-25T19:00:00.000Z'",
            "alarms 1 to 1 are not as seal 1 found them",
        ),
        ("UPDATE journal SET text = 'all was well'", "journal 1 to 1 are not as seal 1 found them"),
        ("DELETE FROM journal", "journal 1 to 1 are not as seal 1 found them: 1 were removed"),
        ("UPDATE events SET body = '{}'", "events 1 to 1 are not as seal 1 found them"),
        ("UPDATE verdicts SET verdict = replace(verdict, 'held', 'broken')", "verdicts 1 to 1 are not as"),
        ("UPDATE nodes SET name = 'n2' WHERE name = 'spare'", "nodes 1 to 2 are not as"),
        ("UPDATE clocks SET offset_s = offset_s + 3600", "clocks 1 to 1 are not as"),
        ("UPDATE lost SET count = 1", "lost from 40"),
        ("DELETE FROM lost", "told no longer"),
    ],
)
def test_a_changed_store_is_reported(statement: str, told: str, sealed: Household) -> None:
    report = tamper(sealed, statement)
    assert any(told in text for text in report.problems), report.problems


def test_no_table_of_the_store_is_left_out(sealed: Household) -> None:
    """A table that a later version adds is covered by the seals and written out, or named as working state."""
    rows = sealed.conn.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
    )
    there = {name for (name,) in rows}
    assert there == {*COVERED, *WORKING, "samples", "lost", "seals"}
    assert there == {*OPEN_FILES, "samples", "live"}


#: Of a node that serves no canner: nothing but the seals over the store itself guards these.
OUTSIDE = [
    ("UPDATE samples SET water_C = 21.5 WHERE node = 2 AND seq = 7", "samples 0 to 39 of spare, start 3, are not"),
    ("DELETE FROM samples WHERE node = 2 AND seq = 7", "1 were removed"),
    ("UPDATE samples SET arrival_s = arrival_s + 1 WHERE node = 2 AND seq = 7", "one was changed"),
    ("UPDATE samples SET at_s = at_s - 60 WHERE node = 2 AND seq = 7", "the journal does not say why"),
    ("UPDATE samples SET seq = 500 WHERE node = 2 AND seq = 7", "1 were removed"),
    ("UPDATE samples SET water_C = (SELECT water_C FROM samples WHERE node = 2 AND seq = 9)"
     " WHERE node = 2 AND seq = 8", "one was changed"),
]  # fmt: skip


@pytest.mark.parametrize("statement, told", OUTSIDE)
def test_a_sample_outside_every_run_is_guarded_as_well(statement: str, told: str, sealed: Household) -> None:
    """Any change is reported (21 CFR 11.10(a) as a pattern): in the whole store, not only what a verdict rests on."""
    report = tamper(sealed, statement)
    assert any(told in text for text in report.problems), report.problems


def more_of_spare(house: Household, numbers: range) -> None:
    node = house.writer.node_id("spare", "test")
    now_s = house.now().timestamp()
    made = [
        Sample(0.0, 20.0 + number / 100, boot=3, seq=number, uptime_s=float(number)) for number in numbers
    ]
    house.writer.commit(
        Batch(rows=[row_values(node, one, now_s + one.seq, now_s + one.seq + 0.02, False) for one in made])
    )


def test_samples_that_fill_a_hole_later_are_covered_by_a_later_seal(sealed: Household) -> None:
    more_of_spare(sealed, range(50, 60))
    sealed.clock.advance(4000.0)
    seal_due(sealed.conn, time=sealed.clock)
    assert verify_store_at(sealed.data).problems == []
    more_of_spare(sealed, range(40, 45))
    report = verify_store_at(sealed.data)
    assert report.problems == [] and any("5 more wait for the next seal" in text for text in report.remarks)
    sealed.clock.advance(4000.0)
    seal_due(sealed.conn, time=sealed.clock)
    assert seal_due(sealed.conn, time=sealed.clock) == []
    report = verify_store_at(sealed.data)
    assert report.problems == [] and not any("wait for the next seal" in text for text in report.remarks)
    report = tamper(sealed, "UPDATE samples SET water_C = 99 WHERE node = 2 AND seq = 42")
    assert any("samples 40 to 44 of spare" in text for text in report.problems)


def test_samples_alone_are_sealed_once_an_hour_and_nothing_new_not_at_all(sealed: Household) -> None:
    def count() -> int:
        return int(sealed.conn.execute("SELECT count(*) FROM seals").fetchone()[0])

    before = count()
    more_of_spare(sealed, range(40, 50))
    sealed.clock.advance(60.0)
    seal_due(sealed.conn, time=sealed.clock)
    assert count() == before
    sealed.clock.advance(3600.0)
    for _ in range(3):
        seal_due(sealed.conn, time=sealed.clock)
    assert count() == before + 1


def test_samples_placed_anew_are_told_by_the_journal(sealed: Household) -> None:
    """A node's clock is understood better after its run was sealed: told, sealed again, no alarm."""
    start_s = sealed.start.timestamp()
    uptimes = "UPDATE samples SET uptime_s = at_s - ? WHERE node = 1"
    tamper(sealed)
    sealed.conn.execute("DELETE FROM seals")
    sealed.conn.execute(uptimes, (start_s - 100.0,))
    seal_due(sealed.conn, time=sealed.clock)
    assert verify_store_at(sealed.data).problems == []
    boot = sealed.conn.execute("SELECT min(boot) FROM samples WHERE node = 1").fetchone()[0]
    sealed.clock.advance(60.0)
    assert sealed.writer.remap(1, boot, (start_s, start_s + 60.0), start_s - 101.5, 5.0)
    report = verify_store_at(sealed.data)
    assert report.problems == []
    assert any("a better place in time" in text for text in report.remarks)
    assert seal_due(sealed.conn, time=sealed.clock) == [sealed.run_id]
    assert verify_store_at(sealed.data).problems == []


def test_more_samples_than_one_seal_takes_are_sealed_by_the_next(
    house: Household, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.proof.cover.SAMPLES_AT_ONCE", 1000)
    for _ in range(4):
        seal_due(house.conn, time=house.clock)
    report = verify_store_at(house.data)
    assert report.problems == []
    stored = house.conn.execute("SELECT count(*) FROM samples").fetchone()[0]
    assert stored > 2000
    assert f"covered by seals: {stored} samples, in a run or not" in report.remarks


def test_spans_less_spans() -> None:
    for spans, taken in [
        ([[0, 9]], [[3, 4], [9, 9]]),
        ([[0, 2], [5, 9], [20, 30]], [[1, 6], [25, 25], [30, 40]]),
        ([[5, 5]], [[0, 10]]),
        ([[0, 9]], []),
    ]:
        left = {n for low, high in spans for n in range(low, high + 1)} - {
            n for low, high in taken for n in range(low, high + 1)
        }
        assert {n for low, high in without(spans, taken) for n in range(low, high + 1)} == left


def test_a_removed_link_is_reported(sealed: Household) -> None:
    for reason in ("a", "b"):
        sealed.say("deviation_opened", {"what": reason})
        seal_due(sealed.conn, time=sealed.clock)
    assert verify_store_at(sealed.data).problems == []
    report = tamper(sealed, "DELETE FROM seals WHERE seal_id = 2")
    assert any("seal 2 is missing" in text for text in report.problems)


def test_a_cut_tail_is_reported_by_a_chain_value_kept_elsewhere(sealed: Household) -> None:
    """The tail cut: the newest seal and all that it covers are gone; what is left adds up, but was longer once."""
    sealed.say("deviation_opened", {"what": "lid hissed"})
    seal_due(sealed.conn, time=sealed.clock)
    (noted,) = sealed.conn.execute("SELECT chain FROM seals ORDER BY seal_id DESC LIMIT 1").fetchone()
    report = verify_path(sealed.data, None, noted)
    assert report.problems == []
    assert any("leads through the value that was named, as seal 2" in text for text in report.remarks)
    cut = "DELETE FROM {} WHERE {}"
    statements = (cut.format("entries", "kind = 'deviation_opened'"), cut.format("seals", "seal_id = 2"))
    assert tamper(sealed, *statements).problems == []
    problems = verify_path(sealed.data, None, noted).problems
    assert problems == [f"the chain no longer leads through {noted}: seals were removed, or all made anew"]


def test_an_imported_record_is_guarded(sealed: Household) -> None:
    import_run(sealed.conn, RECORDS / "short-by-a-minute")
    seal_due(sealed.conn, time=sealed.clock)
    report = tamper(
        sealed, "UPDATE imported_runs SET samples_csv = CAST(replace(samples_csv, '99.', '98.') AS BLOB)"
    )
    assert any("not the one that was taken in" in text for text in report.problems)


def test_a_change_with_a_reason_is_sealed_again_and_told(sealed: Household) -> None:
    sealed.clock.advance(60.0)
    sealed.say("mark", {"kind": "note", "text": "remembered later"}, 900.0, reason="forgot")
    report = verify_store_at(sealed.data)
    assert report.problems == []
    assert any("1 entry changed the record since" in text for text in report.remarks)
    assert seal_due(sealed.conn, time=sealed.clock) == [sealed.run_id]
    report = verify_store_at(sealed.data)
    assert report.problems == []
    assert any("sealed again as seal 2: 1 entry changed it" in text for text in report.remarks)
    assert seal_due(sealed.conn, time=sealed.clock) == []


def test_samples_that_come_late_are_told_apart_from_a_changed_record(sealed: Household) -> None:
    node = sealed.writer.node_id("n1", "test")
    start_s = sealed.start.timestamp()
    sample = load_run(sealed.conn, sealed.run_id).samples[1000]
    late = row_values(
        node, sample._replace(seq=9000), start_s + sample.t_s + 0.4, start_s + 50_000.0, late=True
    )
    sealed.writer.commit(Batch(rows=[late]))
    report = verify_store_at(sealed.data)
    assert report.problems == []
    assert any("1 sample came late" in text for text in report.remarks)
    assert seal_due(sealed.conn, time=sealed.clock) == [sealed.run_id]
    assert verify_store_at(sealed.data).problems == []


def test_sealing_anew_does_not_hide_a_changed_reading(sealed: Household) -> None:
    """Whoever changes a reading and has everything sealed again leaves the old seal behind."""
    tamper(sealed, "UPDATE samples SET water_C = 99.9 WHERE seq = 1200")
    sealed.say("review", {"content": "x"})
    from monitor.proof.seal import seal_run

    seal_run(sealed.conn, sealed.run_id, time=sealed.clock)
    report = verify_store_at(sealed.data)
    assert any("nothing in the store says why" in text for text in report.problems)


def test_a_chain_rebuilt_as_a_whole_does_not_fit_the_key(sealed: Household, tmp_path: Path) -> None:
    """The household's key: whoever rebuilds the chain without it cannot sign it."""
    ours, theirs = make_key(tmp_path / "ours.key"), make_key(tmp_path / "theirs.key")
    assert (tmp_path / "ours.key").stat().st_mode & 0o077 == 0
    sealed.say("deviation_opened", {"what": "x"})
    tamper(sealed, "DELETE FROM seals")
    seal_due(sealed.conn, time=sealed.clock, key=ours)
    assert verify_store_at(sealed.data, ours.public).problems == []
    tamper(sealed, "DELETE FROM seals", "UPDATE samples SET water_C = 99.9 WHERE seq = 1200")
    seal_due(sealed.conn, time=sealed.clock, key=theirs)
    assert verify_store_at(sealed.data).problems == []
    assert any("another key" in text for text in verify_store_at(sealed.data, ours.public).problems)


def test_a_proof_signed_by_another_is_told(tmp_path: Path, proof: bytes) -> None:
    ours, theirs = make_key(tmp_path / "a"), make_key(tmp_path / "b")
    signed = seal_page(draw(from_folder(RECORDS / "held-low-altitude", ISSUED)), theirs)
    assert any("another key" in text for text in verify_proof_bytes(signed, key=ours.public).problems)
    assert any("not signed" in text for text in verify_proof_bytes(proof, key=ours.public).problems)


def test_an_appended_entry_is_never_changed_or_deleted_by_the_program(sealed: Household) -> None:
    """No entry can be removed, before its time or after."""
    for statement in ("DELETE FROM entries", "UPDATE entries SET by = 'x'", "DELETE FROM seals"):
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            sealed.conn.execute(statement)


# --- not usable -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("content", [b"", b"hello", b"<!doctype html><p>some page</p>\n", b"\x00" * 100])
def test_what_is_no_proof_is_said_to_be_none(content: bytes, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_bytes(content)
    with pytest.raises(RecordError, match="no proof"):
        verify_path(file)


def test_nothing_there(tmp_path: Path) -> None:
    with pytest.raises(MonitorError, match="no such file"):
        verify_path(tmp_path / "nowhere")
    with pytest.raises(MonitorError, match="neither a run folder"):
        verify_path(tmp_path)


def test_a_packed_flood_is_not_unpacked(proof: bytes) -> None:
    """A block that would unpack to gigabytes is damage, not work."""
    flood = base64.b64encode(gzip.compress(b"0" * (80 * 1024 * 1024)))
    forged = re.sub(
        rb'(id="samples.csv">\n).*?(\n</script>)', lambda m: m[1] + flood + m[2], proof, flags=re.DOTALL
    )
    above = forged[: forged[:-1].rfind(b"\n") + 1]
    assert any("cannot be read" in text for text in verify_proof_bytes(seal_page(above)).problems)


@pytest.mark.parametrize(
    "changes",
    [
        {"entries": [{"id": 1}]},
        {"entries": 3},
        {"alarms": [{}]},
        {"seals": [{}]},
        {"verdict": {}},
        {"verdict": []},
        {"issued_utc": "soon"},
        {"engine": None},
        {"files": {}},
        {"format": "boilwitness-proof/9"},
    ],
)
def test_hostile_facts_are_problems_not_crashes(
    changes: dict[str, Any], proof: bytes, with_facts: WithFacts
) -> None:
    assert verify_proof_bytes(with_facts(proof, **changes)).problems
