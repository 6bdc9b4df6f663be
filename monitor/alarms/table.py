"""The alarm table: how urgent each kind of event is, what to do about it, what ends it. Data only.

Every alarm here asks for a response; what asks for none is a notice, which is kept and shown but never
sounds and never waits for an answer (the idea of ISA-18.2: an alarm without a response is not an alarm).

Priority goes by how soon an unanswered event spoils the batch: everything that stops the hold from being
held, or from being proven, is of the highest class while the hold is owed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from monitor.judge import causes
from monitor.judge.cooling import CLOSING_BEFORE_S, OVERDUE_BEFORE_S
from monitor.judge.salvage import FAILED_PROCESS_WINDOW_S


class Priority(StrEnum):
    """Urgency; a notice is no alarm."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"
    NOTICE = "notice"

    @property
    def rank(self) -> int:
        """0 for the most urgent."""
        return list(Priority).index(self)


class Stage(StrEnum):
    """Where a run stands, as far as urgency is concerned."""

    COME_UP = "come_up"
    HOLD = "hold"
    COMPLETE = "complete"
    AFTER = "after"


#: (stage, event or mark) -> stage. What is not here changes nothing. A lost boil stays in the hold: the
#: time is owed. That a hold told complete is owed again no event of a kind of its own says: who follows the run knows
#: (:meth:`monitor.alarms.watch.RunWatch.follow`).
STAGES: dict[tuple[Stage, str], Stage] = {
    (Stage.COME_UP, "boil_reached"): Stage.HOLD,
    (Stage.COME_UP, "boil_back"): Stage.HOLD,
    (Stage.COME_UP, "hold_complete"): Stage.COMPLETE,
    (Stage.COME_UP, "heat_off"): Stage.AFTER,
    (Stage.COME_UP, "jars_lifted"): Stage.AFTER,
    (Stage.COME_UP, "run_ended"): Stage.AFTER,
    (Stage.HOLD, "jars_in"): Stage.COME_UP,
    (Stage.HOLD, "hold_complete"): Stage.COMPLETE,
    (Stage.HOLD, "heat_off"): Stage.AFTER,
    (Stage.HOLD, "jars_lifted"): Stage.AFTER,
    (Stage.HOLD, "run_ended"): Stage.AFTER,
    (Stage.COMPLETE, "jars_in"): Stage.COME_UP,
    (Stage.COMPLETE, "heat_off"): Stage.AFTER,
    (Stage.COMPLETE, "jars_lifted"): Stage.AFTER,
    (Stage.COMPLETE, "run_ended"): Stage.AFTER,
    # A fresh full hold on the spot, jars still in the canner.
    (Stage.AFTER, "heat_on"): Stage.COME_UP,
    (Stage.AFTER, "jars_in"): Stage.COME_UP,
    (Stage.AFTER, "boil_reached"): Stage.HOLD,
    (Stage.AFTER, "boil_back"): Stage.HOLD,
}


@dataclass(frozen=True, slots=True)
class Rule:
    """How one kind of event alarms. A kind without ``returns_on`` is over as soon as it has happened."""

    hold: Priority
    come_up: Priority
    after: Priority
    headline: str
    do: str
    returns_on: frozenset[str] = frozenset()
    guidance: tuple[str, ...] = ()
    window_s: float | None = None

    def priority(self, stage: Stage) -> Priority:
        if stage is Stage.HOLD:
            return self.hold
        return self.come_up if stage is Stage.COME_UP else self.after

    @property
    def momentary(self) -> bool:
        return not self.returns_on


_OVER = frozenset({"heat_off", "jars_lifted", "run_ended"})
#: What asks for the heat to be turned off is over too when the time is owed again.
_OFF_OR_OWED = _OVER | {"time_owed"}
_READS_AGAIN = frozenset({"reading_counts"}) | _OVER
_HIGH, _MEDIUM, _LOW, _NOTICE = Priority.HIGH, Priority.MEDIUM, Priority.LOW, Priority.NOTICE

