"""Opening the store: one file, one form, checked before anyone relies on it."""

from __future__ import annotations

import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from importlib import resources
from pathlib import Path

from monitor.errors import StoreError, StoreTooNewError

STORE_NAME = "boilwitness.sqlite"

#: How long one writer waits for another's short transaction. [ms]
BUSY_TIMEOUT_MS = 10_000

#: How long a store that is just being made may be without its tables. [s]
MAKING_S = 1.0

#: What SQLite says where it may not, or cannot, write beside a store.
_NOT_WRITABLE = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_FULL)


def store_path(data_dir: Path) -> Path:
    """The store's file in a data directory."""
    return data_dir / STORE_NAME


def free_bytes(data_dir: Path) -> float:
    """What is free on the disk where the store is, or will be once it is made. [bytes]"""
    there = next(place for place in (data_dir, *data_dir.absolute().parents) if place.exists())
    return float(shutil.disk_usage(there).free)


def open_writer(data_dir: Path, *, check: bool = False) -> sqlite3.Connection:
    """Open (and create, and bring up to date) the store for writing.

    Parameters
    ----------
    data_dir : Path
        Created when it is not there.
    check : bool
        Read the whole file for damage first; where that takes long, the collector does it beside the watch.

    Raises
    ------
    StoreTooNewError
        A newer program has written here.
    StoreError
        The directory or file cannot be written, or the file is damaged or not a store.
    """
    path = store_path(data_dir)
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
    except OSError as trouble:
        raise StoreError(
            f"cannot make the data directory {data_dir}: {trouble.strerror}.",
            "Choose another with --data, or set its permissions.",
        ) from trouble
    try:
        conn = sqlite3.connect(path, isolation_level=None, timeout=BUSY_TIMEOUT_MS / 1000)
    except sqlite3.Error as trouble:
        raise _cannot_write(path, trouble) from trouble
    try:
        _refuse_newer(conn, path)
        _write_ahead(conn)
        conn.execute("PRAGMA synchronous=FULL")
        conn.execute("PRAGMA foreign_keys=ON")
        _migrate(conn)
        if check:
            check_integrity(conn, path)
    except sqlite3.Error as trouble:
        conn.close()
        raise _cannot_write(path, trouble) from trouble
    except StoreError:
        conn.close()
        raise
    return conn


def _write_ahead(conn: sqlite3.Connection) -> None:
    """Set the journal to write-ahead, and wait for whoever is just making the same store.

    Two programs that change the journal at once hold what the other waits for, so SQLite refuses one of them without
    waiting at all (sqlite.org/c3ref/busy_handler.html: the handler is not called where that would be a deadlock).
    """
    until_s = time.monotonic() + BUSY_TIMEOUT_MS / 1000
    while True:
        try:
            conn.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as trouble:
            if not _is_held(trouble) or time.monotonic() > until_s:
                raise
        time.sleep(0.01)


def open_reader(data_dir: Path, *, renew: bool = False) -> sqlite3.Connection:
    """Open the store for reading only. Keep transactions short: a held one stops checkpoints.

    Whoever looks changes nothing: a store of an older form is read through a copy in the new one. With ``renew``, for
    whoever reads it again and again, the store itself is brought up to date where it may be written.

    Raises
    ------
    StoreError
        There is no store, or it is damaged.
    StoreTooNewError
        A newer program has written here.
    """
    path = store_path(data_dir)
    if not path.exists():
        raise StoreError(
            f"there is no store in {data_dir}.",
            "Start 'boilwitness collect' or 'boilwitness demo' first, or name another with --data.",
        )
    until_s = time.monotonic() + MAKING_S
    while True:
        conn, version = _look_into(path)
        if version:
            break
        # Somebody may be making it at this moment.
        conn.close()
        if time.monotonic() > until_s:
            raise StoreError(
                f"there is no store in {path}, a file of {path.stat().st_size} bytes.",
                "If it is a copy, it broke off: copy it again, or restore the last 'export --all' elsewhere.",
            )
        time.sleep(0.05)
    if version == _newest():
        return conn
    if renew:
        conn.close()
        with suppress(StoreError):
            open_writer(data_dir).close()
        conn, version = _look_into(path)
    return conn if version == _newest() else _in_the_newest_form(conn, path)


def _look_into(path: Path) -> tuple[sqlite3.Connection, int]:
    """A reading connection and the store's form. Raises StoreError, StoreTooNewError."""
    try:
        return _looking(path, "mode=ro")
    except sqlite3.Error as trouble:
        # Even to look, SQLite writes beside a store. One that was closed cleanly can do without.
        if _code(trouble) in _NOT_WRITABLE and not _is_open(path):
            with suppress(sqlite3.Error):
                return _looking(path, "mode=ro&immutable=1")
        raise _cannot_read(path, trouble) from trouble


def _looking(path: Path, how: str) -> tuple[sqlite3.Connection, int]:
    conn = sqlite3.connect(
        f"{path.resolve().as_uri()}?{how}",
        uri=True,
        isolation_level=None,
        timeout=BUSY_TIMEOUT_MS / 1000,
        check_same_thread=False,
    )
    try:
        conn.execute("PRAGMA query_only=ON")
        version = _refuse_newer(conn, path)
        # Only a look at a table shows whether it can be read.
        conn.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except (sqlite3.Error, StoreError):
        conn.close()
        raise
    return conn, version


