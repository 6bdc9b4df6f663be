"""Two people at the jars of one batch, each with a page of their own; and what a press can take back."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from app_page import APP, GOOD, answered, chosen, press, shown
from kitchen_store import take_in
from streamlit.testing.v1 import AppTest

from dashboard import batches, data, settings
from dashboard.settings import Settings
from monitor.jars import BatchState, Seal, Status
from monitor.record import Required
from monitor.simulate.node import demo_canner
from monitor.store.batches import load_batch
from monitor.store.entries import append_entry, read_entries
from monitor.store.occupied import check_again
from monitor.store.reader import open_reader
from monitor.store.runs import read_house


class House:
    """A store with the demonstration's invented batch, and whoever looks at its jars."""

    def __init__(self, folder: Path, *, hours_ago: float, minutes: float = 10.0) -> None:
        self.folder = folder
        required = Required(minutes, "a time chosen for this test")
        shown = demo_canner(cooling_s=2400.0)
        take_in(folder, shown, hours_ago=hours_ago, run_id="mine", required=required, marks=shown.marks)
        settings.configure(Settings(folder))
        data.forget()
        batches.forget()

    def viewer(self, name: str, **session: Any) -> AppTest:
        app = AppTest.from_file(APP, default_timeout=60).run()
        for key, value in session.items():
            app.session_state[key] = value
        app.query_params["run"] = "mine"
        app.switch_page("views/jars.py").run()
        app.text_input[0].set_value(name).run()
        assert not app.exception
        return app

    def state(self) -> BatchState:
        with closing(open_reader(self.folder)) as conn:
            return load_batch(conn, "mine", datetime.now(UTC)).state

    def said(self, kind: str) -> list[Any]:
        with closing(open_reader(self.folder)) as conn:
            return read_entries(conn, "mine", [kind])

    def seal(self, jar: int) -> Any:
        return self.state().jars[jar - 1].seal


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Any]:
    yield lambda **words: House(tmp_path, **words)
    settings._current = None


@pytest.mark.parametrize("bad_first", [True, False])
def test_two_who_judge_one_jar_past_each_other_are_asked_with_both_answers_before_them(
    house: Any, bad_first: bool
) -> None:
    """The screen of the second was drawn before the first had answered."""
    kitchen = house(hours_ago=14.2)
    bert, anna = (kitchen.viewer(name) for name in ("Bert", "Anna"))
    for app in (bert, anna):
        press(app, "begin_round")
    given: dict[str, dict[str, str]] = {"Bert": {"press": "springs", "tap": "dull"}, "Anna": {}}
    order = [(bert, "Bert"), (anna, "Anna")]
    for app, name in order if bad_first else order[::-1]:
        answered(app, 1, **given[name])
        press(app, "keep_seal")
    second = anna if bad_first else bert
    assert kitchen.seal(1).seal is Seal.UNSEALED and kitchen.seal(1).disputed
    told = shown(second)
    assert "Keep for jar 1" in [button.label for button in second.button], "the jar is asked for again"
    assert "judged differently by people who did not see each other" in told
    assert "Bert, " in told and "Anna, " in told and "springs" in told and "firm, dished" in told
    assert all(
        row.value is None for row in second.get("button_group") if str(row.key).startswith("answer_mine_1_")
    ), "no answer is offered: the jar is looked at again"
    assert "Jar 1 was judged differently by two people: look at it again." in shown(kitchen.viewer("Cleo"))
    answered(second, 1)
    press(second, "keep_seal")
    assert kitchen.seal(1).seal is Seal.SEALED and not kitchen.seal(1).disputed
    press(second, "end_round")
    assert "Nobody contradicted another about a seal" in shown(second)
    (line,) = [item for item in kitchen.state().review_items if item.key == "answers"]
    assert line.ok is False and "Bert" in line.evidence and "Anna" in line.evidence


