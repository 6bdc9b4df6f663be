"""What was raised so far, in the order in which it was raised."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from monitor.judge import causes
from monitor.judge.verdict import EVENT_KINDS, Event


class Trouble(NamedTuple):
    """What may come over and over: what it is, the kind of event it is told as, how often at most. [s]

    Each is told for itself: a probe that lost contact does not keep it quiet that two probes disagree.
    """

    name: str
    kind: str
    every_s: float
    cause: str = ""


#: How often is chosen. What goes on and on is told once in 10 min: each alarm within 10 min is one too many (EEMUA 191
#: counts on one in 10 min that a person can answer). What may be new each time is told once a minute.
NO_READING = Trouble("no reading", "probe_fault", 60.0)
TWO_VALUES = Trouble("two values under one number", "probe_fault", 600.0, causes.TWO_VALUES)
IMPOSSIBLE_RISE = Trouble("rose too fast", "probe_fault", 60.0)
ERRATIC = Trouble("erratic", "probe_fault", 60.0)
TWO_PROBES = Trouble("two probes apart", "probe_fault", 600.0, causes.TWO_PROBES)
STANDS_STILL = Trouble("stands still", "reading_frozen", 600.0)
TOO_HOT = Trouble("too hot", "reads_above_boiling", 600.0)
RESTARTED = Trouble("restarted", "node_restarted", 60.0)
#: The rise that ended too low, and the fall from a level that was never proven: one trouble to whoever stands there.
STALLED = Trouble("stalled", "come_up_stalled", 600.0)
#: A boil that counted was broken off so: a clock that creeps does it every few minutes, and is one trouble.
BROKE_OFF = {kind: Trouble(f"{kind} broke off", kind, 600.0) for kind in ("node_restarted", "clock_stepped")}
DOUBTED = Trouble("doubted", "verdict_revised", 600.0)


class EventLog:
    """A run's events."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self._said: set[str] = set()
        #: When each trouble was last told. [s]
        self._told_s: dict[str, float] = {}

    def add(
        self,
        kind: str,
        onset_s: float,
        raised_s: float,
        text: str,
        *,
        early_s: float | None = None,
        late_s: float | None = None,
        cause: str = "",
        unproven_s: float | None = None,
    ) -> None:
        """Raise an event at ``raised_s``; the onset's bounds where it is an estimate."""
        assert kind in EVENT_KINDS, kind
        self.events.append(Event(kind, onset_s, raised_s, text, early_s, late_s, cause, unproven_s))

    def explain(
        self, kind: str, t: float, text: str, *, cause: str = "", unproven_s: float | None = None
    ) -> bool:
        """What came of an event raised at ``t``, known once that sample is judged. Returns whether there is one."""
        for place in range(len(self.events) - 1, -1, -1):
            event = self.events[place]
            if event.kind == kind:
                if event.raised_s != t:
                    break
                self.events[place] = replace(event, text=text, cause=cause, unproven_s=unproven_s)
                return True
        return False

    def add_once(self, kind: str, t: float, text: str) -> None:
        """Raise an event unless one of its kind was raised this way before."""
        if kind not in self._said:
            self._said.add(kind)
            self.add(kind, t, t, text)

    def add_trouble(self, trouble: Trouble, t: float, text: str, onset_s: float | None = None) -> bool:
        """Raise an event at ``t``, unless this trouble was told less than its time ago. Returns whether it was."""
        if not self.is_due(trouble, t):
            return False
        self._told_s[trouble.name] = t
        self.add(trouble.kind, t if onset_s is None else onset_s, t, text, cause=trouble.cause)
        return True

    def is_due(self, trouble: Trouble, t: float) -> bool:
        """Whether it may be told at ``t``: not told less than its time ago."""
        told_s = self._told_s.get(trouble.name)
        return told_s is None or t - told_s >= trouble.every_s

    def is_told(self, trouble: Trouble) -> bool:
        """Whether it was told, and not since that it is over."""
        return trouble.name in self._told_s

    def tells_too(self, trouble: Trouble, t: float) -> None:
        """What was told at ``t`` says this of itself."""
        self._told_s[trouble.name] = t

    def is_over(self, trouble: Trouble) -> None:
        """It was told that this trouble is over: when it comes again, that is news."""
        self._told_s.pop(trouble.name, None)

    def has(self, kind: str) -> bool:
        """Whether an event of this kind was raised."""
        return any(event.kind == kind for event in self.events)
