"""Runs beside each other, and what a season's runs suggest of the kettle and the probe. Pure.

The figures are the verdicts' own; this module sets them side by side. What they suggest is put as a question
for the cook, never as a finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

import pandas as pd

from dashboard import figures
from dashboard.trace import Trace, envelope
from monitor.judge.words import COME_UP

#: The header's key for the water in the canner, as a person said it. [L]
WATER_KEY = "water_L"
#: So many runs before anything is suggested, and how much of a change is worth a look. Our judgement.
ENOUGH = 6
SLOWER = 1.25
MOVED_K = 0.2


@dataclass(frozen=True, slots=True)
class RunFigures:
    """What is compared of one run. Times in s; ``plateau_K`` is the hold's median over the boiling point;
    ``water_L`` how much water a person said was in the canner."""

    run_id: str
    canner: str
    come_up_s: float | None
    water_L: float | None
    restarts: int
    plateau_K: float | None
    proven_s: float
    required_s: float
    verdict: str | None

    @property
    def per_litre_s(self) -> float | None:
        """Come-up for each litre of water. [s/L]"""
        return self.come_up_s / self.water_L if self.come_up_s and self.water_L else None


def figures_of(
    run_id: str, header: Mapping[str, Any], verdict: Mapping[str, Any], plateau_K: float | None = None
) -> RunFigures:
    """The figures of one run from its header and its verdict's JSON form (empty: not judged)."""
    come_up = [item for item in verdict.get("stretches") or () if item.get("why") == COME_UP]
    lost = [event for event in verdict.get("events") or () if event["kind"] == "boil_lost"]
    water_L = header.get(WATER_KEY)
    return RunFigures(
        run_id,
        str(header.get("canner") or figures.MISSING),
        float(come_up[0]["end_s"]) - float(come_up[0]["start_s"]) if come_up else None,
        float(water_L) if isinstance(water_L, int | float) and water_L > 0 else None,
        len(lost),
        plateau_K,
        float(verdict.get("proven_s") or 0.0),
        float(verdict.get("required_s") or 0.0),
        verdict.get("verdict"),
    )


def boil_start_s(verdict: Mapping[str, Any]) -> float | None:
    """When the first boiling stretch of a run began. [s]"""
    starts = [float(item["start_s"]) for item in verdict.get("stretches") or () if item["state"] == "boiling"]
    return min(starts) if starts else None


def longest_boil(verdict: Mapping[str, Any]) -> tuple[float, float] | None:
    """Begin and end of the longest boiling stretch. [s]"""
    spans = [
        (float(item["start_s"]), float(item["end_s"]))
        for item in verdict.get("stretches") or ()
        if item["state"] == "boiling"
    ]
    return max(spans, key=lambda span: span[1] - span[0]) if spans else None


def laid_over(traces: Sequence[tuple[str, Trace, float]], buckets: int = 800) -> pd.DataFrame:
    """Water of several runs as (name, trace, start of the boil), minutes from the start of the boil.

    One long table: ``min`` and a column a run, blank where that run has no sample.
    """
    frames = []
    for name, whole, start_s in traces:
        kept = envelope(whole.channels["water"], buckets)
        minutes = ((whole.t_s[kept] - start_s) / 60.0).round(3)
        frames.append(pd.DataFrame({"min": minutes, name: whole.channels["water"][kept].round(3)}))
    if not frames:
        return pd.DataFrame({"min": []})
    return pd.concat(frames, ignore_index=True).sort_values("min", kind="stable", ignore_index=True)


def suggestions(rows: Sequence[RunFigures]) -> list[str]:
    """What the newest third of one canner's runs suggests against the oldest third; rows oldest first."""
    told = []
    for canner in dict.fromkeys(row.canner for row in rows):
        own = [row for row in rows if row.canner == canner]
        if len(own) >= ENOUGH:
            told += [*_come_up(canner, own), *_plateau(canner, own), *_restarts(canner, own)]
    return told


def _come_up(canner: str, own: Sequence[RunFigures]) -> list[str]:
    """Per litre where the water was said each time, else as it is."""
    per_litre = [row.per_litre_s for row in own if row.per_litre_s]
    measured = len(per_litre) >= ENOUGH
    times = per_litre if measured else [row.come_up_s for row in own if row.come_up_s]
    if len(times) < ENOUGH:
        return []
    third = len(times) // 3
    before, between, now = median(times[:third]), median(times[third:-third]), median(times[-third:])
    if now < SLOWER * before:
        return []
    share = round(100.0 * (now / before - 1.0))
    what = "for each litre " if measured else ""
    aside = (
        ""
        if measured
        else " More water or colder jars would do it too: say how many litres, and it is known."
    )
    # A coat grows from run to run; an element or a burner fails from one run to the next.
    gradual = before + (now - before) / 4.0 < between < now - (now - before) / 4.0
    cause = (
        "it came little by little, as lime on the element or the base does"
        if gradual
        else "it came at once, as with an element or a burner that is weaker than it was"
    )
    return [f"{canner} takes {share} % longer {what}to come to the boil than it did; {cause}.{aside}"]


def _plateau(canner: str, own: Sequence[RunFigures]) -> list[str]:
    levels = [row.plateau_K for row in own if row.plateau_K is not None]
    if len(levels) < ENOUGH:
        return []
    third = len(levels) // 3
    moved_K = median(levels[-third:]) - median(levels[:third])
    if abs(moved_K) < MOVED_K:
        return []
    return [
        f"{canner}'s boil now reads {moved_K:+.2f} K against its boiling point compared with before: its probe drifts, "
        "or its barometer does. Check the probe at the ice and boiling points before the next batch."
    ]


def _restarts(canner: str, own: Sequence[RunFigures]) -> list[str]:
    new = own[-(len(own) // 3) :]
    lost = sum(1 for row in new if row.restarts)
    if lost * 2 <= len(new):
        return []
    return [
        f"{canner} lost its boil in {lost} of its last {len(new)} runs: is the heat turned down too far, or weak?"
    ]
