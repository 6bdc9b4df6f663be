"""A jar that goes on in another run has its place there only while its jars are in there, or once it was placed there.

North Carolina State University, food-safety FAQ: an interrupted process is done again for the full time; so a
reprocessing that broke has saved nothing, and its own clock runs (University of Nebraska Extension: 2 h).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from monitor.errors import RefusedError
from monitor.jars import BatchState, Status, batch_state, reprocess_extra
from monitor.jars.again import Again
from monitor.record.model import Calibration, Mark, Probe, Sample

HOUR = 3600.0
BEGAN = 4000.0
FULL = {"pack": "hot", "source": "USDA", "minutes": 30.0, "new_lids": True}


def parent(kitchen: Any) -> Any:
    """A broken batch of four; jars 3 and 4 go on in a run of their own, the others are kept cold."""
    batch = kitchen("broken", jars=4)
    for jar in (1, 2):
        batch.add("jar_disposition", 3900.0, jar=jar, to="refrigerate")
    batch.add("run_started", BEGAN, run_id="again", reprocess_of=batch.run.run_id, reprocess_jars=[3, 4])
    batch.of("again", "mark", BEGAN + 60.0, kind="jars_in")
    return batch


def child(kitchen: Any, word: str) -> Any:
    batch = kitchen(word, jars=2, reprocess_of="2026-08-14-canner-1-a", reprocess_jars=[3, 4])
    batch.run = replace(batch.run, run_id="again")
    return batch


def seen(batch: Any, again: Again | None, at_s: float = 5000.0) -> BatchState:
    now = batch.run.started_at + timedelta(seconds=at_s)
    return batch_state(batch.run, batch.verdict, batch.entries, now, {"again": again} if again else {})


def test_a_run_that_is_on_gives_its_jars_a_place_and_one_not_told_of_does_not(kitchen: Any) -> None:
    batch = parent(kitchen)
    state = seen(batch, Again(over=False, state=None))
    assert state.all_placed
    assert state.jars[3].do == "It goes on in run again as jar 2: hold the full time there."
    assert not seen(batch, None).all_placed
    assert not seen(batch, Again(over=True, state=None)).all_placed


@pytest.mark.parametrize("word", ["broken", "unproven"])
def test_a_reprocessing_that_ended_without_its_hold_places_nothing(kitchen: Any, word: str) -> None:
    batch, then = parent(kitchen), child(kitchen, word)
    state = seen(batch, Again(True, then.state(5000.0)))
    assert not state.all_placed
    jar, there = state.jars[2], then.state(5000.0).jars[0]
    assert (jar.status, jar.due) == (Status.ON_HOLD, there.due) and jar.due is not None
    assert f"reprocessed as jar 1 of run again, which ended: hold {word}" in jar.why
    assert "mark jars in" not in jar.do and "Refrigerate or freeze before the 2 hours close" in jar.do
    assert [one.jar for one in state.undecided()] == [3, 4] and state.to_judge() == []
    then.add("jar_disposition", 5100.0, jar=1, to="frozen")
    assert not seen(batch, Again(True, then.state(5200.0)), 5200.0).all_placed, "jar 4 has no place yet"
    then.add("jar_disposition", 5100.0, jar=2, to="discarded")
    state = seen(batch, Again(True, then.state(5200.0)), 5200.0)
    assert state.all_placed and "is 'frozen' there" in state.jars[2].why


def test_a_reprocessing_that_held_places_its_jars_once_they_are_placed(kitchen: Any) -> None:
    batch, then = parent(kitchen), child(kitchen, "held")
    state = seen(batch, Again(True, then.state(5000.0)))
    assert not state.all_placed and "mark jars in" not in state.jars[2].do
    for jar in (1, 2):
        then.seal(jar, 3700.0 + 13 * HOUR)
    then.sign(3700.0 + 14 * HOUR)
    late_s = 3700.0 + 15 * HOUR
    state = seen(batch, Again(True, then.state(late_s)), late_s)
    assert state.all_placed and "is 'shelf' there" in state.jars[2].why
    with pytest.raises(RefusedError, match="jar 3 cannot be reprocessed"):
        reprocess_extra(batch.run, state, [3], **FULL)


def test_a_run_that_reprocesses_does_not_ask_for_what_it_does_not_offer(kitchen: Any) -> None:
    """Both the failed hold and the jar that did not seal; and each jar's number before is told."""
    broken = child(kitchen, "broken").state(3500.0)
    unsealed = child(kitchen, "held")
    unsealed.seal(1, 3700.0 + 13 * HOUR, press="springs")
    for state in (broken, unsealed.state(3700.0 + 14 * HOUR)):
        jar = state.jars[0]
        assert not jar.do.startswith("Reprocess") and jar.do.startswith("Refrigerate or freeze before the 2")
        assert "a second time is not offered" in jar.do and Status.REPROCESS not in jar.choices
        assert state.before([1, 2]) == [3, 4]