def test_what_comes_while_a_screen_is_open_was_not_read_there(house: Any) -> None:
    """A press on an answer draws the page anew: that alone is no reading of what somebody else said meanwhile."""
    kitchen = house(hours_ago=14.2)
    anna = kitchen.viewer("Anna")
    press(anna, "begin_round")
    append_entry(kitchen.folder, "jar_seal", {"jar": 1, **GOOD, "press": "springs"}, run_id="mine", by="Bert")
    answered(anna, 1)
    press(anna, "keep_seal")
    assert kitchen.seal(1).seal is Seal.UNSEALED and kitchen.seal(1).disputed


def test_undo_takes_the_answer_back_and_both_stay_in_the_store(house: Any) -> None:
    kitchen = house(hours_ago=14.2)
    anna = kitchen.viewer("Anna")
    press(anna, "begin_round")
    answered(anna, 1)
    press(anna, "keep_seal")
    assert kitchen.seal(1).seal is Seal.SEALED
    press(anna, "undo_seal")
    press(anna, "end_round")
    assert kitchen.seal(1).seal is Seal.NOT_JUDGED, "whoever leaves then leaves no answer"
    assert len(kitchen.said("jar_seal")) == 1
    (back,) = kitchen.said("correction")
    assert back.by == "Anna" and back.reason


def test_each_placing_begins_with_no_jar_chosen(house: Any) -> None:
    """Else the jars that were placed last go along with the next ones."""
    kitchen = house(hours_ago=0.7, minutes=30.0)
    ada = kitchen.viewer("Ada")
    for jar, to in ((1, Status.REFRIGERATE), (2, Status.DISCARDED)):
        chosen(ada, "place_jars", [*ada.session_state["place_jars"], jar])
        chosen(ada, "place_to", to)
        press(ada, "place")
        assert ada.session_state["place_jars"] == []
    said = [(one.body["jar"], one.body["to"]) for one in kitchen.said("jar_disposition")]
    assert said == [(1, "refrigerate"), (2, "discarded")]


def test_a_jar_put_somewhere_by_mistake_is_taken_back_with_a_reason(house: Any) -> None:
    kitchen = house(hours_ago=0.7, minutes=30.0)
    for to in ("refrigerate", "discarded"):
        append_entry(kitchen.folder, "jar_disposition", {"jar": 1, "to": to}, run_id="mine", by="Ada")
    ada = kitchen.viewer("Ada")
    (back,) = [button for button in ada.button if button.label == "Take it back"]
    back.click().run()
    assert "Say why" in " ".join(error.value for error in ada.error)
    assert kitchen.state().jars[0].status is Status.DISCARDED
    ada.text_input(key="back_why").set_value("the wrong jar")
    (back,) = [button for button in ada.button if button.label == "Take it back"]
    back.click().run()
    assert not ada.exception and kitchen.state().jars[0].status is Status.REFRIGERATE
    (entry,) = kitchen.said("correction")
    assert (entry.by, entry.reason) == ("Ada", "the wrong jar") and len(kitchen.said("jar_disposition")) == 2


def reprocessed(app: AppTest, unit: str, coldest: str) -> None:
    """Fill in the form of a reprocessing and press its button."""
    (box,) = [one for one in app.text_input if one.label == f"Coldest filled jar, {unit}"]
    box.set_value(coldest)
    app.text_input(key="again_source").set_value("a tested source, chosen for this test")
    for key in ("again_hot", "again_lids"):
        app.checkbox(key=key).check()
    next(one for one in app.button if one.label == "Begin the run that reprocesses them").click().run()


@pytest.mark.parametrize(("unit", "typed", "coldest_C"), [("°F", "158", 70.0), ("°C", "70", 70.0)])
def test_a_reprocessing_asks_for_the_coldest_jar_in_the_unit_that_was_chosen(
    house: Any, unit: str, typed: str, coldest_C: float
) -> None:
    """158 °F are 70 °C by the definition of the scales."""
    kitchen = house(hours_ago=0.7, minutes=30.0)
    append_entry(kitchen.folder, "settings", {"units": unit[1]}, by="Ada")
    data.forget()
    ada = kitchen.viewer("Ada")
    reprocessed(ada, unit, typed)
    assert not ada.exception and not ada.error
    with closing(open_reader(kitchen.folder)) as conn:
        header = read_entries(conn, "mine-again1", ["run_started"])[0].body
    assert header["batch"]["coldest_jar_C"] == pytest.approx(coldest_C, abs=1e-9)


