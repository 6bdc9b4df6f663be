"""The words, shapes and colours of a state and a verdict: one table, used by every page.

Word, shape and colour always say the same thing together. ``tone`` names a colour of the style sheet.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Sign:
    """How one state is written and drawn. ``glyph`` is the shape where only text can be shown."""

    word: str
    shape: str
    glyph: str
    tone: str


#: By phase of the live view.
PHASES: dict[str, Sign] = {
    "waiting": Sign("No reading yet", "ring", "○", "quiet"),
    "come_up": Sign("Coming up", "rise", "▲", "quiet"),
    "cooling": Sign("Cooling", "sink", "▽", "unsure"),
    "hold": Sign("Full boil", "disc", "●", "boil"),
    "boil_lost": Sign("Boil lost", "fall", "▼", "alarm"),
    "unknown": Sign("Unknown", "diamond", "◇", "unsure"),
    "complete": Sign("Held", "tick", "✔", "held"),
    "ended": Sign("Ended", "square", "■", "quiet"),
}

#: By state of a stretch.
STATES: dict[str, Sign] = {
    "boiling": Sign("boiling", "disc", "●", "boil"),
    "not_boiling": Sign("not boiling", "fall", "▼", "alarm"),
    "unknown": Sign("unknown", "diamond", "◇", "unsure"),
}

#: By verdict; ``None`` is a run that is still on and has not held yet.
VERDICTS: dict[str | None, Sign] = {
    "held": Sign("Held", "tick", "✔", "held"),
    "broken": Sign("Broken", "cross", "✖", "alarm"),
    "unproven": Sign("Unproven", "diamond", "◇", "unsure"),
    None: Sign("Still on", "ring", "○", "quiet"),
}

#: What is done with the jars, by the advice's fixed word; others show their own word.
ACTIONS: dict[str, str] = {
    "store_after_seal_check": "let the jars rest, check the seals, then store",
    "reprocess_or_refrigerate": "reprocess or refrigerate",
    "treat_as_failed": "treat as not processed: reprocess or refrigerate",
    "discard": "discard, do not taste",
    "keep_boiling": "keep boiling",
    "turn_off_heat": "turn off the heat",
    "bring_back_boil": "bring it back to a full boil",
    "look_at_canner": "look at the canner",
    "wait_for_boil": "wait for the boil",
}

EVENTS: dict[str, str] = {
    "boil_reached": "boil reached",
    "boil_lost": "boil lost",
    "boil_back": "boil back",
    "hold_complete": "hold complete",
    "overrun": "running over",
    "node_silent": "node silent",
    "node_restarted": "node restarted",
    "probe_fault": "probe fault",
    "probe_moved": "probe moved",
    "reading_frozen": "reading frozen",
    "pressure_disagrees": "pressure disagrees",
    "reads_above_boiling": "reads above boiling",
    "heater_off": "heater off",
    "clock_stepped": "clock stepped",
    "come_up_stalled": "come-up stalled",
    "water_check_due": "check the water",
    "verdict_revised": "verdict revised",
    "jar_disturbed": "jar disturbed",
    "jar_cooled": "jar cooled",
    "seal_check_due": "seal check due",
    "seal_check_overdue": "seal check overdue",
    "reprocess_window_closing": "reprocess window closing",
}

#: The other half of ``jar_disturbed``: nobody moved the jar.
CHILLED = "jar cools too fast"

#: Events that mean trouble: drawn with the alarm tone and listed with a mark.
TROUBLE = frozenset(
    {
        "boil_lost",
        "node_silent",
        "probe_fault",
        "probe_moved",
        "reading_frozen",
        "pressure_disagrees",
        "reads_above_boiling",
        "heater_off",
        "come_up_stalled",
        "seal_check_overdue",
        "reprocess_window_closing",
    }
)

MARKS: dict[str, str] = {
    "heat_on": "heat on",
    "jars_in": "jars in",
    "lid_on": "lid on",
    "rolling_boil_seen": "full boil seen",
    "boil_not_seen": "no full boil seen",
    "water_added": "water added",
    "water_checked": "water checked",
    "heat_off": "heat off",
    "lid_off": "lid off",
    "jars_lifted": "jars lifted",
    "note": "note",
}


#: Stretches that are below boiling because they ought to be: drawn quietly.
AS_IT_SHOULD = frozenset({"come-up", "heat off, cooling"})


#: Bidirectional controls (Unicode Standard Annex 9): a name must not reorder what stands beside it.
_TURNING = dict.fromkeys([*range(0x202A, 0x202F), *range(0x2066, 0x206A)], "\N{REPLACEMENT CHARACTER}")


def unturned(text: str) -> str:
    """A name without the signs that would turn the rest of its line around; they are shown."""
    return text.translate(_TURNING)


def told_apart(lines: Mapping[str, str], apart: Mapping[str, str] | None = None) -> dict[str, str]:
    """The lines of a list to choose from, each its own: where some are the same, what tells them apart comes first.

    To the list two of one line are one: whichever is chosen, the first would be taken. ``apart``: what to add, by the
    same keys; the keys themselves where it is left out.
    """
    often = Counter(lines.values())
    added = apart or {key: key for key in lines}
    return {key: line if often[line] == 1 else f"{added[key]}: {line}" for key, line in lines.items()}


def plain(word: str) -> str:
    """A fixed word of the contract as people read it: ``jar_cooled`` becomes ``jar cooled``."""
    return word.replace("_", " ")


def verdict_sign(verdict: str | None) -> Sign:
    """The sign of a verdict; a word this version does not know is shown as it is, unsure."""
    return VERDICTS.get(verdict) or Sign(plain(str(verdict)).capitalize(), "diamond", "◇", "unsure")


def phase_sign(phase: str) -> Sign:
    """The sign of a live phase; an unknown one is unsure, never fine."""
    return PHASES.get(phase) or Sign(plain(phase).capitalize(), "diamond", "◇", "unsure")


def action_words(action: str) -> str:
    return ACTIONS.get(action, plain(action))
