"""Plans and refusals: the longer time at a step, what a batch needs, and kind, exact refusals.

Minutes are those printed in the USDA Complete Guide to Home Canning (AIB 539): Guide 2, pears, halved, hot pack,
pints: 20, 25, 30, 35 min at 0-1,000, 1,001-3,000, 3,001-6,000 and above 6,000 ft, where a test names no other. A foot
is 0.3048 m (NIST SP 811). Pressures at an altitude: U.S. Standard Atmosphere 1976. The ±100 m of an altitude that
nobody vouches for, and the offer of a longer time, are this project's own.
"""

from __future__ import annotations

import re

import pytest

from monitor.plan.make import make_own_plan, make_plan
from monitor.plan.model import Plan
from monitor.plan.own import OwnProcess
from monitor.plan.refusal import Refusal
from monitor.plan.search import find_food
from monitor.tables.foods import foods
from monitor.tables.guidance import facts
from monitor.tables.processes import packs_and_jars

#: Characters: two lines of a page that a person reads in a kitchen.
LONGEST_CAUTION = 160


def _plan(
    food: str = "pears", pack: str = "hot", jar: str = "pint", m: float = 1650.0, sure: float = 10.0
) -> Plan:
    plan = make_plan(food, pack, jar, m, sure)
    assert isinstance(plan, Plan), plan
    return plan


def _refusal(food: str = "pears", pack: str = "hot", jar: str = "pint", m: float = 1650.0) -> Refusal:
    refusal = make_plan(food, pack, jar, m, 10.0)
    assert isinstance(refusal, Refusal)
    return refusal


def test_the_printed_time_at_a_plain_altitude() -> None:
    """Pears, hot, pints at 1650 m (5,413 ft): 30 min (USDA Guide 2, Pears, halved)."""
    plan = _plan("pear halves")
    assert (plan.food_id, plan.minutes, plan.evidence, plan.straddle) == ("pears", 30.0, "seen", "")
    assert "Guide 2, Pears-halved" in plan.source


def test_an_uncertain_altitude_over_a_step_gets_the_longer_time() -> None:
    """300 ± 10 m lies over 1,000 ft (304.8 m): 25 min, not 20, and why."""
    plan = _plan(m=300.0)
    assert plan.minutes == 25.0
    assert plan.printed_minutes == 20.0
    assert plan.straddle.endswith("25 min, not 20.")
    assert "1,000 ft" in plan.straddle
    assert plan.straddle in plan.cautions


@pytest.mark.parametrize(
    ("m", "sure", "minutes"), [(294.8, 10.0, 20.0), (294.81, 10.0, 25.0), (304.8, 0.0, 20.0)]
)
def test_the_step_is_met_exactly(m: float, sure: float, minutes: float) -> None:
    """The upper end on the edge itself is still the lower band."""
    assert _plan(m=m, sure=sure).minutes == minutes


def test_an_altitude_without_uncertainty_is_taken_as_a_hundred_metres() -> None:
    """Missing is wide, never exact."""
    plan = make_plan("pears", "hot", "pint", 250.0)
    assert isinstance(plan, Plan)
    assert plan.minutes == 25.0
    assert "was not said" in plan.straddle


def test_above_8000_ft_the_longer_time_and_both_sources() -> None:
    """2,600 m is 8,530 ft: the guide prints 35 for sliced apples, Utah State 40."""
    plan = _plan("apples", m=2600.0)
    assert plan.minutes == 40.0
    assert "35 min" in plan.disagreements[0]
    assert "Utah State" in plan.disagreements[0]
    assert "was not read" not in plan.disagreements[0]
    assert "was not read" in _plan("peaches", m=2600.0).disagreements[0]
    assert "G21" in plan.guidance


def test_a_time_from_memory_says_so() -> None:
    """Sauerkraut's rows were not read in the guide."""
    plan = _plan("sauerkraut")
    assert plan.caveat == "not checked against the printed guide"
    assert "This time is not checked against the printed guide." in plan.cautions


