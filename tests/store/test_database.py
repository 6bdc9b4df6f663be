"""Opening a store: what is made, what is refused, and in which words."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from monitor.errors import StoreError, StoreTooNewError
from monitor.store import database
from monitor.store.database import migrations, open_reader, open_writer, store_path, transaction
from monitor.store.writer import StoreWriter


def test_a_new_store_is_made_durable(data: Path) -> None:
    """WAL and FULL: a commit that returned is on the disk (sqlite.org/pragma.html, synchronous)."""
    conn = open_writer(data)
    assert conn.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert conn.execute("PRAGMA synchronous").fetchone() == (2,)
    assert conn.execute("PRAGMA user_version").fetchone() == (migrations()[-1][0],)
    conn.close()


def test_migrations_are_numbered_without_a_hole() -> None:
    assert [number for number, _ in migrations()] == list(range(1, len(migrations()) + 1))


def test_every_table_is_strict(conn: sqlite3.Connection) -> None:
    """A STRICT table refuses text where a number belongs (sqlite.org/stricttables.html)."""
    tables = conn.execute(
        "SELECT name, strict FROM pragma_table_list WHERE schema = 'main' AND type = 'table'"
    )
    assert {name for name, strict in tables if not strict} <= {"sqlite_schema"}


def test_a_failed_migration_leaves_nothing_behind(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = [(1, migrations()[0][1]), (2, "CREATE TABLE half (a);\nCREATE TABLE half (a);")]
    monkeypatch.setattr("monitor.store.database.migrations", lambda: broken)
    with pytest.raises(StoreError, match="half"):
        open_writer(data)
    conn = sqlite3.connect(store_path(data))
    assert conn.execute("PRAGMA user_version").fetchone() == (1,)
    assert conn.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'half'").fetchone() == (0,)
    conn.close()


def test_a_newer_store_is_refused_and_left_as_it_is(data: Path) -> None:
    open_writer(data).close()
    raw = sqlite3.connect(store_path(data))
    raw.execute("PRAGMA user_version=999")
    raw.close()
    for opened in (open_writer, open_reader):
        with pytest.raises(StoreTooNewError, match=r"form 999.*Install the newer"):
            opened(data)
    raw = sqlite3.connect(store_path(data))
    assert raw.execute("PRAGMA user_version").fetchone() == (999,)
    raw.close()


def test_no_store_is_said_in_one_line(data: Path) -> None:
    with pytest.raises(StoreError, match=r"^there is no store in .*collect"):
        open_reader(data)


def test_a_reader_cannot_write(data: Path) -> None:
    open_writer(data).close()
    conn = open_reader(data)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        conn.execute("INSERT INTO meta VALUES ('a', 'b')")
    conn.close()


def test_damage_is_found_at_the_start(data: Path, conn: sqlite3.Connection) -> None:
    with transaction(conn):
        conn.executemany("INSERT INTO meta VALUES (?, ?)", [(str(n), "x" * 900) for n in range(400)])
    conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    conn.close()
    path = store_path(data)
    content = bytearray(path.read_bytes())
    for page in range(40, 60):
        content[page * 4096 : page * 4096 + 64] = os.urandom(64)
    path.write_bytes(content)
    with pytest.raises(StoreError, match="damaged"):
        open_writer(data, check=True)


def test_something_that_is_no_store_is_said(data: Path) -> None:
    data.mkdir()
    store_path(data).write_bytes(b"this is no database at all" * 200)
    with pytest.raises(StoreError, match="not a database"):
        open_writer(data)


def test_a_directory_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match=r"cannot make the data directory.*--data"):
        open_writer(tmp_path / "file" / "data")


def as_somebody_else(work: Callable[[], str]) -> str:
    """Run in a child that is not root, for whom alone permissions hold; returns what the child says."""
    near, far = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            if os.getuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            os.write(far, work().encode())
        finally:
            os._exit(0)
    os.close(far)
    with os.fdopen(near, "rb") as said:
        heard = said.read().decode()
    os.waitpid(child, 0)
    return heard


def refusal(data: Path) -> str:
    """What opening for writing says, or how it went on."""
    try:
        with closing(open_writer(data, check=True)) as conn:
            StoreWriter(conn).node_id("n1", "test")
    except StoreError as trouble:
        return str(trouble)
    return "written"


def test_a_disk_that_may_only_be_read_is_said_and_left_as_it_is() -> None:
    """As a card with its lock on, or a disk that the system has set to read-only after an error."""
    with tempfile.TemporaryDirectory() as name:
        data = Path(name) / "data"
        conn = open_writer(data)
        conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        conn.close()
        before = store_path(data).read_bytes()
        Path(name).chmod(0o755)
        data.chmod(0o555)
        store_path(data).chmod(0o444)
        said = as_somebody_else(lambda: refusal(data))
        assert said.startswith(("cannot write the store", "the store cannot be written")), said
        assert "readonly" in said or "unable to open" in said
        assert "\n" not in said
        assert store_path(data).read_bytes() == before
        data.chmod(0o777)
        store_path(data).chmod(0o666)
        assert as_somebody_else(lambda: refusal(data)) == "written", "and goes on when it may be written"


_APPEND = """
import sys
from pathlib import Path
from monitor.store.entries import append_entry
for n in range(25):
    append_entry(Path(sys.argv[1]), "settings", {"who": sys.argv[2], "n": n})
