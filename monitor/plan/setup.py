"""What today's set-up can prove, in plain words, before the heat goes on; and what would make it prove more."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

from monitor.judge.budget import (
    ALLOWANCE_SEEN_K,
    ALLOWANCE_UNSEEN_K,
    DEPTH_BONUS_K,
    ONLY_IF_SEEN,
    budget_of,
    probe_budget,
)
from monitor.judge.gap import longest_bridgeable_s
from monitor.judge.pressure import (
    ALTIMETER_SETTING,
    BY_HAND,
    NOT_COMPARED,
    SEASON_K,
    SEASON_M,
    SINCE,
    TYPED_LASTS_S,
    WARM_RISE_K,
    WEATHER_K,
    PressureBasis,
    basis_before_start,
    from_typed,
)
from monitor.judge.verdict import Budget
from monitor.physics.pressure import standard_pressure_kPa
from monitor.plan.basis import BoilBasis, boil_basis
from monitor.plan.probe import careful_check
from monitor.plan.registration import PLACES, ProbeRegistration
from monitor.record.model import Run
from monitor.tables.probes import OTHER

#: From the start to the boil, as a set-up is judged: what was typed is older by that and the time asked. [s] Our
#: choice: preheated water boils after 4 to 21 min, with its preheating after 23 to 49 (physics facts, P48).
COME_UP_S = 1800.0

PROVES = "proves"
PROVES_IF_SEEN = "proves_if_seen"
CANNOT = "cannot"

#: The surest way that asks for no tool.
TYPE_IT = "Type today's altimeter setting (QNH) of an airport near by"

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
#: Said where a header names a barometer that nobody has heard.
NOT_LOOKED_AT = (
    "What the barometer says is not known here: one that is in order, and agrees with the altitude, is taken for "
    "granted."
)
#: Why the terms of the table do not add up to the ± above them.
HOW_ADDED = (
    "The ± is the root of the sum of the squares of what each term makes of it, so their parts do not add up to it; "
    "only a known error that nothing corrects is added whole."
)
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


def what_it_proves(header: Run, heard_kPa: float | None = None) -> SetUp:
    """Ask the judge's budget of a run's header what it can prove by its end, and tell it in plain words.

    Parameters
    ----------
    header : Run
        Site, probe, time and the minutes asked; samples are not looked at.
    heard_kPa : float, optional
        What the node's barometer says by now, where the header names it. [kPa]
    """
    budget, basis = _budget(header, heard_kPa), _basis(header, heard_kPa)
    answer = _answer(budget)
    text = [] if not basis.disagrees else [budget.cannot_prove]
    text += [
        f"Reading and boiling point are together uncertain by ±{budget.expanded_K:.2f} K (k = 2): in about 95 of 100 "
        "such set-ups the error is smaller.",
        *_floor(budget, basis),
        *_by_then(header, basis, heard_kPa),
    ]
    if largest := _largest(budget):
        text.append(f"Most of it: {largest}. {HOW_ADDED}")
    if answer != CANNOT:
        gap_s = longest_gap_s(header, heard_kPa)
        text.append(
            f"A silence of the node of up to {gap_s:.0f} s at the boil can be bridged; a longer one ends it."
            if gap_s >= 1.0
            else "No silence of the node at the boil can be bridged: it ends the time."
        )
    ways = () if answer == PROVES else _ways(header, heard_kPa, answer)
    if not ways and budget.cannot_prove and not basis.disagrees:
        text.append(budget.cannot_prove)
    text += [note[:1].upper() + note[1:] + "." for note in budget.notes]
    return SetUp(
        answer,
        SENTENCES[answer],
        tuple(text),
        budget,
        _why_altitude(header, basis, answer),
        ways,
    )


def lasts_s(header: Run) -> float:
    """From the start to the end of the time asked, with a usual come-up. [s]"""
    return COME_UP_S + header.required_s


def _budget(header: Run, heard_kPa: float | None = None) -> Budget:
    return budget_of(header, lasts_s(header), heard_kPa)


def _basis(header: Run, heard_kPa: float | None = None) -> PressureBasis:
    return basis_before_start(header, lasts_s(header), heard_kPa)


def longest_gap_s(header: Run, heard_kPa: float | None = None) -> float:
    """The longest silence of the node at a boil that a set-up can bridge; 0 where it proves none. [s]"""
    budget = _budget(header, heard_kPa)
    answer = _answer(budget)
    if answer == CANNOT:
        return 0.0
    clearance_K = (ALLOWANCE_SEEN_K if answer == PROVES_IF_SEEN else ALLOWANCE_UNSEEN_K) - budget.expanded_K
    # Where the boiling point is taken higher for the season, a true boil reads that much nearer to the floor.
    clearance_K -= max(_basis(header, heard_kPa).raised_K - DEPTH_BONUS_K, 0.0)
    return longest_bridgeable_s(clearance_K)


def _answer(budget: Budget) -> str:
    if not budget.cannot_prove:
        return PROVES
    return PROVES_IF_SEEN if ONLY_IF_SEEN in budget.cannot_prove else CANNOT


def _floor(budget: Budget, basis: PressureBasis) -> list[str]:
    """Against what a reading and its ± are held."""
    if basis.boil_C is None or basis.disagrees:
        return []
    unseen_C, seen_C = (basis.boil_C - less_K for less_K in (ALLOWANCE_UNSEEN_K, ALLOWANCE_SEEN_K))
    return [
        f"It counts as boiling only where the reading, less these {budget.expanded_K:.2f} K, is above {unseen_C:.1f} "
        f"°C: the boiling point of {basis.boil_C:.1f} °C less {ALLOWANCE_UNSEEN_K} K. Once you have marked the rolling "
        f"boil, above {seen_C:.1f} °C, which is less {ALLOWANCE_SEEN_K} K. That a set-up can prove a boil means that a "
        "full one which reads so for the whole time is called held, not that this one will be."
    ]


def _by_then(header: Run, basis: PressureBasis, heard_kPa: float | None) -> list[str]:
    """That the end is what is judged, where something is older by then, or was not looked at."""
    if header.site.pressure_source == "barometer":
        return [] if heard_kPa is not None else [NOT_LOOKED_AT]
    if from_typed(header, 0.0) is None:
        return []
    span = f"{header.required_s / 60.0:g} min and {COME_UP_S / 60.0:.0f} of come-up"
    if basis.source == "altitude":
        return [
            f"The pressure that was typed counts for {TYPED_LASTS_S / 3600.0:.0f} h, and is older at the end of {span}"
            ": read it anew on the way, and enter it as a correction of the run."
        ]
    return [f"Judged as it will be at the end, after {span}: the pressure that was typed is as old by then."]


def _why_altitude(header: Run, basis: PressureBasis, answer: str) -> str:
    """Why the altitude alone cannot say where water boils today, or ""."""
    altitude_m = header.site.altitude_m
    if altitude_m is None or answer == PROVES or basis.source != "altitude":
        return ""
    season_K = SEASON_K * max(altitude_m, 0.0) / SEASON_M
    warm_K = WARM_RISE_K * max(altitude_m, 0.0) / SEASON_M
    nothing = "Nothing here measures today's air."
    if from_typed(header, 0.0) is not None:
        nothing = "By the end the pressure that was typed is too old, and nothing here measures the air."
    text = f"{nothing} At {altitude_m:.0f} m the weather alone moves the boiling point by ±{2.0 * WEATHER_K:.1f} K"
    if season_K >= 0.05:
        text += (
            f" and the season by ±{2.0 * season_K:.1f} K; on a warm day water boils hotter than the altitude says, so "
            f"it is taken {warm_K:.2f} K higher"
        )
    if answer == CANNOT:
        return f"{text}. The altitude alone cannot tell a boil from a simmer that is this close to it."
    return f"{text}. With the altitude alone somebody must see the boil."


#: What was tried, the header with it, and what its barometer would say. [kPa]
_Try = tuple[str, Run | None, float | None]


def _ways(header: Run, heard_kPa: float | None, answer: str) -> tuple[Way, ...]:
    """What would help, each tried on the header; where something can be proven already, only what is better."""
    tries = [*_air(header, heard_kPa), *_checks(header, heard_kPa)]
    ways = tuple(Way(what, _answer(_budget(run, heard))) for what, run, heard in tries if run is not None)
    better = tuple(way for way in ways if _BETTER.index(way.answer) > _BETTER.index(answer))
    return ways if better and answer == CANNOT else better


def _air(header: Run, heard_kPa: float | None) -> list[_Try]:
    """What would tell today's air better."""
    basis = _basis(header, heard_kPa)
    setting: _Try = (TYPE_IT, _typed(header), None)
    if basis.source == "altitude":
        return [
            setting,
            ("A barometer on the node, compared with an altimeter setting", _with_barometer(header), None),
        ]
    tries: list[_Try] = []
    if NOT_COMPARED in basis.notes and not basis.disagrees:
        compared = "Compare the node's barometer with the altimeter setting (QNH) of an airport near by"
        tries.append((compared, _with_barometer(header), heard_kPa))
    if basis.disagrees or BY_HAND in basis.notes or NOT_COMPARED in basis.notes:
        tries.append(setting)
    if any(row.term.startswith(SINCE) for row in basis.rows):
        anew = "Read the pressure anew at half of the time, and enter it as a correction of the run"
        tries.append((anew, _read_anew(header), None))
    return tries


