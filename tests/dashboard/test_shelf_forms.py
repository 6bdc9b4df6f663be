"""The pages *Pantry* and *After the heat*: a lid that was called bad, and a reprocessing whose jars are not in yet."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from kitchen_store import take_in
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import batches, data, settings
from dashboard.settings import Settings
from monitor.cli.main import main
from monitor.jars import BatchState, lost_seals
from monitor.record import Required
from monitor.simulate.node import demo_canner
from monitor.store.batches import load_batch
from monitor.store.entries import append_entry
from monitor.store.reader import open_reader

APP = str(Path(dashboard.__file__).with_name("app.py"))


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """The demonstration's invented batch, broken for want of minutes, its heat off some minutes ago."""
    shown = demo_canner(cooling_s=900.0)
    required = Required(30.0, "a time chosen for this test")
    take_in(tmp_path, shown, hours_ago=1.0, run_id="mine", required=required, marks=shown.marks)
    settings.configure(Settings(tmp_path))
    data.forget()
    batches.forget()
    yield tmp_path
    settings._current = None


def state_of(folder: Path, run_id: str = "mine") -> BatchState:
    with closing(open_reader(folder)) as conn:
        return load_batch(conn, run_id, datetime.now(UTC)).state


def page(name: str, run_id: str = "mine") -> AppTest:
    app = AppTest.from_file(APP, default_timeout=60).run()
    app.query_params["run"] = run_id
    app.switch_page(f"views/{name}.py").run()
    assert not app.exception
    return app


def drawn(app: AppTest) -> str:
    return " ".join(str(one.proto.body) for one in app.get("html"))


def test_a_lid_called_bad_is_fine_again_by_whoever_read_it_with_name_and_reason(folder: Path) -> None:
    append_entry(folder, "jar_recheck", {"jar": 2, "found": "bulge"}, run_id="mine", by="Bert")
    app = page("pantry")
    assert "Do not open, do not taste" in drawn(app)
    app.button(key="fine").click().run()
    assert "takes a name and a reason" in app.error[0].value
    app.text_input(key="fine_why").set_value("a shadow on the lid")
    next(box for box in app.text_input if box.label == "Who looked at it").set_value("Ada").run()
    app.button(key="fine").click().run()
    assert not app.exception and not app.error
    assert not lost_seals([state_of(folder)])


def test_until_its_jars_are_in_both_pages_of_a_reprocessing_show_the_clock_of_the_run_before(
    folder: Path,
) -> None:
    full = ["--minutes", "30", "--source", "a test", "--new-lids", "--by", "Ada", "--data", str(folder)]
    assert main(["jars", "mine", "reprocess", "1,2", *full]) == 0
    before, there = state_of(folder), state_of(folder, "mine-again1")
    assert [clock.deadline for clock in there.clocks] == [before.two_hours]
    assert [clock.deadline for clock in before.clocks] == [before.two_hours]
    batches.forget()
    assert "left, until" in drawn(page("jars"))
    told = drawn(page("jars", "mine-again1"))
    assert "No jars are marked in yet" in told and "left, until" in told
