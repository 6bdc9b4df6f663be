"""Numbers that are typed before the heat: as they were meant, or not at all; never the one that stood there before."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from app_page import opened, shown
from page_forms import choose, fill, pick, press
from streamlit.testing.v1 import AppTest

from dashboard import kitchen_form, settings
from dashboard.kitchen_model import ALTIMETER, STATION
from monitor.record.model import Sample
from monitor.store.database import open_writer
from monitor.store.entries import append_entry, read_entries
from monitor.store.handover import Batch
from monitor.store.reader import open_reader
from monitor.store.samples import row_values
from monitor.store.writer import StoreWriter


@pytest.fixture
def plan(tmp_path: Path) -> Iterator[Callable[..., AppTest]]:
    """Opens the page Before the heat, in a kitchen at 1650 m that the household remembers."""

    def opening(way: str = ALTIMETER) -> AppTest:
        kitchen = {"altitude_m": 1650.0, "altitude_uncertainty_m": 10.0, "zone": "America/Denver"}
        append_entry(tmp_path, "settings", {**kitchen, "pressure_way": way, "kitchen": "hill kitchen"})
        return opened(tmp_path, "views/plan.py")

    yield opening
    settings._current = None


def captions(app: AppTest) -> str:
    return " ".join(item.value for item in app.caption)


def kept(folder: Path) -> dict[str, Any]:
    """What the household's settings say, the newest of each."""
    with closing(open_reader(folder)) as conn:
        found: dict[str, Any] = {}
        for entry in read_entries(conn, kinds=["settings"]):
            found |= entry.body
        return found


def test_what_a_person_types_is_never_the_value_before_it(
    tmp_path: Path, serve: Callable, visit: Callable
) -> None:
    """With a browser's own fields for numbers: a decimal comma, a value that cannot be, in another unit, below the
    least there is. 990 and 1029.5 hPa at 2150 m are 761.5 and 792.9 hPa in the kitchen (ICAO's formula)."""
    with visit() as visitor:
        page = visitor.go(f"{serve(tmp_path).url}/plan")
        fill(page, "Altitude of the kitchen [m]", "2150")
        choose(page, "Air pressure", ALTIMETER)
        fill(page, "Read just now [hPa]", "990")
        page.wait_for_selector("text=from the altimeter setting 990.0 hPa")
        fill(page, "Read just now [hPa]", "1029,5")
        page.wait_for_selector("text=from the altimeter setting 1029.5 hPa")
        assert page.get_by_label("Read just now [hPa]", exact=True).input_value() == "1029.50"
        press(page, "Remember this kitchen")
        assert kept(tmp_path)["pressure"]["value"] == 1029.5
        fill(page, "Read just now [hPa]", "23.2")
        page.wait_for_selector("text=23.2 hPa cannot be: 500 to 1100 hPa.")
        page.wait_for_selector("text=No pressure counts")
        assert page.get_by_text("from the altimeter setting").count() == 0
        assert page.get_by_text("Typed just now").count() == 0
        pick(page, "inHg")
        fill(page, "Read just now [inHg]", "1019")
        page.wait_for_selector("text=1019 looks like hPa")
        fill(page, "Sure to ± [m]", "-5")
        page.wait_for_selector("text=-5 m cannot be")
        assert page.get_by_role("button", name="Remember this kitchen").count() == 0
        assert kept(tmp_path)["altitude_uncertainty_m"] == 100.0


def test_an_altitude_that_can_be_two_is_asked(plan: Callable, tmp_path: Path) -> None:
    """2.150 is 2.15 m in one country and 2150 m in the next: neither, until it is said."""
    app = plan()
    app.text_input(key="altitude_m").set_value("2.150").run()
    assert "2.15 or 2150" in shown(app) and "Water boils" not in shown(app)
    app.text_input(key="food").set_value("pears").run()
    assert not [button for button in app.button if button.key == "remember"]


def test_a_pressure_that_cannot_be_read_stops_the_start(plan: Callable) -> None:
    """It is not the altitude alone either: somebody meant to give one."""
    app = plan()
    app.text_input(key="typed_altimeter_setting_hPa").set_value("1020").run()
    assert "from the altimeter setting 1020.0 hPa" in shown(app)
    app.text_input(key="typed_altimeter_setting_hPa").set_value("10x20")
    app.text_input(key="food").set_value("pears").run()
    (pack,) = (item for item in app.get("button_group") if str(item.key).startswith("pack_"))
    pack.set_value("hot").run()
    (jar,) = (item for item in app.get("button_group") if str(item.key).startswith("jar_"))
    jar.set_value("pint").run()
    assert "from the altimeter setting" not in shown(app)
    (missing,) = (str(item.value) for item in app.get("html") if "things are missing" in str(item.value))
    assert "No pressure counts: “10x20” cannot be read as a number." in missing