def test_a_reprocessing_takes_its_time_as_it_was_typed_or_not_at_all(house: Any) -> None:
    """Never the minutes, or the temperature, that stood in the field before."""
    kitchen = house(hours_ago=0.7, minutes=30.0)
    ada = kitchen.viewer("Ada")
    for minutes, coldest, says in (
        ("30x5", "70", "“30x5” cannot be read as a number"),
        ("0", "70", "0 min cannot be: 1 to 600 min"),
        ("", "70", "Give the minutes at a full boil"),
        ("30", "158", "158 °F are 70.0 °C"),
        ("30", "-5", "-5 °C cannot be"),
    ):
        (box,) = [one for one in ada.text_input if one.label == "Minutes at a full boil"]
        box.set_value(minutes)
        reprocessed(ada, "°C", coldest)
        assert not ada.exception and says in " ".join(error.value for error in ada.error)
        with closing(open_reader(kitchen.folder)) as conn:
            assert not read_entries(conn, "mine-again1")
    (box,) = [one for one in ada.text_input if one.label == "Minutes at a full boil"]
    box.set_value("30,5")
    reprocessed(ada, "°C", "70,5")
    assert not ada.exception and not ada.error
    with closing(open_reader(kitchen.folder)) as conn:
        header = read_entries(conn, "mine-again1", ["run_started"])[0].body
    assert (header["required"]["minutes"], header["batch"]["coldest_jar_C"]) == (30.5, 70.5)


def test_a_reprocessing_does_not_end_a_run_that_began_while_it_was_looked_at(
    house: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody else's start, between the look at the canner and the start: it stays on, and its name is told."""
    kitchen = house(hours_ago=0.7, minutes=30.0)

    def meanwhile(*asked: Any) -> bool:
        ends = check_again(*asked)
        body = {"run_id": "theirs", "canner": asked[1], "started_at": datetime.now(UTC).isoformat()}
        body |= {"required": {"minutes": 30}, "started_by": "Bert"}
        append_entry(kitchen.folder, "run_started", body, run_id="theirs")
        return ends

    monkeypatch.setattr("dashboard.jars_places.check_again", meanwhile)
    ada = kitchen.viewer("Ada")
    reprocessed(ada, "°C", "70")
    assert not ada.exception
    told = " ".join(str(one.value) for one in ada.error)
    assert "run theirs was started on canner-1 by Bert a moment ago" in told
    with closing(open_reader(kitchen.folder)) as conn:
        assert [facts.run_id for facts in read_house(conn).open_runs()] == ["theirs"]
        assert not read_entries(conn, "mine-again1")
    assert not kitchen.said("run_ended")


def signed(app: AppTest) -> None:
    """Give each reason that is asked for, and sign."""
    for field in app.text_input:
        if field.label.startswith("Why it is accepted"):
            field.set_value("it was looked at")
    (sign,) = [one for one in app.button if one.label == "Sign the review"]
    sign.click().run()


def test_nobody_signs_what_came_after_the_page_was_drawn(house: Any) -> None:
    """The content that is signed is "what a reviewer saw"; another person judges a jar meanwhile."""
    there = house(hours_ago=30.0)
    for jar in range(1, 7):
        append_entry(there.folder, "jar_seal", {"jar": jar, **GOOD}, run_id="mine", by="Ada")
    batches.forget()
    app = there.viewer("Rev")
    append_entry(there.folder, "jar_seal", {"jar": 2, **GOOD}, run_id="mine", by="Ann")
    signed(app)
    assert not there.said("review")
    assert any("More was said of this run while you looked" in error.value for error in app.error)
    signed(app)
    assert there.said("review")