@pytest.mark.parametrize(
    ("at_s", "instead"), [(3500.0, "Refrigerate or freeze"), (9 * HOUR, "Discard; do not")]
)
def test_a_refused_reprocessing_says_what_is_still_open(kitchen: Any, at_s: float, instead: str) -> None:
    """Iowa State University AnswerLine: what is past its window is discarded."""
    batch = kitchen("broken", jars=2)
    state = batch.state(at_s)
    for change in ({"pack": "raw"}, {"minutes": 5.0}):
        with pytest.raises(RefusedError, match=instead):
            reprocess_extra(batch.run, state, [1], **(FULL | change))
    lids = "confirm new lids" if at_s < HOUR else instead
    with pytest.raises(RefusedError, match=lids):
        reprocess_extra(batch.run, state, [1], **(FULL | {"new_lids": False}))
    again = child(kitchen, "broken")
    with pytest.raises(RefusedError, match=f"a second is not offered.*{instead}"):
        reprocess_extra(again.run, again.state(at_s), [1], **FULL)


def test_the_lowest_reading_of_a_deviation_is_corrected_as_the_hold_is(kitchen: Any) -> None:
    """A probe that reads 0.40 K too high, by the boiling-point check of its certificate, and another beside it, which
    that says nothing of; invented."""
    batch = kitchen("broken", jars=1)
    batch.verdict["events"] = [{"kind": "boil_lost", "onset_s": 2000.0, "raised_s": 2010.0, "text": "Lost."}]
    readings = (Sample(1990.0, 90.0), Sample(2010.0, 93.80), Sample(2020.0, 93.95, water_2_C=93.70))
    calibration = Calibration(-0.4, 0.3, at=batch.run.started_at)
    batch.run = replace(batch.run, samples=readings, probe=Probe(calibration=calibration))
    (lost, _) = batch.state(3500.0).deviations
    assert lost.lowest_C == pytest.approx(93.40)
    batch.run = replace(batch.run, probe=Probe())
    assert batch.state(3500.0).deviations[0].lowest_C == pytest.approx(93.70)


def test_a_deadline_that_was_rounded_up_is_still_told_by_the_earlier_minute(kitchen: Any) -> None:
    batch = kitchen("broken", jars=1)
    batch.run = replace(batch.run, marks=(Mark(0.0, "jars_in"),))
    batch.verdict["stretches"][-1]["end_s"] = 2159.7
    exact = batch.run.started_at + timedelta(seconds=2159.7 + 2 * HOUR)
    batch.verdict["advice"] = {"until": (exact + timedelta(seconds=0.3)).isoformat()}
    assert batch.state(3000.0).two_hours == exact
    batch.verdict["advice"] = {"until": (exact - timedelta(minutes=9)).isoformat()}
    assert batch.state(3000.0).two_hours == exact - timedelta(minutes=9), "the verdict's own clock stands"
