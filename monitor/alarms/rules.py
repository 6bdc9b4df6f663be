"""From an event to an alarm: how urgent, what happened, what to do, by when; and what ends it. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from monitor.alarms.table import BY_CAUSE, RULES, STAGES, Priority, Rule, Stage, rule_of
from monitor.judge.causes import BROKE_OFF, COUNTS_ANEW, cause_of
from monitor.judge.verdict import BROKEN, HELD, UNKNOWN, UNPROVEN, Event, LiveView, Verdict
from monitor.judge.words import NO_JARS, without_ask

#: A condition counts as gone only after it has stayed away this long: a reading that comes and goes must not
#: ring like a doorbell. Raising is never delayed.
RETURN_DEADBAND_S = 10.0
#: Kinds that send somebody to the canner because the boil, or its proof, is in doubt.
IN_DOUBT = frozenset(
    {
        "boil_lost",
        "heater_off",
        "node_silent",
        "probe_fault",
        "reading_frozen",
        "probe_moved",
        "pressure_disagrees",
        "reads_above_boiling",
        "node_restarted",
        "clock_stepped",
        "verdict_revised",
        "run_unwatched",
    }
)
#: Causes that only tell what came of a trouble: where that rang by itself they do not ring again (one trouble, one
#: alarm: EEMUA 191).
MAY_BE_TOLD = frozenset({BROKE_OFF, COUNTS_ANEW})
#: The cause of ``hold_not_held`` where no mark says that jars were in.
JARS_UNMARKED = "jars_unmarked"
#: Once the whole time has held, nothing is owed: what these kinds ask for in the hold would be wrong then.
OWED_ONLY = frozenset({"boil_lost", "boil_back", "heater_off"})
NOTHING_OWED = "The whole time had held before that: begin nothing again. Turn off the heat."
#: What a run without a mark of its jars asks for: perhaps they were in, perhaps none ever was.
IF_JARS_WERE_OUT = (
    "reprocess them in full, refrigerate or freeze them, sealed or not, within 2 hours of when the boil ended, or of "
    "when they went in if it never boiled; after that discard them, untasted. If none were in, nothing is to be done."
)
IF_JARS = (
    "If jars are in the canner: mark that, bring it back to a full boil and count the whole time from there, in a new "
    f"run. If jars were in and are out: {IF_JARS_WERE_OUT}"
)


@dataclass(frozen=True, slots=True)
class Context:
    """What the rules must know of the run besides the event. ``scope`` names the run, node or house."""

    scope: str
    canner: str | None = None
    node: str | None = None
    stage: Stage = Stage.COME_UP
    started_at: datetime | None = None
    #: When an alarm that casts doubt on the boil or its proof last rang, and one of the highest class; in s since the
    #: run's start.
    rang_s: float = float("-inf")
    rang_high_s: float = float("-inf")

    def has_told(self, cause: str, since_s: float) -> bool:
        """Whether what this cause tells of rang by itself since then: what broke off a boil, as urgently as that."""
        return (self.rang_high_s if cause == BROKE_OFF else self.rang_s) >= since_s

    def after(self, kind: str) -> Context:
        """The context once this event or mark has happened."""
        return replace(self, stage=STAGES.get((self.stage, kind), self.stage))


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm as raised: what happened, what to do, by when. ``due_s`` counts from the run's start."""

    kind: str
    scope: str
    priority: Priority
    in_hold: bool
    headline: str
    what: str
    do: str
    guidance: tuple[str, ...] = ()
    onset_s: float | None = None
    raised_s: float | None = None
    due_s: float | None = None
    due_utc: datetime | None = None
    canner: str | None = None
    node: str | None = None
    #: Why its rule is not that of its kind (:mod:`monitor.judge.causes`); "" where it is.
    cause: str = ""

    @property
    def calls_to_canner(self) -> bool:
        """Whether it sounds until somebody has seen it, because the boil or its proof is in doubt."""
        return self.kind in IN_DOUBT and self.priority in (Priority.HIGH, Priority.MEDIUM)

    @property
    def event_key(self) -> str:
        """Names the event behind it, so that a replayed record raises nothing twice."""
        return f"{self.scope}|{self.kind}|{self.onset_s}|{self.raised_s}"

    def as_json(self) -> dict[str, Any]:
        form: dict[str, Any] = {name: getattr(self, name) for name in self.__dataclass_fields__}
        form["priority"] = self.priority.value
        form["guidance"] = list(self.guidance)
        form["due_utc"] = self.due_utc.isoformat() if self.due_utc else None
        return form


