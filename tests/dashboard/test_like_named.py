"""Runs and jars whose lines in a list are the same: each can be chosen, and what is pressed goes to the one chosen."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from app_page import opened, shown
from kitchen_store import take_in
from streamlit.testing.v1 import AppTest

from dashboard import batches, data, judging, settings, words
from dashboard.settings import Settings
from monitor.record import Required
from monitor.simulate.node import demo_canner
from monitor.store.entries import append_entry

TWO = ("un-again1", "un-again2")


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """Two runs of one food on one canner, begun in the same minute."""
    canner = demo_canner(cooling_s=900.0)
    required = Required(10.0, "a time chosen for this test")
    # Both in the middle of a minute, so that they show the same one.
    hours_ago = 20.0 + (datetime.now(UTC).second - 30.0) / 3600.0
    for run_id in TWO:
        take_in(tmp_path, canner, hours_ago=hours_ago, run_id=run_id, required=required, marks=canner.marks)
    settings.configure(Settings(tmp_path))
    data.forget()
    batches.forget()
    yield tmp_path
    settings._current = None


def page_of(folder: Path, run_id: str) -> AppTest:
    app = opened(folder, "views/live.py")
    app.query_params["run"] = run_id
    app.switch_page("views/jars.py").run()
    assert not app.exception
    return app


@pytest.mark.parametrize("run_id", TWO)
def test_the_page_after_the_heat_stays_on_the_run_of_its_address(folder: Path, run_id: str) -> None:
    app = page_of(folder, run_id)
    app.text_input[0].set_value("Ada").run()
    app.run()
    assert app.selectbox(key="jars_run").value == run_id
    assert app.query_params["run"] in (run_id, [run_id])


def test_either_run_can_be_chosen_on_the_page_after_the_heat(folder: Path) -> None:
    app = page_of(folder, TWO[1])
    (first, second) = app.selectbox(key="jars_run").options
    assert first != second
    for run_id in TWO:
        app.selectbox(key="jars_run").set_value(run_id).run()
        app.run()
        assert not app.exception and app.query_params["run"] in (run_id, [run_id])


def test_like_runs_are_told_apart_where_runs_are_compared(folder: Path) -> None:
    for run_id in TWO:
        judging.at_once(judging.Record(folder, run_id, 0))
    app = opened(folder, "views/compare.py")
    first, second = app.multiselect(key="compared").options
    assert first != second
    app.multiselect(key="compared").set_value([TWO[1]]).run()
    app.run()
    assert not app.exception and app.multiselect(key="compared").value == [TWO[1]]


def test_two_lots_of_one_batch_in_one_place_can_both_be_spoken_of(folder: Path) -> None:
    """Jars put in the cold with other dates are another line of the table, and another choice."""
    for jar, more in ((5, {}), (6, {"use_by": datetime.now(UTC).date().isoformat()})):
        body = {"jar": jar, "to": "refrigerate"} | more
        append_entry(folder, "jar_disposition", body, run_id=TWO[0], by="Ada")
    app = opened(folder, "views/pantry.py", "Ada")
    assert "use by" in shown(app)
    assert len(app.selectbox(key="recheck_batch").options) == 2
    jars = []
    for option in range(2):
        app.selectbox(key="recheck_batch").select_index(option).run()
        jars += app.selectbox(key="recheck_jar").options
    assert sorted(jars) == ["5", "6"]


def test_only_lines_that_are_the_same_are_told_apart() -> None:
    told = words.told_apart({"a": "Fri, jam", "b": "Sat, jam", "c": "Fri, jam"})
    assert told == {"a": "a: Fri, jam", "b": "Sat, jam", "c": "c: Fri, jam"}
