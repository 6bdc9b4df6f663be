"""What was raised so far, in the order in which it was raised."""

from __future__ import annotations

from monitor.judge.verdict import Event


class EventLog:
    """A run's events."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self._said: set[str] = set()
        #: When an event was last raised: by kind, or by the cause it was raised for. [s]
        self._raised_s: dict[str, float] = {}

    def add(
        self,
        kind: str,
        onset_s: float,
        raised_s: float,
        text: str,
        *,
        early_s: float | None = None,
        late_s: float | None = None,
    ) -> None:
        """Raise an event at ``raised_s``; the onset's bounds where it is an estimate."""
        self._raised_s[kind] = raised_s
        self.events.append(Event(kind, onset_s, raised_s, text, early_s, late_s))

    def add_once(self, kind: str, t: float, text: str) -> None:
        """Raise an event unless one of its kind was raised this way before."""
        if kind not in self._said:
            self._said.add(kind)
            self.add(kind, t, t, text)

    def add_at_most(
        self,
        kind: str,
        t: float,
        text: str,
        every_s: float,
        onset_s: float | None = None,
        *,
        cause: str = "",
    ) -> None:
        """Raise an event unless one of its kind was raised less than ``every_s`` ago.

        ``cause`` tells apart what a kind stands for: such an event neither silences another cause nor is silenced
        by it.
        """
        name = cause or kind
        if t - self._raised_s.get(name, -1e18) < every_s:
            return
        self._raised_s[name] = t
        self.events.append(Event(kind, t if onset_s is None else onset_s, t, text))

    def has(self, kind: str) -> bool:
        """Whether an event of this kind was raised."""
        return any(event.kind == kind for event in self.events)
