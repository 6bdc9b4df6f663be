"""Which messages had waited at the broker, and so are older than their arrival says.

A plain number carries no time of its own: its time is its arrival. That is wrong for what the broker kept while
nobody listened, and for what it held back because too much was unacknowledged. A broker delivers a session's
messages in the order it got them (MQTT 5.0, section 4.6): a word that the collector says to itself comes back
only after all that waited before it.
"""

from __future__ import annotations

import secrets
from threading import Lock

#: So long without an acknowledgement, while something waits for one, and the broker may hold messages back. [s]
STALL_S = 2.0


class Fence:
    """Up from when messages may have waited until the word that was said then has come back.

    Called by two threads: the one that receives and the one that acknowledges.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._word = b""
        self._unacknowledged = 0
        self._moved_s = 0.0

    @property
    def up(self) -> bool:
        """Whether what comes now may have waited."""
        return bool(self._word)

    def connected(self, *, kept: bool) -> bytes:
        """A new connection; ``kept``: the broker had a session of ours. Returns the word to say, if any."""
        with self._lock:
            self._unacknowledged = 0
            self._word = _new_word() if kept else b""
            return self._word

    def heard(self, word: bytes) -> None:
        """A word came back; older ones mean nothing."""
        with self._lock:
            if word == self._word:
                self._word = b""

    def came(self, count: int, now_s: float) -> None:
        """So many messages came that wait to be acknowledged; the word itself, which never waits, is none."""
        with self._lock:
            if not self._unacknowledged:
                self._moved_s = now_s
            self._unacknowledged += count

    def acknowledged(self, count: int, now_s: float) -> bytes:
        """So many were acknowledged. Returns the word to say when that took so long that others waited."""
        if not count:
            return b""
        with self._lock:
            stalled = now_s - self._moved_s > STALL_S
            self._moved_s = now_s
            self._unacknowledged = max(0, self._unacknowledged - count)
            if not stalled:
                return b""
            self._word = _new_word()
            return self._word


def _new_word() -> bytes:
    return secrets.token_hex(8).encode()
