"""Runs beside each other, and what a season's runs suggest of the kettle and the probe. Pure.

The figures are the verdicts' own; this module sets them side by side. What they suggest is put as a question
for the cook, never as a finding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

import numpy as np
import pandas as pd

from dashboard.trace import Trace, envelope
from monitor.judge.words import COME_UP

#: So many runs before anything is suggested, and how much of a change is worth a look. Our judgement.
ENOUGH = 6
SLOWER = 1.25


@dataclass(frozen=True, slots=True)
class RunFigures:
    """What is compared of one run. Times in s; ``plateau_K`` is the hold's median over the boiling point."""

    run_id: str
    started_utc: str
    canner: str
    come_up_s: float | None
    restarts: int
    plateau_K: float | None
    proven_s: float
    required_s: float
    verdict: str | None


def figures_of(
    run_id: str, started_utc: str, canner: str | None, verdict: Mapping[str, Any], plateau_K: float | None
) -> RunFigures:
    """The figures of one run from its verdict's JSON form."""
    come_up = [item for item in verdict.get("stretches") or () if item.get("why") == COME_UP]
    lost = [event for event in verdict.get("events") or () if event["kind"] == "boil_lost"]
    return RunFigures(
        run_id,
        started_utc,
        canner or "–",
        float(come_up[0]["end_s"]) - float(come_up[0]["start_s"]) if come_up else None,
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


def hold_plateau_K(whole: Trace, verdict: Mapping[str, Any]) -> float | None:
    """Median of the water over the boiling point in the longest boiling stretch. [K]"""
    point_C = verdict.get("boiling_point_C")
    boiling = [item for item in verdict.get("stretches") or () if item["state"] == "boiling"]
    if point_C is None or not boiling:
        return None
    longest = max(boiling, key=lambda item: float(item["end_s"]) - float(item["start_s"]))
    inside = (whole.t_s >= float(longest["start_s"])) & (whole.t_s <= float(longest["end_s"]))
    water = whole.channels["water"][inside]
    water = water[~np.isnan(water)]
    return float(np.median(water) - point_C) if len(water) else None


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
        if len(own) < ENOUGH:
            continue
        third = len(own) // 3
        told += _come_up(canner, own[:third], own[-third:])
        told += _plateau(canner, own[:third], own[-third:])
        told += _restarts(canner, own[-third:])
    return told


def _come_up(canner: str, old: Sequence[RunFigures], new: Sequence[RunFigures]) -> list[str]:
    before = [row.come_up_s for row in old if row.come_up_s]
    now = [row.come_up_s for row in new if row.come_up_s]
    if not before or not now or median(now) < SLOWER * median(before):
        return []
    share = round(100.0 * (median(now) / median(before) - 1.0))
    return [
        f"{canner} takes {share} % longer to come to the boil than it did: more water or colder jars, lime on the "
        "element or the base, or a weak element?"
    ]


def _plateau(canner: str, old: Sequence[RunFigures], new: Sequence[RunFigures]) -> list[str]:
    before = [row.plateau_K for row in old if row.plateau_K is not None]
    now = [row.plateau_K for row in new if row.plateau_K is not None]
    if not before or not now or abs(median(now) - median(before)) < 0.2:
        return []
    moved = median(now) - median(before)
    return [
        f"{canner}'s boil now reads {moved:+.2f} K against its boiling point compared with before: check the probe at "
        "the ice and boiling points, and the barometer."
    ]


def _restarts(canner: str, new: Sequence[RunFigures]) -> list[str]:
    lost = sum(1 for row in new if row.restarts)
    if lost * 2 <= len(new):
        return []
    return [
        f"{canner} lost its boil in {lost} of its last {len(new)} runs: is the heat turned down too far, or weak?"
    ]
