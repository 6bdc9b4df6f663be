"""The table of dispositions, walked completely; the two clocks; nothing computed clears a short hold."""

from __future__ import annotations

from itertools import product
from typing import Any

import pytest

from monitor.jars import STEPS, Basis, Case, Seal, Status, decide
from monitor.jars.disposition import refusal
from monitor.tables.guidance import fact

HOUR = 3600.0
EVERY_CASE = [
    Case(basis, seal, two, day, deviation, reviewed, before)
    for basis, seal, two, day, deviation, reviewed, before in product(Basis, Seal, *[(False, True)] * 5)
]


def test_every_case_has_one_answer_with_its_reason_and_published_guidance() -> None:
    for case in EVERY_CASE:
        decision = decide(case)
        assert decision.why and decision.do
        for number in decision.guidance:
            assert fact(number).source
        assert decision.choices <= STEPS[decision.status] | {decision.status}, case


def test_no_case_on_a_failed_or_open_process_reaches_the_shelf() -> None:
    """A sealed jar is no proof of its process (Iowa State University Extension)."""
    shelf = [case for case in EVERY_CASE if decide(case).status is Status.SHELF]
    assert shelf
    for case in shelf:
        assert case.basis in (Basis.PROVEN, Basis.OWN_TIMING, Basis.EVALUATED)
        assert case.seal is Seal.SEALED and case.reviewed and not case.deviation_open


def test_after_its_clock_only_discard_is_offered() -> None:
    for case in EVERY_CASE:
        choices = decide(case).choices
        if case.basis is Basis.FAILED and not case.two_hours_open and case.seal is not Seal.BROKEN:
            assert choices == {Status.DISCARDED}
        if case.basis is Basis.PROVEN and not case.day_open and case.seal is Seal.UNSEALED:
            assert choices == {Status.DISCARDED}


def test_a_second_reprocessing_is_never_offered() -> None:
    assert all(Status.REPROCESS not in decide(case).choices for case in EVERY_CASE if case.reprocessed_before)


@pytest.mark.parametrize(("current", "wanted"), list(product(Status, Status)))
def test_the_table_of_steps_walked_completely(current: Status, wanted: Status) -> None:
    """Every forbidden step is refused with a reason; the shelf is never a choice."""
    decision = decide(Case(Basis.FAILED, Seal.UNSEALED, True, True, False, False))
    why = refusal(current, wanted, decision)
    if wanted is Status.SHELF or (wanted not in STEPS[current] and wanted is not Status.BROKEN):
        assert why
    elif current in (Status.SHELF, Status.REFRIGERATE, Status.FROZEN, Status.REPROCESS):
        assert not why


@pytest.mark.parametrize(
    ("proven", "sealed", "no_deviation", "reviewed"), list(product((True, False), repeat=4))
)
def test_of_sixteen_combinations_one_reaches_the_shelf(
    kitchen: Any, proven: bool, sealed: bool, no_deviation: bool, reviewed: bool
) -> None:
    """Hold proven, sealed at 12 h or more, no open deviation, review signed: all four."""
    batch = kitchen("held" if proven else "unproven", jars=1)
    if not no_deviation:
        batch.add("deviation_opened", 4000.0, what="jar 1 stood out of the water", jars=[1])
    batch.seal(1, 3700.0 + 13 * HOUR, tap="ring" if sealed else "dull")
    if reviewed:
        batch.sign(3700.0 + 14 * HOUR, hold="see note", gaps="see note", deviations="see note")
    (jar,) = batch.state(3700.0 + 15 * HOUR).jars
    assert (jar.status is Status.SHELF) == (proven and sealed and no_deviation and reviewed)


@pytest.mark.parametrize(("minutes", "offered"), [(119, True), (121, False)])
def test_a_failed_hold_has_two_hours_from_the_loss_of_its_boil(
    kitchen: Any, minutes: int, offered: bool
) -> None:
    """University of Nebraska Extension: 2 h where the process was not a safe one."""
    batch = kitchen("broken", jars=1)
    lost_s = 1522.0 + 600.0
    (jar,) = batch.state(lost_s + minutes * 60.0).jars
    assert jar.status is Status.ON_HOLD
    rescue = {Status.REPROCESS, Status.REFRIGERATE, Status.FROZEN, Status.DISCARDED}
    assert set(jar.choices) == (rescue if offered else {Status.DISCARDED})
    assert "G58" in jar.guidance and any("Nebraska" in line for line in jar.sources())


