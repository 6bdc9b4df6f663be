"""The uncertainty of (reading − boiling point), term by term, as a table a person can read.

Terms are combined as JCGM 100:2008 (GUM) asks: a half-width ``a`` of a rectangular distribution has the
standard uncertainty a/√3, a step q has q/√12, independent terms add in squares, and U = 2 u. How U is used
(a guard band) follows JCGM 106:2012; see :mod:`monitor.judge.engine`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

from monitor.judge.calibration import (
    DAMAGE_HELPS,
    Worth,
    damage_of,
    divisor_of,
    was_checked_at_boil,
    worth_of,
)
from monitor.judge.pressure import BY_HAND, NOT_COMPARED, SINCE, PressureBasis, added_row, basis_before_start
from monitor.judge.verdict import Budget, BudgetRow
from monitor.record.model import Calibration, Run
from monitor.tables.probes import OTHER, Chain, chain_of, match

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

#: What a set-up can do that proves a boil with a person's help, and how that reads where the person did help.
ONLY_IF_SEEN = (
    "This set-up can prove a boil only where a person looks and marks the rolling boil: look, and mark it."
)
SEEN_AND_NARROW = "That leaves little room even where a person saw the boil."


@dataclass(frozen=True, slots=True)
class ProbeBudget:
    """The part of the budget that does not depend on the pressure. ``standard_K`` combines ``rows``.

    ``added_K``: a known error that is not corrected, added to U. ``refused``: why the calibration counts for nothing;
    ``damaged``: why the probe is not what the record says it is; or "".
    """

    rows: tuple[BudgetRow, ...]
    standard_K: float
    offset_K: float
    response_s: float
    step_K: float
    calibrated: bool
    notes: tuple[str, ...]
    added_K: float = 0.0
    refused: str = ""
    damaged: str = ""

    def in_steps_of(self, step_K: float) -> ProbeBudget:
        """The same where the record's readings move in wider steps than the converter's."""
        note = (
            f"the readings move in steps of {step_K:.2g} K, the converter that the record names in steps of "
            f"{self.step_K:.2g} K: the wider ones are taken"
        )
        rows = tuple(_resolution(step_K) if row.term == RESOLUTION else row for row in self.rows)
        return replace(
            self, rows=rows, standard_K=_combined_K(rows), step_K=step_K, notes=(*self.notes, note)
        )


#: What the resolution is called in the table.
RESOLUTION = "resolution of the reading"


def _combined_K(rows: tuple[BudgetRow, ...]) -> float:
    return sqrt(sum(row.standard_K**2 for row in rows))


def _rectangular(term: str, half_K: float, source: str, value: str = "") -> BudgetRow:
    return BudgetRow(term, value or f"±{half_K:.3g}", "K", "rectangular", half_K / sqrt(3.0), source)


def _resolution(step_K: float) -> BudgetRow:
    return BudgetRow(RESOLUTION, f"{step_K:.2g}", "K", "step", step_K / sqrt(12.0), "JCGM 100:2008, F.2.2.1")


def probe_budget(run: Run) -> ProbeBudget:
    """The probe's, converter's and place's terms for a run's header."""
    chain = chain_of(run.probe.kind, run.probe.converter)
    calibration = run.probe.calibration
    worth = (
        Worth("the probe has no calibration: its class's tolerance is taken")
        if calibration is None
        else worth_of(run, calibration, chain)
    )
    trusted = calibration is not None and not worth.refused
    if trusted and calibration is not None:
        rows = _calibrated_rows(calibration, worth, chain)
    else:
        rows = _tolerance_rows(chain)
        if calibration is not None and calibration.offset_K > 0.0:
            # It still raises every reading, and nothing vouches for it.
            rows.append(
                _rectangular(
                    "a correction that is not believed", calibration.offset_K, "the whole of it; our rule"
                )
            )
    same_place = (
        trusted
        and calibration is not None
        and was_checked_at_boil(calibration)
        and not _is_of_no_known_place(run)
    )
    rows += [
        _resolution(chain.converter.step_K),
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
    if worth.added_K:
        source = "a known error that is not corrected: JCGM 100:2008, F.2.4.5"
        rows.append(added_row("correction used, not the one found", worth.added_K, source))
    return ProbeBudget(
        rows=tuple(rows),
        standard_K=_combined_K(tuple(rows)),
        offset_K=0.0 if calibration is None else calibration.offset_K,
        response_s=chain.kind.response_s,
        step_K=chain.converter.step_K,
        calibrated=trusted,
        notes=(*chain.notes, *worth.notes, *([worth.refused] if worth.refused else [])),
        added_K=worth.added_K,
        refused=worth.refused,
        damaged=damage_of(run, chain),
    )


def _is_of_no_known_place(run: Run) -> bool:
    """Whether the header itself says that nobody knows where the probe sits."""
    return match(str(run.probe.extra.get("place", "")), (OTHER,)) == OTHER


def _distribution(factor: float | None, divisor: float) -> str:
    if factor is None:
        return "rectangular, k not stated"
    counted = "" if divisor == factor else f", counted as {divisor:.3g}"
    return f"normal, k = {factor:g}{counted}"


def _calibrated_rows(calibration: Calibration, worth: Worth, chain: Chain) -> list[BudgetRow]:
    kind, converter, factor = chain.kind, chain.converter, calibration.coverage_factor
    divisor = divisor_of(calibration)
    is_couple = kind.needs_cold_junction
    rows = [
        BudgetRow(
            "probe and converter, by calibration",
            f"±{calibration.expanded_uncertainty_K:g}",
            "K",
            _distribution(factor, divisor),
            calibration.expanded_uncertainty_K / divisor,
            f"calibration: {calibration.method}",
        ),
        _rectangular(
            "drift since the calibration",
            0.2,
            "base-metal couples kept for water; our judgement"
            if is_couple
            else "as for couples kept for water, which drift more; our judgement",
        ),
    ]
    if worth.away_K:
        rows.append(
            _rectangular(
                "checked at one point, at another boil"
                if was_checked_at_boil(calibration)
                else "compared at one temperature, not at this boil",
                worth.away_K,
                "±0.07 K for a boiling point 7 K away, which is taken where the check's is not told; computed"
                if was_checked_at_boil(calibration)
                else "±0.01 K for each kelvin from it: ±0.07 K at 7 K, computed",
            )
        )
    # A resistance thermometer has no cold junction, but its converter still drifts.
    if converter.cold_junction_change_K:
        rows.append(
            _rectangular(
                "cold junction and converter since then" if is_couple else "converter since then",
                converter.cold_junction_change_K,
                "what may move between two checks; our estimate",
            )
        )
    if converter.form_change_K and is_couple:
        rows.append(
            _rectangular(
                "straight-line conversion since then",
                converter.form_change_K,
                "by the chip's temperature; computed from the ITS-90 type K function",
            )
        )
    return rows


def _tolerance_rows(chain: Chain) -> list[BudgetRow]:
    kind, converter = chain.kind, chain.converter
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
    return 2.0 * sqrt(probe.standard_K**2 + pressure.standard_K**2) + probe.added_K + pressure.added_K


def full_budget(run: Run, probe: ProbeBudget, pressure: PressureBasis) -> Budget:
    """The whole table, with what it means for proving a boil."""
    expanded = expanded_K(probe, pressure)
    return Budget(
        rows=(*probe.rows, *pressure.rows),
        expanded_K=expanded,
        cannot_prove=_cannot_prove(run, probe, pressure, expanded),
        notes=(*probe.notes, *pressure.notes),
    )


def budget_of(run: Run, at_s: float = 0.0, heard_kPa: float | None = None) -> Budget:
    """The budget of a set-up before the heat goes on, from the header alone.

    Parameters
    ----------
    at_s : float
        How long after the start it is to hold: what was typed is older by then. [s]
    heard_kPa : float, optional
        What the barometer that the record names says by now; without it one in working order is assumed. [kPa]
    """
    return full_budget(run, probe_budget(run), basis_before_start(run, at_s, heard_kPa))


def _cannot_prove(run: Run, probe: ProbeBudget, pressure: PressureBasis, expanded: float) -> str:
    """ "" when a boil can be proven with this set-up, else why not and what would help."""
    if probe.damaged:
        return f"This set-up cannot prove a boil: {probe.damaged}. {DAMAGE_HELPS}"
    if pressure.disagrees:
        return f"This set-up cannot prove a boil: {pressure.disagrees}."
    if pressure.boil_C is None:
        return (
            "Nothing says at what temperature water boils here: no altitude and no pressure. Give the "
            "kitchen's altitude, or a barometer."
        )
    needed_K = expanded + 2.0 * SCATTER_K + pressure.raised_K - DEPTH_BONUS_K
    if needed_K <= ALLOWANCE_UNSEEN_K:
        return ""
    helps = " ".join(said for said in (_sentence(probe.refused), _what_helps(run, probe, pressure)) if said)
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


def _sentence(clause: str) -> str:
    return f"{clause[0].upper()}{clause[1:]}." if clause else ""


def _what_helps(run: Run, probe: ProbeBudget, pressure: PressureBasis) -> str:
    helps = []
    if not probe.calibrated:
        helps.append("check the probe at the ice point and the boiling point")
    if pressure.source == "altitude":
        helps.append("add a barometer to the node, or enter today's station pressure")
    if NOT_COMPARED in pressure.notes:
        helps.append("compare the barometer with a station's altimeter setting")
    if BY_HAND in pressure.notes:
        helps.append("enter an altimeter setting instead of what a barometer in the kitchen reads")
    if any(row.term.startswith(SINCE) for row in pressure.rows):
        helps.append("read the pressure anew")
    if probe.added_K:
        helps.append("correct by what the check found at the boiling point")
    if chain_of(run.probe.kind, run.probe.converter).notes:
        helps.append("say what kind of probe and converter it is")
    if not helps:
        helps.append("use a finer probe or repeat the check with more care")
    return "What helps: " + "; ".join(helps) + "."