RULES: dict[str, Rule] = {
    "boil_lost": Rule(
        _HIGH,
        _MEDIUM,
        _NOTICE,
        "The boil is lost",
        "Turn the heat to its highest, bring the water back to a full boil, and count the whole processing "
        "time again from zero. Keep the jars in and covered by water.",
        frozenset({"boil_back", "boil_reached", "hold_complete"}) | _OVER,
        ("G4", "G5", "G58"),
        FAILED_PROCESS_WINDOW_S,
    ),
    "heater_off": Rule(
        _HIGH,
        _MEDIUM,
        _NOTICE,
        "The heater has stopped",
        "Look at the plug, the breaker and the burner. If the boil stops, bring it back and count the whole "
        "time again from zero.",
        frozenset({"heater_on", "boil_back", "hold_complete"}) | _OVER,
        ("G4", "G5"),
    ),
    "node_silent": Rule(
        _HIGH,
        _MEDIUM,
        _LOW,
        "No readings are coming in",
        "Look at the canner yourself: is it at a full boil? Then look at the node's power, cable and "
        "network. Minutes without readings prove nothing.",
        frozenset({"node_heard", "run_ended"}),
    ),
    "probe_fault": Rule(
        _HIGH,
        _MEDIUM,
        _LOW,
        "The water probe is at fault",
        "Look at the canner yourself: is it at a full boil? Then look at the probe's plug and wire. Mind the "
        "steam.",
        _READS_AGAIN,
    ),
    "reading_frozen": Rule(
        _HIGH,
        _MEDIUM,
        _LOW,
        "The reading no longer moves",
        "Look at the canner yourself: is it at a full boil? A reading that stands perfectly still comes from "
        "the electronics, not the water. Restart the node if it stays so.",
        _READS_AGAIN,
    ),
    "probe_moved": Rule(
        _HIGH,
        _LOW,
        _NOTICE,
        "The probe may be out of the water",
        "Look at the canner yourself: is it at a full boil, is the probe still under water? Lift the canner "
        "lid with its underside away from you.",
        _READS_AGAIN,
        ("G70",),
    ),
    "pressure_disagrees": Rule(
        _MEDIUM,
        _MEDIUM,
        _LOW,
        "Pressure and altitude disagree",
        "Check the altitude and the pressure you gave: a sea-level pressure entered as station pressure is "
        "the usual cause. Until they agree no boil can be proven.",
        _READS_AGAIN,
        ("G23",),
    ),
    "reads_above_boiling": Rule(
        _MEDIUM,
        _MEDIUM,
        _LOW,
        "The probe reads hotter than water can boil here",
        "Check that the probe touches neither the base nor a heater, and check altitude and calibration. "
        "Until then no boil can be proven.",
        _READS_AGAIN,
    ),
    "come_up_stalled": Rule(
        _LOW,
        _MEDIUM,
        _NOTICE,
        "The water has stopped warming",
        "Put the lid on, turn the heat up, look at the burner, and check that the probe is in the water.",
        frozenset({"boil_reached", "boil_back", "hold_complete", "heating_again"}) | _OVER,
    ),
    "hold_complete": Rule(
        _MEDIUM,
        _MEDIUM,
        _MEDIUM,
        "The processing time is complete",
        "Turn the heat off, take the canner lid off with its underside away from you, wait 5 minutes, then "
        "lift the jars straight up.",
        _OFF_OR_OWED,
        ("G42", "G70", "G14"),
    ),
    "overrun": Rule(
        _LOW,
        _LOW,
        _LOW,
        "Boiling on past the processing time",
        "Turn the heat off. A longer process costs quality, not safety.",
        _OFF_OR_OWED,
        ("G8",),
    ),
    "water_check_due": Rule(
        _LOW,
        _LOW,
        _NOTICE,
        "Time to look at the water level",
        "See that water still covers the jars by 2 inches (5 cm). Top up with boiling water only, poured "
        "between the jars, and mark it.",
        frozenset({"water_checked", "water_added", "hold_complete"}) | _OVER,
        ("G9", "G10"),
    ),
    "node_restarted": Rule(
        _LOW,
        _NOTICE,
        _NOTICE,
        "The node has restarted",
        "Look at the node's power supply. What was missed is asked for again; the verdict says what counts.",
    ),
    "clock_stepped": Rule(
        _NOTICE,
        _NOTICE,
        _NOTICE,
        "Times jumped",
        "If they jump again, restart the node.",
    ),
    "boil_reached": Rule(
        _NOTICE,
        _NOTICE,
        _NOTICE,
        "A full boil is reached",
        "Look, and mark the rolling boil if you see one.",
        guidance=("G1",),
    ),
    "boil_back": Rule(
        _NOTICE,
        _NOTICE,
        _NOTICE,
        "The boil is back",
        "The whole processing time counts again from zero.",
        guidance=("G4",),
    ),
    "verdict_revised": Rule(
        _MEDIUM,
        _MEDIUM,
        _MEDIUM,
        "What the record proves has changed",
        "Read again how much time is proven and how much is still owed, before you turn off the heat or decide "
        "about the jars.",
    ),
    "hold_not_held": Rule(
        _HIGH,
        _HIGH,
        _HIGH,
        "The record does not prove the hold",
        "If the jars are still in the canner: bring it back to a full boil now and count the whole time "
        "again. Otherwise reprocess in full, refrigerate or freeze every jar, sealed or not, before the time "
        "is up.",
        frozenset({"boil_reached", "boil_back", "hold_complete", "jars_decided", "end_taken_back"}),
        ("G4", "G57", "G58"),
        FAILED_PROCESS_WINDOW_S,
    ),
    "jar_disturbed": Rule(
        _LOW,
        _LOW,
        _LOW,
        "A cooling jar was disturbed",
        "Leave the jars alone until the seals are judged; look at this one's seal with care.",
        guidance=("G44", "G45"),
    ),
    "jar_cooled": Rule(
        _NOTICE,
        _NOTICE,
        _NOTICE,
        "A jar is near room temperature",
        "Nothing yet: the seals are judged 12 to 24 hours after lifting.",
        guidance=("G44",),
    ),
    "seal_check_due": Rule(
        _LOW,
        _LOW,
        _LOW,
        "The seals may be judged now",
        "Take the rings off and judge every jar: press, look, tap, lift.",
        frozenset({"seals_judged"}),
        ("G48",),
    ),
    "seal_check_overdue": Rule(
        _MEDIUM,
        _MEDIUM,
        _MEDIUM,
        "The time to save an unsealed jar is running out",
        "Judge the seals now. A jar that is not sealed must be reprocessed, refrigerated or frozen before "
        "the 24 hours close; after that it is discarded.",
        frozenset({"seals_judged"}),
        ("G51", "G56"),
        OVERDUE_BEFORE_S,
    ),
    "reprocess_window_closing": Rule(
        _HIGH,
        _HIGH,
        _HIGH,
        "The time to save the jars is running out",
        "Reprocess in full, refrigerate or freeze every jar that has no place yet, now. After the window: "
        "discard, do not taste.",
        frozenset({"jars_decided"}),
        ("G57", "G58"),
        CLOSING_BEFORE_S,
    ),
    "run_unwatched": Rule(
        _HIGH,
        _HIGH,
        _HIGH,
        "This run is not watched any more",
        "Look at the canner yourself: is it at a full boil? Keep it there, and time it by your own clock: no other "
        "alarm of this run comes. Then start the collector anew; if this rings again, its log says what went wrong.",
        frozenset({"run_watched"}),
    ),
    "remote_path_lost": Rule(
        _MEDIUM,
        _MEDIUM,
        _LOW,
        "A way by which alarms reach you elsewhere is down",
        "Stay within hearing of the canner, unless another way reaches you; check the network and the broker.",
        frozenset({"remote_path_back", "remote_path_removed"}),
    ),
    "store_unwritable": Rule(
        _HIGH,
        _HIGH,
        _HIGH,
        "The record cannot be written",
        "Watch the canner yourself, and make room on the collector's disk.",
        frozenset({"store_back"}),
    ),
}

