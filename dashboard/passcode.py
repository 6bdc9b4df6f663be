"""The passcode that guards whatever changes something when the pages are open to the home network.

scrypt (RFC 7914) with a random salt. Wrong tries are limited for each sender, so that a guesser locks nobody else out
in an alarm; and, more widely, for all together, because one guesser may have many addresses.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import threading
from dataclasses import dataclass, field
from pathlib import Path

from monitor.errors import ConfigError

#: N = 2^14, r = 8, p = 1: the interactive parameters of RFC 7914, section 2; 16 MiB and some 50 ms a try.
_N, _R, _P = 2**14, 8, 1
_FILE = "passcode.json"
SHORTEST = 6
#: Tries of one sender that may be wrong in one window before that sender waits.
TRIES = 5
#: Of all senders together, before everybody waits.
TRIES_OF_ALL = 25
WINDOW_S = 60.0


def _digest(words: str, salt: bytes) -> bytes:
    return hashlib.scrypt(words.encode(), salt=salt, n=_N, r=_R, p=_P, dklen=32)


@dataclass(slots=True)
class Passcode:
    """A stored passcode and the count of wrong tries in this process."""

    salt: bytes
    digest: bytes
    _wrong: list[tuple[float, str]] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @classmethod
    def make(cls, words: str) -> Passcode:
        """From what a person chose. Raises ``ConfigError`` when it is shorter than six characters."""
        if len(words) < SHORTEST:
            raise ConfigError(f"the passcode has {len(words)} characters.", f"Use {SHORTEST} or more.")
        salt = secrets.token_bytes(16)
        return cls(salt, _digest(words, salt))

    def wait_s(self, now_s: float, sender: str = "") -> float:
        """How long ``sender`` may not try, 0 when a try is free. Times from a monotonic clock. [s]"""
        with self._lock:
            self._wrong = [one for one in self._wrong if now_s - one[0] < WINDOW_S]
            everybody_s = [at_s for at_s, _ in self._wrong]
            own_s = [at_s for at_s, who in self._wrong if who == sender]
        waits_s = [
            WINDOW_S - (now_s - wrong_s[-tries])
            for wrong_s, tries in ((own_s, TRIES), (everybody_s, TRIES_OF_ALL))
            if len(wrong_s) >= tries
        ]
        return max(waits_s, default=0.0)

    def check(self, words: str, now_s: float, sender: str = "") -> bool:
        """Is it the passcode? False, without looking, while too many wrong tries are fresh."""
        if self.wait_s(now_s, sender) > 0:
            return False
        right = self.matches(words)
        if not right:
            with self._lock:
                self._wrong.append((now_s, sender))
        return right

    def matches(self, words: str) -> bool:
        """Is it the passcode? Counts no try: for whoever starts the pages."""
        return hmac.compare_digest(_digest(words, self.salt), self.digest)

    def save(self, data_dir: Path) -> None:
        """Write it beside the store, readable by its owner alone."""
        data_dir.mkdir(parents=True, exist_ok=True)
        form = json.dumps(
            {"scheme": "scrypt-16384-8-1", "salt": self.salt.hex(), "digest": self.digest.hex()}
        )
        # Whole or not at all: pages that run read it anew.
        part = data_dir / f"{_FILE}.{secrets.token_hex(4)}"
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w") as file:
            file.write(form)
        part.replace(data_dir / _FILE)

    def renewed(self, data_dir: Path) -> Passcode:
        """The passcode as it is stored now: this one, or the one chosen since.

        A file that is gone or damaged opens nothing: this one goes on.
        """
        try:
            now = load(data_dir)
        except ConfigError:
            return self
        if now is None or (now.salt, now.digest) == (self.salt, self.digest):
            return self
        with self._lock:
            now._wrong = list(self._wrong)
        return now


def load(data_dir: Path) -> Passcode | None:
    """The passcode chosen earlier for this store, or ``None``."""
    path = data_dir / _FILE
    if not path.exists():
        return None
    try:
        form = json.loads(path.read_text())
        return Passcode(bytes.fromhex(form["salt"]), bytes.fromhex(form["digest"]))
    except (OSError, ValueError, KeyError, TypeError) as trouble:
        raise ConfigError(
            f"{path}: not a passcode file ({trouble}).", "Delete it and choose anew."
        ) from trouble
