"""What a calibration is worth at the boil, and when it is worth nothing.

Sources: JCGM 100:2008 (GUM), F.2.4.5 for a known error that is not corrected; physics facts P42 (an ice point alone
is good to ±0.07 K at 7 K, so to ±1 K at 100 K; a probe off by more than its class is damaged), P28 and P33 (the
classes of IEC 60584-1:2013 and IEC 60751); record requirement I3 (a boiling point alone sets no correction beyond
0.5 K, and ice and boil may not differ by more).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from math import sqrt
from typing import Any

import pytest

from monitor.judge import Budget, budget_of, judge
from monitor.judge.verdict import HELD, UNPROVEN
from monitor.plan import probe as check
from monitor.record.model import Calibration, Probe, Run
from monitor.tables.probes import chain_of, converters, probe_kinds

FINE, RESISTANCE = "linearised, 0.0078 K steps", "resistance, 0.03 K steps"
Build = Callable[..., Any]


@pytest.fixture
def header(cook: Build) -> Run:
    """A checked fine class 1 couple and a checked barometer at sea level: U 0.37 K."""
    run: Run = cook().run([])
    return run


def with_check(run: Run, **changes: Any) -> Run:
    calibration = replace(run.probe.calibration or Calibration(0.0, 0.2), **changes)
    return replace(run, probe=replace(run.probe, calibration=calibration))


def without(run: Run) -> Budget:
    return budget_of(replace(run, probe=replace(run.probe, calibration=None)))


def noted(budget: Budget, said: str) -> bool:
    return any(said in note for note in budget.notes)


# --- where it was made ------------------------------------------------------------------------------------


def test_an_ice_point_alone_does_not_narrow_what_the_class_allows(header: Run) -> None:
    """P42: 7 K away one point leaves ±0.07 K open, so about ±1 K at the boil."""
    iced = budget_of(with_check(header, method="ice point", ice_offset_K=0.0, boil_offset_K=None))
    assert iced.expanded_K == pytest.approx(without(header).expanded_K)
    assert noted(iced, "ice point alone") and noted(iced, "1 K off")
    assert "check the probe at the ice point and the boiling point" in iced.cannot_prove


def test_a_simmer_under_a_probe_checked_in_ice_only_is_not_held(cook: Build) -> None:
    """Class 1, 1.1 K high at the boil and right in ice (IEC 60584-1 allows ±1.5 K); 1.2 K below boiling."""
    story = cook().go(-1.2 + 1.1, 4.0).stay(500.0).mark("heat_off").go(-3.0, 1.0)
    honest = story.run()
    assert judge(honest).verdict == HELD  # what a check at both points would have had to find
    iced = with_check(honest, method="ice point", boil_offset_K=None)
    assert judge(iced).verdict == UNPROVEN


@pytest.mark.parametrize(
    ("figures", "correction_K", "said"),
    [
        ({"ice_offset_K": None, "boil_offset_K": None}, 1.0, "not what was found at either"),
        ({"ice_offset_K": None, "boil_offset_K": 0.9}, 0.9, "proves itself with itself"),
        ({"ice_offset_K": 0.0, "boil_offset_K": None}, 1.0, "ice point alone, as far as its figures go"),
        ({"ice_offset_K": 0.0, "boil_offset_K": None}, 0.0, "ice point alone, as far as its figures go"),
    ],
)
def test_a_method_whose_figures_are_missing_is_not_believed(
    header: Run, figures: dict[str, float | None], correction_K: float, said: str
) -> None:
    """I3, and what a record leaves out is taken at its widest and said: "ice and boiling points" needs both figures."""
    budget = budget_of(with_check(header, offset_K=correction_K, **figures))
    assert budget.expanded_K >= without(header).expanded_K - 1e-9
    assert noted(budget, said), budget.notes


def test_both_points_without_the_ice_figure_count_as_the_boiling_point_alone(header: Run) -> None:
    """Up to 0.5 K that may stand (I3), and it is said; beside P42's ±0.07 K for another kitchen 7 K away."""
    found = budget_of(with_check(header, offset_K=0.3, ice_offset_K=None, boil_offset_K=0.3))
    assert found.expanded_K < 0.5 and noted(found, "the boiling point alone")
    rows = {row.term: row.standard_K for row in found.rows}
    assert rows["checked at one point, at another boil"] == pytest.approx(0.07 / sqrt(3.0))