"""


def test_several_programs_make_and_fill_one_store_at_once(data: Path) -> None:
    """Dashboard, command line and collector may be the first at the same moment."""
    programs = [subprocess.Popen([sys.executable, "-c", _APPEND, str(data), str(who)]) for who in range(3)]
    assert [program.wait(60) for program in programs] == [0, 0, 0]
    conn = open_reader(data)
    assert conn.execute("SELECT count(*) FROM entries").fetchone() == (75,)
    conn.close()


def test_a_new_store_is_opened_by_several_at_the_very_same_moment(tmp_path: Path) -> None:
    """Two that change the journal of a new file at once would have one of them refused without a wait."""
    said: list[str] = []

    def open_once(data: Path, together: threading.Barrier) -> None:
        together.wait()
        try:
            open_writer(data).close()
        except StoreError as trouble:
            said.append(str(trouble))

    for n in range(100):
        data, together = tmp_path / str(n), threading.Barrier(4)
        data.mkdir()
        opening = [threading.Thread(target=open_once, args=(data, together)) for _ in range(4)]
        for one in opening:
            one.start()
        for one in opening:
            one.join()
    assert said == []


def test_a_store_held_by_another_program_is_said_so(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "BUSY_TIMEOUT_MS", 100)
    data.mkdir(exist_ok=True)
    holder = sqlite3.connect(store_path(data), isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    with pytest.raises(StoreError, match="another program has held it") as refused:
        open_writer(data)
    holder.close()
    assert "Close what has the file open" in str(refused.value)
    open_writer(data).close()


# --- whoever looks changes nothing ------------------------------------------------------------------------

OLD = Path(__file__).parents[1] / "proof" / "corpus" / "form-1" / "store" / "boilwitness.sqlite"


def newest_form() -> int:
    return migrations()[-1][0]


@pytest.mark.parametrize("journal", ["DELETE", "WAL"])
def test_an_older_store_is_read_and_not_rewritten(journal: str, data: Path) -> None:
    data.mkdir()
    path = store_path(data)
    path.write_bytes(OLD.read_bytes())
    with closing(sqlite3.connect(path)) as raw:
        raw.execute(f"PRAGMA journal_mode={journal}")
    before = path.read_bytes()
    with closing(open_reader(data)) as conn:
        assert conn.execute("PRAGMA user_version").fetchone() == (newest_form(),)
        assert conn.execute("SELECT count(*) FROM imported_files").fetchone() == (0,)
        assert conn.execute("SELECT count(*) FROM samples").fetchone()[0] > 1000
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            conn.execute("INSERT INTO meta VALUES ('a', 'b')")
    assert path.read_bytes() == before
    assert sqlite3.connect(path).execute("PRAGMA user_version").fetchone()[0] < newest_form()
    with closing(open_reader(data, renew=True)) as conn:
        assert conn.execute("PRAGMA user_version").fetchone() == (newest_form(),)
    assert sqlite3.connect(path).execute("PRAGMA user_version").fetchone() == (newest_form(),)


def look(data: Path, *, renew: bool) -> str:
    """What looking gives: the form it is read in, or the refusal."""
    try:
        with closing(open_reader(data, renew=renew)) as conn:
            return f"form {conn.execute('PRAGMA user_version').fetchone()[0]}"
    except StoreError as trouble:
        return str(trouble)


@pytest.mark.parametrize("renew", [False, True])
@pytest.mark.parametrize("kind", ["new", "old", "left open"])
def test_a_store_that_may_only_be_read_is_read(kind: str, renew: bool) -> None:
    """As an archive's medium; where the last of it lies in its log, it is said what to do."""
    with tempfile.TemporaryDirectory() as name:
        data = Path(name) / "data"
        open_writer(data).close()
        Path(name).chmod(0o755)
        if kind == "old":
            store_path(data).write_bytes(OLD.read_bytes())
        if kind == "left open":
            conn = open_writer(data)
            conn.execute("INSERT INTO meta VALUES ('a', 'b')")
            kept = {path.name: path.read_bytes() for path in data.iterdir() if path.suffix != ".sqlite-shm"}
            conn.close()
            for file, content in kept.items():
                (data / file).write_bytes(content)
        for path in data.iterdir():
            path.chmod(0o444)
        data.chmod(0o555)
        said = as_somebody_else(lambda: look(data, renew=renew))
        data.chmod(0o755)
    if kind == "left open":
        assert (
            said.startswith("cannot read the store")
            and f"copy {data} whole to where it may be written" in said
        )
    else:
        assert said == f"form {newest_form()}"


@pytest.mark.parametrize("content", [b"", "tables of somebody else"])
def test_a_file_that_is_no_store_yet_is_not_made_one_by_looking(content: bytes | str, data: Path) -> None:
    data.mkdir()
    if isinstance(content, bytes):
        store_path(data).write_bytes(content)
    else:
        with closing(sqlite3.connect(store_path(data))) as raw:
            raw.execute("CREATE TABLE others (a)")
    before = store_path(data).read_bytes()
    for renew in (False, True):
        with pytest.raises(StoreError, match=r"there is no store in .*copy it again"):
            open_reader(data, renew=renew)
    assert store_path(data).read_bytes() == before


def test_a_store_that_is_just_being_made_is_waited_for(data: Path) -> None:
    data.mkdir()
    store_path(data).touch()
    maker = threading.Timer(0.2, lambda: open_writer(data).close())
    maker.start()
    with closing(open_reader(data)) as conn:
        assert conn.execute("PRAGMA user_version").fetchone() == (newest_form(),)
    maker.join()
