"""What today's set-up can prove, in plain words, before the heat goes on; and what would make it prove more."""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.judge.budget import (
    ALLOWANCE_SEEN_K,
    ALLOWANCE_UNSEEN_K,
    DEPTH_BONUS_K,
    ONLY_IF_SEEN,
    budget_of,
    probe_budget,
)
from monitor.judge.gap import longest_bridgeable_s
from monitor.judge.pressure import SEASON_K, SEASON_M, WARM_RISE_K, WEATHER_K, basis_before_start
from monitor.judge.verdict import Budget
from monitor.physics.pressure import standard_pressure_kPa
from monitor.plan.basis import BoilBasis, boil_basis
from monitor.plan.probe import careful_check
from monitor.plan.registration import PLACES, ProbeRegistration
from monitor.record.model import Run
from monitor.tables.probes import OTHER

PROVES = "proves"
PROVES_IF_SEEN = "proves_if_seen"
CANNOT = "cannot"

SENTENCES = {
    PROVES: "This set-up can prove a boil by itself.",
    PROVES_IF_SEEN: "This set-up can prove a boil if you look and mark the rolling boil.",
    CANNOT: "This set-up cannot prove a boil, whatever it reads.",
}
#: The same, after something was added to the set-up.
THEN = {
    PROVES: "then it can prove a boil by itself",
    PROVES_IF_SEEN: "then it can prove a boil if you look and mark it",
    CANNOT: "that helps, and is not enough by itself",
}
_BETTER = (CANNOT, PROVES_IF_SEEN, PROVES)


@dataclass(frozen=True, slots=True)
class Way:
    """One thing that would help, and what the set-up could prove then; both found by the judge's budget."""

    what: str
    answer: str

    @property
    def text(self) -> str:
        return f"{self.what}: {THEN[self.answer]}."


@dataclass(frozen=True, slots=True)
class SetUp:
    """The set-up's answer.

    ``why_altitude`` says why the altitude alone does not do, "" where something measures the air; ``ways``
    are what would help, empty where the set-up proves a boil by itself.
    """

    answer: str
    sentence: str
    text: tuple[str, ...]
    budget: Budget
    why_altitude: str
    ways: tuple[Way, ...]


def what_it_proves(header: Run) -> SetUp:
    """Ask the judge's budget of a run's header what it can prove, and tell it in plain words.

    Parameters
    ----------
    header : Run
        Site, probe and time; samples are not looked at.
    """
    budget = budget_of(header)
    answer = _answer(budget)
    text = [f"Reading and boiling point are together uncertain by ±{budget.expanded_K:.2f} K (k = 2)."]
    if largest := _largest(budget):
        text.append(f"Most of it: {largest}.")
    if answer != CANNOT:
        gap_s = longest_gap_s(header)
        text.append(
            f"A silence of the node of up to {gap_s:.0f} s at the boil can be bridged; a longer one ends it."
            if gap_s >= 1.0
            else "No silence of the node at the boil can be bridged: it ends the time."
        )
    ways = () if answer == PROVES else _ways(header, answer)
    if not ways and budget.cannot_prove:
        text.append(budget.cannot_prove)
    text += [note[:1].upper() + note[1:] + "." for note in budget.notes]
    return SetUp(
        answer,
        SENTENCES[answer],
        tuple(text),
        budget,
        _why_altitude(header, answer),
        ways,
    )


def longest_gap_s(header: Run) -> float:
    """The longest silence of the node at a boil that a set-up can bridge; 0 where it proves none. [s]"""
    budget = budget_of(header)
    answer = _answer(budget)
    if answer == CANNOT:
        return 0.0
    clearance_K = (ALLOWANCE_SEEN_K if answer == PROVES_IF_SEEN else ALLOWANCE_UNSEEN_K) - budget.expanded_K
    # Where the boiling point is taken higher for the season, a true boil reads that much nearer to the floor.
    clearance_K -= max(basis_before_start(header).raised_K - DEPTH_BONUS_K, 0.0)
    return longest_bridgeable_s(clearance_K)


