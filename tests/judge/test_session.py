"""The door to the engine: order, pieces, duplicates, marks as they come, and what a page may ask."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from monitor.judge import Session, judge, words
from monitor.judge.session import REORDER_S
from monitor.judge.verdict import BOILING, HELD, NOT_BOILING, UNKNOWN
from monitor.record.model import Mark, Probe, Run

Build = Callable[..., Any]


def bare(run: Run) -> Run:
    return replace(run, samples=())


def test_before_the_first_sample_there_is_nothing_to_say(held_run: Build) -> None:
    """Waiting; no verdict; no event."""
    session = Session(replace(bare(held_run()), marks=()))
    view = session.view(10.0)
    assert (view.phase, view.state, view.water_C, view.remaining_s) == ("waiting", UNKNOWN, None, None)
    assert session.verdict().verdict is None and session.take_events() == []


def test_the_view_follows_the_run(held_run: Build) -> None:
    """Come-up with an estimate, then the hold counting up, then complete, then ended."""
    run = held_run()
    session, last = Session(bare(run)), {}
    for sample in run.samples:
        session.feed([sample])
        if sample.t_s % 20.0 == 0.0:
            view = session.view()
            last[view.phase] = view
    assert list(last) == ["come_up", "hold", "complete", "ended"]
    hold = last["hold"]
    assert hold.state == BOILING and hold.remaining_s is not None and 0.0 < hold.remaining_s < 100.0
    assert hold.held_s + hold.remaining_s == pytest.approx(300.0) and "min" in hold.sentence
    assert last["complete"].remaining_s == 0.0
    assert "Turn off the heat" in last["complete"].sentence


def test_a_boil_somebody_saw_and_that_was_lost_before_it_was_found_is_told(cook: Build) -> None:
    """At the boil for 22 s, marked, and the heat fails: within a minute and a half it rings, and is no come-up."""
    story = cook(start_K=-24.0).go(0.0, 6.0).stay(10.0).seen().stay(12.0)
    fell_s = story.now_s
    story.go(-5.0, 2.5)
    session = Session(story.run([]))
    for sample in story.samples():
        session.feed([sample])
        if sample.t_s > fell_s + 75.0:
            view = session.view()
            assert view.phase == "cooling" and view.eta_s is None
    (told,) = [event for event in session.verdict().events if event.kind == "come_up_stalled"]
    assert told.text == words.FELL_TEXT and fell_s < told.raised_s <= fell_s + 90.0
    assert told.onset_s == pytest.approx(fell_s, abs=20.0)


def test_water_that_cools_with_no_boil_told_is_not_said_to_come_up(cook: Build) -> None:
    """A class 1 couple without a check (±1.5 K, IEC 60584-1) proves nothing: the heat stops, the water falls 1.5 K/min.

    Heated again, it comes up again. What is known is said: it does not boil now.
    """
    plain = Probe(kind="type K class 1", converter="linearised, 0.0078 K steps")
    story = cook(probe=plain).come_up().stay(400.0)
    off_s = story.now_s
    story.go(-7.0, 1.5).go(-20.0, 1.0)
    heat_s = story.now_s
    story.go(-8.0, 4.0)
    session, phases = Session(story.run([])), []
    for sample in story.samples():
        session.feed([sample])
        if sample.t_s % 10.0 == 0.0:
            view = session.view()
            phases.append((sample.t_s, view.phase))
            if off_s + 60.0 < sample.t_s < heat_s:
                assert view.phase == "cooling" and view.state == NOT_BOILING
                assert view.sentence == "The water is cooling: it does not boil now. The time has not begun."
                assert view.remaining_s == view.required_s and view.eta_s is None
                assert view.reason == "whether it boiled before the fall is not known"
                assert session.verdict().advice.action == "bring_back_boil"
    order = [phase for n, (_, phase) in enumerate(phases) if not n or phases[n - 1][1] != phase]
    assert order == ["come_up", "unknown", "cooling", "come_up"]
    # Nobody need look at the page to hear of it.
    (told,) = session.verdict().events
    assert told.kind == "come_up_stalled" and off_s < told.raised_s < off_s + 60.0
    assert "does not boil now" in told.text and "not known" in told.text


def test_the_come_up_has_an_estimate(held_run: Build) -> None:
    """Two minutes up at 4 K/min with 4 K to go: about a minute, soonest before latest."""
    run = held_run()
    session = Session(bare(run))
    session.feed(run.samples[:121])
    view = session.view()
    assert view.phase == "come_up" and view.state == NOT_BOILING and view.eta_s is not None
    soonest, likely, latest = view.eta_s
    assert soonest < likely < latest and likely == pytest.approx(62.0, abs=8.0)
    assert view.rate_K_per_min == pytest.approx(4.0, abs=0.1)


def test_a_stale_page_says_unknown(cook: Build) -> None:
    """Ten seconds without a sample: no state, no temperature."""
    run = cook().come_up().seen().stay(100.0).run()
    session = Session(bare(run))
    session.feed(run.samples)
    session.tick(run.samples[-1].t_s + 10.0)
    view = session.view()
    assert (view.state, view.phase, view.water_C) == (UNKNOWN, "unknown", None)
    assert "no reading for 10 s" in view.sentence


def test_readings_of_a_time_that_has_not_come_yet_are_not_the_state_of_now(held_run: Build) -> None:
    """House time lies before them: one of the two is wrong, and nobody knows what the water does."""
    run = held_run()
    boils_s = next(mark.t_s for mark in run.marks if mark.kind == "heat_off") - 60.0
    session = Session(bare(run))
    session.feed([sample for sample in run.samples if sample.t_s <= boils_s])
    assert session.view().phase == "hold"
    view = session.view(boils_s - 1500.0)
    assert (view.state, view.phase, view.water_C, view.is_heard) == (UNKNOWN, "unknown", None, False)
    assert view.sentence == "Not known: the times of the newest readings have not come yet."
    assert view.held_s == 0.0 and view.remaining_s is None


def test_a_lost_boil_says_what_the_rule_asks(cook: Build) -> None:
    """The whole time is owed again (USDA Complete Guide to Home Canning, Guide 1)."""
    run = cook().come_up().seen().stay(200.0).go(-2.0, 1.0).run()
    session = Session(bare(run))
    session.feed(run.samples)
    view = session.view()
    assert view.phase == "boil_lost" and view.remaining_s == 300.0 and view.held_s == 0.0
    assert session.verdict().advice.action == "bring_back_boil"


def test_each_event_is_taken_once(held_run: Build) -> None:
    """And those taken one by one are those of the whole."""
    run = held_run()
    session, taken = Session(bare(run)), []
    for sample in run.samples:
        session.feed([sample])
        if sample.t_s % 5.0 == 0.0:
            taken += session.take_events()
    session.finish()
    taken += session.take_events()
    assert session.take_events() == []
    assert taken == list(judge(run).events)


def test_rows_within_the_window_find_their_place(held_run: Build) -> None:
    """A minute of samples that comes a minute late changes nothing in the end."""
    run = held_run()
    rows = run.samples
    session = Session(bare(run))
    session.feed(rows[:300])
    session.feed(rows[360:410])
    session.feed(rows[300:360])
    session.feed(rows[410:])
    session.finish()
    assert not session.needs_rebuild
    assert session.verdict() == judge(run)


def test_rows_from_before_the_first_to_arrive_have_a_place(held_run: Build) -> None:
    """The first message on the wire need not be the first sample."""
    run = held_run()
    session = Session(bare(run))
    session.feed(run.samples[20:25])
    session.feed(run.samples[:20])
    session.feed(run.samples[25:])
    session.finish()
    assert not session.needs_rebuild
    assert session.verdict() == judge(run)


def test_rows_beyond_the_window_ask_for_the_whole_record(held_run: Build) -> None:
    """Older than the checkpoint: said, never guessed."""
    run = held_run()
    rows = run.samples
    session = Session(bare(run))
    session.feed([*rows[:50], *rows[60:]])
    session.feed(rows[50:60])
    assert rows[-1].t_s - rows[55].t_s > 2.0 * REORDER_S
    assert session.needs_rebuild


def test_a_mark_from_before_the_window_asks_for_the_whole_record(held_run: Build) -> None:
    """A jars_in entered ten minutes late."""
    run = held_run()
    session = Session(replace(bare(run), marks=()))
    session.feed(run.samples)
    session.mark(Mark(0.0, "jars_in"))
    assert session.needs_rebuild


def test_marks_as_they_come_are_marks_of_the_record(held_run: Build) -> None:
    """Entered at their time, or half a minute late: the same verdict as from the header."""
    run = held_run()
    for late_s in (0.0, 30.0):
        session = Session(replace(bare(run), marks=()))
        waiting = sorted(run.marks, key=lambda mark: mark.t_s)
        for sample in run.samples:
            while waiting and waiting[0].t_s + late_s <= sample.t_s:
                session.mark(waiting.pop(0))
            session.feed([sample])
        session.finish()
        assert session.verdict() == judge(run)


def test_a_conflict_is_seen_whenever_the_second_value_comes(held_run: Build) -> None:
    """A minute later, the sample in question is unknown after all."""
    run = held_run()
    twin = run.samples[350]._replace(water_C=90.0)
    session = Session(bare(run))
    session.feed(run.samples[:410])
    assert "probe_fault" not in [event.kind for event in session.take_events()]
    session.feed([twin])
    assert [event.raised_s for event in session.take_events() if event.kind == "probe_fault"] == [350.0]
    session.feed(run.samples[410:])
    session.finish()
    assert session.verdict() == judge(replace(run, samples=(*run.samples, twin)))
    assert session.verdict().counts["conflicts"] == 1
    assert session.verdict().verdict != HELD


def test_ticks_alone_change_no_verdict(cook: Build) -> None:
    """Silence is told in time, and a node that comes back is judged by its rows alone."""
    story = cook().come_up().seen().stay(400.0).mark("heat_off")
    run = story.run([s for s in story.samples() if not 380.0 < s.t_s < 440.0])
    session, newest_s = Session(bare(run)), 0.0
    for sample in run.samples:
        while newest_s + 1.0 < sample.t_s:
            newest_s += 1.0
            session.tick(newest_s)
        session.feed([sample])
        newest_s = sample.t_s
    session.finish()
    assert session.verdict() == judge(run)


def test_silence_is_told_by_the_tick(cook: Build) -> None:
    """Five seconds after the last sample of a node that speaks every second."""
    run = cook().come_up().seen().stay(100.0).run()
    session = Session(bare(run))
    session.feed(run.samples)
    last_s = run.samples[-1].t_s
    session.take_events()
    session.tick(last_s + 4.9)
    assert session.take_events() == []
    session.tick(last_s + 5.4)
    told = session.take_events()
    assert [e.kind for e in told] == ["node_silent"]
    assert (told[0].onset_s, told[0].raised_s) == (last_s, pytest.approx(last_s + 5.0, abs=0.11))


def test_a_run_that_is_on_is_not_called_silent_before_it_is(cook: Build) -> None:
    """Asked a second after the newest sample, and with nothing known of what came after it."""
    story = cook().come_up()
    story.seen().stay(100.0)
    run = story.run()
    last_s = run.samples[-1].t_s
    assert "node_silent" not in {event.kind for event in judge(run, until_s=last_s + 1.0).events}
    (silent,) = [event for event in judge(run).events if event.kind == "node_silent"]
    assert silent.raised_s == last_s + 5.0


def test_after_a_restart_in_a_boil_nobody_is_told_that_the_time_has_not_begun(cook: Build) -> None:
    """Not known is not "coming up": the boil was told, broke off unseen, and the readings leave it open."""
    story = cook(minutes=20.0).come_up()
    run = story.seen().stay(500.0).run()
    cut_s = run.samples[0].t_s + 350.0
    session = Session(bare(run))
    session.feed([sample for sample in run.samples if sample.t_s <= cut_s])
    assert session.view().phase == "hold"
    said = []
    for n, sample in enumerate(row for row in run.samples if row.t_s > cut_s + 25.0):
        session.feed([sample._replace(boot=8, seq=n)])
        view = session.view()
        said.append((view.phase, view.state, view.sentence))
    assert [phase for phase, _, _ in said if phase not in ("hold", "unknown")] == []
    # The first reading ends a gap; from the next on its readings are looked at.
    assert said[5] == ("unknown", UNKNOWN, f"Not known whether it boils: {words.ASKED_ANEW}.")
    assert said[-1][0] == "hold"