@pytest.mark.parametrize(("seconds", "offered"), [(-60.0, True), (60.0, False)])
def test_an_unsealed_jar_has_24_hours_from_the_end_of_the_hold(
    kitchen: Any, seconds: float, offered: bool
) -> None:
    """USDA Complete Guide, reprocessing unsealed jars."""
    batch = kitchen(jars=1)
    batch.seal(1, 3700.0 + 12.5 * HOUR, press="springs")
    hold_end_s = 1522.0 + 1860.0
    (jar,) = batch.state(hold_end_s + 24 * HOUR + seconds).jars
    assert (Status.REPROCESS in jar.choices) is offered
    assert (jar.choices == (Status.DISCARDED,)) is not offered


def test_a_placing_out_of_time_is_refused_and_listed(kitchen: Any) -> None:
    batch = kitchen("broken", jars=2)
    batch.add("jar_disposition", 3000.0, jar=1, to="refrigerate")
    batch.add("jar_disposition", 3000.0 + 4 * HOUR, jar=2, to="refrigerate")
    batch.add("jar_disposition", 3000.0 + 4 * HOUR, jar=2, to="shelf")
    state = batch.state(3000.0 + 5 * HOUR)
    assert [jar.status for jar in state.jars] == [Status.REFRIGERATE, Status.ON_HOLD]
    assert len(state.refused) == 2
    assert "goes on the shelf by itself" in state.refused[1]


def test_a_placing_says_why_it_was_made_not_what_has_passed_since(kitchen: Any) -> None:
    batch = kitchen("broken", jars=1)
    batch.add("jar_disposition", 3000.0, jar=1, to="refrigerate")
    (jar,) = batch.state(3000.0 + 50 * HOUR).jars
    assert jar.why.startswith("placed by Ada: the record does not prove the hold") and "passed" not in jar.why
    assert jar.guidance[:1] == ("G55",)


def test_a_queued_jar_whose_time_passes_is_discarded_unless_it_went_in(kitchen: Any) -> None:
    batch = kitchen("broken", jars=2)
    for jar in (1, 2):
        batch.add("jar_disposition", 3000.0, jar=jar, to="reprocess_queued")
    batch.add("run_started", 4000.0, run_id="child", reprocess_of=batch.run.run_id, reprocess_jars=[2])
    batch.of("child", "mark", 4100.0, kind="jars_in")
    first, second = batch.state(3000.0 + 5 * HOUR).jars
    assert (first.status, first.choices) == (Status.ON_HOLD, (Status.DISCARDED,))
    assert (second.status, second.child_run) == (Status.REPROCESS, "child")


def test_an_own_timing_lifts_an_unproven_hold_with_its_words_on_everything(kitchen: Any) -> None:
    timing = {
        "how": "kitchen timer, standing by",
        "from_utc": "2026-08-14T15:25:00Z",
        "to_utc": "2026-08-14T15:56:00Z",
    }
    batch = kitchen("unproven", jars=1)
    batch.add("own_timing", 3900.0, **timing)
    state = batch.state(4000.0)
    assert state.standing.basis is Basis.OWN_TIMING
    assert "own timing (Ada)" in state.standing.words and "not proven" in state.standing.words


@pytest.mark.parametrize(
    ("word", "by", "to_utc", "entered_s"),
    [
        ("broken", "Ada", "2026-08-14T15:56:00Z", None),
        ("unproven", None, "2026-08-14T15:56:00Z", None),
        ("unproven", "Ada", "2026-08-14T15:40:00Z", None),
        ("unproven", "Ada", "2026-08-14T15:20:00Z", None),
        ("unproven", "Ada", "yesterday", None),
        ("unproven", "Ada", "2026-08-14T15:56:00Z", 9 * HOUR),
    ],
    ids=["seen to break", "unsigned", "too short", "backwards", "no time", "signed after the two hours"],
)
def test_a_timing_that_cannot_stand(
    kitchen: Any, word: str, by: str | None, to_utc: str, entered_s: float | None
) -> None:
    batch = kitchen(word, jars=1)
    batch.add(
        "own_timing",
        3900.0,
        by=by,
        entered_s=entered_s,
        how="a clock",
        from_utc="2026-08-14T15:25:00Z",
        to_utc=to_utc,
    )
    assert batch.state(10 * HOUR).standing.basis is Basis.FAILED


def test_an_evaluation_needs_a_named_competent_person_and_the_opinion(kitchen: Any) -> None:
    """21 CFR 114.89: evaluation belongs to a competent processing authority."""
    batch = kitchen("broken", jars=1)
    batch.add("evaluation", 3900.0, person="N. N.", competence="process authority", opinion=" ")
    assert batch.state(4000.0).standing.basis is Basis.FAILED
    batch.add("evaluation", 3950.0, person="N. N.", competence="process authority", opinion="Full text.")
    assert batch.state(4000.0).standing.basis is Basis.EVALUATED
