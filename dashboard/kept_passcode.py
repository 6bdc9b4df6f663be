"""A device that gave the passcode does not have to give it again at every reload: a signed, expiring cookie.

A page's own connection cannot set a cookie. So whoever gave the right passcode gets a word that is good once and for
half a minute; the page hands it to this server by an ordinary request, and the answer sets the cookie, which no
script can read (RFC 6265: HttpOnly, SameSite=Strict). It is signed with a key that follows from the stored passcode:
a new passcode ends all of them.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from dashboard import settings
from dashboard.passcode import Passcode

COOKIE = "boilwitness_passcode"
PATH = "/passcode/keep"
#: How long a device is remembered. [s]
KEPT_S = 12 * 3600
#: How long the word of one use is good. [s]
WORD_S = 30.0


class Words:
    """Words of one use, in this process."""

    def __init__(self) -> None:
        self._until_s: dict[str, float] = {}
        self._lock = threading.Lock()

    def give(self, now_s: float) -> str:
        """A new word; times from a monotonic clock. [s]"""
        word = secrets.token_urlsafe(24)
        with self._lock:
            self._until_s = {old: until_s for old, until_s in self._until_s.items() if until_s > now_s}
            self._until_s[word] = now_s + WORD_S
        return word

    def take(self, word: str, now_s: float) -> bool:
        """Whether the word is good; it is not a second time."""
        with self._lock:
            return self._until_s.pop(word, float("-inf")) > now_s


WORDS = Words()


def signed(passcode: Passcode, until_s: float) -> str:
    """What the cookie says: until when, in seconds since the epoch, and the signature."""
    text = f"{until_s:.0f}"
    return f"{text}.{_signature(passcode, text)}"


def good(passcode: Passcode, cookie: str | None, now_s: float) -> bool:
    """Whether a cookie is ours, whole, of this passcode, and not over. ``now_s`` since the epoch."""
    text, _, signature = (cookie or "").partition(".")
    if not hmac.compare_digest(signature.encode(), _signature(passcode, text).encode()):
        return False
    return text.isdecimal() and now_s < float(text) <= now_s + KEPT_S + 60.0


def _signature(passcode: Passcode, text: str) -> str:
    # The stored digest never leaves this machine: its file is readable by its owner alone.
    key = hmac.new(passcode.digest, b"boilwitness kept passcode", hashlib.sha256).digest()
    return hmac.new(key, text.encode(), hashlib.sha256).hexdigest()


async def _keep(request: Request) -> Response:
    passcode = settings.passcode()
    word = (await request.body())[:200].decode("ascii", "replace")
    if passcode is None or not WORDS.take(word, time.monotonic()):
        return Response(status_code=403)
    answer = Response(status_code=204)
    value = signed(passcode, time.time() + KEPT_S)
    answer.set_cookie(COOKIE, value, max_age=KEPT_S, path="/", httponly=True, samesite="strict")
    return answer


def routes() -> list[Any]:
    """The one request that sets the cookie."""
    return [Route(PATH, _keep, methods=["POST"])]
