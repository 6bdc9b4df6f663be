"""What pages show, without a page: words, ages, order, filters."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib import resources
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard import (
    alarm_model,
    alarm_words,
    figures,
    live_model,
    look,
    run_model,
    runs_model,
    strip_model,
    words,
)
from dashboard.charts import temperature_chart
from dashboard.trace import Trace, envelope, frame, trace
from monitor.jars import NOTHING_LEFT
from monitor.judge import words as engine_words
from monitor.judge.verdict import EVENT_KINDS, LiveView, Rate
from monitor.record import Sample
from monitor.record.model import MARK_KINDS
from monitor.store.reader import AlarmRow, RunRow


def view(phase: str = "hold", **changes: object) -> dict[str, object]:
    form = LiveView(
        at_s=2000.0,
        state="boiling",
        phase=phase,
        sentence="Full boil.",
        reason="on its plateau",
        water_C=94.5,
        boiling_point_C=94.48,
        boiling_point_from="barometer",
        floor_C=93.48,
        expanded_uncertainty_K=0.43,
        held_s=600.0,
        proven_s=600.0,
        required_s=1800.0,
        remaining_s=1230.0,
        clock_started_s=1400.0,
        last_sample_s=1999.5,
    ).as_json()
    return form | changes


def test_only_a_held_boil_counts_down() -> None:
    """In any other phase the remaining time stands still, whatever the wall clock does."""
    for phase in words.PHASES:
        board = live_model.board("r", "c", view(phase), row_age_s=0.2)
        assert board.counts_down is (phase == "hold")


def test_a_lost_boil_shows_the_whole_time_again() -> None:
    """The restart rule (the guidance table's G4): all of the time, from the moment it boils again."""
    board = live_model.board("r", "c", view("boil_lost", remaining_s=1800.0), row_age_s=0.2)
    assert board.remaining_s == 1800.0
    assert board.remaining_label == "to hold from the moment it boils again: all 30 min"


def test_an_unknown_phase_is_never_fine() -> None:
    """A word of a newer engine is shown as it is, unsure."""
    board = live_model.board("r", "c", view("brand_new"), row_age_s=0.2)
    assert (board.word, board.tone, board.counts_down) == ("Brand new", "unsure", False)


def test_ages_add_the_engine_s_and_the_row_s() -> None:
    """The reading is as old as the engine said, and older by the age of what the engine said."""
    assert live_model.sample_age_s(view(), 2.0) == pytest.approx(2.5)
    assert live_model.sample_age_s(view(last_sample_s=None), 2.0) is None
    # A reading of a time that has not come yet is no fresh one: the page must say NO DATA.
    ahead = live_model.sample_age_s(view(last_sample_s=float(view()["at_s"]) + 1500.0), 2.0)
    assert ahead == pytest.approx(1502.0)
    assert live_model.sample_age_s(view(), 2.0, rate=10.0) == pytest.approx(2.05)


@pytest.mark.parametrize(("spacing_s", "patience_s"), [(0.5, 4.5), (1.0, 4.5), (2.0, 5.0), (10.0, 13.0)])
def test_patience_is_under_five_seconds_after_a_reading_was_due(spacing_s: float, patience_s: float) -> None:
    """Within 5 s of losing the node no old figure stands: 4.5 s, or 3 s after the next one was due."""
    assert live_model.patience_s(spacing_s) == patience_s
    assert live_model.patience_s(spacing_s) - spacing_s < 5.0


def test_the_most_urgent_canner_comes_first() -> None:
    """Lost, then unknown, then done, then the least time left, then those that come up."""
    phases = {"a": "come_up", "b": "hold", "c": "boil_lost", "d": "complete", "e": "unknown", "f": "hold"}
    boards = [
        live_model.board(name, name, view(phase, remaining_s=60.0 if name == "f" else 900.0), row_age_s=0)
        for name, phase in phases.items()
    ]
    assert [item.run_id for item in live_model.most_urgent_first(boards)] == list("cedfba")


def test_the_batch_in_words_leaves_out_what_is_not_known() -> None:
    """Trade words, no holes."""
    assert live_model.batch_words("pears", "hot", "half_pint", 6) == "6 half-pint jars of pears, hot pack"
    assert live_model.batch_words("pears", None, None, None) == "pears"
    assert live_model.batch_words(None, None, "pint", 1) == "1 pint jar"
    assert live_model.batch_words(None, None, None, None) == ""
    # The tables' names begin with a capital; a person's words stay as they are.
    assert live_model.batch_words("Pears, halved", None, "pint", 7) == "7 pint jars of pears, halved"
    assert live_model.batch_words("Pears, halved", None, None, None) == "Pears, halved"
    asian = "Asian pears, halved or sliced, acidified"
    assert live_model.batch_words(asian, None, "pint", 7) == f"7 pint jars of {asian}"
    assert live_model.batch_words("Bert's jam", None, None, 2) == "2 jars of Bert's jam"


def test_water_that_cools_with_nothing_proven_does_not_come_up() -> None:
    """Its own word and shape; how fast it falls stands beside it, and no time to the boil."""
    told = dict(live_model.facts(view("cooling", rate_K_per_min=-1.5, eta_s=None), False))
    assert told["Change"] == "falling 1.5 K/min" and "Come-up" not in told
    shown = live_model.board("r", "c", view("cooling", remaining_s=1800.0), row_age_s=0.2)
    assert (shown.word, shown.tone, shown.counts_down) == ("Cooling", "unsure", False)
    assert shown.remaining_label == "to hold once it boils: all 30 min"
    # Each shape that a sign names is drawn by the browser.
    drawn = (resources.files("dashboard") / "components/boards.js").read_text("utf-8")
    assert all(f"\n  {item.shape}: [" in drawn for item in words.PHASES.values())


def test_what_was_learned_of_a_canner_is_told_in_the_unit_that_was_chosen() -> None:
    """The engine's own sentence; a difference of 1 K is one of 1.8 °F (SP 811, B.8). Nothing where nothing is known."""
    rise = Rate(2.0 / 60.0, 2.5 / 60.0, 3.0 / 60.0, 0.0, 60.0)
    fall = Rate(0.3 / 60.0, 0.5 / 60.0, 0.7 / 60.0, 90.0, 180.0)
    text, rates = engine_words.kettle(rise, fall), [rise.per_min, list(fall.per_min)]
    assert run_model.kettle_words(text, rates, False) == text and "2.50 K a minute (2.00 to 3.00)" in text
    told = run_model.kettle_words(text, rates, True)
    assert told == (
        "This canner warmed by 4.50 °F a minute (3.60 to 5.40) on the way up, and lost 0.90 °F a minute "
        "(0.54 to 1.26) when it lost the boil."
    )
    assert run_model.kettle_words("", [None, None], True) == ""


def test_come_up_says_how_sure_it_is() -> None:
    """The estimate carries its spread."""
    told = live_model.come_up_words(view("come_up", eta_s=[540.0, 720.0, 960.0], rate_K_per_min=1.8))
    assert told == "boil in about 12 min (9 min to 16 min), rising 1.8 K/min"
    assert live_model.come_up_words(view("hold", eta_s=[1.0, 2.0, 3.0])) == ""
    # At the boiling point nothing is "about 0 s" away for a minute: its beginning is being dated.
    nearly = live_model.come_up_words(view("come_up", eta_s=[0.0, 0.0, 0.0], rate_K_per_min=2.9))
    assert nearly == "nearly there: when the boil began is being worked out"
    assert live_model.come_up_words(view("come_up", rate_K_per_min=-0.5), True) == "falling 0.9 °F/min"
    # Still water neither falls by 0.0 K a minute nor by what its scatter makes of it.
    for still in (-0.04, 0.0, 0.1):
        assert live_model.come_up_words(view("come_up", rate_K_per_min=still)) == "hardly changing"


@pytest.mark.parametrize(
    ("word", "action", "tone", "says"),
    [
        ("held", "store_after_seal_check", "held", "Let the jars rest, check the seals, then store."),
        ("broken", "reprocess_or_refrigerate", "alarm", "Reprocess or refrigerate by Fri 14 Aug, 12:16."),
        ("unproven", "treat_as_failed", "unsure", "Treat as not processed: reprocess or refrigerate by"),
    ],
)
def test_a_run_that_has_ended_shows_what_it_came_to(word: str, action: str, tone: str, says: str) -> None:
    """Held, broken and unproven must not look alike, and what is to do stands beside them."""
    until = None if word == "held" else "2026-08-14T12:16:05.250-06:00"
    form = {"verdict": word, "required_s": 600.0, "proven_s": 605.0, "possible_s": 610.0}
    form["advice"] = {"action": action, "until": until}
    shown = live_model.board("r", "c", view("ended"), row_age_s=0.0, verdict=form)
    assert (shown.word.casefold(), shown.tone, shown.phase) == (word, tone, "ended")
    assert shown.reason.startswith(says) and "10 min" in shown.sentence
    assert live_model.board("r", "c", view("ended"), row_age_s=0.0, verdict=None).word == "Ended"
    done = live_model.board("r", "c", view("ended"), row_age_s=0.0, verdict=form, placed=True)
    assert (done.word, done.sentence, done.reason) == (shown.word, shown.sentence, NOTHING_LEFT)


def test_a_lost_boil_asks_to_be_told_of_again() -> None:
    """Whoever marked the boil that was lost did say so."""
    told = dict(live_model.facts(view("boil_lost"), False))
    assert told["Full boil"] == "lost; say so when you see it again"


def test_a_full_boil_seen_before_this_one_is_not_denied() -> None:
    """The board beside it says "last said: full boil seen"."""
    form = view("hold", seen_by_eye=False)
    assert dict(live_model.facts(form))["Full boil"] == "nobody has said so yet"
    told = dict(live_model.facts(form, seen_before=True))
    assert told["Full boil"] == "not said of this boil: look, and say so again"
    assert (
        dict(live_model.facts(form | {"seen_by_eye": True}, seen_before=True))["Full boil"] == "seen by eye"
    )


def test_every_word_of_the_contract_has_words_for_people() -> None:
    """No event, mark or phase falls back on its spelling in the record."""
    assert set(words.EVENTS) == set(EVENT_KINDS)
    assert set(words.MARKS) == set(MARK_KINDS)
    assert set(words.AS_IT_SHOULD) == {engine_words.COME_UP, engine_words.AFTER_HEAT}


def test_a_name_can_neither_be_markup_nor_turn_its_line_around() -> None:
    """Escaped for text and attributes; the controls of Unicode Annex 9 become visible."""
    assert look.esc("<b a='1' c=\"2\">&") == "&lt;b a=&#x27;1&#x27; c=&quot;2&quot;&gt;&amp;"
    assert look.esc("jam\u202e\u2066") == "jam\ufffd\ufffd"


def test_signs_differ_without_colour() -> None:
    """WCAG 2.2, 1.4.1: the shape alone tells two states apart, and so does the word."""
    for table in (words.PHASES, words.STATES, words.VERDICTS):
        signs = list(table.values())
        assert len({item.word for item in signs}) == len(signs)
        assert len({item.glyph for item in signs}) == len(signs)


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 definition."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("tones", [look.LIGHT, look.DARK])
def test_every_tone_can_be_read(tones: dict[str, str]) -> None:
    """WCAG 2.2, 1.4.3 level AA: 4.5 to 1 for text against the paper."""
    paper = _luminance(tones["paper"])
    for name in set(tones) - {"paper", "line"}:
        tone = _luminance(tones[name])
        assert (max(tone, paper) + 0.05) / (min(tone, paper) + 0.05) >= 4.5, name


@pytest.mark.parametrize(
    ("span_s", "shown"), [(0.0, "0:00"), (0.2, "0:01"), (59.2, "1:00"), (3599.5, "1:00:00"), (None, "–")]
)
def test_remaining_times_round_up(span_s: float | None, shown: str) -> None:
    """What is left is never shown shorter than it is."""
    assert figures.clock(span_s) == shown


def test_proven_times_round_down() -> None:
    """What is proven is never shown longer than it is."""
    assert figures.held_clock(1799.99) == "29:59"
    assert figures.held(1799.99) == "29 min 59 s"
    assert figures.held(59.99) == "59 s" and figures.held(None) == "–"


def test_temperatures_in_both_units() -> None:
    """212 °F is 100 °C by definition of the scale; a difference of 1 K is 1.8 °F."""
    assert figures.temperature(100.0, True) == "212.00 °F"
    assert figures.difference(1.0, True) == "1.80 °F"


@pytest.mark.parametrize(
    ("told", "in_si", "in_feet"),
    [
        (
            "Water boils at 94.6 °C (202.3 °F) here.",
            "Water boils at 94.6 °C (202.3 °F) here.",
            "Water boils at 202.3 °F here.",
        ),
        ("Add -0.30 K, ± 0.25 K (k = 2)", "Add −0.30 K, ± 0.25 K (k = 2)", "Add −0.54 °F, ± 0.45 °F (k = 2)"),
        ("by 1 K at 1646 m, not 1,000 m (3,281 ft)", None, "by 1.8 °F at 5,400 ft, not 3,281 ft"),
        (
            "below -5.0 °C, falling 0.5 K/min",
            "below −5.0 °C, falling 0.5 K/min",
            "below 23.0 °F, falling 0.9 °F/min",
        ),
        ("linearised, 0.0078 K steps; 20 min; 12-24 h; 2026-08-14; 3 mm", None, None),
    ],
)
def test_a_sentence_of_the_engine_in_the_units_that_were_chosen(
    told: str, in_si: str | None, in_feet: str | None
) -> None:
    """A foot is 0.3048 m, a step of 1 K one of 1.8 °F, −5 °C are 23 °F; a name of a closed list stays as it is."""
    assert figures.in_units(told) == (in_si or told)
    assert figures.in_units(told, True) == (in_feet or told)
    assert figures.temperature(None) == "–"


def test_a_short_break_in_a_long_run_stays_visible() -> None:
    """A two-second break in two hours is widened, and the shares still add up."""
    found = strip_model.pieces(
        [
            {"start_s": 0.0, "end_s": 600.0, "state": "not_boiling", "why": engine_words.COME_UP},
            {"start_s": 600.0, "end_s": 5000.0, "state": "boiling", "why": "full boil"},
            {"start_s": 5000.0, "end_s": 5002.0, "state": "not_boiling", "why": "boil lost"},
            {"start_s": 5002.0, "end_s": 7200.0, "state": "boiling", "why": "full boil"},
        ]
    )
    assert sum(piece.share for piece in found) == pytest.approx(1.0)
    assert found[2].share > 0.005
    assert [piece.tone for piece in found] == ["quiet", "boil", "alarm", "boil"]
    assert found[2].words == "not boiling for 2 s, from 1:23:20 to 1:23:22 of the run (boil lost)"


def alarm_row(change: str, state: str, at: str, **body: object) -> AlarmRow:
    return AlarmRow(1, "r:boil_lost:1", "r", at, "boil_lost", state, {"change": change, **body})


RAISED = alarm_row(
    "raised",
    "active_unacknowledged",
    "2026-08-14T10:00:00.000Z",
    alarm={"priority": "high", "headline": "The boil is lost", "what": "w", "do": "d", "canner": "c"},
)


def test_an_alarm_stands_until_it_is_seen_and_over() -> None:
    """The four states of ISA-18.2: over but unseen still stands; seen and over does not."""
    unseen = alarm_row("returned", "returned_unacknowledged", "2026-08-14T10:01:00.000Z")
    gone = alarm_row("acknowledged", "normal", "2026-08-14T10:02:00.000Z")
    assert [item.headline for item in alarm_model.standing([RAISED])] == ["The boil is lost"]
    (over,) = alarm_model.standing([RAISED, unseen])
    assert over.unacknowledged and alarm_words.title(over) == "Over: the boil was lost"
    assert alarm_model.standing([RAISED, unseen, gone]) == []
    again = replace(RAISED, alarm_id="r:boil_lost:2", at_utc="2026-08-14T10:05:00.000Z")
    assert [item.alarm_id for item in alarm_model.standing([RAISED, unseen, again])] == ["r:boil_lost:2"]


def test_what_is_still_true_stands_before_what_is_over() -> None:
    """Seen or not: a boil that is lost still is not hidden by an alarm that is over and waits to be seen."""
    seen = alarm_row("acknowledged", "active_acknowledged", "2026-08-14T10:00:30.000Z")
    stalled = replace(RAISED, alarm_id="r:come_up_stalled:1", kind="come_up_stalled")
    over = replace(stalled, state="returned_unacknowledged", at_utc="2026-08-14T10:01:00.000Z")
    silent = replace(RAISED, alarm_id="r:node_silent:1", kind="node_silent")
    found = alarm_model.standing([RAISED, seen, stalled, over])
    assert [item.kind for item in found] == ["boil_lost", "come_up_stalled"]
    # What is over keeps its buttons there; where the first has some of its own, the first alone is shown.
    assert alarm_model.across_the_room(found) == found
    found = alarm_model.standing([RAISED, seen, stalled, over, silent])
    assert [item.kind for item in found] == ["node_silent", "boil_lost", "come_up_stalled"]
    assert alarm_model.across_the_room(found) == found[:1]
    assert alarm_model.across_the_room([]) == []


def test_nobody_watches_once_nothing_is_written_of_any_run() -> None:
    """Where no run is on, nothing has to be written."""
    assert live_model.nobody_watches([5.0, 9.0])
    assert not live_model.nobody_watches([1.0, 9.0])
    assert not live_model.nobody_watches([])


def test_news_has_no_end_but_to_be_seen() -> None:
    """What late readings changed is over as soon as it has happened; it is read all the same."""
    rows = [
        replace(RAISED, kind="verdict_revised"),
        replace(alarm_row("returned", "returned_unacknowledged", RAISED.at_utc), kind="verdict_revised"),
    ]
    (news,) = alarm_model.standing(rows)
    assert news.unacknowledged and news.news and not news.over
    assert alarm_words.title(news) == news.headline


@pytest.mark.parametrize(
    "told",
    [
        {"quiet_s": 120.0, "text": "sound off for 2 min"},
        {"quiet_s": 120.0, "text": "in other words, 7 s"},
        # As journals had it before the field was.
        {"text": "sound off for 120 s"},
        {"quiet_s": None, "text": "sound off for 120 s"},
    ],
)
def test_silence_ends_by_itself(told: dict[str, Any]) -> None:
    """Silenced for 120 s it is quiet, then it is heard again."""
    quiet = alarm_row("silenced", "active_unacknowledged", "2026-08-14T10:00:10.000Z", **told)
    (item,) = alarm_model.standing([RAISED, quiet])
    assert not item.sounds("2026-08-14T10:01:00.000Z")
    assert item.sounds("2026-08-14T10:02:10.001Z")


def test_a_silence_that_does_not_say_how_long_is_none() -> None:
    """When unsure it is heard."""
    quiet = alarm_row("silenced", "active_unacknowledged", "2026-08-14T10:00:10.000Z", text="sound off")
    (item,) = alarm_model.standing([RAISED, quiet])
    assert item.sounds("2026-08-14T10:00:10.001Z")


def test_events_are_listed_by_when_they_were_told() -> None:
    """Told more than a minute after it began, both times are said; what counts is listed by when it counts from."""
    events = [
        {"kind": "boil_reached", "onset_s": 600.4, "raised_s": 700.0, "text": "Full boil."},
        {"kind": "boil_lost", "onset_s": 1200.9, "raised_s": 1260.0, "text": "The boil is lost."},
        {"kind": "verdict_revised", "onset_s": 900.0, "raised_s": 1800.2, "text": "Rows came late."},
        {"kind": "node_silent", "onset_s": -1e10, "raised_s": 1900.0, "text": "No reading."},
    ]
    told = look.events_table(events, None, newest_first=False)
    rows = re.findall(r"<tr><td[^>]*>(.*?)</td>.*?<td[^>]*>([^<]*)</td></tr>", told)
    assert rows == [
        ("10:01", "Full boil."),
        ("20:00", "The boil is lost."),
        ("30:01", "From 15:00 on: Rows came late."),
        ("31:40", "No reading."),
    ]


def run_row(run_id: str, verdict: str | None, action: str | None = None, food: str = "pears") -> RunRow:
    return RunRow(
        run_id, "c", "2026-08-14T15:12:00Z", "2026-08-14T16:12:00Z", "America/Denver", food, "hot", "pint",
        7, 1800.0, verdict, 1833.0, action, False, False,
    )  # fmt: skip


def test_batches_that_need_reprocessing_come_first() -> None:
    """Every action of the engine that sets a salvage clock is among what is to do first."""
    rows = [
        run_row("a", "held", "store_after_seal_check"),
        run_row("b", "broken", "reprocess_or_refrigerate"),
        run_row("c", "unproven", "treat_as_failed"),
        run_row("d", None, "discard"),
    ]
    soon = datetime(2026, 8, 14, 18, tzinfo=UTC)
    assert [row.run_id for row in runs_model.needs_doing(rows, soon)] == ["b", "c", "d"]
    assert words.action_words("discard") == "discard, do not taste"
    assert runs_model.needs_doing(rows, soon + timedelta(days=3)) == []


def test_filters_and_season() -> None:
    """Words are looked for anywhere; the sum names each verdict."""
    rows = [run_row("a", "held"), run_row("b", "broken", food="plums"), run_row("c", None)]
    assert [row.run_id for row in runs_model.chosen(rows, runs_model.Wanted(words="PLUM c"))] == ["b"]
    assert [row.run_id for row in runs_model.chosen(rows, runs_model.Wanted(verdict="held"))] == ["a"]
    assert runs_model.season(rows) == "3 runs: 1 held, 1 broken, 1 not judged yet."
    assert runs_model.line(rows[0]).started == "Fri 14 Aug 2026, 09:12"
    assert runs_model.line(rows[0], zone_named=True).started == "Fri 14 Aug 2026, 09:12 MDT"
    assert not runs_model.several_zones(rows)
    assert runs_model.several_zones([*rows, replace(rows[0], zone="Europe/Berlin")])


def test_guidance_is_quoted_by_its_number() -> None:
    """A number that is not in the table is said to be missing, never dropped."""
    told = run_model.guidance(["G4", "G999"])
    assert "whole time again from zero" in told[0][1]
    assert "not in the table" in told[1][1]


@given(
    st.integers(3001, 9000).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n - 1))),
    st.integers(50, 1500),
)
def test_the_envelope_never_loses_a_single_low_sample(place: tuple[int, int], buckets: int) -> None:
    """One sample that dips stays, wherever it is and however much is cut away; and so do the ends."""
    count, at = place
    values = np.full(count, 94.5)
    values[at] = 90.0
    kept = envelope(values, buckets)
    assert at in kept
    assert kept[0] == 0 and kept[-1] == count - 1
    assert len(kept) <= 2 * buckets + 2 or count <= 2 * buckets


