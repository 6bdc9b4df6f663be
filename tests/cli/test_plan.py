"""``boilwitness plan`` as a person or a script runs it: exit status, document, one screenful."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.main import main
from monitor.plan.make import make_plan
from monitor.plan.model import Plan
from monitor.plan.registration import PLACES

PEARS = ["plan", "--food", "pears", "--pack", "hot", "--jar", "pint"]


def _json(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    status = main([*words, "--json"])
    return status, json.loads(capsys.readouterr().out)


def test_the_contract_s_command(capsys: pytest.CaptureFixture[str]) -> None:
    """Minutes, source, evidence and cautions; exit status 0. Pears, hot, pints, 3,001-6,000 ft: 30 min (USDA)."""
    status, form = _json(capsys, *PEARS, "--altitude-m", "1650", "--altitude-uncertainty-m", "10")
    assert status == 0
    assert form["minutes"] == 30
    assert "Guide 2" in form["source"]
    assert form["evidence"] == "seen"
    assert len(form["cautions"]) >= 3


def test_the_command_line_and_the_pages_agree_in_every_field(capsys: pytest.CaptureFixture[str]) -> None:
    """Both come out of the same function."""
    _, form = _json(capsys, *PEARS, "--altitude-m", "300", "--altitude-uncertainty-m", "10")
    plan = make_plan("pears", "hot", "pint", 300.0, 10.0)
    assert isinstance(plan, Plan)
    assert form == json.loads(json.dumps(plan.as_json()))


def test_feet_are_taken_as_feet(capsys: pytest.CaptureFixture[str]) -> None:
    """1,000 ft exactly is the first band, 1,001 ft the second."""
    at_edge = _json(capsys, *PEARS, "--altitude-ft", "1000", "--altitude-uncertainty-ft", "0")[1]
    above = _json(capsys, *PEARS, "--altitude-ft", "1001", "--altitude-uncertainty-ft", "0")[1]
    assert (at_edge["minutes"], above["minutes"]) == (20, 25)


@pytest.mark.parametrize("food", ["green beans", "beef stew", "peer halves", "tomatoes"])
def test_refusals_exit_3_with_the_reason(capsys: pytest.CaptureFixture[str], food: str) -> None:
    """``refused`` and no minutes."""
    words = ["plan", "--food", food, "--pack", "hot", "--jar", "pint", "--altitude-m", "1650"]
    status, form = _json(capsys, *words)
    assert status == 3
    assert form["refused"]
    assert "minutes" not in form
    assert main(words) == 3
    assert capsys.readouterr().out.startswith("Refused: ")


def test_a_low_acid_food_is_refused_before_anything_else_is_asked(capsys: pytest.CaptureFixture[str]) -> None:
    """Pack and jar do not matter then."""
    status, form = _json(capsys, "plan", "--food", "beef stew")
    assert (status, form["kind"]) == (3, "low_acid")


def test_for_a_person_it_fits_a_screen(capsys: pytest.CaptureFixture[str]) -> None:
    """Twenty-four lines of a hundred signs, the time first."""
    assert main([*PEARS, "--altitude-m", "300", "--altitude-uncertainty-m", "10"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Hold a full boil for 25 minutes, without a break."
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 100


def test_the_steps_are_printed_when_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    """In the order of the work, each with its caution."""
    assert main([*PEARS, "--altitude-m", "300", "--steps"]) == 0
    out = capsys.readouterr().out
    places = [out.index(word) for word in ("Before the heat", "Loading", "Come-up", "Hold\n", "After\n")]
    assert places == sorted(places)
    assert "steam burns" in out


def test_todays_pressure_may_offer_the_longer_time(capsys: pytest.CaptureFixture[str]) -> None:
    """An altimeter setting of 985 hPa at 1650 m is 806 hPa: as at 6,200 ft."""
    words = [*PEARS, "--altitude-m", "1650", "--altitude-uncertainty-m", "10", "--altimeter-hPa", "985"]
    form = _json(capsys, *words)[1]
    assert form["minutes"] == 30
    assert form["low_pressure"]["minutes"] == 35


def test_the_longer_time_of_a_low_day_is_held_when_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    """35 min instead of 30, and said."""
    words = [*PEARS, "--altitude-m", "1650", "--altitude-uncertainty-m", "10", "--altimeter-hPa", "985"]
    form = _json(capsys, *words, "--take-longer")[1]
    assert (form["minutes"], form["printed_minutes"], form["low_pressure"]["taken"]) == (35, 30, True)
    assert any("today's low pressure" in caution for caution in form["cautions"])


def test_a_forecast_s_pressure_is_refused_on_a_hill_and_taken_by_the_sea(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """At 1650 m it is wrong by -9 to +16 hPa (hypsometric equation, columns of -10 and 35 °C); at 30 m by 0.3."""
    assert main([*PEARS, "--altitude-m", "1650", "--sea-level-hPa", "1015"]) == 2
    assert "-9 to +16 hPa" in capsys.readouterr().err
    assert main([*PEARS, "--altitude-m", "30", "--sea-level-hPa", "1015"]) == 0


def test_the_list_names_every_food(capsys: pytest.CaptureFixture[str]) -> None:
    """For a person and for a script."""
    assert main(["plan", "--list"]) == 0
    out = capsys.readouterr().out
    assert "Pears, halved: hot pint, hot quart" in out
    assert main(["plan", "--list", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)
    assert len(listed) == len(out.splitlines()) >= 60


def test_one_food_s_table_when_pack_and_jar_are_not_chosen(capsys: pytest.CaptureFixture[str]) -> None:
    """The printed cells, all bands."""
    assert main(["plan", "--food", "pears"]) == 0
    assert "1,001-3,000 ft: 25" in capsys.readouterr().out


def test_an_own_process_goes_in_and_out_as_own(capsys: pytest.CaptureFixture[str]) -> None:
    """And without its source it is refused."""
    words = ["plan", "--food", "pickled okra", "--pack", "raw", "--jar", "pint", "--altitude-m", "100"]
    own = ["--own-minutes", "10", "--own-is-boiling-water"]
    status, form = _json(
        capsys, *words, *own, "--own-source", "An invented county sheet", "--own-band-ft", "0", "1000"
    )
    assert (status, form["own"], form["evidence"]) == (0, True, "own")
    assert _json(capsys, *words, *own)[0] == 3


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["plan"], "--food"),
        (["plan", "--food", "pears", "--json"], "--pack, --jar, --altitude-m"),
        ([*PEARS, "--altitude-m", "1650", "--altimeter-hPa", "830"], "29.92"),
    ],
)
def test_bad_usage_gets_one_line(capsys: pytest.CaptureFixture[str], words: list[str], says: str) -> None:
    """Exit status 2, on stderr, with what to do."""
    assert main(words) == 2
    err = capsys.readouterr().err
    assert says in err
    assert len(err.splitlines()) == 1


def test_before_the_run_the_budget_is_printed_term_by_term(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A checked couple at 1650 m by altitude alone: what it can prove, what helps, how long a silence may be, and each
    term with its standard uncertainty and its source (Eurachem/CITAC guide on uncertainty, 9.2.1 and 9.2.3: each
    component with its value, its standard uncertainty and how it was obtained; JCGM 100:2008, 7.2.7, from memory).
    """
    place = [
        "--data",
        str(tmp_path),
        "--altitude-m",
        "1650",
        "--altitude-uncertainty-m",
        "10",
        "--probe",
        "T1",
    ]
    kind = [
        "--kind",
        "type K class 1",
        "--converter",
        "linearised, 0.0078 K steps",
        "--place",
        PLACES[0],
        "--altimeter-hPa",
        "1013.25",
    ]
    assert main(["calibrate", *place, *kind, "--ice-C", "0.3", "--boil-C", "94.88", "--stirred"]) == 0
    capsys.readouterr()
    assert main([*PEARS, *place]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "can prove a boil if you look and mark the rolling boil" in text
    assert "What helps: A barometer on the node" in text
    assert "silence of the node" in text
    assert "8 weather, altitude alone ±0.42 K 0.210" in text and "8 climate texts: half" in text
    assert "all together, U (k = 2) 0.74" in text


@pytest.mark.parametrize(
    ("own", "said"),
    [
        (["--own-source", "An invented county sheet"], "--own-minutes"),
        (["--own-is-boiling-water"], "--own-minutes"),
        (["--own-minutes", "10", "--own-band-ft", "5000", "3000"], "is no band"),
    ],
)
def test_half_a_process_of_ones_own_does_not_end_in_the_tables(
    capsys: pytest.CaptureFixture[str], own: list[str], said: str
) -> None:
    words = ["plan", "--food", "pears", "--pack", "hot", "--jar", "pint", "--altitude-m", "800"]
    assert main([*words, *own]) == 2
    told = capsys.readouterr()
    assert said in told.err and told.out == ""
