"""Records and proofs of every released form still verify, whatever has become of the rules since."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.judge import judge
from monitor.proof.dossier import from_store
from monitor.proof.envelope import seal_page
from monitor.proof.folder import seal_export
from monitor.proof.page import draw
from monitor.proof.seal import seal_due
from monitor.proof.verify import verify_path, verify_proof_bytes
from monitor.record import Sample
from monitor.store.database import STORE_NAME, open_reader, open_writer
from monitor.store.export import export_run
from monitor.store.handover import Batch
from monitor.store.reader import load_run
from monitor.store.runs import read_house
from monitor.store.samples import row_values
from monitor.store.take_in import import_run
from monitor.store.writer import StoreWriter

CORPUS = Path(__file__).parent / "corpus"
SCRIPT = Path(__file__).parent / "independent_check.py"
FORMS = sorted(path.name for path in CORPUS.glob("form-*"))
#: Sealed when one late reading of a second node could still lead the record.
LED_BY_A_STRAY = CORPUS / "led-by-a-stray" / STORE_NAME


def test_there_is_one_of_every_released_form() -> None:
    assert FORMS == ["form-1", "form-2"]


def test_what_is_written_now_is_of_a_form_that_is_kept_here(tmp_path: Path) -> None:
    """A change of form shows here until a folder of the new form stands beside the old ones."""
    newest = CORPUS / FORMS[-1]
    with closing(open_writer(tmp_path)) as conn:
        import_run(conn, newest / "record")
        seal_due(conn)
        (now,) = conn.execute("SELECT statement FROM seals").fetchone()
        form = json.loads(now)
        run_id = form["run_id"]
        export_run(conn, run_id, tmp_path / "out")
        seal = json.loads(seal_export(conn, run_id, tmp_path / "out").read_bytes())
        page = seal_page(draw(from_store(conn, run_id, datetime(2026, 11, 26, tzinfo=UTC))))
    with closing(sqlite3.connect(f"{(newest / 'store' / STORE_NAME).as_uri()}?immutable=1", uri=True)) as old:
        (then,) = old.execute("SELECT statement FROM seals WHERE run_id = ? LIMIT 1", (run_id,)).fetchone()
    assert shape(form) == shape(json.loads(then))
    assert shape(seal) == shape(json.loads((newest / "record" / "seal.json").read_bytes()))
    assert shape(facts(page)) == shape(facts((newest / "proof.html").read_bytes()))


def facts(page: bytes) -> dict[str, Any]:
    found = re.search(rb'id="dossier">\n(.*?)\n</script>', page, re.DOTALL)
    assert found
    form: dict[str, Any] = json.loads(found[1])
    return form


def shape(form: dict[str, Any]) -> tuple[str, list[str]]:
    """Its name and its keys; a signature is there or not."""
    return form["format"], sorted(form.keys() - {"signature", "signed_by"})


@pytest.mark.parametrize("form", FORMS)
def test_an_old_record_and_its_proof_are_intact_and_agree(form: str) -> None:
    for path in (CORPUS / form / "record", CORPUS / form / "proof.html"):
        report = verify_path(path)
        assert report.problems == [], path
        assert any("verdict computed again from the samples: held" in text for text in report.remarks)


@pytest.mark.parametrize("form", FORMS)
def test_an_old_signature_still_fits(form: str) -> None:
    key = (CORPUS / form / "household.key.pub").read_text().strip()
    assert verify_path(CORPUS / form / "proof.html", key).problems == []
    assert verify_path(CORPUS / form / "proof.html", "0" * 64).problems != []


@pytest.mark.parametrize("form", FORMS)
def test_the_bare_script_still_agrees(form: str) -> None:
    for path in (CORPUS / form / "record", CORPUS / form / "proof.html"):
        result = subprocess.run(
            [sys.executable, "-I", "-S", str(SCRIPT), str(path)], capture_output=True, text=True
        )
        assert result.returncode == 0, result.stdout + result.stderr


@pytest.mark.parametrize("form", FORMS)
def test_an_old_store_is_brought_up_to_date_and_verifies(form: str, tmp_path: Path) -> None:
    shutil.copy(CORPUS / form / "store" / "boilwitness.sqlite", tmp_path)
    report = verify_path(tmp_path)
    assert report.problems == []
    assert any(re.search(r"byte for byte as seal \d+ found it", text) for text in report.remarks)
    with closing(open_writer(tmp_path)) as conn:
        seal_due(conn)
        stored = conn.execute("SELECT count(*) FROM samples").fetchone()[0]
    report = verify_path(tmp_path)
    assert report.problems == []
    assert f"covered by seals: {stored} samples, in a run or not" in report.remarks


@pytest.mark.parametrize("form", FORMS)
def test_an_old_record_that_was_changed_is_reported(form: str, tmp_path: Path) -> None:
    """Other rules than today's excuse numbers, never bytes."""
    shutil.copytree(CORPUS / form / "record", tmp_path / "record")
    table = tmp_path / "record" / "samples.csv"
    table.write_bytes(table.read_bytes().replace(b"99.", b"98.", 1))
    assert any("samples.csv was changed" in text for text in verify_path(tmp_path / "record").problems)
    proof = (CORPUS / form / "proof.html").read_bytes()
    assert verify_proof_bytes(proof.replace(b">HELD<", b">BROKEN<")).problems


def test_what_was_sealed_by_the_earlier_rule_of_which_node_leads_verifies(tmp_path: Path) -> None:
    """Its second seal found 1104 rows, led by the second node; by today's rule there are 1202, led by the first."""
    shutil.copy(LED_BY_A_STRAY, tmp_path)
    with closing(open_reader(tmp_path)) as conn:
        (run_id,) = read_house(conn).runs
        run = load_run(conn, run_id)
        sealed = [json.loads(text)["record"]["samples"] for (text,) in conn.execute(_RUN_SEALS)]
    assert (sealed, len(run.samples), judge(run).verdict) == ([1202, 1104], 1202, "held")
    report = verify_path(tmp_path)
    assert report.problems == []
    assert any(
        "as seal 2 found it, by the earlier rule of which node leads" in text for text in report.remarks
    )
    assert any("verdict computed again from the samples: unproven" in text for text in report.remarks)


def test_the_earlier_rule_excuses_nothing_that_was_changed(tmp_path: Path) -> None:
    shutil.copy(LED_BY_A_STRAY, tmp_path)
    with closing(open_writer(tmp_path)) as conn:
        for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            conn.execute(f"DROP TRIGGER {name}")
        conn.execute("UPDATE samples SET water_C = water_C + 0.5 WHERE boot = 5 AND seq = 40")
    problems = verify_path(tmp_path).problems
    assert any("nothing in the store says why" in text for text in problems), problems


def test_late_rows_after_a_seal_by_the_earlier_rule_are_told_as_late(tmp_path: Path) -> None:
    shutil.copy(LED_BY_A_STRAY, tmp_path)
    with closing(open_writer(tmp_path)) as conn:
        (run_id,) = read_house(conn).runs
        start_s = read_house(conn).runs[run_id].started_s
        writer = StoreWriter(conn)
        sample = Sample(0.0, 99.0, boot=5, seq=100, uptime_s=2000.0)
        came_s = start_s + 90_000.0
        row = row_values(writer.node_id("n2", "test"), sample, start_s + 2090.4, came_s, True)
        writer.commit(Batch(rows=[row]))
    report = verify_path(tmp_path)
    assert report.problems == []
    assert any("1 sample came late" in text for text in report.remarks), report.remarks


_RUN_SEALS = "SELECT statement FROM seals WHERE run_id != '' ORDER BY seal_id"