def test_the_envelope_keeps_dips_beside_missing_values() -> None:
    """Missing values neither hide a dip in their bucket nor are drawn over."""
    values = np.full(10_000, 94.5)
    values[5000:5004] = np.nan
    values[5006] = 88.0
    kept = set(envelope(values, 200).tolist())
    assert {4999, 5000, 5003, 5004, 5006} <= kept


def test_a_gap_is_drawn_as_a_gap() -> None:
    """Where the record was silent for longer than 30 s the line breaks; 29 s do not break it."""
    samples = [Sample(t_s=float(t), water_C=94.5) for t in [*range(100), *range(131, 200), *range(228, 240)]]
    drawn = frame(trace(samples, 0.25))
    assert drawn["water"].isna().sum() == 1
    hole = drawn.index[drawn["water"].isna()][0]
    assert drawn["min"][hole - 1] == pytest.approx(99 / 60, abs=1e-3)
    assert drawn["water"][0] == 94.75


def test_a_long_record_is_cut_to_what_a_page_can_draw() -> None:
    """100,000 samples on 4 channels become some thousand rows that they share."""
    rng = np.random.default_rng(1)
    channels = {name: 94.0 + rng.normal(0, 0.1, 100_000) for name in ("water", "jar 1", "jar 2", "room")}
    drawn = frame(Trace(np.arange(100_000.0), channels), 1500)
    assert 3_000 <= len(drawn) <= 13_000
    for name, values in channels.items():
        assert drawn[name].min() == pytest.approx(values.min(), abs=1e-3)


