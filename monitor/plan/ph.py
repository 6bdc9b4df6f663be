"""A pH that somebody measured: kept beside the batch, and never in place of the tested recipe's acid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

#: Highest pH plus its uncertainty of an acid food (21 CFR 114.3).
PH_LIMIT = 4.60


@dataclass(frozen=True, slots=True)
class PhMeasured:
    """A pH that somebody measured. ``sample_age_h`` since processing; ``method`` is ``meter`` or ``strip``."""

    value: float
    expanded_uncertainty: float
    method: str
    meter_id: str = ""
    two_buffers_today: bool = False
    sample_age_h: float | None = None

    def as_json(self) -> dict[str, Any]:
        """As the batch keeps it."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def ph_problem(ph: PhMeasured) -> str:
    """Why a measured pH is not accepted, or "". A pH of ours never replaces the tested recipe's acid."""
    if ph.method != "meter":
        return "A paper strip does not count: pH is measured with a meter."
    if not ph.meter_id or not ph.two_buffers_today:
        return "Name the pH meter and check it against two buffers on the same day."
    if ph.value + ph.expanded_uncertainty > PH_LIMIT:
        return (
            f"pH {ph.value:.2f} with its uncertainty of {ph.expanded_uncertainty:.2f} may be above {PH_LIMIT:.2f}: "
            "not accepted. Keep the whole batch apart."
        )
    return ""
