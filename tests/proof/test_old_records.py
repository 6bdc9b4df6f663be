"""Records and proofs of every released form still verify, whatever has become of the rules since (R7)."""

from __future__ import annotations

import shutil
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from monitor.proof.seal import seal_due
from monitor.proof.verify import verify_path, verify_proof_bytes
from monitor.store.database import open_writer

CORPUS = Path(__file__).parent / "corpus"
SCRIPT = Path(__file__).parent / "independent_check.py"
FORMS = sorted(path.name for path in CORPUS.iterdir() if path.is_dir())


def test_there_is_one_of_every_released_form() -> None:
    assert FORMS == ["form-1"]


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
    assert any("as seal 1 found it" in text for text in report.remarks)
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