def test_the_chart_marks_what_happened_without_any_text_of_people() -> None:
    """Only fixed words go into the chart, which draws labels itself."""
    verdict = {
        "boiling_point_C": 94.48,
        "floor_C": 93.48,
        "stretches": [{"start_s": 60.0, "end_s": 120.0, "state": "boiling", "why": "<b>x</b>"}],
        "events": [{"kind": "boil_lost", "onset_s": 120.0, "raised_s": 130.0, "text": "<b>y</b>"}],
    }
    drawn = frame(trace([Sample(t_s=float(t), water_C=94.0) for t in range(200)]))
    spec = temperature_chart(drawn, verdict, look.LIGHT, marks=[(10.0, "jars_in"), (11.0, "<i>")])
    told = str({key: value for key, value in spec.items() if key != "dataset"})
    assert "boil lost" in told and "jars in" in told and "94.48 °C" in told
    assert "<b>" not in told and "<i>" not in told
    # Each label stands on the page's paper: no line of the trace runs through its letters.
    labels = [line["label"] for line in spec["series"][0]["markLine"]["data"]]
    assert len(labels) == 4
    assert all(label["backgroundColor"] == look.LIGHT["paper"] for label in labels if label.get("show", True))


@pytest.mark.parametrize(("t_s", "place"), [(1.0, "insideStartBottom"), (100.0, "insideStartTop")])
def test_a_mark_at_the_axis_leaves_its_figures_free(t_s: float, place: str) -> None:
    """Its label stands on the far side of its line."""
    drawn = frame(trace([Sample(t_s=float(t), water_C=94.0) for t in range(200)]))
    spec = temperature_chart(drawn, {}, look.LIGHT, marks=[(t_s, "jars_in")])
    (line,) = spec["series"][0]["markLine"]["data"]
    assert line["label"]["position"] == place