def _is_open(path: Path) -> bool:
    """Whether something that was written lies beside the store and not in it yet.

    The index beside it tells nothing: a look that failed for want of room leaves one.
    """
    log = path.with_name(f"{path.name}-wal")
    return log.exists() and log.stat().st_size > 0


def _in_the_newest_form(conn: sqlite3.Connection, path: Path) -> sqlite3.Connection:
    """A copy of an older store, brought up to date; it is gone when it is closed. Closes ``conn``."""
    copy = sqlite3.connect("", isolation_level=None, check_same_thread=False)
    try:
        conn.backup(copy)
        _migrate(copy)
        copy.execute("PRAGMA query_only=ON")
    except sqlite3.Error as trouble:
        copy.close()
        raise _cannot_read(path, trouble) from trouble
    finally:
        conn.close()
    return copy


@contextmanager
def transaction(conn: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """One write transaction: all of it or none; the first error is the one that is raised."""
    conn.execute("BEGIN IMMEDIATE")
    try:
        yield conn
        conn.execute("COMMIT")
    except BaseException:
        # SQLite has already rolled back by itself when the disk is full.
        if conn.in_transaction:
            conn.execute("ROLLBACK")
        raise


def check_integrity(conn: sqlite3.Connection, path: Path) -> None:
    """Read the file for damage. Raises StoreError with what was found and what to do."""
    try:
        found = [row[0] for row in conn.execute("PRAGMA quick_check(5)")]
    except sqlite3.DatabaseError as trouble:
        if not is_damage(trouble):
            raise
        found = [str(trouble)]
    if found != ["ok"]:
        raise damaged(path, found[0])


def is_damage(trouble: BaseException | None) -> bool:
    """Whether SQLite met what cannot be in a store."""
    return isinstance(trouble, sqlite3.Error) and _code(trouble) in (
        sqlite3.SQLITE_CORRUPT,
        sqlite3.SQLITE_NOTADB,
    )


def damaged(path: Path, found: str) -> StoreError:
    """What to say of a damaged store, and what to do."""
    return StoreError(
        f"the store {path} is damaged: {' '.join(found.split())}.",
        "Keep the file, and restore the last 'export --all' copy elsewhere, or choose another --data.",
    )


@cache
def migrations() -> list[tuple[int, str]]:
    """(number, SQL) of every migration that this program knows, in order."""
    folder = resources.files("monitor.store").joinpath("migrations")
    names = sorted(item.name for item in folder.iterdir() if item.name.endswith(".sql"))
    return [(int(name[:4]), folder.joinpath(name).read_text("utf-8")) for name in names]


def _newest() -> int:
    return migrations()[-1][0]


def _refuse_newer(conn: sqlite3.Connection, path: Path) -> int:
    version = int(conn.execute("PRAGMA user_version").fetchone()[0])
    if version > _newest():
        raise StoreTooNewError(
            f"the store {path} has form {version}, newer than the {_newest()} this boilwitness knows.",
            "Install the newer boilwitness, or name another directory with --data.",
        )
    return version


def _migrate(conn: sqlite3.Connection) -> None:
    """Apply what is missing, each migration in one transaction together with its own number."""
    for number, sql in migrations():
        with transaction(conn):
            # Asked inside the transaction: another process may have come first.
            if int(conn.execute("PRAGMA user_version").fetchone()[0]) >= number:
                continue
            for statement in _statements(sql):
                conn.execute(statement)
            conn.execute(f"PRAGMA user_version={number}")


def _statements(sql: str) -> Iterator[str]:
    """Cut a script into statements; executescript would commit behind our back."""
    pending = ""
    for line in sql.splitlines(keepends=True):
        pending += line
        if sqlite3.complete_statement(pending):
            yield pending
            pending = ""
    if pending.strip():
        yield pending


def _is_held(trouble: sqlite3.Error) -> bool:
    """Whether another program has the file. The extended codes keep the plain one in their last byte."""
    return _code(trouble) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def _code(trouble: sqlite3.Error) -> int:
    return getattr(trouble, "sqlite_errorcode", 0) & 0xFF


def _cannot_read(path: Path, trouble: sqlite3.Error) -> StoreError:
    advice = ""
    if _code(trouble) in _NOT_WRITABLE:
        advice = (
            f"It was not closed, and reading it needs to write beside it: free some space on its disk, or copy "
            f"{path.parent} whole to where it may be written, and name that with --data."
        )
    return StoreError(f"cannot read the store {path}: {trouble}.", advice)


def not_written(trouble: sqlite3.Error, what: str) -> StoreError:
    """What to say of work on a store that SQLite broke off; ``what`` became of it."""
    full = _code(trouble) in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)
    todo = (
        "Free some space on its disk and try again"
        if full
        else "Look whether it may be written, and try again"
    )
    return StoreError(
        f"the store cannot be written: {trouble}.", f"{what} {todo}, or choose another with --data."
    )


def _cannot_write(path: Path, trouble: sqlite3.Error) -> StoreError:
    if _is_held(trouble):
        return StoreError(
            f"cannot write the store {path}: another program has held it for {BUSY_TIMEOUT_MS // 1000} s ({trouble}).",
            "Close what has the file open, such as a copy or a look into it, and try again.",
        )
    return StoreError(
        f"cannot write the store {path}: {trouble}.",
        "Check that the directory may be written and has room, or choose another with --data.",
    )
