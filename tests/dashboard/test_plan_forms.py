"""Before the heat, without a browser: what its forms keep, ask and refuse."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import settings
from dashboard.settings import Settings
from monitor.store.entries import append_entry, read_entries
from monitor.store.reader import house_in, open_reader

APP = str(Path(dashboard.__file__).with_name("app.py"))


@pytest.fixture
def plan(tmp_path: Path) -> Iterator[Callable[..., AppTest]]:
    """Opens the page Before the heat on an empty store."""

    def opening() -> AppTest:
        settings.configure(Settings(tmp_path))
        app = AppTest.from_file(APP, default_timeout=60).run()
        app.switch_page("views/plan.py").run()
        assert not app.exception
        return app

    yield opening
    settings._current = None


def shown(app: AppTest) -> str:
    return " ".join(str(item.value) for item in app.get("html"))


def keyed(app: AppTest, kind: str, key: str) -> Any:
    """The one widget whose key begins so."""
    (found,) = (item for item in app.get(kind) if str(item.key).startswith(key))
    return found


def pears(app: AppTest) -> AppTest:
    """To the offer of recording jars that boil already."""
    keyed(app, "number_input", "altitude_m").set_value(100)
    app.text_input(key="food").set_value("pears")
    app.run()
    keyed(app, "button_group", "pack_").set_value("hot").run()
    keyed(app, "button_group", "jar_").set_value("pint").run()
    return app


def began(folder: Path, run_id: str, by: str) -> None:
    body = {"run_id": run_id, "canner": "canner-1", "started_at": datetime.now(UTC).isoformat()}
    append_entry(folder, "run_started", body | {"required": {"minutes": 30}, "started_by": by}, run_id=run_id)


def test_a_run_that_somebody_began_meanwhile_is_not_ended_by_a_click(plan: Callable, tmp_path: Path) -> None:
    """The click itself would draw the sentence that names it; whoever has read it may click again."""
    app = pears(plan())
    app.checkbox(key="already").check().run()
    app.button(key="start_anyway")
    began(tmp_path, "theirs", "Bert")
    app.button(key="start_anyway").click().run()
    house = house_in(tmp_path)
    assert house is not None and [facts.run_id for facts in house.open_runs()] == ["theirs"]
    assert "run theirs was started on canner-1 by Bert a moment ago" in shown(app)
    assert "Run theirs on canner-1 is ended by this one." in shown(app)
    with closing(open_reader(tmp_path)) as conn:
        assert not read_entries(conn, kinds=["plan", "node_assigned"])
    app.button(key="start_anyway").click().run()
    house = house_in(tmp_path)
    assert house is not None and [facts.run_id for facts in house.open_runs()] != ["theirs"]
