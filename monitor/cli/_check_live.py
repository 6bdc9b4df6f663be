"""A check of a probe with the person at the terminal: prompts, readings as they come, and where they stand."""

from __future__ import annotations

import math
import signal
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn

from monitor.cli._readings import newest_samples
from monitor.errors import UsageError
from monitor.plan.check import DONE, CheckSession
from monitor.record.model import Sample

#: A line each this often. [s]
TELL_EVERY_S = 5.0

#: A shell gives a program that a signal ended this and the signal's number.
_BY_SIGNAL = 128

_LEFT = "The check was left before it was done.", "Nothing was stored."


def check_live(session: CheckSession, conn: sqlite3.Connection, node: str) -> list[float]:
    """Go through the points that are left, from the store's newest samples.

    Returns what a barometer on the node said while the last point was taken. [kPa]
    """
    heard_kPa: list[float] = []
    with _told_when_left():
        while session.state != DONE:
            now = session.progress()
            _tell(now.prompt, now.caution)
            _wait_for_enter()
            session.ready(stirred=True)
            heard_kPa = _settle(session, newest_samples(conn, node))
    return heard_kPa


@contextmanager
def _told_when_left() -> Iterator[None]:
    """Ctrl-C, and the end that a system sends, leave the check with a word, and with a shell's status for them."""

    def leave(number: int, _: FrameType | None) -> NoReturn:
        raise SystemExit(_BY_SIGNAL + number)

    before = {number: signal.signal(number, leave) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    except SystemExit:
        print(f"boilwitness: {UsageError(*_LEFT)}", file=sys.stderr)
        raise
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _settle(session: CheckSession, samples: Iterator[Sample]) -> list[float]:
    """Feed the session until this point is taken, telling where it stands each five seconds.

    Returns what a barometer on the node said meanwhile. [kPa]
    """
    heard_kPa: list[float] = []
    settling = session.state
    told_s = -math.inf
    for sample in samples:
        session.feed(sample.t_s, None if sample.water_fault else sample.water_C, sample.chip_C)
        if sample.pressure_kPa is not None:
            heard_kPa.append(sample.pressure_kPa)
        if session.state != settling:
            print("Taken.", file=sys.stderr)
            break
        if sample.t_s - told_s >= TELL_EVERY_S:
            told_s = sample.t_s
            print(session.progress().text, file=sys.stderr)
    return heard_kPa


def _tell(prompt: str, caution: str) -> None:
    print(prompt, file=sys.stderr)
    if caution:
        print(f"! {caution}", file=sys.stderr)


def _wait_for_enter() -> None:
    print("Press Enter when it is ready.", file=sys.stderr, flush=True)
    if not sys.stdin.readline():
        raise UsageError(*_LEFT)
