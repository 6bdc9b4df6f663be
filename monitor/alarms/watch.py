"""One run's way into the alarm machine: it keeps the stage, and says what begins and what ends. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from monitor.alarms.machine import AlarmMachine
from monitor.alarms.rules import (
    Context,
    alarm_for,
    alarm_for_verdict,
    returned_by,
    triggers_from_view,
)
from monitor.alarms.states import JournalRow, Moment
from monitor.alarms.table import Stage
from monitor.judge.verdict import Event, LiveView, Verdict
from monitor.record.model import ENDS

#: Said once by people, through the jars' state: every seal has its answer; every jar has its place.
SETTLED = ("seals_judged", "jars_decided")


class RunWatch:
    """Feeds one run's events, marks and views to the machine, in the order in which they happen."""

    def __init__(self, machine: AlarmMachine, context: Context) -> None:
        self._machine = machine
        self.context = context
        self._settled: set[str] = set()
        #: When the jars that are in went in. [s]
        self._jars_in_s: float | None = None

    @property
    def hold_owed(self) -> bool:
        """True while the processing time has begun and is not complete."""
        return self.context.stage is Stage.HOLD

    def events(self, events: Iterable[Event], now: Moment) -> list[JournalRow]:
        """What ``Session.take_events`` gave."""
        rows = []
        events = list(events)
        jumped = any(event.kind == "clock_stepped" and event.cause for event in events)
        for event in events:
            scope = self.context.scope
            rows += self._machine.triggers(scope, [event.kind], now, after_s=event.raised_s)
            settled = returned_by(event.kind, self._settled)
            # A silence that is told in one breath with a jump of the times was the jump.
            settled = settled or (jumped and event.kind == "node_silent")
            rang_s, rang_high_s = self._machine.called_s(scope)
            context = replace(self.context, rang_s=rang_s, rang_high_s=rang_high_s)
            if not settled and (alarm := alarm_for(event, context)):
                rows += self._machine.raise_alarm(alarm, now)
            self.context = self.context.after(event.kind)
        return rows

    def mark(self, kind: str, t_s: float, now: Moment) -> list[JournalRow]:
        """A person's mark, or ``run_ended``, ``seals_judged``, ``jars_decided``; ``t_s`` of the run.

        What is judged or decided once asks no more: its reminders stay silent from then on.
        """
        if kind in SETTLED:
            self._settled.add(kind)
        elif kind in ("jars_in", "heat_on"):
            self._settled.clear()
        if kind == "jars_in":
            self._jars_in_s = t_s
        elif kind in ENDS and self._jars_in_s is not None and t_s < self._jars_in_s:
            # The end of the jars before, said late: the verdict's hold goes on, and so does what it rings for.
            return []
        self.context = self.context.after(kind)
        return self._machine.triggers(self.context.scope, [kind], now, after_s=t_s)

    def follow(self, stage: Stage, now: Moment) -> list[JournalRow]:
        """The stage by what is judged now: a hold that was told complete may be owed again, or held after all."""
        self.context = replace(self.context, stage=stage)
        return self._machine.triggers(self.context.scope, ["time_owed"], now) if self.hold_owed else []

    def settled_still(self, words: Iterable[str]) -> None:
        """What people have judged or decided as of now: an answer or a place that was taken back is owed again."""
        self._settled.intersection_update(words)

    def view(self, view: LiveView, now: Moment) -> list[JournalRow]:
        """The live view, about once a second: what is well again returns."""
        return self._machine.conditions(self.context.scope, triggers_from_view(view), now)

    def closed(self, verdict: Verdict, at_s: float, now: Moment) -> list[JournalRow]:
        """The run is over (``heat_off``, ``jars_lifted`` or an end): a hold that is not proven alarms.

        Not where every jar has its place already.
        """
        if returned_by("hold_not_held", self._settled):
            return []
        alarm = alarm_for_verdict(verdict, self.context, at_s)
        return self._machine.raise_alarm(alarm, now) if alarm else []
