"""The uncertainty of (reading − boiling point), term by term, as a table a person can read.

Terms are combined as JCGM 100:2008 (GUM) asks: a half-width ``a`` of a rectangular distribution has the
standard uncertainty a/√3, a step q has q/√12, independent terms add in squares, and U = 2 u. How U is used
(a guard band) follows JCGM 106:2012; see :mod:`monitor.judge.engine`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from math import ceil, sqrt

from monitor.judge.pressure import PressureBasis, basis_before_start
from monitor.judge.verdict import Budget, BudgetRow
from monitor.judge.yearly import is_within_a_year
from monitor.record.model import Calibration, Run
from monitor.tables.probes import (
    METHODS,
    OTHER,
    Converter,
    ProbeKind,
    converters,
    match,
    probe_kinds,
    was_checked_at_boil,
)

#: Allowance below the boiling point where a person marked the rolling boil, and where nobody looked. [K]
#: Engineering choices of this project for sensing a boil with a thermometer; published guidance names no
#: temperature below boiling at which minutes count.
ALLOWANCE_SEEN_K = 1.0
ALLOWANCE_UNSEEN_K = 0.6

FLOOR_FROM = (
    f"an allowance of this program's own: {ALLOWANCE_SEEN_K} K below boiling where a person marked the rolling boil, "
    f"{ALLOWANCE_UNSEEN_K} K where nobody looked; published guidance names no temperature below boiling at which "
    "minutes count"
)

#: Scatter of the judged value (a mean of up to 30 s) expected before a run. [K] Our estimate.
SCATTER_K = 0.05

#: What a true boil reads above the surface's boiling point, at least: half of what about 10 cm
#: of water add by IAPWS-IF97, since a rolling boil is mixed. [K] Our estimate.
DEPTH_BONUS_K = 0.15

#: A correction from the boiling point alone beyond this proves itself with itself. [K] Our rule.
CIRCULAR_BEYOND_K = 0.5

#: Ice and boiling point corrections further apart than this put altitude or pressure in doubt. [K] Our rule.
CORRECTIONS_DIFFER_K = 0.5


#: What a set-up can do that proves a boil with a person's help, and how that reads where the person did help.
ONLY_IF_SEEN = "This set-up can prove a boil only where a person looks and marks the rolling boil."
SEEN_AND_NARROW = "That leaves little room even where a person saw the boil."


@dataclass(frozen=True, slots=True)
class ProbeBudget:
    """The part of the budget that does not depend on the pressure. ``standard_K`` combines ``rows``."""

    rows: tuple[BudgetRow, ...]
    standard_K: float
    offset_K: float
    response_s: float
    step_K: float
    calibrated: bool
    notes: tuple[str, ...]


def _rectangular(term: str, half_K: float, source: str, value: str = "") -> BudgetRow:
    return BudgetRow(term, value or f"±{half_K:.3g}", "K", "rectangular", half_K / sqrt(3.0), source)


#: What the channel is called whose readings are judged.
WATER_CHANNELS = ("water", "water_C", "water-1", "water_1")


def probe_budget(run: Run) -> ProbeBudget:
    """The probe's, converter's and place's terms for a run's header."""
    notes: list[str] = []
    kind = _kind(run.probe.kind, notes)
    converter = _converter(run.probe.converter, notes)
    calibration = run.probe.calibration
    trusted = calibration is not None and _narrows(calibration, run, notes)
    if trusted and calibration is not None:
        rows = _calibrated_rows(calibration, kind, converter)
        if calibration.coverage_factor is None:
            # Limits of which no more is known: JCGM 100:2008, 4.3.7.
            notes.append(
                "the calibration does not say its coverage factor: its uncertainty is taken as bare limits"
            )
    else:
        rows = _tolerance_rows(kind, converter)
        if calibration is not None and calibration.offset_K > 0.0:
            # It still raises every reading, and nothing vouches for it.
            rows.append(
                _rectangular(
                    "a correction that is not believed", calibration.offset_K, "the whole of it; our rule"
                )
            )
    same_place = trusted and calibration is not None and was_checked_at_boil(calibration.method)
    rows += [
        BudgetRow(
            "resolution of the reading",
            f"{converter.step_K:.2g}",
            "K",
            "step",
            converter.step_K / sqrt(12.0),
            "JCGM 100:2008, F.2.2.1",
        ),
        BudgetRow(
            "scatter of the 30 s mean",
            f"±{2 * SCATTER_K:.2g}",
            "K",
            "normal, k = 2",
            SCATTER_K,
            "our estimate",
        ),
        _rectangular(
            "depth in the water, superheat",
            0.1 if same_place else 0.2,
            "boiling point under 10 to 25 cm of water by IAPWS-IF97, mixed; our estimate"
            + (", same place as at the check" if same_place else ""),
        ),
        _rectangular("what is dissolved in the water", 0.05, "tap water; from memory"),
    ]
    if calibration is None:
        notes.append("the probe has no calibration: its class's tolerance is taken")
    return ProbeBudget(
        rows=tuple(rows),
        standard_K=sqrt(sum(row.standard_K**2 for row in rows)),
        offset_K=0.0 if calibration is None else calibration.offset_K,
        response_s=kind.response_s,
        step_K=converter.step_K,
        calibrated=trusted,
        notes=tuple(notes),
    )


def _kind(words: str | None, notes: list[str]) -> ProbeKind:
    known = probe_kinds()
    name = match(words, tuple(known))
    if name is None:
        notes.append(
            "the record does not say what kind of probe it is; taken at its widest"
            if words is None
            else f"probe kind {words[:60]!r} is not in the list; taken at its widest"
        )
    return known[name or OTHER]


def _converter(words: str | None, notes: list[str]) -> Converter:
    known = converters()
    name = match(words, tuple(known))
    if name is None:
        notes.append(
            "the record does not say what converter it has; taken at its widest"
            if words is None
            else f"converter {words[:60]!r} is not in the list; taken at its widest"
        )
    return known[name or OTHER]


def _narrows(calibration: Calibration, run: Run, notes: list[str]) -> bool:
    """Whether a calibration may stand in for the tolerance of the probe's class; says why not."""
    method, started_at = match(calibration.method, METHODS), run.started_at
    refusal = ""
    if run.probe.channel not in WATER_CHANNELS:
        refusal = f"the correction is for the channel “{run.probe.channel}”, not for the water"
    elif calibration.at is None:
        refusal = "the calibration has no date, so its age is unknown"
    elif calibration.at > started_at:
        refusal = "the calibration is dated after the run"
    elif not is_within_a_year(calibration.at, started_at):
        age_d = ceil((started_at - calibration.at) / timedelta(days=1))
        refusal = f"the calibration is {age_d} days old, more than 12 months"
    elif method is None or method == OTHER:
        refusal = "the record does not say how the calibration was made"
    elif method == "boiling point" and abs(calibration.offset_K) > CIRCULAR_BEYOND_K:
        refusal = (
            f"a correction of {calibration.offset_K:+.2f} K (more than {CIRCULAR_BEYOND_K} K) from the boiling point "
            "alone proves itself with itself; check at the ice point too"
        )
    elif (
        calibration.ice_offset_K is not None
        and calibration.boil_offset_K is not None
        and abs(calibration.ice_offset_K - calibration.boil_offset_K) > CORRECTIONS_DIFFER_K
    ):
        refusal = (
            f"the ice and boiling point corrections differ by "
            f"{abs(calibration.ice_offset_K - calibration.boil_offset_K):.2f} K: altitude, pressure or probe "
            "is in doubt"
        )
    elif (
        calibration.boil_offset_K is not None
        and abs(calibration.offset_K - calibration.boil_offset_K) > CORRECTIONS_DIFFER_K
    ):
        refusal = (
            f"the correction of {calibration.offset_K:+.2f} K is not the one found at the boiling point "
            f"({calibration.boil_offset_K:+.2f} K)"
        )
    if refusal:
        notes.append(f"{refusal}: the tolerance of the probe's class is taken instead")
    return not refusal