def _checks(header: Run, heard_kPa: float | None) -> list[_Try]:
    """What a check of the probe would make of it, alone and with the air told better."""
    typed = _typed(header)
    checked = None if typed is None else _checked(header, typed)
    if checked is None or _is_checked(header):
        return []
    check = "Check this probe at the ice point and at the boil, with that hour's altimeter setting"
    tries: list[_Try] = [(check, checked, heard_kPa)]
    basis = _basis(header, heard_kPa)
    if basis.source == "altitude":
        tries += [
            ("That check, and today's altimeter setting", _typed(checked), None),
            ("That check, and the barometer", _with_barometer(checked), None),
            ("The same check with the altitude alone, even in the same week", _checked(header, header), None),
        ]
    else:
        tries += [
            (f"That check, and this: {what[:1].lower()}{what[1:]}", _same(run, checked), heard)
            for what, run, heard in _air(header, heard_kPa)
        ]
    return tries


def _same(run: Run | None, checked: Run) -> Run | None:
    """The one's air with the other's probe."""
    return None if run is None else replace(run, probe=checked.probe)


def _is_checked(header: Run) -> bool:
    return probe_budget(header).calibrated


def _read_anew(header: Run) -> Run:
    at = header.started_at + timedelta(seconds=lasts_s(header) / 2.0)
    return replace(
        header, site=replace(header.site, extra={**header.site.extra, "station_pressure_at": at.isoformat()})
    )


def _typed(header: Run) -> Run | None:
    altitude_m = header.site.altitude_m
    if altitude_m is None:
        return None
    extra = {
        **header.site.extra,
        "station_pressure_at": header.started_at.isoformat(),
        "station_pressure_kind": ALTIMETER_SETTING,
    }
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
