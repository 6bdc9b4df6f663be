"""What a finished check leads to: the entries to keep, and the batches that a failed one touches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.plan.basis import BoilBasis
from monitor.plan.check import PointReading
from monitor.plan.drift import batches_touched
from monitor.plan.history import Standing, standing_of
from monitor.plan.probe import CheckResult, conclude, suspended
from monitor.plan.registration import ProbeRegistration, what_changed


@dataclass(frozen=True, slots=True)
class ProbePast:
    """What is known of earlier checks and runs.

    ``checks`` holds the bodies of ``probe_checked`` entries, oldest first, and where a probe was registered anew as
    another what :func:`monitor.plan.history.ended` says of it; ``runs`` (run_id, started_at, probe_id), where a run
    that names no probe has ``None``; ``registered`` each probe as it is registered now.
    """

    checks: tuple[Mapping[str, Any], ...] = ()
    runs: tuple[tuple[str, datetime, str | None], ...] = ()
    registered: tuple[ProbeRegistration, ...] = ()

    def change_to(self, probe: ProbeRegistration) -> str:
        """What of it is another than the one registered by that name, in words, or ""; "" where none is."""
        before = next((each for each in self.registered if each.probe_id == probe.probe_id), None)
        return "" if before is None else what_changed(before, probe)

    def knows(self, probe_id: str) -> bool:
        """Whether a probe is registered by that name."""
        return any(each.probe_id == probe_id for each in self.registered)


@dataclass(frozen=True, slots=True)
class Outcome:
    """A check's result with the batches it puts in doubt; ``entries`` are what to append, in this order.

    ``registers``: whether the probe is registered by it; one that was refused leaves a probe as it is registered.
    """

    probe: ProbeRegistration
    result: CheckResult
    touched: tuple[str, ...]
    registers: bool = True

    def as_json(self) -> dict[str, Any]:
        return self.result.as_json(self.probe) | {"batches_touched": list(self.touched)}

    @property
    def entries(self) -> tuple[tuple[str, dict[str, Any], str | None], ...]:
        """(kind, body, run_id): the registration, the check, and a deviation for each batch touched."""
        doubt = {
            "what": f"probe “{self.probe.probe_id}” failed a later check: {self.result.refused}",
            "how_found": "check of the probe at the ice point and the boiling point",
        }
        registered = (("probe_registered", self.probe.as_json(), None),) if self.registers else ()
        return (
            *registered,
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
    standing, changed = standing_of(past.checks, probe.probe_id), past.change_to(probe)
    # What was found with another converter, or elsewhere, is nothing to hold this one against.
    held_to = Standing(blocked=standing.blocked) if changed else standing
    result = conclude(points, probe, basis, at, standing=held_to)
    if result.calibration is None and changed and standing.calibration is not None:
        result = suspended(result, changed)
    touched: tuple[str, ...] = ()
    if result.moved_since is not None:
        touched = batches_touched(past.runs, probe.probe_id, result.moved_since.at, at)
    registers = result.calibration is not None or not past.knows(probe.probe_id)
    return Outcome(probe, result, touched, registers)


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
