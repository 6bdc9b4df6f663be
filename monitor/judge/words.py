"""Every sentence the engine says about a run, in one place. Short reasons first, texts of events after.

A reason is a phrase that stands in a stretch's ``why``; a text is one or two sentences for a person: what
happened, and what the published rule asks for.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor

from monitor.judge.verdict import Rate

COME_UP = "come-up"
ASKED_ANEW = "after an interruption it takes half a minute of readings to tell"
BOIL = "full boil"
LOST = "boil lost"
FELL_UNPROVEN = "whether it boiled before the fall is not known"
AFTER_HEAT = "heat off, cooling"
SIMMER = "steady, but below boiling"
LOWER_PLATEAU = "steady, but lower than the boil seen before"
DATING_START = "the rise ends somewhere here"
DATING_END = "the fall begins somewhere here"
TOO_SOON = "not followed by enough boil to be sure"
#: Reasons that only say that a begin or an end cannot be dated to the second.
DATING = (DATING_START, DATING_END, TOO_SOON)
SAGGED = "the reading sagged here: perhaps it did not boil"
WAS_RISING = "still rising afterwards, so perhaps not yet boiling"
JARS_JUST_IN = "jars just put in: the boil may pause"
BEFORE_SEEN = "before a person saw the rolling boil"
NOT_SEEN = "a person saw no full boil"
NO_COME_UP = "the record does not show the come-up"
NO_BOILING_POINT = "boiling point not known here"
PRESSURE = "pressure and altitude disagree"
PRESSURE_UNCHECKED = "nothing shows that the pressure is right"
TOO_HOT = "reads above boiling"
FROZEN = "the reading stands still"
ERRATIC = "the reading jumps about"
UNBELIEVED = "no reading that can be believed"
IMPOSSIBLE_RISE = "the reading rose faster than any stove heats"
PROBE_OUT = "the probe left the water"
COLD_WATER = "fell faster than water cools: did something cold go in?"
CONFLICT = "one sample came with two values"
RESTART_GAP = "the node restarted"
CLOCK_GAP = "the clock stepped"
BEFORE_FIRST = "no reading yet"
NO_WATER_VALUE = "the samples carry no reading of the water"
AFTER_LAST = "no reading before the heat was turned off"
AFTER_LAST_OPEN = "no reading before the end"
AHEAD_OF_NOW = "the times of the newest readings have not come yet"


def gap(gap_s: float) -> str:
    """Why a gap is unknown."""
    return f"no reading for {minutes(gap_s)}"


def sparse(spacing_s: float) -> str:
    """Why a node that speaks seldom cannot prove a boil that lies so near the floor."""
    return f"a reading only every {spacing_s:.0f} s could hide a dip"


def fault_gap(fault: str) -> str:
    """Why a stretch without a value of the water is unknown; "" where no fault is reported."""
    return f"probe fault: {_FAULTS[fault]}" if fault in _FAULTS else NO_WATER_VALUE


def between(expanded_K: float, *, seen: bool) -> str:
    """Why a reading within the uncertainty of the floor is unknown. ``seen``: a person marked this boil."""
    looked = "" if seen else ", and nobody marked this boil"
    return f"too close to the floor to tell a boil from a simmer: uncertain by ±{expanded_K:.2f} K{looked}"


_FAULTS = {
    "open": "a wire is broken or loose",
    "short_to_ground": "a wire touches ground",
    "short_to_supply": "a wire touches the supply",
    "out_of_range": "the reading is out of range",
}

CHECK_SEATS = "Check where they sit."
RESTART_RULE = "Bring it back to a full boil and begin the whole time again from zero."
#: The same place in a sentence, once the whole time has held: nothing is owed any more.
DONE_RULE = "The whole time had held before that. Turn off the heat."


def sentence(clause: str) -> str:
    """A clause as a sentence of its own."""
    return f"{clause[0].upper()}{clause[1:]}."


def minutes(duration_s: float) -> str:
    """A duration as people say it: 25 min, 1 min 30 s, 40 s."""
    whole = int(duration_s)
    if whole < 60:
        return f"{whole} s"
    if whole % 60 == 0 or whole >= 1800:
        return f"{whole // 60} min"
    return f"{whole // 60} min {whole % 60} s"


def exact(duration_s: float, *, up: bool = False) -> str:
    """A proven time, rounded down to the second: 32 min 06 s, 58 s. [s]

    ``up``: what is possible at most, or whatever else would favour the canner if it were cut, is rounded up. What
    floating point leaves behind is neither.
    """
    whole = max(0, ceil(duration_s - 1e-9) if up else floor(duration_s + 1e-9))
    return f"{whole // 60} min {whole % 60:02d} s" if whole >= 60 else f"{whole} s"


def asked(required_s: float) -> str:
    """A required time as published: 30 min; to the second, rounded up, where it is no whole minute. [s]"""
    return f"{required_s / 60:.0f} min" if required_s % 60 == 0 else exact(required_s, up=True)


def reached(kind: str, required_s: float, *, counts: bool, seen: bool, done: bool) -> str:
    """Text of ``boil_reached`` and ``boil_back``.

    ``counts``: the jars are in. ``seen``: a person marked this boil, so that its start moves no more. ``done``: the
    whole time had held before.
    """
    head = "The boil is back." if kind == "boil_back" else "Full boil."
    if done:
        return f"{head} {DONE_RULE}"
    if not counts:
        return f"{head} No mark says that the jars are in, so nothing counts yet. Mark it when they go in."
    again = "The whole {} begin again" if kind == "boil_back" else "The {} count"
    later = "" if seen else ", or from your later mark"
    return f"{head} {again.format(asked(required_s))} from here{later}."


def proven_again(required_s: float, after: str, *, seen: bool) -> str:
    """Text of ``boil_back`` where no loss was seen, but the count was broken. ``after``: by what was not known."""
    whole = asked(required_s)
    later = "" if seen else ", or from your later mark"
    if after == JARS_JUST_IN:
        return f"The jars are in and the boil goes on: the {whole} count from here{later}."
    if not after:
        return f"Full boil: the whole {whole} begin again from here{later}."
    return (
        f"The boil is proven again, and the whole {whole} begin again from here{later}. Before that it was not known "
        f"whether it boiled: {after}."
    )


def lost(held_s: float) -> str:
    """Text of ``boil_lost``."""
    after = f" after {minutes(held_s)}" if held_s >= 1.0 else ""
    return f"The boil is lost{after}: the water is cooling. {RESTART_RULE}"


def lost_unread(why: str) -> str:
    """Text of ``boil_lost`` where no reading showed it. ``why``: what kept it from being seen."""
    after = f" ({why})" if why else ""
    return (
        "The boil is lost, some time after it was last proven: the water is now read far below boiling, and nothing "
        f"to go by was read in between{after}. {RESTART_RULE}"
    )


NOBODY_SAW = "Nobody marked the rolling boil"
#: The same where a person looked, at another boil or at another time.
NOBODY_SAW_THIS = f"{NOBODY_SAW} that is judged here (what a person marked was not this one)"
NO_JARS = "No mark says that the jars were in: water that boils without jars proves nothing."
NO_READING = "The record holds no reading of the water, so nothing shows whether it boiled."


def before_the_jars(seen: bool) -> str:
    """A reason: the come-up in the record is not that of the jars."""
    looked = "on what a person saw" if seen else "nobody marked what it looked like"
    joint = ", and" if seen else ";"
    return (
        "The water had come up before the jars went in, so the record shows no come-up with them. That it boiled with "
        f"the jars in it rests on the readings since{joint} {looked}."
    )


def kettle(heating: Rate | None, cooling: Rate | None) -> str:
    """What the run has shown of its canner, "" where nothing."""
    said = []
    if heating:
        said.append(f"warmed by {per_minute(heating.per_min)} on the way up")
    if cooling:
        when = "once the heat was off" if cooling.heat_off else "when it lost the boil"
        said.append(f"lost {per_minute(cooling.per_min)} {when}")
    return f"This canner {', and '.join(said)}." if said else ""


def per_minute(rate: Sequence[float], unit: str = "K", scale: float = 1.0) -> str:
    """A rate as (low, likely, high) in K a minute, in a unit of which ``scale`` make one kelvin."""
    low, likely, high = (value * scale for value in rate)
    return f"{likely:.2f} {unit} a minute ({low:.2f} to {high:.2f})"


def complete(required_s: float) -> str:
    """Text of ``hold_complete``."""
    return f"The boil has held for the whole {asked(required_s)}. Turn off the heat."


def restart_broke(gap_s: float, *, mark: bool) -> str:
    """Text of ``node_restarted`` where a boil that counted was broken off. ``mark``: only a look can prove it anew."""
    ask = MARK_ANEW if mark else LOOK_ANEW
    return (
        f"The node started anew. In {minutes(gap_s)} without a reading the boil may have been lost, and what had "
        f"counted does not go on. {ask}"
    )


def step_broke(*, mark: bool) -> str:
    """Text of ``clock_stepped`` where a boil that counted was broken off. ``mark``: as above."""
    ask = MARK_ANEW if mark else LOOK_ANEW
    return (
        "The times of the samples do not fit the node's own count. No boil counts across such a jump, and what had "
        f"counted does not go on. {ask}"
    )


def silent(silent_s: float) -> str:
    """Text of ``node_silent``."""
    return f"No reading for {minutes(silent_s)}. Look at the canner, then at the node and its cable."


def probe_fault(fault: str) -> str:
    """Text of ``probe_fault``."""
    return f"The probe reports a fault ({_FAULTS.get(fault, fault)}). Look at the canner; check the probe's wires."


def sagged(sagged_s: float) -> str:
    """Text of ``verdict_revised`` where looking back shows a sag."""
    return (
        f"Looking back, the temperature sagged for {minutes(sagged_s)}: perhaps it did not boil. That is not "
        "counted, and the whole time begins again after it. Keep the full boil going."
    )


def doubted(why: str) -> str:
    """Text of ``verdict_revised`` where a boil that was told can be proven no longer."""
    return f"{DOUBTED}: {why}. Look at the canner and mark what you see."


def two_probes(first_C: float, second_C: float) -> str:
    """Text of ``probe_fault`` where two water probes disagree."""
    apart_K = abs(first_C - second_C)
    return (
        f"The two water probes disagree by {apart_K:.1f} K, the second as it reads, since a correction is the first's "
        f"alone. The lower one decides. {CHECK_SEATS}"
    )


def too_hot(reading_C: float, boil_C: float) -> str:
    """Text of ``reads_above_boiling``."""
    return (
        f"The probe reads {reading_C:.1f} °C, but open water boils at {boil_C:.1f} °C here. Perhaps the probe touches "
        "the heater, or the altitude, the pressure or the calibration is wrong. Nothing is proven while it reads so."
    )


def frozen(value_C: float | None, still_s: float) -> str:
    """Text of ``reading_frozen``."""
    shown = "" if value_C is None else f" at {value_C:g} °C"
    return f"The reading has stood still{shown} for {minutes(still_s)}. Look at the canner; restart the node."


#: How the text begins where a boil that was told is in doubt.
DOUBTED = "It is not known any more whether it boils"
FELL_TEXT = (
    "The water is cooling: it does not boil now. Whether it boiled before is not known. Bring it to a full boil, and "
    "mark it when you see it: the whole time begins there."
)
#: The same of water that had not come near the boil.
FELL_FAR_TEXT = "The water is cooling on its way up. Is the heat on, the lid on, the probe in the water?"
COOLED = "The water is below boiling. " + RESTART_RULE
COLD_WATER_TEXT = (
    "The reading fell faster than water cools by itself: something cold went in, or the probe left the water. "
    + RESTART_RULE
)
PROBE_OUT_TEXT = (
    "The probe seems to have left the water. Look at the canner, and put the probe back at mid-depth. What happened "
    "meanwhile is unknown."
)
IMPOSSIBLE_RISE_TEXT = (
    "The reading rose faster than any stove heats water. Look at the canner; check where the probe sits. What it read "
    "before is not trusted, and the time begins again."
)
ERRATIC_TEXT = "The reading jumps as water cannot. Look at the canner; check the probe and its wires."
CONFLICT_TEXT = (
    "One sample came with two values, and nobody can say which is right: neither is used. Look at the canner; two "
    "devices may send under one name."
)
NOT_SEEN_TEXT = "A person looked and saw no full boil. " + RESTART_RULE
#: Again and again.
RESTARTS_OFTEN = (
    "The node starts anew again and again: perhaps two nodes send under one name, or its power is loose. No boil "
    "counts across a start that may hide a loss. Look at the canner, then give each node a name of its own."
)
LOOK_ANEW = "Look at the canner: the whole time begins again as soon as the boil is proven anew."
MARK_ANEW = "Look at the canner, and mark the rolling boil when you see it: the whole time begins there."
RESTARTED_BRIDGED = (
    "The node started anew. It was away too short a time for the boil to be lost and back: the time goes on."
)
RESTARTED = (
    "The node started anew. The time without it counts only if the boil cannot have been lost in it. Look at the "
    "canner."
)
CLOCK_STEPPED = (
    "The times of the samples do not fit the node's own count. No boil counts across such a jump. Look at the canner; "
    "restart the node if it jumps again."
)
STALLED = "The water has hardly warmed for five minutes. Is the heat on, the lid on, the probe in the water?"
HEATER_OFF = (
    "The heater is off, or the mains power is gone. Stored heat may keep the boil for a minute. Look now."
)
HEATER_OFF_LONGER = (
    "The heater has been off for longer than in its cycles before. "
    "Stored heat may keep the boil for a minute. Look now."
)
TURN_OFF = "Turn off the heat: longer boiling costs quality."
OVERRUN = f"The whole time was complete at least five minutes ago. {TURN_OFF}"
WATER_CHECK = "Check the water: it must stand over the jar lids. Top up with boiling water, between the jars."


#: How texts end that ask for what the alarm about them asks for in words of its own.
ASKS = (RESTART_RULE, DONE_RULE, TURN_OFF, CHECK_SEATS, LOOK_ANEW, MARK_ANEW)


def without_ask(text: str) -> str:
    """What happened, without what to do about it, where that stands beside it."""
    for ask in ASKS:
        if text.endswith(f" {ask}"):
            return text.removesuffix(f" {ask}")
    return text


def stood(since: str) -> str:
    """Why a whole hold proves nothing of jars that stood too long before it; ``since``: a time of day."""
    return (
        f"From {since} on these jars stood for more than 2 hours without a full boil before the whole time began: jars "
        "whose process failed are discarded after that, untasted, whatever was boiled later (guidance G57, G58)."
    )
