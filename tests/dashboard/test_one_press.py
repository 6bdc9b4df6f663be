"""One press on a button of the page after the heat: all that it says or nothing, once, and of the jar it was meant for.

A second click within a moment stops the page that the first one draws, at whatever that asks next.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from app_page import APP, GOOD, answered, chosen, press, shown
from kitchen_store import take_in
from streamlit.runtime.scriptrunner import StopException
from streamlit.testing.v1 import AppTest

from dashboard import batches, data, jars_model, jars_round, settings
from dashboard.settings import Settings
from monitor.jars import Seal, Status
from monitor.jars.seals import SealResult
from monitor.jars.state import Clock
from monitor.record import Required
from monitor.simulate.node import demo_canner
from monitor.store.batches import Batch, load_batch
from monitor.store.entries import Entry, append_entry, read_entries
from monitor.store.reader import open_reader


class Kitchen:
    """The demonstration's invented batch as a run of the store, some marks never made; and its page."""

    def __init__(
        self, folder: Path, *unmarked: str, hours_ago: float = 14.2, minutes: float = 10.0, **changes: Any
    ) -> None:
        self.folder = folder
        shown = demo_canner(cooling_s=2400.0)
        take_in(
            folder,
            shown,
            hours_ago=hours_ago,
            run_id="mine",
            required=Required(minutes, "a time chosen for this test"),
            marks=tuple(mark for mark in shown.marks if mark.kind not in unmarked),
            **changes,
        )
        settings.configure(Settings(folder))
        data.forget()
        batches.forget()

    def page(self, view: str = "jars", run_id: str = "mine") -> AppTest:
        app = AppTest.from_file(APP, default_timeout=60)
        app.session_state["who"] = "Ada"
        app.run()
        app.query_params["run"] = run_id
        app.switch_page(f"views/{view}.py").run()
        assert not app.exception
        return app

    def batch(self) -> Batch:
        with closing(open_reader(self.folder)) as conn:
            return load_batch(conn, "mine", datetime.now(UTC))

    def said(self, *kinds: str, run_id: str | None = "mine") -> list[Entry]:
        with closing(open_reader(self.folder)) as conn:
            return read_entries(conn, run_id, kinds)


@pytest.fixture
def kitchen(tmp_path: Path) -> Iterator[Callable[..., Kitchen]]:
    yield lambda *unmarked, **words: Kitchen(tmp_path, *unmarked, **words)
    settings._current = None


def stopped_once_written(where: Kitchen, monkeypatch: pytest.MonkeyPatch) -> None:
    """From here on a page is stopped at the first thing it asks once something was written."""
    kinds = ("mark", "jar_disposition", "deviation_opened", "run_started")
    before = len(where.said(*kinds, run_id=None))
    speaker = data.speaker

    def asked() -> str | None:
        if len(where.said(*kinds, run_id=None)) > before:
            raise StopException
        return speaker()

    monkeypatch.setattr(data, "speaker", asked)


def labels(app: AppTest) -> list[str]:
    return [button.label for button in app.button]


