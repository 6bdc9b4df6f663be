"""What one press says is written whole and once."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Thread

import pytest

from monitor.errors import UsageError
from monitor.store.entries import Entry, append_entry, read_entries
from monitor.store.reader import open_reader
from monitor.store.together import ONE_PRESS_S, Saying, append_together, copies

NOON = datetime(2026, 8, 14, 12, tzinfo=UTC)
PLACED = [Saying("jar_disposition", {"jar": jar, "to": "frozen"}, run_id="jam") for jar in (1, 2, 3)]


class Clock:
    """A time that is moved by hand."""

    def __init__(self) -> None:
        self.s = 0.0

    def monotonic_s(self) -> float:
        return 1000.0 + self.s

    def utc_now(self) -> datetime:
        return NOON + timedelta(seconds=self.s)


def stored(folder: Path) -> list[Entry]:
    with closing(open_reader(folder)) as conn:
        return read_entries(conn)


def test_what_cannot_be_written_whole_is_not_written(tmp_path: Path) -> None:
    append_entry(tmp_path, "settings", {})
    bad = Saying("correction", {"withdrawn": True}, run_id="jam", corrects=99)
    with pytest.raises(UsageError):
        append_together(tmp_path, [*PLACED, bad], by="Ada")
    assert [entry.kind for entry in stored(tmp_path)] == ["settings"]


def test_the_same_once_more_is_one_press(tmp_path: Path) -> None:
    clock = Clock()
    first = append_together(tmp_path, PLACED, by="Ada", time=clock)
    clock.s = ONE_PRESS_S - 1.0
    assert append_together(tmp_path, PLACED, by="Ada", time=clock) == first
    assert len(stored(tmp_path)) == 3
    clock.s = ONE_PRESS_S + 1.0
    assert append_together(tmp_path, PLACED, by="Ada", time=clock) != first, "said again, later"


@pytest.mark.parametrize("change", ["by", "run", "body", "reason", "happened", "more", "fewer"])
def test_what_differs_is_another_press(tmp_path: Path, change: str) -> None:
    clock = Clock()
    append_together(tmp_path, PLACED[:2], by="Ada", time=clock)
    changes = {
        "run": {"run_id": "soup"},
        "body": {"body": {"jar": 2, "to": "discarded"}},
        "reason": {"reason": "the lid"},
        "happened": {"happened": NOON - timedelta(minutes=1)},
    }
    said = [PLACED[0], replace(PLACED[1], **changes.get(change, {}))]
    said = {"more": PLACED, "fewer": PLACED[:1]}.get(change, said)
    append_together(tmp_path, said, by="Bert" if change == "by" else "Ada", time=clock)
    assert len(stored(tmp_path)) == 2 + len(said)


def test_what_was_taken_back_or_said_otherwise_since_is_said_anew(tmp_path: Path) -> None:
    clock = Clock()
    one, other = PLACED[0], replace(PLACED[0], body={"jar": 1, "to": "discarded"})
    (entry,) = append_together(tmp_path, [one], by="Ada", time=clock)
    append_entry(tmp_path, "correction", {"withdrawn": True}, run_id="jam", corrects=entry, time=clock)
    (again,) = append_together(tmp_path, [one], by="Ada", time=clock)
    append_together(tmp_path, [other], by="Ada", time=clock)
    (last,) = append_together(tmp_path, [one], by="Ada", time=clock)
    assert len({entry, again, last}) == 3


def test_two_threads_of_one_press_write_it_once(tmp_path: Path) -> None:
    """The second click begins before the first is written."""
    append_entry(tmp_path, "settings", {})
    made: list[list[int]] = []
    work: Callable[[], None] = lambda: made.append(append_together(tmp_path, PLACED, by=None))  # noqa: E731
    threads = [Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 4 and all(ids == made[0] for ids in made)
    assert len(stored(tmp_path)) == 4


def test_copies_of_one_press_are_found_together(tmp_path: Path) -> None:
    clock = Clock()
    body = {"jar": 1, "to": "frozen"}
    ids = []
    for s, by in ((0.0, "Ada"), (0.1, "Ada"), (0.2, "Bert"), (ONE_PRESS_S + 1.0, "Ada")):
        clock.s = s
        ids.append(append_entry(tmp_path, "jar_disposition", body, run_id="jam", by=by, time=clock))
    assert copies(stored(tmp_path), ids[0]) == ids[:2]
    assert copies(stored(tmp_path), 99) == [99]
