"""The start: every missing thing stops it and is named; boiling jars are recorded anyway, capped.

What is asked is this project's own list, after the process record of 21 CFR 113.100 and 114.100 as a pattern; 40 K
between jar and water is a caution after the 42 K that is customary for glass (ASTM C149 names a method and no limit;
from memory). Acid food: pH 4.6 or below (21 CFR 114.3).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from monitor.plan.header import header_json, header_of
from monitor.plan.make import make_own_plan, make_plan
from monitor.plan.model import Plan
from monitor.plan.own import OwnProcess
from monitor.plan.ph import PhMeasured, ph_problem
from monitor.plan.place import site_of
from monitor.plan.pressure import STATION, PressureGiven, StationPressure, station_pressure
from monitor.plan.registration import PLACES, ProbeRegistration
from monitor.plan.setup import CANNOT, PROVES, PROVES_IF_SEEN, longest_gap_s, what_it_proves
from monitor.plan.start import StartFacts, decide_start
from monitor.record import header_from_json
from monitor.record.model import Calibration, Probe, Required, Run

NOW = datetime(2026, 8, 14, 15, 0, tzinfo=UTC)
CHECK = Calibration(-0.4, 0.3, 2.0, -0.35, -0.42, NOW, "ice and boiling points")


def _facts(food: str = "pears", **changes: Any) -> StartFacts:
    plan = make_plan(food, "hot", "pint", 1650.0, 10.0)
    assert isinstance(plan, Plan)
    whole = StartFacts(
        plan=plan,
        site=site_of("hill kitchen", 1650.0, 10.0),
        zone="America/Denver",
        canner="canner-1",
        node="node-1",
        probe=ProbeRegistration("T1", "type K class 1", "linearised, 0.0078 K steps", PLACES[0]),
        calibration=CHECK,
        calibration_seen=True,
        reading_C=21.0,
        reading_age_s=1.0,
        clock_ok=True,
        free_bytes=1e10,
        power_ok=True,
        sound_heard=True,
        jars=7,
        jar_numbers=(1, 2, 3, 4, 5, 6, 7),
        rims_and_lids_checked=True,
        coldest_jar_C=70.0,
        loading_water_C=80.0,
        acid_confirmed=True,
        who="an invented cook",
    )
    return replace(whole, **changes)


def test_with_everything_there_it_starts() -> None:
    """Nothing is missing, nothing deviates."""
    decision = decide_start(_facts())
    assert decision.missing == ()
    assert decision.may_start
    assert decision.sentence == "Ready to start."


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"plan": None}, "plan"),
        ({"site": None}, "altitude"),
        ({"site": site_of("hill kitchen", 1650.0, None)}, "altitude_uncertainty"),
        ({"site_doubt": "This is a new place: confirm its altitude."}, "place"),
        ({"zone": None}, "zone"),
        ({"canner": None}, "canner"),
        ({"node": None}, "node"),
        ({"probe": None}, "probe"),
        ({"probe": ProbeRegistration("T1", "type K class 1", "other", "")}, "probe_details"),
        ({"calibration_seen": False}, "calibration_seen"),
        ({"probe_blocked": "The probe moved: it is blocked."}, "probe_blocked"),
        ({"reading_C": None}, "reading"),
        ({"reading_age_s": 60.0}, "reading"),
        ({"reading_C": 300.0}, "reading"),
        ({"reading_C": -40.0}, "reading"),
        ({"clock_ok": None}, "clock"),
        ({"free_bytes": None}, "storage"),
        ({"free_bytes": 1e6}, "storage"),
        ({"power_ok": None}, "power"),
        ({"sound_heard": False}, "sound"),
        ({"jars": None}, "jars"),
        ({"jars": 0}, "jars"),
        ({"jar_numbers": (1, 2, 2, 4, 5, 6, 7)}, "jar_numbers"),
        ({"rims_and_lids_checked": False}, "rims_and_lids"),
        ({"coldest_jar_C": None}, "coldest_jar"),
        ({"loading_water_C": None}, "loading_water"),
        ({"loading_water_C": 180.0}, "loading_water"),
        ({"coldest_jar_C": -40.0}, "coldest_jar"),
        ({"headspace_mm": -3.0}, "headspace"),
        ({"jars": 700, "jar_numbers": tuple(range(1, 701))}, "jars"),
        ({"unread": ("“1o” cannot be read as a number.",)}, "unread"),
        ({"pressure_doubt": "The node sends no pressure."}, "pressure"),
        ({"who": " "}, "who"),
    ],
)
def test_each_missing_thing_stops_the_start(changes: dict[str, Any], what: str) -> None:
    """One by one, named, with what to do."""
    decision = decide_start(_facts(**changes))
    assert [entry.what for entry in decision.missing] == [what]
    assert decision.missing[0].text.endswith(".")
    assert not decision.may_start
    assert decision.sentence == "Not started: 1 thing is missing."


def test_what_looks_like_fahrenheit_is_said_to() -> None:
    """180 °F are 82.2 °C; 180 °C are no water. Kept as a deviation it would be none of a real batch."""
    decision = decide_start(_facts(loading_water_C=180.0))
    assert "180 °F are 82.2 °C" in decision.missing[0].text and decision.deviations == ()


def test_acid_is_confirmed_before_tomatoes_start() -> None:
    """Omitted, the start is refused with the dose."""
    decision = decide_start(_facts("crushed tomatoes", acid_confirmed=False))
    assert [entry.what for entry in decision.missing] == ["acid"]
    assert "1 tbsp" in decision.missing[0].text


def test_jars_that_boil_already_are_recorded_anyway_and_capped() -> None:
    """The offer names its reasons, and the record carries them."""
    facts = _facts(already_boiling=True, sound_heard=False, loading_water_C=None)
    decision = decide_start(facts)
    assert not decision.may_start
    assert decision.record_anyway
    assert "no more than unproven" in decision.sentence
    header = header_json(facts, "r1", NOW)
    assert header["capped_at_unproven"] == list(decision.cap_reasons)
    assert len(decision.cap_reasons) == 3


def test_jars_that_boil_already_are_capped_with_nothing_missing_too() -> None:
    """The record cannot show their come-up, and it says so; without them the same facts are not capped."""
    facts = _facts(already_boiling=True)
    decision = decide_start(facts)
    assert (decision.missing, decision.may_start, decision.record_anyway) == ((), False, True)
    assert decision.sentence.startswith("The jars are in boiling water: record anyway.")
    (reason,) = header_json(facts, "r1", NOW)["capped_at_unproven"]
    assert "come-up" in reason
    assert "capped_at_unproven" not in header_json(_facts(), "r1", NOW)


def test_hot_loading_water_is_kept_as_a_deviation() -> None:
    """Hot pack 180 °F (82.2 °C), raw pack 140 °F (60 °C): University of Georgia, Using boiling water canners."""
    assert decide_start(_facts(loading_water_C=82.2)).deviations == ()
    hot = decide_start(_facts(loading_water_C=88.0))
    assert hot.may_start
    assert "come-up" in hot.deviations[0]
    assert "82 °C (180 °F)" in hot.deviations[0]
    assert header_json(_facts(loading_water_C=88.0), "r1", NOW)["deviations"] == list(hot.deviations)


def test_a_large_difference_between_jar_and_water_is_a_caution_only() -> None:
    """More than 40 K: glass may crack; the start goes on."""
    decision = decide_start(_facts(coldest_jar_C=30.0))
    assert decision.may_start
    assert "crack" in decision.cautions[0]
    assert decide_start(_facts(coldest_jar_C=45.0)).cautions == ()


@pytest.mark.parametrize(
    ("ph", "says"),
    [
        (PhMeasured(4.55, 0.10, "meter", "M1", True), "may be above 4.60"),
        (PhMeasured(4.20, 0.05, "strip"), "paper strip"),
        (PhMeasured(4.20, 0.05, "meter", "M1", False), "two buffers"),
        (PhMeasured(4.50, 0.10, "meter", "M1", True), ""),
    ],
)
def test_a_measured_ph_is_guarded(ph: PhMeasured, says: str) -> None:
    """pH with its uncertainty at most 4.60 (21 CFR 114.3), by a meter checked that day."""
    assert says in ph_problem(ph)
    assert (ph_problem(ph) == "") is (says == "")


def test_the_header_is_a_run_record() -> None:
    """What is written as run_started reads back as the same run, lot code and all."""
    run = header_of(_facts(), "2026-08-14-canner-1-a", NOW)
    read = header_from_json(header_json(_facts(), "2026-08-14-canner-1-a", NOW))
    assert read == run
    assert run.batch.extra["lot_code"].startswith("260814-")
    assert run.required.minutes == 30.0
    assert run.batch.food_id == "pears"
    with pytest.raises(ValueError, match="plan"):
        header_of(StartFacts(), "r", NOW)


def test_a_couple_without_a_barometer_on_a_hill_is_told_why_and_what_helps() -> None:
    """At 1650 m the altitude alone cannot prove a boil; a typed pressure and a check can."""
    probe = Probe(kind="type K class 1", converter="linearised, 0.0078 K steps")
    bare = Run("r", NOW, Required(30.0), site=site_of("hill kitchen", 1650.0, 10.0), probe=probe)
    told = what_it_proves(bare)
    assert told.answer == CANNOT
    assert longest_gap_s(bare) == 0.0
    assert any("barometer" in way.what for way in told.ways)
    assert any("ice point" in way.what for way in told.ways)
    checked = replace(bare, probe=replace(probe, calibration=CHECK))
    assert what_it_proves(checked).answer != PROVES
    by_altitude = replace(CHECK, expanded_uncertainty_K=0.71, extra={"pressure_source": "altitude"})
    assert what_it_proves(replace(bare, probe=replace(probe, calibration=by_altitude))).answer == CANNOT
    typed = station_pressure(PressureGiven(STATION, 833.3, "hPa", NOW), 1650.0, 10.0, NOW)
    assert isinstance(typed, StationPressure)
    with_air = replace(checked, site=site_of("hill kitchen", 1650.0, 10.0, pressure=typed))
    assert what_it_proves(with_air).answer in (PROVES, PROVES_IF_SEEN)
    assert 0.0 < longest_gap_s(with_air) <= 30.0


def test_what_is_asked_to_be_confirmed_says_what() -> None:
    """Acid of the recipe is measured; an added dose goes into each jar; a probe is looked at for what it proves."""

    def asked(what: str, facts: StartFacts) -> str:
        return next(entry.text for entry in decide_start(facts).missing if entry.what == what)

    assert asked("acid", _facts("pie_filling_apple", acid_confirmed=False)) == (
        "Confirm that the recipe's acid was measured exactly."
    )
    dose = asked("acid", _facts("figs", acid_confirmed=False))
    assert dose.startswith("Confirm that the acid is in each jar: 1 tbsp (15 mL) bottled lemon juice, or ")
    checked = "Look at what this probe can prove today, and confirm it."
    assert asked("calibration_seen", _facts(calibration_seen=False)) == checked
    never = asked("calibration_seen", _facts(calibration_seen=False, calibration=None))
    assert never == f"{checked} It has never been checked."


def test_cautions_and_confirmations_are_kept() -> None:
    """Jars 45 K colder than the water: shown, and in the record; so is what a person looked at."""
    header = header_json(_facts(coldest_jar_C=35.0), "r1", NOW)
    assert "Glass may crack" in header["cautions"][0]
    assert header["confirmed_at_start"] == ["clock", "power", "alarm heard", "probe's state"]


def test_an_own_process_carries_that_in_its_name() -> None:
    """So it stands on every page, label and proof that names the food."""
    own = OwnProcess(
        "pickled okra", "raw", "pint", 20.0, "An invented county sheet", 0.0, None, says_boiling_water=True
    )
    plan = make_own_plan(own, 1650.0, 10.0)
    assert isinstance(plan, Plan)
    header = header_json(_facts(plan=plan, headspace_mm=13.0), "r1", NOW)
    assert header["batch"]["food"] == "pickled okra (own process)"
    assert header["required"]["source"].startswith("own process: ")
    assert header["batch"]["headspace_mm"] == 13.0


def test_a_lot_code_that_is_taken_is_not_given_again() -> None:
    """Two loads never share one, whatever their ids hash to."""
    first = header_json(_facts(), "r1", NOW)["batch"]["lot_code"]
    again = header_json(_facts(lots_taken=frozenset({first})), "r1", NOW)["batch"]["lot_code"]
    assert again != first


def test_what_speaks_against_the_probe_is_told_with_what_is_missing() -> None:
    """A later check that was not accepted stands where the probe is confirmed; a blocked one says what to do."""
    said = "The last check of 2026-08-01 was not accepted: Without a boiling point nothing is proven at the boil."
    (asked,) = decide_start(_facts(calibration_seen=False, calibration=None, probe_said=(said,))).missing
    assert said in asked.text and "never been checked" not in asked.text
    (blocked,) = decide_start(_facts(probe_blocked="The probe moved: it is blocked.")).missing
    assert "checked again at both points" in blocked.text
