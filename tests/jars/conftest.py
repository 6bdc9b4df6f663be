"""A batch to follow to the shelf: seven pints of pear halves, invented."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from monitor.jars import BatchState, batch_state
from monitor.record.model import Batch, Calibration, Mark, Probe, Required, Run

START = datetime(2026, 8, 14, 15, 0, tzinfo=UTC)
HOUR = 3600.0


class Kitchen:
    """Entries as people make them, each a minute after the event it is about unless said otherwise."""

    def __init__(self, word: str = "held", jars: int = 7, **extra: Any) -> None:
        self.entries: list[dict[str, Any]] = []
        self.run = Run(
            "2026-08-14-canner-1-a",
            START,
            Required(30.0, "USDA Complete Guide to Home Canning, Guide 2, pears"),
            zone="America/Denver",
            batch=Batch(food="pear halves", food_id="pears", pack="hot", jar="pint", jars=jars),
            probe=Probe(calibration=Calibration(-0.4, 0.3, at=START - timedelta(days=13))),
            marks=(
                Mark(0.0, "jars_in"),
                Mark(1520.0, "rolling_boil_seen"),
                Mark(2500.0, "water_checked"),
                Mark(3400.0, "heat_off"),
                Mark(3700.0, "jars_lifted"),
            ),
            extra=extra,
        )
        proven = {"held": 1860.0, "unproven": 900.0, "broken": 600.0}[word]
        self.verdict: dict[str, Any] = {
            "verdict": word,
            "required_s": 1800.0,
            "proven_s": proven,
            "possible_s": 1900.0 if word == "unproven" else proven,
            "boiling_point_C": 94.48,
            "boiling_point_from": "barometer",
            "floor_C": 93.48,
            "expanded_uncertainty_K": 0.43,
            "clock": {"started_s": 1522.0, "completed_s": 3322.0 if word == "held" else None},
            "stretches": [
                {"start_s": 0.0, "end_s": 1522.0, "state": "not_boiling", "why": "come-up"},
                {"start_s": 1522.0, "end_s": 1522.0 + proven, "state": "boiling", "why": "at the boil"},
            ],
            "events": [],
            "reasons": [] if word == "held" else ["a gap of 80 s"],
        }

    def add(
        self, kind: str, t_s: float, by: str | None = "Ada", entered_s: float | None = None, **body: Any
    ) -> int:
        at = START + timedelta(seconds=t_s)
        entered = START + timedelta(seconds=entered_s) if entered_s is not None else at
        self.entries.append(
            {
                "id": len(self.entries) + 1,
                "kind": kind,
                "body": body,
                "happened_utc": at.isoformat(),
                "at_utc": entered.isoformat(),
                "by": by,
            }
        )
        return len(self.entries)

    def of(self, run_id: str, what: str, t_s: float, /, **body: Any) -> int:
        """An entry of another run, such as the one that reprocesses jars of this."""
        number = self.add(what, t_s)
        self.entries[-1] |= {"run_id": run_id, "body": body}
        return number

    def seal(self, jar: int, t_s: float, by: str | None = "Ada", **answers: Any) -> int:
        good = {"press": "firm", "sight": "dished", "tap": "ring", "lift": "holds"}
        return self.add("jar_seal", t_s, by=by, jar=jar, **(good | answers))

    def state(self, t_s: float) -> BatchState:
        return batch_state(self.run, self.verdict, self.entries, START + timedelta(seconds=t_s))

    def sign(self, t_s: float, by: str = "Grace", **reasons: str) -> None:
        self.add("review", t_s, by=by, content=self.state(t_s).content, meaning="reviewed", reasons=reasons)


@pytest.fixture
def kitchen() -> Callable[..., Kitchen]:
    return Kitchen