def test_short_processes_ask_for_sterile_jars() -> None:
    """Jam at sea level: 5 min, so jars boiled 10 min first; at 1,001 ft and up it is 10 min and they are not."""
    low = _plan("jam without added pectin", jar="half-pint", m=100.0)
    assert low.minutes == 5.0
    assert low.sterilise_minutes == 10
    assert any(step.id == "sterile_jars" for step in low.steps)
    high = _plan("jam without added pectin", jar="half-pint", m=1650.0)
    assert not high.sterilise_jars
    assert not any(step.id == "sterile_jars" for step in high.steps)


def test_tomatoes_ask_for_acid_in_each_jar() -> None:
    """1 tbsp a pint, 2 tbsp a quart, whatever the time (USDA Guide 3, introduction)."""
    pint, quart = _plan("crushed tomatoes"), _plan("crushed tomatoes", jar="quart")
    assert pint.acid is not None and quart.acid is not None
    assert pint.acid["bottled_lemon_juice"] == "1 tbsp"
    assert quart.acid["bottled_lemon_juice"] == "2 tbsp"
    assert any(step.id == "acid" for step in pint.checklist)
    assert _plan("pears").acid is None


@pytest.mark.parametrize(
    ("food", "jar", "text"),
    [
        ("figs", "pint", "1 tbsp (15 mL) bottled lemon juice, or 1/4 tsp citric acid"),
        ("figs", "quart", "2 tbsp (30 mL) bottled lemon juice, or 1/2 tsp citric acid"),
        ("figs", "half-pint", "1 tbsp (15 mL) bottled lemon juice, or 1/4 tsp citric acid"),
        ("asian pears", "pint", "1 tbsp (15 mL) bottled lemon juice"),
        ("asian pears", "quart", "2 tbsp (30 mL) bottled lemon juice"),
        (
            "crushed tomatoes",
            "pint",
            "1 tbsp (15 mL) bottled lemon juice, or 1/4 tsp citric acid, or 2 tbsp vinegar of 5 %",
        ),
    ],
)
def test_no_acid_is_offered_that_is_not_printed_for_the_food(food: str, jar: str, text: str) -> None:
    """USDA Complete Guide (AIB 539), Guide 2, Figs: lemon juice or citric acid. National centre for home food
    preservation, Pears, Asian: lemon juice alone. Guide 3, introduction, tomatoes: vinegar of 5 % too."""
    plan = _plan(food, jar=jar)
    assert plan.acid is not None and plan.acid["text"] == text
    assert ("vinegar_5_percent" in plan.acid) == ("vinegar" in text)
    assert ("citric_acid" in plan.acid) == ("citric_acid_mL" in plan.acid) == ("citric" in text)
    assert plan.acid["evidence"] == "seen"
    assert not any("vinegar" in step.text for step in plan.steps) or "vinegar" in text


@pytest.mark.parametrize(
    ("food", "m", "inches"), [("pears", 1650.0, 1), ("pears", 1900.0, 2), ("tomato juice", 0.0, 2)]
)
def test_water_over_the_lids(food: str, m: float, inches: int) -> None:
    """1 in up to and with 30 min, 2 in for longer (University of Georgia, Using boiling water canners)."""
    assert _plan(food, m=m).water_over_lids.inches == inches


def test_the_checklist_fits_the_batch() -> None:
    """No acid for pears, no top-up for short processes; every step once; cautions of two lines at most."""
    ids = [step.id for step in _plan().steps]
    assert "acid" not in ids
    assert "water_kept" not in ids
    assert "water_kept" in [step.id for step in _plan("tomato juice").steps]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("food_id", sorted(foods()))
@pytest.mark.parametrize("altitude_m", [0.0, 1650.0, 2600.0])
def test_every_plan_is_whole(food_id: str, altitude_m: float) -> None:
    """Every row of the table makes a plan with source, cited facts, short cautions and no claim of its own."""
    for pack, jar in packs_and_jars(food_id):
        plan = _plan(food_id, pack, jar, altitude_m)
        form = plan.as_json()
        assert form["minutes"] >= form["printed_minutes"] > 0
        assert form["source"] and form["evidence"] in ("seen", "memory")
        assert set(form["guidance"]) <= set(facts())
        for caution in (*plan.cautions, *(step.caution for step in plan.steps)):
            assert len(caution) <= LONGEST_CAUTION, caution
        assert not re.search(r"\b(safe|sterile food|compliant)\b", str(form))


