"""Open to the home network: a passcode that is given on the page Now, where alarms are answered."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from page_forms import press

from dashboard import kept_passcode
from monitor.store.database import open_writer
from monitor.store.handover import Outbox
from monitor.store.writer import StoreWriter

ALARM = {
    "change": "raised",
    "alarm": {
        "kind": "remote_path_lost",
        "priority": "medium",
        "headline": "A way by which alarms reach you elsewhere is down",
    },
}


def kept(visitor: Any) -> list[dict[str, Any]]:
    visitor.page.wait_for_timeout(50)
    return [one for one in visitor.context.cookies() if one["name"] == kept_passcode.COOKIE]


def test_a_passcode_given_on_now_is_not_asked_for_again(
    tmp_path: Path, serve: Callable, visit: Callable, monkeypatch: pytest.MonkeyPatch, wait: Callable
) -> None:
    """As on any other page: a reload finds the buttons of the alarm, and no passcode to give."""
    with closing(open_writer(tmp_path)) as conn:
        row = ("remote_path_lost:1", None, "remote_path_lost", "active_unacknowledged", ALARM)
        StoreWriter(conn).write(Outbox(alarms=[row]))
    monkeypatch.setenv("BOILWITNESS_PASSCODE", "plum-jam-7")
    pages = serve(tmp_path, "--lan")
    with visit() as visitor:
        page = visitor.go(pages.url)
        page.get_by_text("Give the passcode to answer an alarm").click()
        page.get_by_label("Passcode").fill("plum-jam-7")
        press(page, "Give the passcode")
        page.get_by_role("button", name="I have seen it").first.wait_for()
        wait(lambda: kept(visitor), what="for the cookie")
        page.reload()
        page.get_by_role("button", name="I have seen it").first.wait_for()
        assert page.get_by_text("Give the passcode").count() == 0
