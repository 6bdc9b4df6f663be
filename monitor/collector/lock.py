"""One collector a store: an advisory lock, which the system drops when the process dies, however it dies."""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path

from monitor.errors import StoreBusyError, StoreError

LOCK_NAME = "collector.lock"


@contextlib.contextmanager
def only_collector(data_dir: Path) -> Iterator[None]:
    """Hold the store's lock.

    Raises
    ------
    StoreBusyError
        Another collector holds it.
    StoreError
        The data directory cannot be written.
    """
    path = data_dir / LOCK_NAME
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
        handle = path.open("a+", encoding="ascii")
    except OSError as trouble:
        raise StoreError(
            f"the data directory {data_dir} cannot be written: {trouble.strerror}.",
            "Choose another with --data, or set its permissions.",
        ) from trouble
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            handle.seek(0)
            owner = handle.read().strip() or "unknown"
            raise StoreBusyError(
                f"another collector (process {owner}) already writes {data_dir}.",
                "Stop it first, or choose another directory with --data.",
            ) from None
        handle.truncate(0)
        handle.write(f"{os.getpid()}\n")
        handle.flush()
        yield
