"""Where water boils while a probe is checked, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from monitor.judge.pressure import from_altitude, from_barometer, from_typed
from monitor.plan.refusal import OUT_OF_RANGE, Refusal
from monitor.record.model import Required, Run, Site


@dataclass(frozen=True, slots=True)
class BoilBasis:
    """Where water boils at the check, how sure that is (standard, K) and where it comes from."""

    boil_C: float
    standard_K: float
    pressure_source: str
    pressure_kPa: float | None
    text: str


def boil_basis(site: Site, now: datetime, barometer_kPa: float | None = None) -> BoilBasis | Refusal:
    """Where water boils at this site now, for a check: by barometer, typed pressure, or altitude.

    The altitude's boiling point is not raised for a warm season here: a correction from a boiling point
    taken too low makes the probe read low, which is the careful side.
    """
    run = Run(run_id="", started_at=now, required=Required(minutes=1.0), site=site)
    basis = from_typed(run, 0.0) or from_altitude(run)
    if barometer_kPa is not None:
        basis = from_barometer(run, barometer_kPa, 0.0)
    if basis.disagrees or basis.boil_C is None:
        return Refusal(
            OUT_OF_RANGE,
            f"The boiling point here is not known: {basis.disagrees or basis.text}.",
            "Give the kitchen's altitude, or today's station pressure or altimeter setting.",
        )
    return BoilBasis(
        basis.boil_C - basis.raised_K,
        basis.standard_K + basis.added_K / 2.0,
        basis.source,
        basis.pressure_kPa,
        basis.text.split(", raised")[0],
    )