def _calibrated_rows(calibration: Calibration, kind: ProbeKind, converter: Converter) -> list[BudgetRow]:
    factor = calibration.coverage_factor
    rows = [
        BudgetRow(
            "probe and converter, by calibration",
            f"±{calibration.expanded_uncertainty_K:g}",
            "K",
            "rectangular, k not stated" if factor is None else f"normal, k = {factor:g}",
            calibration.expanded_uncertainty_K / (factor or sqrt(3.0)),
            f"calibration: {calibration.method}",
        ),
        _rectangular("drift since the calibration", 0.2, "base-metal couples kept for water; our judgement"),
    ]
    # A resistance thermometer has no cold junction, but its converter still drifts.
    if converter.cold_junction_change_K:
        rows.append(
            _rectangular(
                "cold junction and converter since then", converter.cold_junction_change_K, converter.source
            )
        )
    if converter.form_change_K and kind.needs_cold_junction:
        rows.append(
            _rectangular("straight-line conversion since then", converter.form_change_K, converter.source)
        )
    return rows


def _tolerance_rows(kind: ProbeKind, converter: Converter) -> list[BudgetRow]:
    rows = [_rectangular("probe, by the tolerance of its class", kind.tolerance_K, kind.source)]
    if converter.tolerance_K:
        rows.append(_rectangular("converter", converter.tolerance_K, converter.source))
    if kind.needs_cold_junction and converter.cold_junction_K:
        rows.append(_rectangular("cold junction", converter.cold_junction_K, converter.source))
    if kind.needs_cold_junction and converter.form_K:
        rows.append(_rectangular("straight-line conversion", converter.form_K, converter.source))
    return rows


