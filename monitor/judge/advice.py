"""What to do now, by what the record proves. Guidance is quoted by its number in the guidance table."""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import replace
from math import floor, inf

from monitor.judge import words
from monitor.judge.caps import NO_CAPS, Caps
from monitor.judge.daytime import date_and_time, local_time
from monitor.judge.salvage import FailedClock
from monitor.judge.verdict import BROKEN, HELD, Advice
from monitor.record.model import Run
from monitor.tables.low_acid import LowAcidClass

_SEALS = (
    "undisturbed for 12 to 24 hours, then check each seal: press, look, tap, lift. Shelve only sealed jars."
)

#: A whole hold at once, while the jars are hot, is no reprocessing: the published rule is to begin again.
_STILL_IN = "Jars still in the canner? At a full boil begin the whole time again from zero, in a new run. "

#: Phases in which it plainly does not boil.
_LOST = ("boil_lost", "cooling", "come_up")

#: The time has held, and the run can prove nothing all the same.
_COMPLETE_BUT_CAPPED = Advice(
    "turn_off_heat",
    "The whole time has held: turn off the heat. For the reasons given this run proves nothing; if you timed the boil "
    "yourself, write it down.",
    guidance=("G3",),
)


def advise(
    run: Run,
    verdict: str | None,
    closed: bool,
    phase: str,
    deadline_s: float | None,
    marked: AbstractSet[str] = frozenset(),
    caps: Caps = NO_CAPS,
    lost: FailedClock | None = None,
    now_s: float = -inf,
    shown: AbstractSet[str] = frozenset(),
) -> Advice:
    """The one thing to do now. ``deadline_s`` is when the salvage clock of a failed process closes.

    ``marked``: the kinds of the marks that were set. ``caps``: what the header says against the run. ``lost``: that
    clock where a boil with the jars in was proven; ``now_s``: the newest sample or tick.
    ``shown``: the kinds of marks that nobody made and the record stands in for.
    """
    if caps.low_acid is not None:
        return _low_acid(run, caps.low_acid.food_class, deadline_s)
    if verdict == HELD:
        return _held(closed, phase, marked, shown)
    if not closed:
        advice = _while_on(phase, marked, caps)
        return advice if lost is None else _by_the_clock(run, advice, phase, lost, now_s)
    if lost is not None and lost.is_boiled_too_late:
        return _discard(run, lost)
    return _failed(run, verdict, deadline_s, marked)


def _held(closed: bool, phase: str, marked: AbstractSet[str], shown: AbstractSet[str]) -> Advice:
    if not closed and phase != "complete":
        # A fall that began this second would still take some of it back.
        return Advice(
            "keep_boiling", "Keep it at a full boil until you are told to turn it off.", guidance=("G3",)
        )
    if not closed and "heat_off" not in shown:
        return Advice(
            "turn_off_heat",
            "The whole time is proven. Turn off the heat, take the canner lid off away from your face, "
            "wait 5 minutes, then lift the jars level.",
            guidance=("G42", "G70"),
        )
    if "jars_lifted" in marked | shown:
        missing = "" if "jars_lifted" in marked else "The record shows the jars lifted: mark when that was. "
        return Advice(
            "store_after_seal_check",
            f"{missing}Leave the jars level and {_SEALS}",
            guidance=("G44", "G48", "G49"),
        )
    missing = "" if closed else "The whole time is proven, and the record shows the heat off: mark it. "
    return Advice(
        "store_after_seal_check",
        f"{missing}Take the canner lid off away from your face, wait 5 minutes, lift the jars level, and leave them "
        + _SEALS,
        guidance=("G42", "G44", "G48", "G49", "G70"),
    )


