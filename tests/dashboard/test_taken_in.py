"""Every page that says the verdict of a record from elsewhere says whether that came as it was sealed."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import settings
from dashboard.settings import Settings
from monitor.record.taken_in import INTACT, NEVER, REMOVED, TakenIn
from monitor.store.database import open_writer
from monitor.store.take_in import import_run

APP = str(Path(dashboard.__file__).with_name("app.py"))
RECORD = Path(__file__).parents[2] / "recorded_runs" / "held-low-altitude"


@pytest.fixture(params=[NEVER, REMOVED, INTACT])
def came(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[TakenIn, str]]:
    how = TakenIn(request.param)
    with closing(open_writer(tmp_path)) as conn:
        run_id, _ = import_run(conn, RECORD, came=how)
    settings.configure(Settings(tmp_path))
    yield how, run_id
    settings._current = None


def text_of(page: str, run_id: str) -> str:
    app = AppTest.from_file(APP, default_timeout=60)
    if page != "runs":
        app.query_params["run"] = run_id
    app.switch_page(f"views/{page}.py").run()
    assert not app.exception
    return "\n".join(one.proto.body for one in app.get("html"))


@pytest.mark.parametrize("page", ["run", "jars"])
def test_a_page_of_one_run_says_it_in_full(page: str, came: tuple[TakenIn, str]) -> None:
    how, run_id = came
    text = text_of(page, run_id)
    said = {
        NEVER: '<p class="bw-caution">The record came without a seal: nothing shows',
        REMOVED: '<p class="bw-caution">The record&#x27;s seal had been removed when it came: nothing shows',
        INTACT: '<p class="bw-note">The record was sealed elsewhere, and as it was sealed',
    }
    assert said[how.seal] in text


def test_the_list_of_runs_says_it_beside_the_verdict(came: tuple[TakenIn, str]) -> None:
    how, run_id = came
    text = text_of("runs", run_id)
    for _ in range(100):
        if "Held" in text.partition("Advised then")[2]:
            break
        time.sleep(0.2)
        text = text_of("runs", run_id)
    assert ("record came " + how.briefly in text) is not how.was_sealed