def test_a_smaller_jar_takes_the_smallest_listed_time_and_says_so() -> None:
    """Half-pints of pears: the pint's time (guidance G25, from memory)."""
    plan = _plan(jar="half-pint")
    assert (plan.jar, plan.time_from_jar, plan.minutes) == ("half_pint", "pint", 30.0)
    assert any("No time is printed for a half-pint jar" in caution for caution in plan.cautions)


def test_low_pressure_offers_the_longer_time() -> None:
    """800 hPa is the standard air at about 6,400 ft (U.S. Standard Atmosphere 1976): 35 min are offered, 30 still
    asked for."""
    low = make_plan("pears", "hot", "pint", 1650.0, 10.0, station_pressure_kPa=80.0)
    assert isinstance(low, Plan)
    assert low.minutes == 30.0
    assert low.offer is not None
    assert low.offer.minutes == 35.0
    assert "800 hPa" in low.offer.text
    usual = make_plan("pears", "hot", "pint", 1650.0, 10.0, station_pressure_kPa=83.5)
    assert isinstance(usual, Plan)
    assert usual.offer is None


def test_the_longer_time_of_a_low_day_can_be_taken() -> None:
    """35 min: the minutes, the depth over the lids (2 in above 30 min) and the steps follow; without an offer
    nothing changes."""
    taken = make_plan("pears", "hot", "pint", 1650.0, 10.0, station_pressure_kPa=80.0, take_longer=True)
    assert isinstance(taken, Plan)
    assert (taken.minutes, taken.printed_minutes, taken.water_over_lids.inches) == (35.0, 30.0, 2)
    assert taken.offer is not None and taken.offer.taken
    assert "35 min" in next(step.text for step in taken.steps if step.id == "hold")
    usual = make_plan("pears", "hot", "pint", 1650.0, 10.0, station_pressure_kPa=83.5)
    assert usual == make_plan(
        "pears", "hot", "pint", 1650.0, 10.0, station_pressure_kPa=83.5, take_longer=True
    )


@pytest.mark.parametrize(
    ("refusal", "kind", "says"),
    [
        (_refusal("green beans"), "low_acid", "botulinum"),
        (_refusal("chicken soup"), "low_acid", "no override"),
        (_refusal("peer halves"), "unknown_food", "not in the published tables"),
        (_refusal("tomatoes"), "ambiguous_food", "12 foods"),
        (_refusal("   "), "unknown_food", "No food was named"),
        (
            _refusal("きゅうりのピクルス"),
            "unknown_food",
            "“きゅうりのピクルス” is not in the published tables",
        ),
        (_refusal("pears 豚肉"), "unknown_food", "not in the published tables"),
        (_refusal(pack="raw"), "other_pack", "no raw-pack time for Pears, halved"),
        (_refusal(pack="warm"), "unknown_pack", "not a style of pack"),
        (_refusal(jar="half-gallon"), "jar_too_large", "larger than the largest listed"),
        (_refusal(jar="bucket"), "unknown_jar", "not a jar size"),
        (_refusal(jar="3 l"), "unknown_jar", "3000 mL"),
        (_refusal(m=9000.0), "out_of_range", "outside -500 to 6000 m"),
        (_refusal(m=float("nan")), "out_of_range", "outside"),
    ],
)
def test_refusals_read_kindly_and_exactly(refusal: Refusal, kind: str, says: str) -> None:
    """Each names what was refused, why, and what to do instead; none has minutes."""
    assert refusal.kind == kind
    assert says in refusal.reason
    assert refusal.reason.endswith((".", ".)"))
    assert refusal.instead.endswith(".")
    form = refusal.as_json()
    assert form["refused"] == refusal.reason
    assert "minutes" not in form
    assert not re.search(r"\b(error|invalid|illegal|stupid|safe)\b", refusal.as_text(), re.I)


@pytest.mark.parametrize(
    ("words", "first"),
    [("peer halves", "pears"), ("applesause", "applesauce"), ("crushd tomatoes", "tomatoes_crushed")],
)
def test_near_misses_are_suggested_not_taken(words: str, first: str) -> None:
    """A typing error gets its food as the first suggestion, and no time."""
    found = find_food(words)
    assert isinstance(found, Refusal)
    assert found.suggestions[0].food_id == first


