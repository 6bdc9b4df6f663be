"""A probe's page: its holds as points with control limits, what its check proves, and when to check again."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from app_page import opened, shown
from streamlit.testing.v1 import AppTest

from dashboard import check_model, drift_figure, kitchen_data, kitchen_model, look, plan_model, settings
from monitor.cli.main import main
from monitor.plan.drift import DriftPoint, drift_chart
from monitor.plan.pressure import ALTIMETER, PressureGiven, StationPressure
from monitor.plan.refusal import Refusal
from monitor.plan.registration import PLACES, ProbeRegistration
from monitor.record import Sample
from monitor.record.model import Site
from monitor.store.entries import append_entry, read_entries
from monitor.store.reader import open_reader

RECORDED = Path(__file__).parents[2] / "recorded_runs" / "held-low-altitude"
NOW = datetime.now(UTC).replace(microsecond=0)
PROBE = ProbeRegistration("red K", "type K class 1", "linearised, 0.0078 K steps", PLACES[0])


def season(folder: Path, offsets_K: tuple[float, ...]) -> None:
    """A recorded hold, imported once a week with the probe's correction a little different each time."""
    checked_at = NOW - timedelta(days=100)
    for week, offset_K in enumerate(offsets_K):
        copy = folder / f"copy-{week}"
        shutil.copytree(RECORDED, copy)
        form = json.loads((copy / "run.json").read_text("utf-8"))
        began = NOW - timedelta(days=90 - 7 * week)
        form |= {"run_id": f"week-{week}", "started_at": began.isoformat()}
        if "ended_at" in form:
            form["ended_at"] = (began + timedelta(hours=2)).isoformat()
        form["probe"]["probe_id"] = "red K"
        form["probe"]["calibration"]["offset_K"] += offset_K
        form["probe"]["calibration"]["at"] = checked_at.isoformat()
        (copy / "run.json").write_text(json.dumps(form), encoding="utf-8")
        for seal in copy.glob("seal.json"):
            seal.unlink()
        assert main(["import", str(copy), "--data", str(folder)]) == 0
    append_entry(folder, "probe_registered", PROBE.as_json())
    calibration = {
        "offset_K": -0.4,
        "expanded_uncertainty_K": 0.25,
        "coverage_factor": 2.0,
        "ice_offset_K": -0.35,
        "boil_offset_K": -0.4,
        "at": checked_at.isoformat(),
        "method": "ice and boiling points",
    }
    text = ["It proves this probe with this converter, in this place in this kettle."]
    append_entry(folder, "probe_checked", {"probe_id": "red K", "calibration": calibration, "text": text})


@pytest.mark.parametrize("width", [1280, 390])
def test_a_drift_is_seen_on_the_page(tmp_path: Path, serve: Callable, visit: Callable, width: int) -> None:
    """Seven holds alike, the eighth 0.4 K higher: beyond the limits, named, and the check is due now."""
    season(tmp_path, (-0.02, 0.01, 0.0, 0.03, -0.01, 0.02, 0.0, 0.4))
    pages = serve(tmp_path)
    with visit(width=width, height=844) as visitor:
        page = visitor.go(f"{pages.url}/probe")
        page.wait_for_selector("text=Beyond the limits: week-7. Check the probe at both points")
        page.wait_for_selector("text=It proves this probe with this converter")
        rows = page.locator("table[aria-label=Holds] tbody tr")
        assert rows.count() == 8
        assert "◆ beyond the limits" in rows.first.inner_text()
        assert "within" in rows.nth(3).inner_text()
        page.wait_for_selector(".st-key-drift_red-K canvas, .st-key-drift_red-K svg")
        assert visitor.overflow() <= 0
        visitor.picture(f"probe-drift-{width}")


def test_the_figure_holds_every_point_and_limit() -> None:
    """The axis reaches past all of them; what is beyond is another shape, not only another colour."""
    points = [DriftPoint(f"r{i}", NOW + timedelta(days=i), 0.1 + 0.01 * (i % 3)) for i in range(8)]
    chart = drift_chart([*points, DriftPoint("far", NOW + timedelta(days=9), 0.9)])
    figure: dict[str, Any] = drift_figure.drift_figure(chart, look.LIGHT, NOW)
    assert figure["yAxis"]["min"] < (chart.lower_K or 0.0) and figure["yAxis"]["max"] > 0.9
    assert [item["symbol"] for item in figure["series"][0]["data"]].count("diamond") == 1
    assert len(figure["series"][0]["markLine"]["data"]) == 4
    doubled = drift_figure.drift_figure(chart, look.LIGHT, fahrenheit=True)
    assert doubled["series"][0]["data"][-1]["value"][1] == pytest.approx(1.62)


