"""What a finished check leads to: the entries to keep, and the batches that a failed one touches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.plan.basis import BoilBasis
from monitor.plan.check import PointReading
from monitor.plan.drift import batches_touched
from monitor.plan.history import blocked_offset_K, last_good_check
from monitor.plan.probe import CheckResult, conclude
from monitor.plan.registration import ProbeRegistration


@dataclass(frozen=True, slots=True)
class ProbePast:
    """What is known of earlier checks and runs.

    ``checks`` holds the bodies of ``probe_checked`` entries, oldest first; ``runs`` (run_id, started_at,
    probe_id), where a run that names no probe has ``None``.
    """

    checks: tuple[Mapping[str, Any], ...] = ()
    runs: tuple[tuple[str, datetime, str | None], ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """A check's result with the batches it puts in doubt; ``entries`` are what to append, in this order."""

    probe: ProbeRegistration
    result: CheckResult
    touched: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        return self.result.as_json(self.probe) | {"batches_touched": list(self.touched)}

    @property
    def entries(self) -> tuple[tuple[str, dict[str, Any], str | None], ...]:
        """(kind, body, run_id): the registration, the check, and a deviation for each batch touched."""
        doubt = {
            "what": f"probe “{self.probe.probe_id}” failed a later check: {self.result.refused}",
            "how_found": "check of the probe at the ice point and the boiling point",
        }
        return (
            ("probe_registered", self.probe.as_json(), None),
            ("probe_checked", self.as_json(), None),
            *(("deviation_opened", dict(doubt), run_id) for run_id in self.touched),
        )


def outcome_of(
    points: Mapping[str, PointReading],
    probe: ProbeRegistration,
    basis: BoilBasis,
    at: datetime,
    past: ProbePast,
) -> Outcome:
    """Conclude a check against what is known of the probe.

    A probe that failed puts every batch in doubt that it judged since its last good check: all back to the
    last good evidence, those that name no probe among them.
    """
    previous = last_good_check(past.checks, probe.probe_id)
    blocked_K = blocked_offset_K(past.checks, probe.probe_id)
    result = conclude(points, probe, basis, at, previous, blocked_offset_K=blocked_K)
    touched: tuple[str, ...] = ()
    if result.blocked:
        since = None if previous is None else previous.at
        touched = batches_touched(past.runs, probe.probe_id, since, at)
    return Outcome(probe, result, touched)


def knocked(probe_id: str, at: datetime, what: str) -> tuple[str, dict[str, Any]]:
    """The entry that blocks a probe after a shock or a repair, until a check at both points accepts it again."""
    said = what.strip() or "a knock"
    refused = f"After {said} on {at:%Y-%m-%d} it counts only once it was checked again at both points."
    return "probe_checked", {
        "probe_id": probe_id,
        "calibration": None,
        "refused": refused,
        "blocked": True,
        "text": [],
    }