def test_one_point_is_worth_less_the_further_this_boil_is_from_its_own(header: Run) -> None:
    """P42: ±0.01 K a kelvin. Checked at 99.97 °C; at 3000 m water boils at 89.98 °C (P10): 10 K away."""
    alone = with_check(header, method="boiling point", ice_offset_K=None, extra={"boiling_point_C": 99.974})
    here, high = (
        budget_of(replace(alone, site=replace(alone.site, altitude_m=altitude_m)))
        for altitude_m in (0.0, 3000.0)
    )
    away = [
        next((row.standard_K for row in budget.rows if row.term.startswith("checked at one point")), 0.0)
        for budget in (here, high)
    ]
    assert away[0] == pytest.approx(0.0, abs=1e-4)
    assert away[1] == pytest.approx(0.1 / sqrt(3.0), abs=0.001)


COMPARED = {
    "method": "comparison with a reference thermometer",
    "ice_offset_K": None,
    "boil_offset_K": None,
}


@pytest.mark.parametrize("at_C", [None, "the boil", True, float("nan"), float("inf")])
def test_a_comparison_at_no_matter_what_temperature_is_worth_no_more_than_an_ice_point(
    header: Run, at_C: object
) -> None:
    """P42: in ice water or at 20 °C it may be 1 K off at the boil; what a record leaves out is taken at its widest."""
    extra = {} if at_C is None else {"compared_at_C": at_C}
    said = budget_of(with_check(header, **COMPARED, extra=extra))
    iced = budget_of(with_check(header, method="ice point", ice_offset_K=0.0, boil_offset_K=None))
    assert said.expanded_K == pytest.approx(iced.expanded_K) == pytest.approx(without(header).expanded_K)
    assert noted(said, "does not say at what temperature") and noted(said, "1 K off")
    assert "the record does not say at what temperature" in said.cannot_prove.lower()


@pytest.mark.parametrize(
    ("at_C", "altitude_m", "away_K"), [(99.974, 0.0, 0.0), (90.0, 0.0, 0.1), (90.0, None, 0.17)]
)
def test_a_comparison_counts_by_how_far_from_the_boil_it_was(
    header: Run, at_C: float, altitude_m: float | None, away_K: float
) -> None:
    """P42: ±0.01 K a kelvin; where nobody knows the boil, 7 K more."""
    placed = replace(header, site=replace(header.site, altitude_m=altitude_m))
    budget = budget_of(with_check(placed, **COMPARED, extra={"compared_at_C": at_C}))
    rows = {row.term: row.standard_K for row in budget.rows}
    found_K = rows.get("compared at one temperature, not at this boil", 0.0)
    assert found_K == pytest.approx(away_K / sqrt(3.0), abs=3e-4)
    assert not noted(budget, "tolerance of the probe's class is taken")


@pytest.mark.parametrize("kind", ["type K class 1", "Pt100 class A"])
def test_a_comparison_far_from_the_boil_is_worth_no_more_than_an_ice_point(header: Run, kind: str) -> None:
    """At 20 °C, 80 K away: ±0.8 K (P42)."""
    probe = replace(header.probe, kind=kind, converter=FINE if kind.startswith("type") else RESISTANCE)
    compared = with_check(replace(header, probe=probe), **COMPARED, extra={"compared_at_C": 20.0})
    budget = budget_of(compared)
    assert noted(budget, "at 20 °C, and carried to the boil it may be 0.80 K off")
    assert budget.expanded_K == pytest.approx(without(compared).expanded_K)


# --- what it found ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("used_K", "left_K"), [(0.20, 0.0), (0.25, 0.0), (0.40, 0.20), (0.69, 0.49), (-0.1, 0.3)]
)
def test_what_the_correction_leaves_of_the_boils_error_is_added(
    header: Run, used_K: float, left_K: float
) -> None:
    """JCGM 100:2008, F.2.4.5; a person's rounding of 0.05 K is none."""
    told, plain = (
        budget_of(with_check(header, offset_K=offset_K, ice_offset_K=0.2, boil_offset_K=0.2))
        for offset_K in (used_K, 0.2)
    )
    assert told.expanded_K - plain.expanded_K == pytest.approx(left_K)
    assert noted(told, "between them are added") is (left_K > 0.0)
    whole = [row for row in told.rows if row.distribution == "added whole"]
    assert sum(float(row.value) for row in whole) == pytest.approx(left_K)


