"""What the entries of earlier checks say of a probe: its last good check, and whether that counts.

``bodies`` are the bodies of ``probe_checked`` entries, oldest first, and among them one of :func:`ended` wherever the
probe was registered anew as another.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from monitor.plan.registration import ProbeRegistration, what_changed
from monitor.record.model import Calibration

#: A second check of a blocked probe that finds the same within this is believed. [K] Our choice.
CONFIRMED_WITHIN_K = 0.2


def calibration_json(calibration: Calibration) -> dict[str, Any]:
    """A calibration as ``run.json`` holds it."""
    return {
        "offset_K": calibration.offset_K,
        "expanded_uncertainty_K": calibration.expanded_uncertainty_K,
        "coverage_factor": calibration.coverage_factor,
        "ice_offset_K": calibration.ice_offset_K,
        "boil_offset_K": calibration.boil_offset_K,
        "at": None if calibration.at is None else calibration.at.isoformat(),
        "method": calibration.method,
        **calibration.extra,
    }


def calibration_from_json(form: Mapping[str, Any]) -> Calibration:
    """The inverse of :func:`calibration_json`; keys of no field go into ``extra``."""
    rest = dict(form)
    at = rest.pop("at", None)
    names = (
        "offset_K",
        "expanded_uncertainty_K",
        "coverage_factor",
        "ice_offset_K",
        "boil_offset_K",
        "method",
    )
    fields = {name: rest.pop(name) for name in names if name in rest}
    return Calibration(**fields, at=None if at is None else datetime.fromisoformat(at), extra=rest)


@dataclass(frozen=True, slots=True)
class Standing:
    """What all the checks of a probe come to.

    ``calibration``: its last good check. ``blocked``: why that does not count until the probe was checked again at both
    points, or "". ``ended``: why there is none although there was one, or "". ``attempt``: the check since then that
    was not accepted, with its figures, or "". ``found_K``: the boiling-point correction of the check that blocked it.
    ``earlier``: the good checks before the last, as far back as the probe did not move. [K]
    """

    calibration: Calibration | None = None
    blocked: str = ""
    ended: str = ""
    attempt: str = ""
    found_K: float | None = None
    earlier: tuple[Calibration, ...] = ()

    @property
    def said(self) -> tuple[str, ...]:
        """What stands beside the last good check wherever that is shown; empty where nothing speaks against it."""
        blocked = f"Blocked: {self.blocked} {AGAIN}" if self.blocked else ""
        return tuple(filter(None, (blocked, self.ended, self.attempt)))


#: How a person clears it up.
AGAIN = (
    "Nothing that it reads proves a boil until it is checked again at both points, the ice point and the boiling "
    "point, and that check is accepted."
)


def standing_of(bodies: Iterable[Mapping[str, Any]], probe_id: str) -> Standing:
    """What the checks of a probe come to, oldest first."""
    standing = Standing()
    for body in bodies:
        if body.get("probe_id") == probe_id:
            standing = _after(standing, body)
    return standing


def _after(before: Standing, body: Mapping[str, Any]) -> Standing:
    refused = str(body.get("refused") or "")
    if body.get("ended"):
        why = str(body["ended"]) if before.calibration is not None else before.ended
        return Standing(blocked=before.blocked, ended=why)
    if body.get("calibration"):
        found = calibration_from_json(body["calibration"])
        return Standing(found, earlier=_still_held_to(before, found))
    if body.get("blocked"):
        found_K = body.get("boil_offset_found_K")
        return replace(before, blocked=refused or "Its last check says so.", found_K=found_K, attempt="")
    return replace(before, attempt=_attempt(refused, body))


def _still_held_to(before: Standing, found: Calibration) -> tuple[Calibration, ...]:
    """The good checks that a new one does not put aside: one that confirms a move is a new beginning."""
    if before.calibration is None:
        return ()
    if before.found_K is not None and abs(found.offset_K - before.found_K) <= CONFIRMED_WITHIN_K:
        return ()
    return (*before.earlier, before.calibration)


def _attempt(refused: str, body: Mapping[str, Any]) -> str:
    at = f" of {str(body['at'])[:10]}" if body.get("at") else ""
    figures = [
        f"{name} {float(value):+.2f} K"
        for name, value in (
            ("ice point", body.get("ice_offset_found_K")),
            ("boiling point", body.get("boil_offset_found_K")),
        )
        if value is not None
    ]
    found = f" Its corrections: {', '.join(figures)}." if figures else ""
    return f"The last check{at} was not accepted: {refused}{found}"


def ended(before: ProbeRegistration, after: ProbeRegistration, day: str) -> dict[str, Any] | None:
    """What stands among the checks where a probe was registered anew as another; None where it is the same."""
    changed = what_changed(before, after)
    if not changed:
        return None
    return {
        "probe_id": after.probe_id,
        "ended": f"Its earlier check ended when it was registered anew on {day}: {changed}. What was checked before "
        "was another, so its class's tolerance is taken until it is checked again.",
    }


def last_good_check(bodies: Iterable[Mapping[str, Any]], probe_id: str) -> Calibration | None:
    """The latest accepted calibration of a probe as it is registered now; None without one."""
    return standing_of(bodies, probe_id).calibration


def blocked_since(bodies: Iterable[Mapping[str, Any]], probe_id: str) -> str:
    """Why a probe is blocked by its latest check, or ""."""
    return standing_of(bodies, probe_id).blocked


def blocked_offset_K(bodies: Iterable[Mapping[str, Any]], probe_id: str) -> float | None:
    """The correction found by the check that blocked a probe, while it is blocked; else None. [K]"""
    return standing_of(bodies, probe_id).found_K
