"""What is signed or written down on the page after the heat: own timings, opinions, deviations, late liftings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import settings
from dashboard.settings import Settings
from monitor.cli.main import main
from monitor.jars import Basis
from monitor.record import Required, write_run
from monitor.simulate.node import demo_canner
from monitor.store.batches import Batch, load_batch
from monitor.store.reader import open_reader

APP = str(Path(dashboard.__file__).with_name("app.py"))
Open = Callable[..., AppTest]


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Open]:
    """The demonstration's invented batch, begun an hour ago, some marks never made; its page, with a name given."""

    def opening(*unmarked: str, hours_ago: float = 1.0) -> AppTest:
        shown = demo_canner(cooling_s=900.0)
        run = replace(
            shown.header,
            run_id="mine",
            started_at=datetime.now(UTC) - timedelta(hours=hours_ago),
            required=Required(10.0, "a time chosen for this test"),
            samples=shown.samples,
            marks=tuple(mark for mark in shown.marks if mark.kind not in unmarked),
            ended_at_s=shown.end_s,
        )
        write_run(run, tmp_path / "record")
        assert main(["import", str(tmp_path / "record"), "--data", str(tmp_path)]) == 0
        settings.configure(Settings(tmp_path))
        app = AppTest.from_file(APP, default_timeout=60).run()
        app.query_params["run"] = "mine"
        app.switch_page("views/jars.py").run()
        app.text_input[0].set_value("Ada").run()
        assert not app.exception
        return app

    yield opening
    settings._current = None


def now_of(folder: Path) -> Batch:
    with closing(open_reader(folder)) as conn:
        return load_batch(conn, "mine", datetime.now(UTC))


def errors(app: AppTest) -> str:
    return " ".join(error.value for error in app.error)


def test_an_own_timing_is_signed_by_name_and_never_proven(opened: Open, tmp_path: Path) -> None:
    """Without a mark of the jars going in the hold is at most unproven."""
    app = opened("jars_in")
    batch = now_of(tmp_path)
    assert batch.verdict["verdict"] == "unproven" and batch.state.standing.basis is Basis.FAILED
    # The boil that held: from 15 min 17 s to 26 min 23 s; the one before was lost at 11 min 20 s.
    boiled = batch.run.started_at + timedelta(minutes=16)
    there = boiled.astimezone(ZoneInfo(batch.run.zone or "UTC"))
    app.text_input(key="own_how").set_value("kitchen timer, standing by")
    app.date_input(key="own_from_day").set_value(there.date())
    app.time_input(key="own_from_time").set_value(there.time().replace(second=0, microsecond=0))
    until = there + timedelta(minutes=5)
    app.date_input(key="own_to_day").set_value(until.date())
    app.time_input(key="own_to_time").set_value(until.time().replace(second=0, microsecond=0))
    app.button(key="own_sign").click().run()
    assert "5 min 00 s were timed, 10 min are required" in errors(app)
    until = there + timedelta(minutes=10)
    app.date_input(key="own_to_day").set_value(until.date())
    app.time_input(key="own_to_time").set_value(until.time().replace(second=0, microsecond=0))
    app.button(key="own_sign").click().run()
    assert not app.exception and not app.error
    after = now_of(tmp_path).state
    assert after.standing.basis is Basis.OWN_TIMING and "not proven by the record" in after.standing.words


def test_nothing_but_a_named_persons_written_opinion_releases_a_failed_hold(
    opened: Open, tmp_path: Path
) -> None:
    """21 CFR 114.89: evaluation belongs to a competent processing authority."""
    app = opened("jars_in")
    by_label = {box.label: box for box in app.text_input}
    by_label["Who"].set_value("N. N., invented")
    attach = next(button for button in app.button if button.label == "Attach and sign")
    attach.click().run()
    assert "missing: competence" in errors(app)
    assert now_of(tmp_path).state.standing.basis is Basis.FAILED
    by_label = {box.label: box for box in app.text_input}
    by_label["Who"].set_value("N. N., invented")
    by_label["What makes this person competent"].set_value("process authority, invented")
    app.text_area[0].set_value("The whole opinion, word for word; invented.")
    next(button for button in app.button if button.label == "Attach and sign").click().run()
    assert not app.exception
    assert now_of(tmp_path).state.standing.basis is Basis.EVALUATED


def test_a_lifting_said_late_wants_its_reason_and_keeps_both_times(opened: Open, tmp_path: Path) -> None:
    app = opened("jars_lifted", hours_ago=2.0)
    app.radio(key="lift_when").set_value("Earlier").run()
    there = now_of(tmp_path).run.started_at.astimezone(ZoneInfo(now_of(tmp_path).run.zone or "UTC"))
    said = there + timedelta(minutes=35)
    app.date_input(key="lift_at_day").set_value(said.date())
    app.time_input(key="lift_at_time").set_value(said.time().replace(second=0, microsecond=0))
    app.button(key="say_lifted").click().run()
    assert "Say why it is said only now." in errors(app)
    app.text_input(key="lift_reason").set_value("the children")
    app.button(key="say_lifted").click().run()
    assert not app.exception and not app.error
    batch = now_of(tmp_path)
    (mark,) = [one for one in batch.entries if one.kind == "mark"]
    assert mark.made_late and mark.reason == "the children" and mark.by == "Ada"
    assert batch.state.lifting is not None and batch.state.lifting.words == "marked by Ada"


def test_a_deviation_written_down_by_hand_blocks_the_shelf_until_it_is_closed(
    opened: Open, tmp_path: Path
) -> None:
    app = opened()
    app.text_input(key="dev_what").set_value("jar 2 stood out of the water")
    app.button(key="dev_open").click().run()
    assert not app.exception
    (one,) = [one for one in now_of(tmp_path).state.deviations if "stood out" in one.what]
    assert one.is_open and one.how_found == "by Ada"