def test_a_simmer_that_the_boil_figure_gives_away_is_not_held(cook: Build) -> None:
    """The check found +0.50 K, the record corrects by +0.99; 1.1 K below boiling, marked as a boil all the same."""
    story = cook().go(-1.1 - 0.5, 4.0).seen().stay(500.0).mark("heat_off").go(-4.0, 1.0)
    run = with_check(story.run(), offset_K=0.99, ice_offset_K=0.5, boil_offset_K=0.5)
    assert judge(run).verdict != HELD


# --- a damaged probe --------------------------------------------------------------------------------------

#: P28, P33 with the converter's ±0.13 and its cold junction's ±0.7, or the resistance converter's ±0.5 (data sheets),
#: and 0.1 K for the check.
LIMITS = [("type K class 1", FINE, 2.43), ("type T class 1", FINE, 1.43), ("Pt100 class A", RESISTANCE, 0.95)]


@pytest.mark.parametrize(("kind", "converter", "limit_K"), LIMITS)
@pytest.mark.parametrize("beyond", [False, True])
@pytest.mark.parametrize(
    "method", ["ice and boiling points", "comparison with a reference thermometer", "ice point"]
)
def test_a_probe_off_by_more_than_its_class_is_damaged(
    held_run: Build, kind: str, converter: str, limit_K: float, beyond: bool, method: str
) -> None:
    """P42. It caps at unproven, however it was found, before the heat as after it; the limit is the check's own."""
    off_K = limit_K + (0.02 if beyond else -0.01)
    run = held_run()
    probe = replace(run.probe, kind=kind, converter=converter)
    run = with_check(
        replace(run, probe=probe), offset_K=-off_K, ice_offset_K=-off_K, boil_offset_K=-off_K, method=method
    )
    lifted = tuple(s._replace(water_C=None if s.water_C is None else s.water_C + off_K) for s in run.samples)
    verdict = judge(replace(run, samples=lifted))
    told = " ".join(verdict.reasons)
    assert ("it is damaged" in told) is beyond
    if beyond:
        assert verdict.verdict == UNPROVEN
        assert told.count("it is damaged") == 1 and "use another probe" in verdict.reasons[0]
    assert ("it is damaged" in budget_of(replace(run, samples=())).cannot_prove) is beyond


def test_the_judge_and_the_check_have_one_limit() -> None:
    """2.43 K for a class 1 couple on the fine converter, in both."""
    assert chain_of("type K class 1", FINE).class_limit_K == pytest.approx(2.43)
    assert not hasattr(check, "_class_limit_K")


@pytest.mark.parametrize(
    ("kind", "converter", "limit_K"),
    [
        (None, None, 0.87),
        ("type Q", FINE, 1.43),
        ("type K class 1", None, 2.43),
        ("type K class 1", RESISTANCE, 0.87),
        (None, RESISTANCE, 0.87),
    ],
)
def test_what_nobody_knows_makes_no_limit_wider(
    header: Run, kind: str | None, converter: str | None, limit_K: float
) -> None:
    """The narrowest of all that it may be: class AA with the resistance converter 0.27 + 0.5 + 0.1 K, class 1 of type T
    with the fine one 0.5 + 0.13 + 0.7 + 0.1 K (IEC 60751, IEC 60584-1, data sheets)."""
    assert chain_of(kind, converter).class_limit_K == pytest.approx(limit_K)
    run = replace(header, probe=replace(header.probe, kind=kind, converter=converter))
    for off_K, damaged in ((limit_K - 0.01, False), (limit_K + 0.02, True)):
        checked = with_check(run, offset_K=-off_K, ice_offset_K=-off_K, boil_offset_K=-off_K)
        assert ("may be damaged" in budget_of(checked).cannot_prove) is damaged


# --- which probe and converter it was made with -----------------------------------------------------------


@pytest.mark.parametrize(
    ("made_with", "believed"),
    [
        ({}, True),
        ({"kind": "Type K, class 1", "converter": "0.0078 K steps, linearised"}, True),
        ({"converter": "straight-line, 0.25 K steps"}, False),
        ({"kind": "type T class 1"}, False),
        ({"kind": "type K class 1", "converter": "other"}, False),
        ({"kind": None, "converter": 7}, True),
    ],
)
def test_a_check_of_another_probe_or_converter_is_not_believed(
    header: Run, made_with: dict[str, Any], believed: bool
) -> None:
    """It proves this probe with this converter and no other; a record that does not say is taken as it was."""
    found = budget_of(with_check(header, extra=made_with))
    assert (found.expanded_K < without(header).expanded_K) is believed
    assert noted(found, "the calibration was made with the") is not believed