def expanded_K(probe: ProbeBudget, pressure: PressureBasis) -> float:
    """U (k = 2) of (reading − boiling point). [K]"""
    return 2.0 * sqrt(probe.standard_K**2 + pressure.standard_K**2) + pressure.added_K


def full_budget(run: Run, probe: ProbeBudget, pressure: PressureBasis) -> Budget:
    """The whole table, with what it means for proving a boil."""
    expanded = expanded_K(probe, pressure)
    return Budget(
        rows=(*probe.rows, *pressure.rows),
        expanded_K=expanded,
        cannot_prove=_cannot_prove(run, probe, pressure, expanded),
        notes=(*probe.notes, *pressure.notes),
    )


def budget_of(run: Run) -> Budget:
    """The budget of a set-up before the heat goes on, from the header alone.

    Where the record names a barometer, one in working order is assumed.
    """
    return full_budget(run, probe_budget(run), basis_before_start(run))


def _cannot_prove(run: Run, probe: ProbeBudget, pressure: PressureBasis, expanded: float) -> str:
    """ "" when a boil can be proven with this set-up, else why not and what would help."""
    if pressure.boil_C is None:
        return (
            "Nothing says at what temperature water boils here: no altitude and no pressure. Give the "
            "kitchen's altitude, or a barometer."
        )
    needed_K = expanded + 2.0 * SCATTER_K + pressure.raised_K - DEPTH_BONUS_K
    if needed_K <= ALLOWANCE_UNSEEN_K:
        return ""
    helps = _what_helps(run, probe, pressure)
    if needed_K <= ALLOWANCE_SEEN_K:
        return (
            f"Reading and boiling point are together uncertain by ±{expanded:.2f} K. {ONLY_IF_SEEN} {helps}"
        ).strip()
    why = f"This set-up cannot prove a boil: reading and boiling point are together uncertain by ±{expanded:.2f} K"
    if pressure.raised_K:
        why += (
            f", and with the altitude alone the boiling point must be taken {pressure.raised_K:.2f} K higher "
            "for warm weather"
        )
    return f"{why}; a boil and a simmer then look alike. {helps}".strip()


def _what_helps(run: Run, probe: ProbeBudget, pressure: PressureBasis) -> str:
    helps = []
    if not probe.calibrated:
        helps.append("check the probe at the ice point and the boiling point")
    if pressure.source == "altitude":
        helps.append("add a barometer to the node, or enter today's station pressure")
    if run.probe.converter is None or run.probe.kind is None:
        helps.append("say what kind of probe and converter it is")
    if not helps:
        helps.append("use a finer probe or repeat the check with more care")
    return "What helps: " + "; ".join(helps) + "."
