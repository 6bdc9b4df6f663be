"""The plan of a batch as plain data, and its printed form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from monitor.plan.own import OWN_EVIDENCE
from monitor.plan.steps import Step, checklist
from monitor.plan.water import Depth
from monitor.tables.processes import feet

PLAN_FORMAT = "boilwitness-plan/1"


def whole(number: float) -> float | int:
    """30 rather than 30.0, as a person would write it."""
    return int(number) if number == int(number) else number


@dataclass(frozen=True, slots=True)
class Offer:
    """A longer time that is offered, not imposed, and why. ``minutes`` in min; ``taken``: it is held."""

    minutes: float
    text: str
    taken: bool = False

    def as_json(self) -> dict[str, Any]:
        return {"minutes": whole(self.minutes), "text": self.text, "taken": self.taken}


@dataclass(frozen=True, slots=True)
class Process:
    """A food's time and what is said about it, before anything follows from it.

    ``minutes`` is the time to hold, in minutes at a full boil; ``printed_minutes`` is what the table prints
    for the stated altitude. ``minutes`` may be longer, and then ``straddle``, ``disagreements`` or a taken
    ``offer`` says why. Headspace in inches. ``evidence`` is ``seen``, ``memory`` or ``own``; ``caveat`` is
    what to show beside the last two.
    """

    food_id: str | None
    food: str
    category: str
    time_from_jar: str
    band_ft: tuple[int, int | None]
    minutes: float
    printed_minutes: float
    source: str
    evidence: str
    caveat: str
    straddle: str
    disagreements: tuple[str, ...]
    headspace_in: float | None
    headspace_evidence: str
    acid: dict[str, Any] | None
    offer: Offer | None
    cautions: tuple[str, ...]
    guidance: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Plan(Process):
    """What to do with this batch. Lengths in inches and mm, volumes in mL, temperatures in °C."""

    pack: str
    jar: str
    jar_words: str
    jar_mL: float
    altitude_m: float
    altitude_uncertainty_m: float
    headspace_mm: float | None
    sterilise_jars: bool
    sterilise_minutes: int | None
    water_over_lids: Depth
    loading_water_max_C: float
    steps: tuple[Step, ...]

    @property
    def own(self) -> bool:
        """Whether the process is the person's own rather than the table's."""
        return self.evidence == OWN_EVIDENCE

    @property
    def checklist(self) -> tuple[Step, ...]:
        """The steps to tick before the lid is on."""
        return checklist(self.steps)

    def as_json(self) -> dict[str, Any]:
        """The document that ``boilwitness plan --json`` prints."""
        return {
            "format": PLAN_FORMAT,
            "food_id": self.food_id,
            "food": self.food,
            "category": self.category,
            "pack": self.pack,
            "jar": self.jar,
            "jar_words": self.jar_words,
            "jar_mL": self.jar_mL,
            "time_from_jar": self.time_from_jar,
            "altitude_m": self.altitude_m,
            "altitude_uncertainty_m": self.altitude_uncertainty_m,
            "altitude_ft": round(feet(self.altitude_m), 1),
            "band_ft": list(self.band_ft),
            "minutes": whole(self.minutes),
            "printed_minutes": whole(self.printed_minutes),
            "source": self.source,
            "evidence": self.evidence,
            "caveat": self.caveat,
            "own": self.own,
            "straddle": self.straddle,
            "disagreements": list(self.disagreements),
            "headspace_in": self.headspace_in,
            "headspace_mm": self.headspace_mm,
            "headspace_evidence": self.headspace_evidence,
            "sterilise_jars": self.sterilise_jars,
            "sterilise_minutes": self.sterilise_minutes,
            "acid": self.acid,
            "water_over_lids_in": self.water_over_lids.inches,
            "water_over_lids_mm": self.water_over_lids.millimetres,
            "loading_water_max_C": round(self.loading_water_max_C, 1),
            "low_pressure": None if self.offer is None else self.offer.as_json(),
            "cautions": list(self.cautions),
            "steps": [step.as_json() for step in self.steps],
            "checklist": [step.id for step in self.checklist],
            "guidance": list(self.guidance),
        }