@pytest.mark.parametrize(
    ("words", "food_id"),
    [
        ("pears", "pears"),
        ("PEARS", "pears"),
        ("Pear halves", "pears"),
        ("apples_sliced", "apples_sliced"),
        ("raspberries", "berries_whole"),
        ("pickled beets", "beets_pickled"),
        ("dilly beans", "beans_dilled"),
        ("corn relish", "relish_corn"),
        ("catsup", "ketchup_tomato"),
        ("zucchini-pineapple", "zucchini_pineapple"),
    ],
)
def test_ordinary_words_find_the_food(words: str, food_id: str) -> None:
    """Only a food's own names do."""
    found = find_food(words)
    assert not isinstance(found, Refusal)
    assert found.food_id == food_id


def test_a_refused_vegetable_names_its_tested_pickle() -> None:
    """Beets are refused, pickled beets are in the tables."""
    assert [found.food_id for found in _refusal("beets").suggestions] == ["beets_pickled"]


OWN = OwnProcess("pickled okra", "raw", "pint", 10.0, "An invented county sheet, 2011", 0, 1000, True)


def test_an_own_process_is_marked_as_own_everywhere() -> None:
    """Source, evidence and a caution say whose it is."""
    plan = make_own_plan(OWN, 200.0, 10.0)
    assert isinstance(plan, Plan)
    assert plan.own and plan.evidence == "own" and plan.minutes == 10.0
    assert plan.source == "own process: An invented county sheet, 2011"
    assert "entered yourself" in plan.cautions[0]


@pytest.mark.parametrize(
    ("own", "m", "kind", "says"),
    [
        (OWN, 300.0, "outside_band", "0 to 1,000 ft"),
        (
            OwnProcess("chicken", "raw", "pint", 180.0, "Grandmother's book", 0, None, True),
            0.0,
            "low_acid",
            "meat",
        ),
        (
            OwnProcess("okra", "raw", "pint", 180.0, "Grandmother's book", 0, None, True),
            0.0,
            "low_acid",
            "vegetable",
        ),
        (
            OwnProcess("pickled okra", "raw", "pint", 10.0, "web", 0, None, True),
            0.0,
            "not_declared",
            "source in words",
        ),
        (OwnProcess("pickled okra", "raw", "pint", 10.0, "a book", 0, None), 0.0, "not_declared", "pH 4.6"),
        (
            OwnProcess("pickled okra", "raw", "pint", 0.0, "a book", 0, None, True),
            0.0,
            "out_of_range",
            "0 min",
        ),
    ],
)
def test_own_processes_that_cannot_be_used(own: OwnProcess, m: float, kind: str, says: str) -> None:
    """Low-acid food, no source, no declaration, no time, another band: refused with the reason."""
    refusal = make_own_plan(own, m, 10.0)
    assert isinstance(refusal, Refusal)
    assert refusal.kind == kind
    assert says in refusal.reason


def test_an_own_time_shorter_than_the_published_one_says_what_it_costs() -> None:
    """10 min for pears is theirs to enter, and can at most be unproven."""
    own = OwnProcess("pears", "hot", "pint", 10.0, "An invented leaflet", 0, None, True)
    plan = make_own_plan(own, 1650.0, 10.0)
    assert isinstance(plan, Plan)
    assert "asks 30 min" in plan.disagreements[0]
    assert "at most be unproven" in plan.disagreements[0]


@pytest.mark.parametrize(
    "words", ["<script>alert(1)</script>", "pear\n\x00halves" * 50_000, "“”", "(((", "\\d+", "🍐"]
)
def test_hostile_words_are_only_unknown_words(words: str) -> None:
    """Any text is taken, none is found, and what is shown of it stays short."""
    found = find_food(words)
    assert isinstance(found, Refusal)
    assert len(found.reason) < 250
    assert "\n" not in found.reason


def test_conditions_of_a_food_s_process_are_cautions() -> None:
    """Lemon curd's come-up is part of its process; tomatoes from dead vines are not canned (guidance G12, G37)."""
    curd = _plan("lemon curd", jar="half-pint")
    assert any("25 to 30 min from loading" in caution for caution in curd.cautions)
    assert "G12" in curd.guidance
    assert any("frost-killed" in caution for caution in _plan("crushed tomatoes").cautions)
