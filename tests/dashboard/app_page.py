"""Pages through the entry point, without a browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import settings
from dashboard.settings import Settings

APP = str(Path(dashboard.__file__).with_name("app.py"))
#: The four answers of a jar that is sealed.
GOOD = {"press": "firm", "sight": "dished", "tap": "ring", "lift": "holds"}


def opened(folder: Path, view: str, who: str = "") -> AppTest:
    """A page of this store: ``views/plan.py``; ``who`` speaks. Whoever opens it forgets the settings afterwards."""
    settings.configure(Settings(folder))
    app = AppTest.from_file(APP, default_timeout=60)
    app.session_state["who"] = who
    app.run()
    app.switch_page(view).run()
    assert not app.exception
    return app


def shown(app: AppTest) -> str:
    """All that is drawn as markup."""
    return " ".join(str(item.value) for item in app.get("html"))


def chosen(app: AppTest, begins: str, value: Any) -> None:
    """Choose in the one row of buttons whose key begins so."""
    (row,) = [one for one in app.get("button_group") if str(one.key).startswith(begins)]
    row.set_value(value)
    app.run()


def answered(app: AppTest, jar: int, **answers: str) -> None:
    """Answer the four questions about a jar of the run ``mine``: as of one that is sealed, but for what is named."""
    for row in [one for one in app.get("button_group") if str(one.key).startswith(f"answer_mine_{jar}_")]:
        row.set_value((GOOD | answers)[str(row.key).rpartition("_")[2]])
    app.run()


def press(app: AppTest, key: str) -> None:
    """Press the button of that key."""
    app.button(key=key).click().run()
    assert not app.exception
