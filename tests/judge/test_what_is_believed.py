"""What lies between two readings that are believed, and what one reading alone may show.

The rules are this project's contract: a run of jumps is unknown, a gap longer than 30 s is always unknown, single jumps
are ignored, a record that begins at the boil proves nothing, and what a person saw stands. How fast water can fall and
be heated back is the energy balance of :mod:`monitor.judge.gap`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from monitor.judge import Session, Verdict, judge, words
from monitor.judge.verdict import BOILING, BROKEN, HELD, NOT_BOILING, UNKNOWN, UNPROVEN
from monitor.record.model import Run, Sample

Build = Callable[..., Any]
#: The come-up of the builder ends here.
BOILS_S = 182.0


def live(run: Run) -> Verdict:
    """The same run as the collector feeds it: every sample by itself, and the time once a second."""
    session = Session(Run(**{name: getattr(run, name) for name in run.__slots__} | {"samples": ()}))
    ticked_s = None
    for sample in run.samples:
        while ticked_s is not None and ticked_s + 1.0 < sample.t_s:
            ticked_s += 1.0
            session.tick(ticked_s)
        session.feed([sample])
        ticked_s = sample.t_s
    session.finish()
    return session.verdict()


def states(verdict: Verdict, from_s: float, to_s: float) -> set[str]:
    """Every state in that time."""
    return {part.state for part in verdict.stretches if part.start_s < to_s and part.end_s > from_s}


def off(samples: list[Sample], off_K: Callable[[Sample], float]) -> list[Sample]:
    return [s._replace(water_C=s.water_C + off_K(s)) for s in samples]


@pytest.mark.parametrize("reach_K", [6.0, 10.0, 20.0, 40.0])
def test_a_loose_contact_over_a_lost_boil(cook: Build, reach_K: float) -> None:
    """The power fails and is back four minutes later; meanwhile the reading leaps up and down once a second."""
    lost_s = BOILS_S + 300.0
    story = (
        cook(minutes=12.0)
        .come_up()
        .seen()
        .stay(300.0)
        .go(-1.1, 0.5)
        .go(0.15, 0.8)
        .stay(400.0)
        .mark("heat_off")
    )
    rows = off(
        story.samples(),
        lambda s: 0.0 if not lost_s <= s.t_s < lost_s + 260.0 else reach_K if s.t_s % 2 else -reach_K,
    )
    for verdict in (judge(story.run(rows)), live(story.run(rows))):
        assert verdict.verdict != HELD and verdict.proven_s < 420.0
        assert BOILING not in states(verdict, lost_s + 5.0, lost_s + 245.0)


@pytest.mark.parametrize("every_s", [11.0, 12.0, 14.0])
def test_two_stray_readings_of_a_slow_node_are_a_gap(cook: Build, every_s: float) -> None:
    """Between the readings that are believed lie more than 30 s."""
    story = cook(minutes=12.0, every_s=every_s).come_up().seen().stay(800.0).mark("heat_off")
    stray = {round(n * every_s, 3) for n in (45, 46)}
    rows = off(story.samples(), lambda s: -7.0 if s.t_s in stray else 0.0)
    assert judge(story.run()).verdict == HELD
    for verdict in (judge(story.run(rows)), live(story.run(rows))):
        assert verdict.verdict == UNPROVEN
        assert UNKNOWN in states(verdict, min(stray), max(stray))


@pytest.mark.parametrize("hole_s", [30.5, 31.5])
def test_a_silence_over_30_s_is_unknown_at_any_rhythm(cook: Build, hole_s: float) -> None:
    """Of a node of 14 s it is little more than two of its intervals."""
    story = cook(minutes=12.0, every_s=14.0).come_up().seen().stay(800.0).mark("heat_off")
    later_s = hole_s - 14.0
    rows = [s._replace(t_s=s.t_s + later_s * (s.t_s > 600.0)) for s in story.samples()]
    assert judge(story.run()).verdict == HELD
    for verdict in (judge(story.run(rows)), live(story.run(rows))):
        assert verdict.verdict == UNPROVEN


@pytest.mark.parametrize("every_s", [9.0, 12.0])
def test_a_longer_interval_of_a_slow_node_is_bridged_or_unknown(cook: Build, every_s: float) -> None:
    """Twice the rhythm hides 0.8 K at 9 s (gap.py's energy balance), more than this probe's U leaves."""
    story = cook(minutes=12.0, every_s=every_s).come_up().seen().stay(800.0).mark("heat_off")
    rows = [s for s in story.samples() if not 600.0 < s.t_s <= 600.0 + every_s]
    assert judge(story.run()).verdict == HELD
    assert judge(story.run(rows)).verdict == UNPROVEN


@pytest.mark.parametrize("silent_s", [25.0, 31.0, 45.0, 120.0])
@pytest.mark.parametrize("at_s", [4.0, 10.0, 20.0, 30.0])
def test_a_silence_soon_after_the_come_up_is_judged_alike(cook: Build, at_s: float, silent_s: float) -> None:
    """With the time told each second, and from the record: the readings before it may have been a boil."""
    story = cook(minutes=10.0).come_up().stay(at_s + silent_s + 560.0).mark("heat_off")
    from_s = BOILS_S + at_s
    run = story.run([s for s in story.samples() if not from_s < s.t_s < from_s + silent_s])
    one, other = judge(run), live(run)
    assert one.stretches == other.stretches
    assert (one.verdict, one.possible_s) == (other.verdict, other.possible_s)


@pytest.mark.parametrize("low_C", [20.0, 85.0, 93.0])
def test_one_stray_reading_does_not_undo_a_look(cook: Build, low_C: float) -> None:
    """ "No full boil seen" stands until the eye, or a real fall and return, says otherwise."""
    story = cook(minutes=8.0).come_up().seen().stay(200.0).mark("boil_not_seen").stay(700.0).mark("heat_off")
    at_s = BOILS_S + 260.0
    rows = [s._replace(water_C=low_C) if s.t_s == at_s else s for s in story.samples()]
    verdict = judge(story.run(rows))
    assert judge(story.run()).verdict == verdict.verdict == BROKEN
    assert states(verdict, at_s + 10.0, BOILS_S + 850.0) == {NOT_BOILING}


@pytest.mark.parametrize(("at", "low_C"), [((0,), 85.0), ((0,), 0.0), ((0, 1, 2, 3), 85.0), ((30,), 60.0)])
def test_one_stray_reading_is_no_come_up(cook: Build, at: tuple[int, ...], low_C: float) -> None:
    """A record that begins at the boil, and a value from before the first conversion, or a stray one."""
    story = cook(start_K=0.15).stay(700.0).mark("heat_off")
    rows = [s._replace(water_C=low_C) if n in at else s for n, s in enumerate(story.samples())]
    verdict = judge(story.run(rows))
    assert (verdict.verdict, verdict.proven_s) == (UNPROVEN, 0.0)


def test_a_few_low_readings_before_a_silence_are_a_come_up(cook: Build) -> None:
    """Nobody heard the rest of it; the water had the time."""
    story = cook().come_up().stay(420.0).mark("heat_off")
    rows = [s for s in story.samples() if not 5.0 < s.t_s < BOILS_S + 10.0]
    assert judge(story.run(rows)).verdict == HELD


@pytest.mark.parametrize("before_s", [-3.0, 3.0, 12.0, 30.0])
def test_jars_into_a_boil_that_is_found_a_moment_later(cook: Build, before_s: float) -> None:
    """Whether the plateau is found just before they go in or just after: as long a pause is assumed."""
    found_s = judge(cook(jars_in_s=0.0).come_up().stay(400.0).run()).events[0].raised_s
    jars_s = found_s - before_s
    story = cook(jars_in_s=jars_s).come_up().stay(700.0).mark("heat_off")
    verdict = judge(story.run())
    if jars_s > BOILS_S + 8.0:
        assert states(verdict, jars_s + 1.0, jars_s + 20.0) == {UNKNOWN}


def test_a_look_in_a_gap_stands(cook: Build) -> None:
    """Nothing was read; a person saw no full boil."""
    story = cook(minutes=10.0).come_up().seen().stay(150.0).mark("boil_not_seen", BOILS_S + 150.0).stay(900.0)
    story.mark("heat_off")
    rows = [s for s in story.samples() if not BOILS_S + 100.0 < s.t_s < BOILS_S + 200.0]
    for verdict in (judge(story.run(rows)), live(story.run(rows))):
        assert verdict.verdict == BROKEN
        assert states(verdict, BOILS_S + 152.0, BOILS_S + 1000.0) == {NOT_BOILING}


@pytest.mark.parametrize("below_K", [1.0, 3.0, 5.0])
def test_a_look_on_the_way_up_does_not_forbid_the_boil(cook: Build, below_K: float) -> None:
    """It was right then, and the water has risen since."""
    at_s = BOILS_S - 60.0 * (below_K + 0.15) / 4.0
    story = cook().come_up().stay(420.0).mark("heat_off").mark("boil_not_seen", at_s)
    verdict = judge(story.run())
    assert verdict.verdict == HELD
    assert states(verdict, at_s + 1.0, BOILS_S - 8.0) == {NOT_BOILING}


def test_a_value_that_a_slow_node_repeats(cook: Build) -> None:
    """Every 5 s a reading that scatters over a dozen steps of 0.03 K, and then one value for 350 s, the chip alive."""
    story = (
        cook(minutes=12.0, every_s=5.0, step_K=0.03125, sigma_K=0.08, rho=0.1).come_up().seen().stay(1000.0)
    )
    rows = story.mark("heat_off").samples()
    assert judge(story.run(rows)).verdict == HELD
    stuck = next(n for n, s in enumerate(rows) if s.t_s >= 600.0)
    rows = [s._replace(water_C=rows[stuck].water_C) if 0 <= n - stuck < 70 else s for n, s in enumerate(rows)]
    verdict = judge(story.run(rows))
    assert verdict.verdict == UNPROVEN
    assert states(verdict, 605.0, 945.0) == {UNKNOWN}
    assert "reading_frozen" in {event.kind for event in verdict.events}


def test_a_hold_told_complete_whose_readings_prove_frozen_is_owed_again(cook: Build) -> None:
    """Steps of 0.25 K that stand still from before the boil on, while the chip moves; then it stands still as well.
    What is said from then on goes by what is owed, and the water that cools at last does so in a hold."""
    story = cook(step_K=0.25, sigma_K=0.0)
    story.come_up().seen().stay(780.0).go(-8.0, 1.0)
    session, told_s = Session(story.run([])), None
    for sample in story.samples():
        if told_s is not None and sample.t_s > told_s + 5.0:
            sample = sample._replace(chip_C=25.0)
        session.feed([sample])
        for event in session.take_events():
            if event.kind == "hold_complete":
                told_s = sample.t_s
                assert session.view().phase == "complete"
            elif event.kind == "reading_frozen":
                verdict, view = session.verdict(), session.view()
                assert verdict.proven_s < 300.0
                assert view.phase == "unknown" and "Turn off the heat" not in view.sentence
                assert verdict.advice.action == "look_at_canner"
    lost = [event for event in session.verdict().events if event.kind == "boil_lost"]
    assert told_s is not None and [words.RESTART_RULE in event.text for event in lost] == [True]


@pytest.mark.parametrize("marked", [True, False])
def test_a_node_that_slows_down_while_the_jars_cool_has_no_gaps(cook: Build, marked: bool) -> None:
    """Once a second in the hold, once a minute in the night after it, whether or not anybody marked the heat off."""
    story = cook().come_up().seen().stay(420.0)
    if marked:
        story.mark("heat_off")
    story.go(-60.0, 0.7)
    said = [s for s in story.samples() if s.t_s < 900.0 or s.t_s % 60.0 == 0.0]
    rows = [s._replace(seq=n) for n, s in enumerate(said)]
    verdict = judge(story.run(rows))
    assert verdict.verdict in (HELD, None) and verdict.proven_s >= 300.0
    assert verdict.counts["gaps"] <= 6 and len(verdict.stretches) <= 12