def test_a_simmer_behind_a_new_converter_is_not_held(cook: Build) -> None:
    """The old board's check says nothing of the new one, which reads 1.3 K high: the water is 1.3 K below boiling."""
    run = cook().go(0.0, 4.0).stay(500.0).mark("heat_off").go(-3.0, 1.0).run()
    assert judge(run).verdict == HELD
    old_board = with_check(run, extra={"kind": run.probe.kind, "converter": "straight-line, 0.25 K steps"})
    assert judge(old_board).verdict == UNPROVEN


# --- a kind and a converter -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "converter"),
    [
        ("Pt100 class B", FINE),
        ("Pt100 class A", FINE),
        ("type T class 1", RESISTANCE),
        ("one-wire digital", FINE),
    ],
)
def test_a_pair_that_cannot_go_together_is_at_its_widest(header: Run, kind: str, converter: str) -> None:
    """One of the words is wrong, and nobody knows which: never better than a pair of which nothing is known."""
    given = budget_of(replace(header, probe=Probe(kind=kind, converter=converter)))
    nothing = budget_of(replace(header, probe=Probe(kind="other", converter="other")))
    assert given.expanded_K == nothing.expanded_K
    assert noted(given, "can read") and "say what kind of probe" in given.cannot_prove


def test_each_kind_has_a_converter_that_reads_it() -> None:
    """Couples by three, resistance thermometers and one-wire ones by their own; "other" by any."""
    fits = {
        kind: [c for c in converters() if not chain_of(kind, c).is_contradictory] for kind in probe_kinds()
    }
    assert all(len(found) == 4 for kind, found in fits.items() if kind.startswith("type"))
    assert all(len(found) == 2 for kind, found in fits.items() if kind.startswith(("Pt100", "one-wire")))
    assert len(fits["other"]) == len(converters())


# --- the words --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"method": "steam"}, "how the calibration was made, “steam”"),
        ({"method": None}, "the record does not say how the calibration was made"),
        ({"expanded_uncertainty_K": 0.0}, "never certain to ±0 K"),
    ],
)
def test_why_a_calibration_is_not_believed_is_said_as_it_is(
    header: Run, changes: dict[str, Any], said: str
) -> None:
    """What the record says is not called left out."""
    assert noted(budget_of(with_check(header, **changes)), said)


def test_365_days_and_an_hour_are_not_called_366(header: Run) -> None:
    """From 2023-08-14 10:12 to 2024-08-14 09:12 are 365 days and 23 h, an hour less than 12 months of a leap year."""
    began = datetime(2024, 8, 14, 9, 12, tzinfo=UTC)
    old = with_check(replace(header, started_at=began), at=datetime(2023, 8, 14, 10, 12, tzinfo=UTC))
    budget = budget_of(old)
    assert noted(budget, "some hours more than 365 days old")
    assert not noted(budget, "366") and not any("calibration" in n and "12 months" in n for n in budget.notes)


@pytest.mark.parametrize(("channel", "narrows"), [("Water", True), (" WATER_C ", True), ("bath", False)])
def test_the_channel_is_forgiven_its_case(header: Run, channel: str, narrows: bool) -> None:
    """As kinds and converters are."""
    assert (
        budget_of(replace(header, probe=replace(header.probe, channel=channel))).expanded_K < 0.5
    ) is narrows


def test_each_row_names_its_own_source(header: Run) -> None:
    """±0.1 and ±0.3 are estimates of what may move since a check (P41), not the data sheet's ±0.7."""
    moved = next(row for row in budget_of(header).rows if row.term.startswith("cold junction and converter"))
    assert "our estimate" in moved.source and "±0.7" not in moved.source
    resistance = replace(header.probe, kind="Pt100 class A", converter=RESISTANCE)
    rows = {row.term: row for row in budget_of(replace(header, probe=resistance)).rows}
    assert "converter since then" in rows
    assert not rows["drift since the calibration"].source.startswith("base-metal")
