"""What is seen never runs backwards, what is heard is news, what was last known stays; names for whoever hears it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from kitchen_store import runs, until
from page_forms import settled

from dashboard import alarm_words, look, on_now, steady
from dashboard.live_model import board
from monitor.store.probes import newest_reading
from monitor.store.reader import live


def view(held_s: float, *, phase: str = "hold", started_s: float | None = 100.0) -> dict[str, Any]:
    from monitor.judge.words import minutes

    told = {
        "hold": f"Full boil. {minutes(held_s)} held."
        if held_s >= 1.0
        else "Full boil. The time counts; how much of it is proven shows soon.",
        "boil_lost": "The boil is lost. The whole time begins again when it is back.",
        "unknown": f"Not known: no reading for {held_s:.0f} s.",
    }[phase]
    return {
        "phase": phase,
        "held_s": held_s,
        "clock_started_s": started_s,
        "sentence": told,
        "at_s": 500.0,
        "last_sample_s": 500.0,
        "required_s": 600.0,
        "remaining_s": 600.0 - held_s,
    }


def shown(highest: steady.HighestHeld, one: dict[str, Any]) -> tuple[str, str]:
    held_s = highest.held_s("r", one)
    made = board("r", "stove", one, row_age_s=0.0, held_s=held_s)
    return made.sentence, made.spoken


def test_held_time_does_not_run_backwards_while_one_boil_goes_on() -> None:
    """As a coarse probe has it: 3 min, 3 min 1 s, 3 min, 2 min 59 s. The figures stay the engine's."""
    highest = steady.HighestHeld()
    told = [shown(highest, view(held_s)) for held_s in (180.0, 181.0, 180.0, 179.0, 180.0, 178.0, 182.0)]
    assert [sentence for sentence, _ in told] == [
        "Full boil. 3 min held.",
        *["Full boil. 3 min 1 s held."] * 5,
        "Full boil. 3 min 2 s held.",
    ]
    assert {spoken for _, spoken in told} == {"Full boil. 3 min held."}, (
        "nothing new is heard within the minute"
    )
    made = board("r", "stove", view(178.0), row_age_s=0.0, held_s=181.0)
    assert made.remaining_s == 422.0


@pytest.mark.parametrize(
    "taken_back",
    [
        [view(120.0)],
        [view(175.0, started_s=140.0)],
        [view(0.0, phase="boil_lost", started_s=None), view(178.0)],
    ],
    ids=["far less", "begun later", "lost between"],
)
def test_a_boil_that_was_taken_back_is_shown_at_once(taken_back: list[dict[str, Any]]) -> None:
    highest = steady.HighestHeld()
    shown(highest, view(181.0))
    told = [shown(highest, one)[0] for one in taken_back]
    assert told[-1] == taken_back[-1]["sentence"]


def test_what_is_heard_changes_at_a_minute_or_another_state_only() -> None:
    highest = steady.HighestHeld()
    told = [shown(highest, view(float(held_s)))[1] for held_s in range(150)]
    assert list(dict.fromkeys(told)) == [
        "Full boil. The time counts.",
        "Full boil. 1 min held.",
        "Full boil. 2 min held.",
    ]
    assert told == sorted(told, key=list(dict.fromkeys(told)).index), "and never back"
    assert {shown(highest, view(float(s), phase="unknown"))[1] for s in range(5, 60)} == {
        "Not known: no reading comes in."
    }
    lost = view(0.0, phase="boil_lost", started_s=None)
    assert shown(highest, lost)[1] == lost["sentence"]


def test_what_the_record_last_showed_is_known_where_now_is_not() -> None:
    states = ["not_boiling", "boiling", "unknown"]
    verdict = {"stretches": [{"state": state} for state in states]}
    made = board("r", "stove", view(9.0, phase="unknown"), row_age_s=9.0, verdict=verdict)
    assert (made.word, made.known) == ("Unknown", "boiling")
    assert board("r", "stove", view(9.0, phase="unknown"), row_age_s=9.0).known == ""


def test_a_time_of_day_without_a_zone_is_said_to_be_utc() -> None:
    from test_alarm_words import NOW, banner

    house = replace(banner("remote_path_lost"), run_id=None, canner=None)
    assert alarm_words.said(house, None, frozenset(), None, NOW).whose == "raised 16:38 UTC"


def test_an_alarm_of_the_house_is_told_in_the_time_of_the_kitchen_that_is_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Beside the alarms of its runs, which are told so."""
    from types import SimpleNamespace

    from test_alarm_words import banner

    monkeypatch.setattr(on_now.data, "household", dict)
    monkeypatch.setattr(on_now.data, "runs", lambda _: [])
    house = replace(banner("remote_path_lost"), run_id=None, canner=None)
    moment: Any = SimpleNamespace(runs={"r": SimpleNamespace(zone="America/Denver")}, live=())
    assert on_now.zone_of(moment, house) == "America/Denver"
    assert on_now.zone_of(SimpleNamespace(runs={}, live=()), house) is None  # type: ignore[arg-type]


def test_tables_of_several_canners_have_names_of_their_own_and_no_empty_head() -> None:
    event = {"kind": "boil_reached", "onset_s": 1.0, "raised_s": 2.0, "text": "It boils."}
    told = look.events_table([event], None, of="big <pot>")
    assert 'aria-label="What happened, big &lt;pot&gt;"' in told
    assert '<th scope="col" class=""></th>' not in told and ">In words<" in told


def test_now_has_a_heading_is_heard_by_the_minute_and_shows_where_the_focus_is(
    idle: Any, tmp_path: Path, visit: Callable
) -> None:
    until(
        lambda conn: newest_reading(conn, "demo-node-1")[0] is not None, tmp_path, "the node was never heard"
    )
    where = ["--canner", "stove", "--node", "demo-node-1", "--minutes", "20", "--run-id", "r1"]
    runs(
        tmp_path, "start", "--already-boiling", *where, "--altitude-m", "10", "--altitude-uncertainty-m", "5"
    )
    until(lambda conn: live(conn), tmp_path, "the run is not on")
    for window in ({}, {"dark": True}, {"width": 390, "height": 844}):
        with visit(**window) as visitor:
            page = visitor.go(idle.url)
            page.wait_for_selector(".bw-word:has-text('Coming up')")
            settled(page)
            assert page.locator("h1").count() == 1
            page.locator("table[aria-label='Figures now, stove']").wait_for()
            page.wait_for_function(
                "() => { const told = document.querySelector('.bw-board [role=status]');"
                " return told && told.textContent.startsWith('Coming up to the boil.'); }"
            )
            assert page.locator(".bw-sentence[role=status]").count() == 0
            assert visitor.faults() == [] and visitor.overflow() <= 0
            if "width" in window:
                continue
            for _ in range(4):
                page.keyboard.press("Tab")
            ring = page.evaluate(
                "(() => { const on = document.activeElement, s = getComputedStyle(on);"
                " return [on.dataset.testid, s.outlineStyle, parseFloat(s.outlineWidth)]; })()"
            )
            assert ring == ["stTopNavLink", "solid", 3.0]
    # What was last known stays what it was, though the engine says unknown by then.
    with visit() as visitor:
        page = visitor.go(idle.url)
        page.wait_for_selector(".bw-word:has-text('Coming up')")
        idle.stop.set()
        page.wait_for_selector(".bw-lost .bw-reason:has-text('Last known: coming up.')")
        page.wait_for_timeout(6000)
        assert page.inner_text(".bw-reason").startswith("Last known: coming up.")
        page = visitor.go(idle.url)
        page.wait_for_selector(".bw-lost .bw-reason:has-text('Last known: not boiling.')")
