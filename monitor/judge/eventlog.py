"""What was raised so far, in the order in which it was raised."""

from __future__ import annotations

from monitor.judge.verdict import Event


class EventLog:
    """A run's events."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self._said: set[str] = set()

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
        self.events.append(Event(kind, onset_s, raised_s, text, early_s, late_s))

    def add_once(self, kind: str, t: float, text: str) -> None:
        """Raise an event unless one of its kind was raised this way before."""
        if kind not in self._said:
            self._said.add(kind)
            self.add(kind, t, t, text)

    def add_at_most(
        self, kind: str, t: float, text: str, every_s: float, onset_s: float | None = None
    ) -> None:
        """Raise an event unless one of its kind was raised less than ``every_s`` ago."""
        for event in reversed(self.events):
            if event.kind == kind:
                if t - event.raised_s < every_s:
                    return
                break
        self.add(kind, t if onset_s is None else onset_s, t, text)

    def has(self, kind: str) -> bool:
        """Whether an event of this kind was raised."""
        return any(event.kind == kind for event in self.events)