def test_a_lifting_is_written_whole(kitchen: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Heat off, lifting, count and the broken jar are one press."""
    there = kitchen("heat_off", "jars_lifted")
    app = there.page()
    chosen(app, "lift_broken", [5])
    stopped_once_written(there, monkeypatch)
    press(app, "say_lifted")
    said = there.said("mark", "jars_lifted_count")
    assert [entry.body.get("kind", "count") for entry in said] == ["heat_off", "jars_lifted", "count"]
    assert there.batch().state.jars[4].seal.seal is Seal.BROKEN


def test_all_chosen_jars_are_placed_by_one_press(kitchen: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    there = kitchen(hours_ago=0.7, minutes=30.0)
    app = there.page()
    chosen(app, "place_jars", [1, 2, 3, 4, 5, 6])
    chosen(app, "place_to", Status.REFRIGERATE)
    with monkeypatch.context() as stopped:
        stopped_once_written(there, stopped)
        press(app, "place")
    assert [jar.status for jar in there.batch().state.jars] == [Status.REFRIGERATE] * 6
    app.run()
    assert app.session_state["place_jars"] == [], "though the press did not come to its end"


def test_a_deviation_is_opened_in_all_runs_by_one_press_and_once(
    kitchen: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = kitchen()
    shown_there = demo_canner(cooling_s=900.0)
    take_in(there.folder, shown_there, hours_ago=13.0, run_id="other", marks=shown_there.marks)
    app = there.page()
    app.text_input(key="dev_what").set_value("towel wet").run()
    app.checkbox(key="dev_shared").check().run()
    assert "It is opened in: other." in shown(app)
    with monkeypatch.context() as stopped:
        stopped_once_written(there, stopped)
        press(app, "dev_open")
    assert [entry.run_id for entry in there.said("deviation_opened", run_id=None)] == ["mine", "other"]
    # Whoever presses again, at any later time, is told.
    monkeypatch.setattr("monitor.store.together.ONE_PRESS_S", 0.0)
    again = there.page()
    again.text_input(key="dev_what").set_value("towel wet").run()
    press(again, "dev_open")
    assert "open already: D" in again.error[0].value
    assert len(there.said("deviation_opened")) == 1
    again.text_input(key="dev_what").set_value("jar 2 tilted").run()
    press(again, "dev_open")
    assert len(there.said("deviation_opened")) == 2
    assert again.text_input(key="dev_what").value == "", "the next one begins empty"


def test_two_clicks_on_keep_are_one_answer_and_undo_takes_it_back(kitchen: Any) -> None:
    """The second click finds the page of the first: jar 1, with nothing read of it yet."""
    there = kitchen()
    first, second = there.page(), there.page()
    for app in (first, second):
        press(app, "begin_round")
        answered(app, 1)
    press(first, "keep_seal")
    press(second, "keep_seal")
    assert len(there.said("jar_seal")) == 1
    press(second, "undo_seal")
    assert there.batch().state.jars[0].seal.seal is Seal.NOT_JUDGED


def test_undo_takes_back_an_answer_that_stands_there_twice(kitchen: Any) -> None:
    there = kitchen()
    app = there.page()
    press(app, "begin_round")
    answered(app, 1)
    append_entry(there.folder, "jar_seal", {"jar": 1, **GOOD, "seen": 0}, run_id="mine", by="Ada")
    # Written before there was one press: twice the same, milliseconds apart.
    append_entry(there.folder, "jar_seal", {"jar": 1, **GOOD, "seen": 0}, run_id="mine", by="Ada")
    press(app, "keep_seal")
    press(app, "undo_seal")
    assert there.batch().state.jars[0].seal.seal is Seal.NOT_JUDGED


def test_taking_back_a_place_takes_its_copy_too(kitchen: Any) -> None:
    there = kitchen(hours_ago=0.7, minutes=30.0)
    for _ in range(2):
        append_entry(
            there.folder, "jar_disposition", {"jar": 1, "to": "refrigerate"}, run_id="mine", by="Ada"
        )
    app = there.page()
    app.text_input(key="back_why").set_value("the wrong jar")
    next(button for button in app.button if button.label == "Take it back").click().run()
    assert not app.exception and not app.error
    assert there.batch().state.jars[0].status is Status.ON_HOLD


def test_keep_keeps_nothing_of_a_jar_of_which_nothing_is_answered(
    kitchen: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the command line: a seal that nobody looked at is not judged."""
    monkeypatch.setattr(jars_round, "TOO_SOON_S", 0.0)
    there = kitchen()
    app = there.page()
    press(app, "begin_round")
    answered(app, 1)
    press(app, "keep_seal")
    press(app, "keep_seal")
    assert [entry.body["jar"] for entry in there.said("jar_seal")] == [1]
    assert "Keep for jar 2" in labels(app) and "Nothing is answered of jar 2" in shown(app)


@pytest.mark.parametrize("key", ["keep_seal", "broken_seal", "opened_seal"])
def test_a_tap_right_after_the_last_jar_says_nothing_of_the_next(
    kitchen: Any, monkeypatch: pytest.MonkeyPatch, key: str
) -> None:
    """Jar 2 was answered yesterday, so that it could be kept as it stands; nobody has looked at it again."""
    there = kitchen()
    body = {"jar": 2, **GOOD, "press": "springs", "seen": 0}
    for by, more in (("Bert", {}), ("Anna", {"press": "firm"})):
        append_entry(there.folder, "jar_seal", body | more, run_id="mine", by=by)
    monkeypatch.setattr(jars_round, "TOO_SOON_S", 600.0)
    app = there.page()
    press(app, "begin_round")
    answered(app, 1)
    press(app, "keep_seal")
    assert "Keep for jar 2" in labels(app)
    press(app, key)
    assert len(there.said("jar_seal")) == 3 and "tap again" in shown(app)
    monkeypatch.setattr(jars_round, "TOO_SOON_S", 0.0)
    answered(app, 2)
    press(app, key)
    assert len(there.said("jar_seal")) == 4


def test_a_bulging_lid_says_what_to_do_as_soon_as_it_is_kept() -> None:
    seal = SealResult(3, Seal.UNSEALED, "sight: bulging", bulging=True)
    assert "do not open it, do not taste" in jars_model.kept_words(seal)
    assert "taste" not in jars_model.kept_words(replace(seal, bulging=False))


@pytest.mark.parametrize("minutes_before", [2.0, 60.0])
def test_a_lifting_with_an_hour_that_cannot_be_is_asked_about_first(
    kitchen: Any, minutes_before: float
) -> None:
    """Before the heat was off, or before the jars went in: with that hour the hold is not proven any more."""
    there = kitchen("jars_lifted", hours_ago=2.0)
    batch = there.batch()
    assert batch.verdict["verdict"] == "held"
    (off,) = [mark for mark in batch.run.marks if mark.kind == "heat_off"]
    moment = batch.run.started_at + timedelta(seconds=off.t_s, minutes=-minutes_before)
    at = moment.astimezone(ZoneInfo(batch.run.zone or "UTC"))

    def pressed(app: AppTest) -> None:
        app.radio(key="lift_when").set_value("Earlier").run()
        app.date_input(key="lift_at_day").set_value(at.date())
        app.time_input(key="lift_at_time").set_value(at.time().replace(second=0, microsecond=0))
        app.text_input(key="lift_reason").set_value("the children")
        press(app, "say_lifted")

    app = there.page()
    pressed(app)
    assert not there.said("mark", "jars_lifted_count")
    assert "that was before" in shown(app)
    press(app, "hour_wrong")
    assert not there.said("mark", "jars_lifted_count") and "that was before" not in shown(app)
    pressed(app)
    press(app, "hour_right")
    assert [entry.kind for entry in there.said("mark", "jars_lifted_count")] == ["mark", "jars_lifted_count"]


def test_heat_off_with_an_hour_before_the_jars_went_in_is_asked_about_first(kitchen: Any) -> None:
    """A run that is on, whose record shows that the heat went off before the whole time was held."""
    there = kitchen("heat_off", "jars_lifted", hours_ago=2.0, minutes=30.0, ended_at_s=None)
    batch = there.batch()
    assert batch.state.heat_off is not None and batch.state.heat_off.how
    (loaded,) = [mark for mark in batch.run.marks if mark.kind == "jars_in"]
    moment = batch.run.started_at + timedelta(seconds=loaded.t_s, minutes=-2)
    at = moment.astimezone(ZoneInfo(batch.run.zone or "UTC"))
    app = there.page()
    app.radio(key="heat_off_when").set_value("Earlier").run()
    app.date_input(key="heat_off_at_day").set_value(at.date())
    app.time_input(key="heat_off_at_time").set_value(at.time().replace(second=0, microsecond=0))
    app.text_input(key="heat_off_reason").set_value("the children")
    press(app, "mark_heat_off")
    assert not there.said("mark") and "that was before the jars went in" in shown(app)
    press(app, "hour_wrong")
    assert not there.said("mark") and "that was before" not in shown(app)


def test_jars_that_nobody_has_queued_are_not_chosen_to_go_in_again(kitchen: Any) -> None:
    """After a good hold: a jar that is not judged may be sealed."""
    there = kitchen()
    append_entry(there.folder, "jar_seal", {"jar": 2, **GOOD, "press": "springs"}, run_id="mine", by="Ada")
    append_entry(there.folder, "jar_disposition", {"jar": 2, "to": "reprocess"}, run_id="mine", by="Ada")
    app = there.page()
    (row,) = [one for one in app.get("button_group") if str(one.key).startswith("again_jars")]
    assert list(row.value) == [2]


def test_a_closed_clock_of_unsealed_jars_discards_no_jar_that_may_be_sealed() -> None:
    now = datetime(2026, 8, 14, 16, tzinfo=UTC)
    day = Clock("unsealed jars", now, "24 h for a jar that did not seal", ("G51", "G56"))
    told = jars_model.clock_words(day, now + timedelta(hours=1), None)
    assert "A jar that did not seal and was not placed by then is discarded, untasted." in told
    failed = Clock("failed process", now, "2 h", ("G58", "G57"))
    assert "What was not placed by then" in jars_model.clock_words(failed, now + timedelta(hours=1), None)


def test_the_pantry_says_use_by_of_what_is_cold_and_whose_siblings_are_to_be_looked_at(kitchen: Any) -> None:
    there = kitchen()
    append_entry(there.folder, "jar_disposition", {"jar": 5, "to": "refrigerate"}, run_id="mine", by="Ada")
    append_entry(there.folder, "jar_seal", {"jar": 1, **GOOD, "sight": "bulging"}, run_id="mine", by="Ada")
    told = shown(there.page("pantry"))
    assert "jar 1: the lid bulges" in told and "the seal is lost" not in told
    assert "Other jars of the batch, to be looked at: " in told and "They are" not in told
    assert "use by " in told and "Best by" not in told


def test_what_was_chosen_for_one_run_is_not_said_of_another(kitchen: Any) -> None:
    there = kitchen("jars_lifted")
    other = demo_canner(cooling_s=900.0)
    unlifted = tuple(mark for mark in other.marks if mark.kind != "jars_lifted")
    take_in(there.folder, other, hours_ago=13.0, run_id="other", marks=unlifted)
    app = there.page()
    chosen(app, "lift_broken", [5])
    app.selectbox(key="jars_run").set_value("other").run()
    assert list(app.session_state["lift_broken"]) == []


def again(app: AppTest) -> Any:
    """Fill in the form of a reprocessing; the button that begins it."""
    app.text_input(key="again_source").set_value("a tested source, chosen for this test")
    (box,) = [one for one in app.text_input if one.label.startswith("Coldest filled jar")]
    box.set_value("70")
    for key in ("again_hot", "again_lids"):
        app.checkbox(key=key).check()
    return next(one for one in app.button if one.label.startswith("Begin the run"))


def test_the_run_whose_jars_go_on_in_another_is_ended_by_the_same_press(
    kitchen: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No canner is named whose next run would end it."""
    there = kitchen(hours_ago=0.7, minutes=30.0, ended_at_s=None, canner=None)
    begin = again(there.page())
    stopped_once_written(there, monkeypatch)
    begin.click().run()
    assert there.said("run_started", run_id="mine-again1") and there.said("run_ended")


def test_a_reprocessing_begun_by_the_first_click_is_shown_by_the_second(kitchen: Any) -> None:
    there = kitchen(hours_ago=0.7, minutes=30.0)
    first, second = there.page(), there.page()
    begin = [again(app) for app in (first, second)]
    begin[0].click().run()
    begin[1].click().run()
    assert not first.exception and not second.exception and not second.error
    assert len(there.said("run_started", run_id=None)) == 1