#: What ends the alarm about a boil that was broken off: it is proven again, or lost for sure, which is told by itself.
_COUNTS_AGAIN = frozenset({"boil_back", "boil_reached", "boil_lost", "hold_complete"}) | _OVER
_LOOK = "Look at the canner yourself: is it at a full boil?"
_KEEP = f"{_LOOK} Keep it there: the whole time begins again as soon as the boil is proven anew."
_MARK = f"{_LOOK} Mark it when you see it: without a mark nothing more can be proven, and the whole time begins there."
_POWER = "Then look at the node's power supply."
_JUMPS = "If times jump again, restart the node."


def _broke_off(headline: str, do: str) -> Rule:
    return Rule(_HIGH, _MEDIUM, _LOW, headline, do, _COUNTS_AGAIN, ("G4",))


_RESTARTED, _STEPPED = "The node restarted: the time begins again", "Times jumped: the time begins again"

#: Rules of a kind whose event has a cause that asks for something else: (kind, cause) -> rule.
BY_CAUSE: dict[tuple[str, str], Rule] = {
    ("node_restarted", causes.BROKE_OFF): _broke_off(_RESTARTED, f"{_KEEP} {_POWER}"),
    ("node_restarted", causes.BROKE_OFF_SEEN): _broke_off(_RESTARTED, f"{_MARK} {_POWER}"),
    ("clock_stepped", causes.BROKE_OFF): _broke_off(_STEPPED, f"{_KEEP} {_JUMPS}"),
    ("clock_stepped", causes.BROKE_OFF_SEEN): _broke_off(_STEPPED, f"{_MARK} {_JUMPS}"),
    ("boil_back", causes.COUNTS_ANEW): Rule(
        _MEDIUM,
        _MEDIUM,
        _NOTICE,
        "The time has begun again",
        "Set your own timer anew, to the whole processing time, and keep the full boil going.",
        guidance=("G4",),
    ),
    ("jar_disturbed", causes.CHILLED): Rule(
        _LOW,
        _LOW,
        _LOW,
        "A jar cools too fast",
        "Do not move it. Keep draughts, water and cold surfaces from the hot glass, and stand clear: it can crack.",
        guidance=("G43", "G69"),
    ),
    ("probe_fault", causes.TWO_VALUES): replace(
        RULES["probe_fault"],
        headline="One sample came with two values",
        do=f"{_LOOK} Keep it there: the time counts again from when the boil is proven anew. If it comes again, see "
        "whether two nodes have one name, and restart the node.",
    ),
    ("probe_fault", causes.TWO_PROBES): replace(
        RULES["probe_fault"],
        headline="The two water probes disagree",
        do=f"{_LOOK} Then see where both probes sit: under water at mid-depth, away from the base and the heater. "
        "Mind the steam. If they still disagree, check both before the next batch.",
    ),
}


def rule_of(kind: str, cause: str = "") -> Rule | None:
    """The rule of an event or an alarm; None for an unknown kind."""
    return BY_CAUSE.get((kind, cause)) or RULES.get(kind)
