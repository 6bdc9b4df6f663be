"""What the collector prints is one way to hear of it, and no more: where it cannot be printed, the watch goes on."""

from __future__ import annotations

from collections.abc import Callable

from monitor.store.runs import RunFacts


class Voice:
    """Says one line at a time, with the run it is about or None; never raises what the disk behind it raises.

    ``trouble``: why the last line could not be printed; "" where it was, None before the first.
    """

    def __init__(self, say: Callable[[RunFacts | None, str], None]) -> None:
        self._say = say
        self.trouble: str | None = None

    def __call__(self, facts: RunFacts | None, line: str) -> None:
        try:
            self._say(facts, line)
        except OSError as trouble:
            self.trouble = trouble.strerror or str(trouble)
        else:
            self.trouble = ""
