"""A household that makes its key later than its records: what was sealed before is in order, a signature lost is not.

Signatures are Ed25519 (RFC 8032); each link of the chain holds the hash of the one before, so that a signed link covers
all before it, as in any hash chain (RFC 4998, section 5, evidence records).
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.main import main
from monitor.proof.chain import linked, read_chain
from monitor.proof.dossier import from_store
from monitor.proof.envelope import seal_page
from monitor.proof.page import draw
from monitor.proof.seal import seal_due
from monitor.proof.signing import make_key
from monitor.proof.verify import verify_proof_bytes, verify_store_at
from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.store.take_in import import_run

Household = Any
RECORDS = Path(__file__).parents[2] / "recorded_runs"
RUN = "2026-07-25-canner-1-a"


@pytest.fixture
def older(tmp_path: Path) -> Path:
    """A store whose run was sealed before there was a key."""
    data = tmp_path / "data"
    with closing(open_writer(data)) as conn:
        import_run(conn, RECORDS / "held-low-altitude")
        seal_due(conn)
    return data


def change(data: Path, statement: str) -> None:
    """Behind the program's back."""
    with closing(sqlite3.connect(data / "boilwitness.sqlite", isolation_level=None)) as conn:
        for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            conn.execute(f"DROP TRIGGER {name}")
        conn.execute(statement)


def signed_ids(data: Path) -> list[bool]:
    with closing(sqlite3.connect(data / "boilwitness.sqlite")) as conn:
        return [seal.signature is not None for seal in read_chain(conn)]


def test_the_first_signed_proof_of_an_older_run(
    older: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The path of the README: ``prove --sign``, then ``verify --key``; the proof, the store and an export."""
    page, key = tmp_path / "p.html", str(older / "household.key.pub")
    assert main(["prove", RUN, "--data", str(older), "--to", str(page), "--sign"]) == 0
    assert signed_ids(older) == [False, True]
    capsys.readouterr()
    assert main(["verify", str(page), "--key", key]) == 0
    told = capsys.readouterr().out
    assert "seal 1: sealed before a key was used; the proof itself is signed" in told
    assert "Whether a signature was taken off before that, it cannot show" in told
    assert main(["verify", str(older), "--key", key]) == 0
    told = capsys.readouterr().out
    assert "seal 1: sealed before a key was used; the signature of seal 2 covers" in told
    assert "a chain value kept elsewhere (--chain)" in told
    for words in ([RUN, "--to", str(tmp_path / "one")], ["--all", "--to", str(tmp_path / "all")]):
        assert main(["export", *words, "--data", str(older)]) == 0
        assert main(["verify", words[-1], "--key", key]) == 0
    assert "the folder's seal itself is signed" in capsys.readouterr().out


def test_the_chain_gets_its_signature_once(older: Path) -> None:
    """Not a seal more at every look."""
    key = make_key(older / "household.key")
    with closing(open_writer(older)) as conn:
        for _ in range(3):
            seal_due(conn, key=key)
    assert signed_ids(older) == [False, True]


def test_a_signature_that_is_missing_after_a_signed_seal(older: Path, tmp_path: Path) -> None:
    key = make_key(older / "household.key")
    append_entry(older, "settings", {"units": "a"})
    with closing(open_writer(older)) as conn:
        seal_due(conn, key=key)
    append_entry(older, "settings", {"units": "b"})
    with closing(open_writer(older)) as conn:
        seal_due(conn, key=key)
    assert signed_ids(older) == [False, True, True]
    assert verify_store_at(older, key.public).problems == []
    change(older, "UPDATE seals SET signature = NULL, signed_by = NULL WHERE seal_id = 3")
    report = verify_store_at(older, key.public)
    assert report.problems == ["seal 3 is not signed, though seal 2 before it is, and a key was named"]
    # With none left at all, it is anybody's store.
    change(older, "UPDATE seals SET signature = NULL, signed_by = NULL")
    report = verify_store_at(older, key.public)
    assert report.problems == ["seals 1 to 3: not signed, nor is any other here, and a key was named"]


def test_a_run_that_was_sealed_again_without_its_signature(house: Household, tmp_path: Path) -> None:
    """In a signed proof too: an unsigned seal after a signed one is no older run."""
    key = make_key(tmp_path / "k")
    seal_due(house.conn, time=house.clock, key=key)
    house.say("header_changed", {"batch": {"jars": 6}})
    seal_due(house.conn, time=house.clock)
    page = seal_page(draw(from_store(house.conn, house.run_id, house.clock.utc_now())), key)
    (problem,) = verify_proof_bytes(page, key=key.public).problems
    assert "is not signed, though seal 1 before it is" in problem


def test_what_was_sealed_before_the_key_is_covered_by_the_first_signature(older: Path) -> None:
    """Whoever rewrites an old seal without the key breaks the link to the signed one, however well it adds up."""
    key = make_key(older / "household.key")
    with closing(open_writer(older)) as conn:
        seal_due(conn, key=key)
        first = read_chain(conn)[0]
    digest = "0" * 64
    chain = linked(first.previous, digest)
    change(older, f"UPDATE seals SET digest = '{digest}', chain = '{chain}' WHERE seal_id = 1")
    problems = verify_store_at(older, key.public).problems
    assert any("seal 2 does not follow the seal before it" in text for text in problems)
