"""What the plan will not give a time for, told kindly and exactly."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

LOW_ACID = "low_acid"
UNKNOWN_FOOD = "unknown_food"
AMBIGUOUS_FOOD = "ambiguous_food"
UNKNOWN_PACK = "unknown_pack"
UNKNOWN_JAR = "unknown_jar"
OTHER_PACK = "other_pack"
JAR_TOO_LARGE = "jar_too_large"
OUTSIDE_BAND = "outside_band"
OUT_OF_RANGE = "out_of_range"
NOT_DECLARED = "not_declared"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A food of the tables that a person may have meant."""

    food_id: str
    food: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """No time, and why. ``instead`` says what published guidance asks, or what to type next."""

    kind: str
    reason: str
    instead: str = ""
    suggestions: tuple[Suggestion, ...] = field(default=())
    guidance: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The document that ``boilwitness plan --json`` prints."""
        return {
            "refused": self.reason,
            "reason": self.reason,
            "kind": self.kind,
            "instead": self.instead,
            "suggestions": [{"food_id": s.food_id, "food": s.food} for s in self.suggestions],
            "guidance": list(self.guidance),
        }

    def as_text(self) -> str:
        """The same for a person."""
        lines = [f"Refused: {self.reason}"]
        if self.instead:
            lines.append(f"Instead: {self.instead}")
        if self.suggestions:
            lines.append("In the tables:")
            lines += [f"  {s.food}  ({s.food_id})" for s in self.suggestions]
        return "\n".join(lines)