def test_a_pressure_grows_no_younger(plan: Callable, monkeypatch: pytest.MonkeyPatch) -> None:
    """By being shown, by another value in between, by being forgotten: two hours later it is two hours old."""

    class Later(datetime):
        ahead = timedelta(0)

        @classmethod
        def now(cls, tz: Any = None) -> datetime:  # type: ignore[override]
            return datetime.now(tz) + cls.ahead

    monkeypatch.setattr(kitchen_form, "datetime", Later)
    app = plan()
    app.text_input(key="typed_altimeter_setting_hPa").set_value("1020").run()
    assert "Typed just now" in captions(app)
    Later.ahead = timedelta(hours=2)
    app.run()
    assert "Typed 2 h ago" in captions(app) or "Typed 120 min ago" in captions(app)
    app.selectbox(key="pressure_way").set_value(STATION).run()
    app.text_input(key="typed_station_hPa").set_value("834").run()
    assert "Typed just now" in captions(app)
    app.selectbox(key="pressure_way").set_value(ALTIMETER).run()
    assert app.text_input(key="typed_altimeter_setting_hPa").value == "1020.00"
    assert "Typed just now" not in captions(app)
    app.button(key="reread").click().run()
    assert "Typed just now" in captions(app)
    Later.ahead = timedelta(hours=8, minutes=5)
    app.run()
    assert "a typed pressure is good for 6 h" in shown(app)


def test_a_remembered_pressure_keeps_its_time(plan: Callable, tmp_path: Path) -> None:
    """It comes from the store with its age, and when its six hours are over it is not a new one."""
    at = datetime.now(UTC) - timedelta(hours=5)
    body = {"kind": "altimeter_setting", "value": 1018.0, "unit": "hPa", "at": at.isoformat()}
    append_entry(tmp_path, "settings", {"pressure": body})
    app = plan()
    assert app.text_input(key="typed_altimeter_setting_hPa").value == "1018.00"
    assert "Typed 5 h ago" in captions(app) or "Typed 300 min ago" in captions(app)
    app.text_input(key="typed_altimeter_setting_hPa").set_value("1019").run()
    assert "Typed just now" in captions(app)


@pytest.mark.parametrize(
    ("typed", "said", "headspace"),
    [("60,5", "", "13"), ("158", "158 °F are 70.0 °C", "13"), ("-40", "cannot be", "13"), ("60.5", "", "-3")],
)
def test_what_no_jar_can_be_is_missing(plan: Callable, typed: str, said: str, headspace: str) -> None:
    """A comma is understood; °F, the impossible and a headspace that cannot be read are asked for again."""
    app = plan()
    app.text_input(key="food").set_value("pears").run()
    for begins, value in (("pack_", "hot"), ("jar_", "pint")):
        (group,) = (item for item in app.get("button_group") if str(item.key).startswith(begins))
        group.set_value(value).run()
    app.text_input(key="coldest_jar_°C").set_value(typed)
    app.text_input(key="headspace_mm_pears").set_value(headspace).run()
    (missing,) = (str(item.value) for item in app.get("html") if "things are missing" in str(item.value))
    assert ("Enter the temperature of the coldest filled jar." in missing) is bool(said)
    assert said in shown(app)
    assert ("-3 mm cannot be" in missing) is (headspace == "-3")


def test_a_setting_that_was_compared_is_typed_anew_for_the_next_time(plan: Callable, tmp_path: Path) -> None:
    """It is of that hour; an hour later the same figure would be held against another air."""
    with closing(open_writer(tmp_path)) as conn:
        writer = StoreWriter(conn)
        node = writer.node_id("stove", "a test")
        rows = [row_values(node, Sample(0.0, 21.0, pressure_kPa=83.42, boot=1, seq=1), 1000.0, 1000.0, False)]
        writer.commit(Batch(rows=rows))
    app = plan("The node has a barometer")
    (setting,) = (item for item in app.text_input if item.label.startswith("Altimeter setting"))
    setting.set_value("1018,0")
    (compare,) = (item for item in app.button if item.label == "Compare it")
    compare.click().run()
    assert "They agree within 1 hPa" in shown(app) and kept(tmp_path)["barometer_checked_at"]
    app.run()
    (setting,) = (item for item in app.text_input if item.label.startswith("Altimeter setting"))
    assert setting.value == ""