def alarm_for(event: Event, context: Context) -> Alarm | None:
    """The alarm (or notice) an event of the engine raises in this context; None for an unknown kind."""
    cause = cause_of(event.kind, event.cause, event.text)
    if cause in MAY_BE_TOLD and event.unproven_s is not None and context.has_told(cause, event.unproven_s):
        cause = ""
    cause = cause if (event.kind, cause) in BY_CAUSE else ""
    rule = rule_of(event.kind, cause)
    if rule is None:
        return None
    if context.stage is Stage.COMPLETE and event.kind in OWED_ONLY:
        rule = replace(rule, do=NOTHING_OWED, window_s=None)
    due_s = event.onset_s + rule.window_s if rule.window_s is not None else None
    what = without_ask(event.text)
    return _alarm(event.kind, rule, context, what, event.onset_s, event.raised_s, due_s, cause)


def alarm_for_verdict(verdict: Verdict, context: Context, at_s: float) -> Alarm | None:
    """The alarm that a closed run without a held hold raises, while the jars may still be in the canner.

    ``at_s`` is when the verdict was reached, in s since the run's start. None for a held or an open run.
    """
    if verdict.verdict in (None, HELD):
        return None
    word = {BROKEN: "The hold was broken", UNPROVEN: "The hold is not proven"}[str(verdict.verdict)]
    reason = verdict.reasons[0] if verdict.reasons else verdict.advice.text
    # "Before the time is up" needs the time: the salvage clock's, as the verdict's advice has it.
    until = datetime.fromisoformat(verdict.advice.until) if verdict.advice.until else None
    due_s = (until - context.started_at).total_seconds() if until and context.started_at else None
    rule, cause = RULES["hold_not_held"], ""
    if NO_JARS in verdict.reasons:
        rule, cause = replace(rule, do=IF_JARS), JARS_UNMARKED
    return _alarm("hold_not_held", rule, context, f"{word}. {reason}", at_s, at_s, due_s, cause)


def condition_alarm(kind: str, context: Context, what: str) -> Alarm:
    """An alarm of the house (a lost remote path), which no engine event stands for."""
    return _alarm(kind, RULES[kind], context, what, None, None, None)


def _alarm(
    kind: str,
    rule: Rule,
    context: Context,
    what: str,
    onset_s: float | None,
    raised_s: float | None,
    due_s: float | None,
    cause: str = "",
) -> Alarm:
    due_utc = None
    if due_s is not None and context.started_at is not None:
        due_utc = context.started_at + timedelta(seconds=due_s)
    return Alarm(
        kind=kind,
        scope=context.scope,
        priority=rule.priority(context.stage),
        in_hold=context.stage is Stage.HOLD,
        headline=rule.headline,
        what=what,
        do=rule.do,
        guidance=rule.guidance,
        onset_s=onset_s,
        raised_s=raised_s,
        due_s=due_s,
        due_utc=due_utc,
        canner=context.canner,
        node=context.node,
        cause=cause,
    )


def returned_by(kind: str, triggers: Iterable[str], cause: str = "") -> bool:
    """True if any of these triggers (events, marks, conditions) ends the condition behind ``kind``."""
    rule = rule_of(kind, cause)
    return rule is not None and not rule.returns_on.isdisjoint(triggers)


def triggers_from_view(view: LiveView) -> frozenset[str]:
    """Conditions that a live view shows to be well again; of a node that is not heard, none."""
    if not view.is_heard:
        return frozenset()
    triggers = {"node_heard"}
    if view.state != UNKNOWN:
        triggers.add("reading_counts")
    if view.heater_on:
        triggers.add("heater_on")
    if view.phase == "come_up" and view.rate_K_per_min is not None and view.rate_K_per_min > 0.5:
        triggers.add("heating_again")
    return frozenset(triggers)
