"""What to do now, by what the record proves. Guidance is quoted by its number in the guidance table."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.judge import words
from monitor.judge.verdict import BROKEN, HELD, Advice
from monitor.record.model import Run


def local_time(run: Run, t_s: float) -> datetime:
    """Time of day at the site, ``t_s`` seconds into the run."""
    moment = run.started_at + timedelta(seconds=round(t_s))
    return moment if run.zone is None else moment.astimezone(ZoneInfo(run.zone))


def advise(run: Run, verdict: str | None, closed: bool, phase: str, deadline_s: float | None) -> Advice:
    """The one thing to do now. ``deadline_s`` is when the salvage clock of a failed process closes."""
    if verdict == HELD:
        if not closed:
            return Advice(
                "turn_off_heat",
                "The whole time is proven. Turn off the heat, take the canner lid off away from your face, "
                "wait 5 minutes, then lift the jars level.",
                guidance=("G42", "G70"),
            )
        return Advice(
            "store_after_seal_check",
            "Leave the jars level and undisturbed for 12 to 24 hours, then check each seal: press, look, tap, "
            "lift. Only sealed jars go on the shelf.",
            guidance=("G44", "G48", "G49"),
        )
    if not closed:
        if phase == "boil_lost":
            return Advice("bring_back_boil", f"Highest heat. {words.RESTART_RULE}", guidance=("G4",))
        if phase == "hold":
            return Advice("keep_boiling", "Keep it at a full boil, lid on.", guidance=("G3",))
        if phase == "unknown":
            return Advice(
                "look_at_canner",
                "The boil cannot be seen from here. Look at the canner, then at the probe and the node.",
                guidance=("G1",),
            )
        return Advice("wait_for_boil", "The time has not begun. Keep the heat on, lid on.", guidance=("G1",))
    if deadline_s is None:
        return Advice(
            "treat_as_failed",
            "The record does not say when the jars went in, so it proves nothing about them. Treat them as not "
            "processed: process again in full, refrigerate or freeze within 2 hours of the failed process, "
            "else discard without tasting.",
            guidance=("G5", "G57", "G58"),
        )
    until = local_time(run, deadline_s)
    by = f"{until:%Y-%m-%d %H:%M}"
    if verdict == BROKEN:
        return Advice(
            "reprocess_or_refrigerate",
            f"The full boil was not held for the whole time. Until {by}: process again in full with new lids "
            "(tested hot pack), or refrigerate, or freeze. After that discard without tasting, sealed or not.",
            until.isoformat(),
            ("G4", "G5", "G57", "G58"),
        )
    return Advice(
        "treat_as_failed",
        f"The record cannot prove the boil, and missing evidence earns no extra hours. Until {by}: process again "
        "in full, or refrigerate, or freeze; or sign that you timed it yourself. After that discard without "
        "tasting.",
        until.isoformat(),
        ("G5", "G57", "G58"),
    )