def _answer(budget: Budget) -> str:
    if not budget.cannot_prove:
        return PROVES
    return PROVES_IF_SEEN if ONLY_IF_SEEN in budget.cannot_prove else CANNOT


def _why_altitude(header: Run, answer: str) -> str:
    """Why the altitude alone cannot say where water boils today, or ""."""
    altitude_m = header.site.altitude_m
    if altitude_m is None or answer == PROVES or basis_before_start(header).source != "altitude":
        return ""
    season_K = SEASON_K * max(altitude_m, 0.0) / SEASON_M
    warm_K = WARM_RISE_K * max(altitude_m, 0.0) / SEASON_M
    text = (
        f"Nothing here measures today's air. At {altitude_m:.0f} m the weather alone moves the boiling point "
        f"by ±{2.0 * WEATHER_K:.1f} K"
    )
    if season_K >= 0.05:
        text += (
            f" and the season by ±{2.0 * season_K:.1f} K; on a warm day water boils hotter than the altitude says, so "
            f"it is taken {warm_K:.2f} K higher"
        )
    if answer == CANNOT:
        return f"{text}. The altitude alone cannot tell a boil from a simmer that is this close to it."
    return f"{text}. With the altitude alone somebody must see the boil."


def _ways(header: Run, answer: str) -> tuple[Way, ...]:
    """What would help, each tried on the header; where something can be proven already, only what is better."""
    measured = basis_before_start(header).source != "altitude"
    typed = _typed(header)
    checked = None if typed is None else _checked(header, typed)
    by_altitude = None if measured else _checked(header, header)
    tries: list[tuple[str, Run | None]] = []
    setting = "Type today's altimeter setting (QNH) of an airport near by"
    barometer = "A barometer on the node, compared with an altimeter setting"
    check = "Check this probe at the ice point and at the boil, with that hour's altimeter setting"
    blind = "The same check with the altitude alone, even in the same week"
    if not measured:
        tries += [(setting, typed), (barometer, _with_barometer(header))]
    if checked is not None and not _is_checked(header):
        tries.append((check, checked))
        if not measured:
            tries += [
                ("That check, and today's altimeter setting", _typed(checked)),
                ("That check, and the barometer", _with_barometer(checked)),
                (blind, by_altitude),
            ]
    ways = tuple(Way(what, _answer(budget_of(run))) for what, run in tries if run is not None)
    better = tuple(way for way in ways if _BETTER.index(way.answer) > _BETTER.index(answer))
    return ways if better and answer == CANNOT else better


def _is_checked(header: Run) -> bool:
    return probe_budget(header).calibrated


def _typed(header: Run) -> Run | None:
    altitude_m = header.site.altitude_m
    if altitude_m is None:
        return None
    extra = {**header.site.extra, "station_pressure_at": header.started_at.isoformat()}
    site = replace(header.site, station_pressure_kPa=standard_pressure_kPa(altitude_m), extra=extra)
    return replace(header, site=replace(site, pressure_source="station pressure"))


def _with_barometer(header: Run) -> Run:
    site = replace(header.site, pressure_source="barometer", barometer_checked_at=header.started_at)
    return replace(header, site=site)


def _checked(header: Run, then: Run) -> Run | None:
    """The same set-up with a probe that was checked with care; ``then`` says what was known of the air at the check.

    How long ago that was makes no difference to the judge within its 12 months: what changes between a check and a
    run is in the budget as drift, and no part of the weather's share is forgiven to a check of the same week.
    """
    basis = boil_basis(then.site, header.started_at)
    if not isinstance(basis, BoilBasis):
        return None
    probe = header.probe
    known = ProbeRegistration("", probe.kind or OTHER, probe.converter or OTHER, PLACES[0], probe.channel)
    return replace(header, probe=replace(probe, calibration=careful_check(known, basis, header.started_at)))


def _largest(budget: Budget, most: int = 3) -> str:
    """The terms that make up most of the budget, largest first."""
    rows = sorted(budget.rows, key=lambda row: -row.standard_K)[:most]
    return "; ".join(f"{row.term} ±{2.0 * row.standard_K:.2f} K" for row in rows if row.standard_K > 0.0)
