"""Pages through the entry point, without a browser."""

from __future__ import annotations

from pathlib import Path

from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import settings
from dashboard.settings import Settings

APP = str(Path(dashboard.__file__).with_name("app.py"))


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