def test_a_barometer_moves_the_boiling_point_of_a_check_under_way() -> None:
    """84.0 kPa is 94.80 °C (IAPWS-IF97, by CoolProp); the altitude's standard was taken until it was heard. Faults and
    the second water channel are what they are."""
    site = Site(altitude_m=1650.0, altitude_uncertainty_m=10.0)
    check = check_model.begin(PROBE, "n", site, 0.0, NOW)
    assert isinstance(check, check_model.Check)
    before_C = check.basis.boil_C
    check.session.ready(stirred=True)
    check.feed([Sample(float(t), 0.2, pressure_kPa=84.0) for t in range(1, 70)], NOW)
    assert check.basis.boil_C == pytest.approx(94.804, abs=0.002) != before_C
    ice, boil = check_model.compared(check)
    assert ice.correction_K == pytest.approx(-0.2, abs=0.01)
    assert boil.read_C is None
    check.session.ready(stirred=True)
    check.feed([Sample(float(t), 94.9, "open", pressure_kPa=84.0) for t in range(80, 180)], NOW)
    assert not check.done


def test_without_an_altitude_no_check_begins() -> None:
    """Nothing would say where water boils."""
    assert isinstance(check_model.begin(PROBE, "n", Site(), 0.0, NOW), Refusal)


def test_a_kitchen_is_remembered_and_its_pressure_forgotten_after_six_hours() -> None:
    """What was typed survives the store for as long as it is good."""
    typed = PressureGiven(ALTIMETER, 1018.0, "hPa", NOW)
    kitchen = kitchen_model.Kitchen(
        "hill", 1650.0, 10.0, "phone", "America/Denver", kitchen_model.ALTIMETER, typed
    )
    told = json.loads(json.dumps(kitchen.as_json()))
    assert kitchen_model.kitchen_of(told, NOW + timedelta(hours=5)) == kitchen
    late = kitchen_model.kitchen_of(told, NOW + timedelta(hours=7))
    assert late.typed is None and late.altitude_m == 1650.0
    found = kitchen_model.pressure_of(kitchen, None, NOW)
    assert isinstance(found, StationPressure)
    assert found.pressure_kPa == pytest.approx(83.42, abs=0.01)
    node = kitchen_model.Kitchen(altitude_m=1650.0, uncertainty_m=10.0, way=kitchen_model.BAROMETER)
    assert isinstance(kitchen_model.pressure_of(node, None, NOW), Refusal)
    assert isinstance(kitchen_model.pressure_of(node, 83.4, NOW), StationPressure)


def test_a_forecast_is_refused_on_the_hill() -> None:
    """A sea-level pressure is told apart, with what to use instead."""
    typed = PressureGiven("sea_level", 1015.0, "hPa", NOW)
    kitchen = kitchen_model.Kitchen(
        altitude_m=1650.0, uncertainty_m=10.0, way=kitchen_model.FORECAST, typed=typed
    )
    found = kitchen_model.pressure_of(kitchen, None, NOW)
    assert isinstance(found, Refusal)
    assert "airport" in found.instead


def test_a_ph_is_kept_beside_the_batch() -> None:
    """Measured with a meter or by a strip; nothing where none was."""
    assert plan_model.ph_of({}) is None
    ph = plan_model.ph_of({"ph": 4.2, "ph_sure": 0.1, "ph_meter": " M1 ", "ph_buffers": True})
    assert ph is not None
    assert (ph.value, ph.meter_id, ph.method, ph.two_buffers_today) == (4.2, "M1", "meter", True)


# --- one name, one probe ----------------------------------------------------------------------------------

CHECK = {
    "offset_K": -0.4,
    "expanded_uncertainty_K": 0.25,
    "coverage_factor": 2.0,
    "ice_offset_K": -0.35,
    "boil_offset_K": -0.4,
    "at": (NOW - timedelta(days=9)).isoformat(),
    "method": "ice and boiling points",
}


