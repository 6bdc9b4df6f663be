"""What a season suggests, the nodes in words, an alarm's history, months: pure functions, invented figures."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dashboard import alarm_model, compare_model, nodes_model, runs_model
from dashboard.compare_model import RunFigures, figures_of, suggestions
from dashboard.nodes_model import Reading
from monitor.store.reader import AlarmRow, NodeRow, RefusalRow, RunRow


def run(number: int, come_up_s: float, **changes: object) -> RunFigures:
    made = RunFigures(f"r{number}", "stove", come_up_s, None, 0, 0.0, 1500.0, 1500.0, "held")
    return replace(made, **changes)  # type: ignore[arg-type]


def season(*come_ups_s: float, **changes: object) -> list[RunFigures]:
    return [run(number, come_up_s, **changes) for number, come_up_s in enumerate(come_ups_s)]


def test_a_come_up_that_grows_from_run_to_run_suggests_lime() -> None:
    """Common practice: scale on an element insulates it, a little more with each batch."""
    told = suggestions(season(1000, 1010, 1100, 1190, 1200, 1290, 1400, 1390, 1410))
    assert len(told) == 1
    assert "39 % longer to come to the boil" in told[0]
    assert "as lime on the element or the base does" in told[0]
    assert "say how many litres" in told[0]


def test_a_come_up_that_jumps_suggests_a_weak_element() -> None:
    """It failed from one run to the next: no coat grows so."""
    told = suggestions(season(1000, 1010, 990, 1000, 1010, 990, 1500, 1490, 1510))
    assert len(told) == 1
    assert "as with an element or a burner that is weaker" in told[0]


def test_more_water_is_no_slower_kettle_where_the_litres_were_said() -> None:
    """Half again as long for half again as much water is the same kettle."""
    rows = season(*[1000.0] * 6, water_L=10.0) + season(*[1500.0] * 3, water_L=15.0)
    assert rows[0].per_litre_s == 100.0
    assert suggestions(rows) == []
    told = suggestions([replace(row, water_L=10.0) for row in rows])
    assert "longer for each litre to come" in told[0] and "say how many litres" not in told[0]


def test_an_ordinary_season_suggests_nothing() -> None:
    """A tenth more or less from run to run is not a trend; nor is a season of five runs one."""
    assert suggestions(season(1000, 1100, 950, 1050, 990, 1080, 1010, 1090, 960)) == []
    assert suggestions(season(1000, 1200, 1400, 1600, 1800)) == []


def test_a_drifting_probe_and_a_weak_heat_are_named() -> None:
    """A boil is the same every day: what reads it otherwise has moved. A boil lost every time is the heat."""
    rows = season(*[1000.0] * 9)
    drifted = [replace(row, plateau_K=0.05 * place) for place, row in enumerate(rows)]
    assert "reads +0.30 K against its boiling point" in suggestions(drifted)[0]
    weak = [replace(row, restarts=int(place > 5)) for place, row in enumerate(rows)]
    assert suggestions(weak) == [
        "stove lost its boil in 3 of its last 3 runs: is the heat turned down too far, or weak?"
    ]


def test_figures_come_from_the_header_and_the_verdict() -> None:
    """What is not known stays unknown."""
    verdict = {
        "verdict": "held",
        "proven_s": 620.0,
        "required_s": 600.0,
        "stretches": [
            {"start_s": 10.0, "end_s": 910.0, "state": "not_boiling", "why": "come-up"},
            {"start_s": 920.0, "end_s": 1000.0, "state": "boiling", "why": "full boil"},
            {"start_s": 1100.0, "end_s": 1720.0, "state": "boiling", "why": "full boil"},
        ],
        "events": [{"kind": "boil_lost"}],
    }
    found = figures_of("r", {"canner": "stove", compare_model.WATER_KEY: 12}, verdict)
    assert (found.come_up_s, found.water_L, found.restarts, found.per_litre_s) == (900.0, 12.0, 1, 75.0)
    assert compare_model.longest_boil(verdict) == (1100.0, 1720.0)
    assert figures_of("r", {compare_model.WATER_KEY: "much"}, {}).per_litre_s is None


@pytest.mark.parametrize(
    ("pressure_kPa", "words"),
    [
        # The normal boiling point, 99.97 °C at 101.325 kPa (IAPWS-IF97), and about 94.6 °C at 83.4 kPa.
        (101.325, "1013.2 hPa, water boils at 99.97 °C"),
        (83.4, "834.0 hPa, water boils at 94.61 °C"),
        (1013.25, "10132.5 hPa, which no kitchen has"),
        (None, "no barometer heard"),
    ],
)
def test_a_barometer_in_words(pressure_kPa: float | None, words: str) -> None:
    assert nodes_model.barometer(Reading(1.0, 90.0, None, pressure_kPa, 1.0), False) == words


def test_a_barometer_that_speaks_seldom_says_how_old_its_value_is() -> None:
    """84 kPa is 840.0 hPa; water boils there at 94.80 °C (IAPWS-IF97, as in the check above)."""
    told = nodes_model.barometer(Reading(1.0, 90.0, None, 84.0, 42.4), False)
    assert told.startswith("840.0 hPa 42 s ago, water boils at 94.")


def test_a_node_is_heard_silent_or_never_heard() -> None:
    """Never heard is not silent, and an age that cannot be known is not taken for life."""
    assert nodes_model.heard(None).word == "Never heard"
    assert nodes_model.heard(Reading(None, 90.0, None, None, None)).tone == "unsure"
    assert nodes_model.heard(Reading(2.4, 90.0, None, None, None)).word == "Heard 2 s ago"
    assert nodes_model.heard(Reading(240.0, 90.0, None, None, None)).word == "Silent for 4 min"
    assert (
        nodes_model.water(Reading(1.0, None, "short_to_ground", None, None), False)
        == "fault: short to ground"
    )


def test_what_is_wrong_with_a_node_and_what_was_refused() -> None:
    """Hostile bytes are shown as text, cut, with nothing that a terminal or a page would act on."""
    node = NodeRow("n", None, "2026-08-14T15:00:00Z", 1.0, 5, 3, 1, "serial")
    assert nodes_model.wrong(node) == "3 lost, 1 came twice with two values"
    assert nodes_model.serves(node) == "nothing yet: new here"
    row = RefusalRow("2026-08-14T15:00:00Z", "mqtt", None, "not JSON", 400, b"\x1b[31m<b>\xff" + b"x" * 393)
    shown = nodes_model.excerpt(row)
    assert shown.startswith("\\x1b[31m<b>\\xff") and shown.endswith(" …") and len(shown) < 180
    assert nodes_model.refused_sum({}) == "Nothing was ever refused."
    assert nodes_model.refused_sum({"mqtt": 1, "serial": 1200}) == (
        "1,201 pieces of input were refused: 1 from mqtt, 1,200 from serial."
    )


def test_an_alarm_s_history_says_who_did_what() -> None:
    """Each alarm once, with every step; a notice is no alarm."""

    def row(alarm_id: str, change: str, **body: object) -> AlarmRow:
        return AlarmRow(
            1, alarm_id, "r", "2026-08-14T15:00:00Z", "boil_lost", change, {"change": change, **body}
        )

    rows = [
        row("a", "raised", alarm={"priority": "high", "headline": "The boil is lost"}),
        row("b", "noted", alarm={"priority": "notice", "headline": "The boil is reached"}),
        row("a", "silenced", by="Ada", text="sound off for 120 s"),
        row("a", "acknowledged", by="Ben"),
    ]
    (told,) = alarm_model.history(rows)
    assert (told.headline, told.priority) == ("The boil is lost", "high")
    steps = [what for _, what in told.steps]
    assert steps == ["raised", "silenced by Ada (sound off for 120 s)", "acknowledged by Ben"]


def test_a_run_belongs_to_the_month_of_its_own_kitchen() -> None:
    """Half past five on the first of September in Greenwich is still August in Denver."""

    def row(run_id: str, started: str, verdict: str | None, zone: str | None = "America/Denver") -> RunRow:
        return RunRow(
            run_id,
            "stove",
            started,
            started,
            zone,
            "plums",
            "hot",
            "pint",
            7,
            1500.0,
            verdict,
            1500.0,
            None,
            False,
            False,
        )

    rows = [
        row("c", "2026-09-01T05:30:00Z", "held"),
        row("b", "2026-08-14T15:00:00Z", "broken"),
        row("a", "2026-08-01T15:00:00Z", None),
        row("d", "2026-09-01T05:30:00Z", "held", "Europe/London"),
    ]
    september, august = runs_model.months(rows)
    assert (september.name, september.runs, september.jars) == ("Sep 2026", 1, 7)
    assert (august.name, august.runs, august.held, august.broken, august.jars) == ("Aug 2026", 3, 1, 1, 7)


def test_other_alarms_are_counted_as_alarms() -> None:
    """Not as canners: the name of one stands right before it."""
    told = [alarm_model.others(count) for count in (0, 1, 2)]
    assert told == ["", ", and 1 more alarm", ", and 2 more alarms"]