def _while_on(phase: str, marked: AbstractSet[str], caps: Caps) -> Advice:
    """Nothing is lost for good while the jars are in."""
    if phase == "complete":
        return _COMPLETE_BUT_CAPPED
    if phase in ("boil_lost", "cooling") and "jars_in" not in marked:
        return Advice(
            "bring_back_boil",
            "The water does not boil. Nothing counts before a mark says that the jars are in: mark it then.",
            guidance=("G3", "G4"),
        )
    if phase == "boil_lost":
        return Advice("bring_back_boil", f"Highest heat. {words.RESTART_RULE}", guidance=("G4",))
    if phase == "cooling":
        return Advice(
            "bring_back_boil",
            "The water is cooling. Highest heat, to a full boil: the whole time begins there. If you turned the "
            "heat off yourself, mark it.",
            guidance=("G1", "G4"),
        )
    if phase == "hold" and "jars_in" not in marked:
        return Advice(
            "keep_boiling",
            "Nothing counts before a mark says that the jars are in. Mark it when they go in.",
            guidance=("G3",),
        )
    if phase == "hold":
        longer = "" if caps.published_min is None else f" The published time is {caps.published_min:g} min."
        return Advice("keep_boiling", f"Keep it at a full boil, lid on.{longer}", guidance=("G3",))
    if phase == "unknown":
        return Advice(
            "look_at_canner",
            "The record does not show whether it boils. Look at the canner and mark what you see; then look at "
            "the probe and the node.",
            guidance=("G1",),
        )
    return Advice("wait_for_boil", "The time has not begun. Keep the heat on, lid on.", guidance=("G1",))


def _by_the_clock(run: Run, advice: Advice, phase: str, lost: FailedClock, now_s: float) -> Advice:
    """What else to do with the jars of a lost boil, and until when; after that nothing brings them back."""
    is_over = lost.is_boiled_too_late or (phase in _LOST and now_s >= lost.deadline_s)
    if not is_over and phase not in (*_LOST, "unknown"):
        return advice
    until, by = local_time(run, floor(lost.deadline_s)).isoformat(), date_and_time(run, lost.deadline_s)
    if is_over and phase != "unknown":
        return _discard(run, lost)
    unless = "If it does not boil: until" if phase == "unknown" else "Until"
    text = (
        f"{advice.text} {unless} {by} the jars can also be processed again in full, refrigerated or frozen; after "
        "that discard without tasting."
    )
    return replace(advice, text=text, until=until, guidance=(*advice.guidance, "G57", "G58"))


def _discard(run: Run, lost: FailedClock) -> Advice:
    return Advice(
        "discard",
        "Discard these jars without tasting, sealed or not: the 2 hours in which jars of a lost boil can be saved "
        f"ended at {date_and_time(run, lost.deadline_s)}, and no boil after that brings them back.",
        local_time(run, floor(lost.deadline_s)).isoformat(),
        ("G57", "G58", "G60"),
    )


def _failed(run: Run, verdict: str | None, deadline_s: float | None, marked: AbstractSet[str]) -> Advice:
    """The run is over and did not hold, or did not prove it: what becomes of the jars, and until when."""
    if deadline_s is None:
        return Advice(
            "treat_as_failed",
            "The record does not say when the jars went in, so it proves nothing about them. Treat them as not "
            "processed: process again in full, refrigerate or freeze within 2 hours of when the boil ended, or of when "
            "they went in if it never boiled; after that discard without tasting.",
            guidance=("G5", "G57", "G58"),
        )
    until = local_time(run, floor(deadline_s))
    by = date_and_time(run, deadline_s)
    again = "" if "jars_lifted" in marked else _STILL_IN
    if verdict == BROKEN:
        return Advice(
            "reprocess_or_refrigerate",
            f"{again}Until {by}: process again in full (tested hot pack, new lids), "
            "or refrigerate, or freeze. After that discard without tasting, sealed or not.",
            until.isoformat(),
            ("G4", "G5", "G57", "G58"),
        )
    return Advice(
        "treat_as_failed",
        f"Treat the jars as not processed. {again}Until {by}: process again in full, refrigerate, freeze, or sign "
        "that you timed the boil yourself. After that discard without tasting.",
        until.isoformat(),
        ("G5", "G57", "G58"),
    )


def _low_acid(run: Run, found: LowAcidClass, deadline_s: float | None) -> Advice:
    """No time in boiling water makes such a food keep: it is never shelved."""
    until = None if deadline_s is None else local_time(run, floor(deadline_s))
    by = (
        "Within 2 hours of the end of the boil"
        if deadline_s is None
        else f"Until {date_and_time(run, deadline_s)}"
    )
    return Advice(
        "treat_as_failed",
        f"Never shelve these jars: boiling water does not make {found.label} keep, however long it boils. {by}: "
        f"refrigerate or freeze; after that discard without tasting. For the shelf: {found.instead}.",
        None if until is None else until.isoformat(),
        found.guidance,
    )