@pytest.fixture
def page(tmp_path: Path) -> Iterator[AppTest]:
    """The page Probe, where one probe was registered and checked."""
    append_entry(tmp_path, "probe_registered", PROBE.as_json())
    body = {"probe_id": "red K", "calibration": CHECK, "text": ["It proves this probe with this converter."]}
    append_entry(tmp_path, "probe_checked", body)
    yield opened(tmp_path, "views/probe.py", "Ada")
    settings._current = None


def register(app: AppTest, converter: str) -> None:
    """Another probe, under the name that is in use."""
    app.selectbox(key="probe").set_value("Another probe").run()
    (name,) = (item for item in app.text_input if item.label == "Name written on the probe")
    name.set_value(PROBE.probe_id)
    for item in app.selectbox:
        if item.label == "Kind and class":
            item.set_value(PROBE.kind)
        elif item.label.startswith("Converter"):
            item.set_value(converter)
        elif item.label.startswith("Where it sits"):
            item.set_value(PLACES[0])
    (button,) = (item for item in app.button if item.label == "Register this probe")
    button.click().run()
    assert not app.exception


def registered(folder: Path) -> list[str]:
    with closing(open_reader(folder)) as conn:
        return [entry.body["converter"] for entry in read_entries(conn, kinds=["probe_registered"])]


def test_a_name_in_use_by_another_probe_is_asked_about(page: AppTest, tmp_path: Path) -> None:
    """Nothing is registered before the answer; then its check ends, and it is said why."""
    assert "It proves this probe with this converter." in shown(page)
    another = "straight-line, 0.25 K steps"
    register(page, another)
    assert registered(tmp_path) == [PROBE.converter]
    assert f"and is “{another}”" in shown(page) and "its earlier check ends" in shown(page)
    page.button(key="register_not").click().run()
    assert registered(tmp_path) == [PROBE.converter] and "its earlier check ends" not in shown(page)
    register(page, another)
    page.button(key="register_anew").click().run()
    assert registered(tmp_path) == [PROBE.converter, another]
    page.selectbox(key="probe").set_value(PROBE.probe_id).run()
    assert "Its earlier check ended when it was registered anew" in shown(page)
    assert "It proves this probe with this converter." not in shown(page)


def test_the_same_probe_registered_again_is_not_asked_about(page: AppTest, tmp_path: Path) -> None:
    """And keeps its check."""
    register(page, PROBE.converter)
    assert registered(tmp_path) == [PROBE.converter] * 2
    page.selectbox(key="probe").set_value(PROBE.probe_id).run()
    assert "It proves this probe with this converter." in shown(page)


@pytest.mark.parametrize("blocked", [True, False])
@pytest.mark.parametrize("view", ["views/probe.py", "views/plan.py"])
def test_the_last_attempt_stands_beside_the_earlier_check(
    page: AppTest, tmp_path: Path, view: str, blocked: bool
) -> None:
    """On both pages; one that blocks the probe says how it counts again, and no page says until when it is good."""
    refused = (
        "The probe moved by -0.80 K since its check: it is blocked."
        if blocked
        else "Without a boiling point."
    )
    body = {"probe_id": "red K", "calibration": None, "refused": refused, "blocked": blocked}
    append_entry(tmp_path, "probe_checked", body | {"ice_offset_found_K": -0.4, "at": NOW.isoformat()})
    kitchen_data._known.clear()
    page.switch_page(view).run()
    told = shown(page)
    if blocked:
        assert "Blocked: The probe moved by −0.80 K" in told and "checked again at both points" in told
        assert "Check it again by" not in told and "It proves this probe" not in told
    else:
        assert "was not accepted: Without a boiling point." in told and "ice point −0.40 K" in told
        assert "Checked on" in told


def test_a_check_is_of_the_probe_as_it_was_when_it_began() -> None:
    """Registered anew meanwhile as another, what was taken is of the old one."""
    check = check_model.begin(PROBE, "n", Site(altitude_m=1650.0, altitude_uncertainty_m=10.0), 0.0, NOW)
    assert isinstance(check, check_model.Check)
    assert check.is_of(PROBE) and check.is_of(replace(PROBE, response_s=4.0))
    assert not check.is_of(replace(PROBE, converter="straight-line, 0.25 K steps"))
    assert not check.is_of(replace(PROBE, probe_id="blue K"))
