"""Said wrongly, said rightly on the pages: a header, a jar called used, a reprocessing begun in error."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import settings
from dashboard.settings import Settings
from monitor.cli.main import main
from monitor.record import Run, header_to_json, write_run
from monitor.simulate.node import demo_canner
from monitor.store.entries import Entry, append_entry, read_entries
from monitor.store.reader import open_reader

APP = str(Path(dashboard.__file__).with_name("app.py"))
Open = Callable[[str], AppTest]


def demo(run_id: str, hours_ago: float) -> Run:
    shown = demo_canner(cooling_s=900.0)
    began = datetime.now(UTC) - timedelta(hours=hours_ago)
    return replace(
        shown.header,
        run_id=run_id,
        started_at=began,
        samples=shown.samples,
        marks=shown.marks,
        ended_at_s=shown.end_s,
    )


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Open]:
    """The pages of a store with the demonstration's invented batch, begun five hours ago."""
    write_run(demo("mine", 5.0), tmp_path / "record")
    assert main(["import", str(tmp_path / "record"), "--data", str(tmp_path)]) == 0
    settings.configure(Settings(tmp_path))

    def opening(view: str, run: str = "mine") -> AppTest:
        app = AppTest.from_file(APP, default_timeout=60).run()
        app.query_params["run"] = run
        app.switch_page(f"views/{view}.py").run()
        assert not app.exception
        return app

    yield opening
    settings._current = None


def entries(folder: Path, run_id: str = "mine") -> list[Entry]:
    with closing(open_reader(folder)) as conn:
        return read_entries(conn, run_id)


def errors(app: AppTest) -> str:
    return " ".join(error.value for error in app.error)


def words(app: AppTest) -> str:
    return " ".join(" ".join(one.proto.body for one in app.get("html")).split())


def test_an_altitude_is_corrected_on_the_run_s_page_with_who_and_why(opened: Open, tmp_path: Path) -> None:
    app = opened("run")
    assert not any(box.key == "correct_say" for box in app.button)
    app.pills(key="correct_what").set_value("Altitude").run()
    app.button(key="correct_say").click().run()
    assert "Give the altitude" in errors(app)
    app.text_input(key="correct_altitude_m").set_value("2.400")
    app.button(key="correct_say").click().run()
    assert "2.4 or 2400" in errors(app) and not entries(tmp_path)
    app.text_input(key="correct_altitude_m").set_value("2400")
    app.text_input(key="who_Who corrects it").set_value("Cleo")
    app.button(key="correct_say").click().run()
    assert "why" in errors(app) and not entries(tmp_path)
    app.text_input(key="correct_why").set_value("read from the wrong line of the map")
    app.button(key="correct_say").click().run()
    assert not app.exception and not app.error
    (entry,) = entries(tmp_path)
    assert (entry.kind, entry.by, entry.reason) == (
        "header_changed",
        "Cleo",
        "read from the wrong line of the map",
    )
    assert entry.body["site"]["altitude_m"] == 2400.0
    told = words(app)
    assert "Corrected after the jars were in" in told and "read from the wrong line of the map" in told
    # The record came from elsewhere: before the correction it was judged as it was taken in.
    (before, after) = re.findall(r"Verdict (?:before|after): (\w+), \d", told)
    assert before == "held" and after != before, told
    assert not app.pills(key="correct_what").value


def test_a_pressure_that_cannot_be_read_corrects_nothing(opened: Open, tmp_path: Path) -> None:
    """A comma is one; a figure that is no air in the unit chosen is not the one that stood there before."""
    app = opened("run")
    app.pills(key="correct_what").set_value("Pressure").run()
    app.selectbox(key="correct_unit").set_value("hPa")
    app.text_input(key="correct_pressure").set_value("1018,5").run()
    assert app.text_input(key="correct_pressure").value == "1018.5"
    app.text_input(key="correct_pressure").set_value("30.1")
    app.button(key="correct_say").click().run()
    assert "30.1 hPa cannot be: 500 to 1100 hPa" in errors(app) and not entries(tmp_path)


def test_a_used_jar_is_chosen_by_hand_and_can_be_taken_back(
    opened: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = demo("mine", 5.0)
    lifted = run.started_at + timedelta(seconds=run.marks[-1].t_s)
    for jar in range(1, (run.batch.jars or 0) + 1):
        append_entry(
            tmp_path,
            "jar_disposition",
            {"jar": jar, "to": "refrigerate"},
            run_id="mine",
            by="Ada",
            happened_utc=(lifted + timedelta(minutes=10)).isoformat(),
            reason="written down later",
        )
    app = opened("pantry")
    assert app.selectbox(key="recheck_jar").value is None and app.selectbox(key="recheck_found").value is None
    before = len(entries(tmp_path))
    app.button(key="recheck").click().run()
    assert "Say which jar" in errors(app) and len(entries(tmp_path)) == before
    app.selectbox(key="recheck_jar").set_value(2)
    app.selectbox(key="recheck_found").set_value("It was used")
    app.button(key="recheck").click().run()
    assert not app.exception
    used = entries(tmp_path)[-1]
    assert used.kind == "jar_recheck" and used.body["jar"] == 2
    assert 2 not in app.selectbox(key="recheck_jar").options
    (name,) = app.selectbox(key="gone_jar").options
    assert "jar 2: used" in name
    app.selectbox(key="gone_jar").set_value(name)
    app.button(key="gone_back").click().run()
    assert "why it is taken back" in errors(app)
    app.text_input(key="gone_why").set_value("it was jar 3")
    app.button(key="gone_back").click().run()
    assert not app.exception
    back = entries(tmp_path)[-1]
    assert (back.kind, back.corrects, back.reason) == ("correction", used.id, "it was jar 3")
    assert not any(box.key == "gone_jar" for box in app.selectbox)


def test_a_reprocessing_begun_in_error_is_called_off_on_its_page(opened: Open, tmp_path: Path) -> None:
    header = header_to_json(demo("mine-again1", 0.1))
    header |= {"reprocess_of": "mine", "reprocess_jars": [1, 2], "new_lids": True, "marks": []}
    header.pop("ended_at", None)
    append_entry(tmp_path, "run_started", header, run_id="mine-again1", by="Ada")
    app = opened("run", "mine-again1")
    app.button(key="call_off").click().run()
    assert "who calls it off" in errors(app)
    app.text_input(key="who_Who calls it off").set_value("Cleo")
    app.text_input(key="call_off_why").set_value("the wrong jars were named")
    app.button(key="call_off").click().run()
    assert not app.exception
    last = entries(tmp_path, "mine-again1")[-1]
    assert (last.kind, last.by, last.reason) == ("run_ended", "Cleo", "the wrong jars were named")
    assert not any(box.key == "call_off" for box in app.button)
