"""The words of the page after the heat, and the kitchen's clock over its changes."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest

from dashboard import jars_model
from monitor.jars import ASK, QUESTIONS, Seal, Status
from monitor.jars.seals import SealResult
from monitor.jars.state import Clock, JarState
from monitor.jars.times import Moment

NOW = datetime(2026, 8, 14, 16, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("day", "clock", "expected"),
    [
        (date(2026, 11, 1), time(1, 30), ["2026-11-01T07:30:00+00:00", "2026-11-01T08:30:00+00:00"]),
        (date(2026, 3, 8), time(2, 30), []),
        (date(2026, 8, 14), time(9, 12), ["2026-08-14T15:12:00+00:00"]),
        (date(2028, 2, 29), time(23, 59), ["2028-03-01T06:59:00+00:00"]),
    ],
    ids=["clocks go back", "clocks go forward", "summer", "leap day"],
)
def test_what_a_kitchens_clock_showed(day: date, clock: time, expected: list[str]) -> None:
    """Denver: 01:30 came twice on 1 November 2026, 02:30 not at all on 8 March (IANA time zone database)."""
    assert [one.isoformat() for one in jars_model.instants(day, clock, "America/Denver")] == expected


def test_a_zone_that_is_not_known_is_utc() -> None:
    assert jars_model.instants(date(2026, 8, 14), time(9, 0), "Nowhere/Town") == [
        datetime(2026, 8, 14, 9, tzinfo=UTC)
    ]


def test_a_clock_says_how_much_is_left_and_what_follows() -> None:
    clock = Clock(
        "failed process", NOW + timedelta(minutes=85), "2 h for jars whose hold is not proven", ("G58",)
    )
    told = jars_model.clock_words(clock, NOW, "America/Denver")
    assert told == "Failed process: 85 min left, until 11:25. 2 h for jars whose hold is not proven."
    assert "discarded, untasted" in jars_model.clock_words(clock, NOW + timedelta(hours=2), None)


def test_nothing_is_asked_for_by_a_time_that_has_passed() -> None:
    jar = JarState(
        1,
        Status.ON_HOLD,
        SealResult(1, Seal.UNSEALED, "dull"),
        (),
        "",
        "Discard.",
        (),
        NOW,
        None,
        None,
        None,
        None,
        "",
    )
    assert jars_model.jar_cells(jar, None, NOW)[4] == "Discard. By Fri 14 Aug 2026, 16:00."
    later = jars_model.jar_cells(jar, None, NOW + timedelta(seconds=1))
    assert later[4] == "Discard. The time ended Fri 14 Aug 2026, 16:00."


def test_each_moment_says_which_of_the_two_it_was() -> None:
    marked = jars_model.moment_words("Heat off", Moment(NOW, NOW, by="Ada"), "America/Denver")
    seen = jars_model.moment_words("Jars out", Moment(NOW, NOW, how="jar probe 1 left the water"), None)
    assert marked == "Heat off Fri 14 Aug 2026, 10:00 (marked by Ada)."
    assert "seen in the record, marked by nobody: jar probe 1 left the water" in seen


def test_what_the_record_shows_is_told_up_to_the_latest_minute_which_is_the_one_offered() -> None:
    """Else a page says 10:00 here and offers 10:02 there for the same lifting."""
    seen = Moment(NOW, NOW + timedelta(minutes=2), how="jar probe 1 left the water")
    told = jars_model.moment_words("Jars out", seen, "America/Denver")
    assert told.startswith("Jars out Fri 14 Aug 2026, 10:00 to 10:02 (seen in the record")
    over_midnight = Moment(NOW, NOW + timedelta(hours=14), how="the water left its level")
    told = jars_model.moment_words("Heat off", over_midnight, "America/Denver")
    assert told.startswith("Heat off Fri 14 Aug 2026, 10:00 to Sat 15 Aug 2026, 00:00 (seen")


def test_a_rest_of_five_minutes_is_suggested() -> None:
    """University of Florida, University of Illinois Extension: heat off, lid off, 5 minutes, then lift."""
    off = Moment(NOW, NOW)
    assert jars_model.rest_words(off, NOW, "America/Denver").startswith(
        "Rest until 10:05 with the canner's lid off"
    )
    assert "are over" in jars_model.rest_words(off, NOW + timedelta(minutes=6), None)


def test_every_seal_place_and_answer_has_words() -> None:
    assert set(jars_model.SEALS) == set(Seal)
    assert Status.SHELF not in jars_model.PLACES, "the shelf is never chosen, it follows"
    assert list(jars_model.ROUND) == list(QUESTIONS) == list(ASK)


def test_guidance_is_quoted_by_number_fact_and_source_each_once() -> None:
    found = jars_model.cited(["G58", "G51", "G58"])
    assert [number for number, _, _ in found] == ["G51", "G58"]
    assert "Nebraska" in found[1][2] and "24 h" in found[0][1]
