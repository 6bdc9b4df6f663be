"""What the entries of earlier checks say of a probe: its last good check, and whether it is blocked.

``bodies`` are the bodies of ``probe_checked`` entries, oldest first.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from monitor.record.model import Calibration


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


def last_good_check(bodies: Iterable[Mapping[str, Any]], probe_id: str) -> Calibration | None:
    """The latest accepted calibration among ``probe_checked`` bodies, oldest first; None without one."""
    found = None
    for body in bodies:
        if body.get("probe_id") == probe_id and body.get("calibration"):
            found = calibration_from_json(body["calibration"])
    return found


def blocked_since(bodies: Iterable[Mapping[str, Any]], probe_id: str) -> str:
    """Why a probe is blocked by its latest check, or ""; ``bodies`` as for :func:`last_good_check`."""
    why = ""
    for body in bodies:
        if body.get("probe_id") == probe_id and (body.get("calibration") or body.get("blocked")):
            why = str(body.get("refused") or "") if body.get("blocked") else ""
    return why


def blocked_offset_K(bodies: Iterable[Mapping[str, Any]], probe_id: str) -> float | None:
    """The correction found by the check that blocked a probe, while it is blocked; else None. [K]"""
    found = None
    for body in bodies:
        if body.get("probe_id") == probe_id and (body.get("calibration") or body.get("blocked")):
            found = body.get("boil_offset_found_K") if body.get("blocked") else None
    return found
