"""Before the heat, without a browser: what its forms keep, ask and refuse."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from app_page import opened, shown
from page_forms import choose, fill, pick, tick
from streamlit.testing.v1 import AppTest

from dashboard import draft, settings
from monitor.plan.registration import PLACES
from monitor.record.model import Sample
from monitor.store.database import open_writer, store_path
from monitor.store.entries import append_entry, read_entries
from monitor.store.handover import Batch
from monitor.store.reader import house_in, open_reader
from monitor.store.samples import row_values
from monitor.store.writer import StoreWriter


@pytest.fixture
def plan(tmp_path: Path) -> Iterator[Callable[..., AppTest]]:
    """Opens the page Before the heat on an empty store."""

    def opening() -> AppTest:
        return opened(tmp_path, "views/plan.py")

    yield opening
    settings._current = None


def keyed(app: AppTest, kind: str, key: str) -> Any:
    """The one widget whose key begins so."""
    (found,) = (item for item in app.get(kind) if str(item.key).startswith(key))
    return found


def pears(app: AppTest) -> AppTest:
    """To the offer of recording jars that boil already."""
    keyed(app, "text_input", "altitude_m").set_value("100")
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


def test_a_look_at_another_page_empties_no_field(plan: Callable, tmp_path: Path) -> None:
    """Nor does it forget the altitude on the page Probe, which asks for the same kitchen."""
    body = {"probe_id": "red K", "kind": "other", "converter": "other", "place": "other"}
    append_entry(tmp_path, "probe_registered", body)
    app = pears(plan())
    app.text_input(key="kitchen_name").set_value("hill kitchen")
    app.text_input(key="jars").set_value("7")
    app.text_input(key="coldest_jar_°C").set_value("70")
    app.checkbox(key="clock_ok").check()
    app.run()
    app.switch_page("views/probe.py").run()
    assert app.text_input(key="altitude_m").value == "100"
    assert app.text_input(key="kitchen_name").value == "hill kitchen"
    app.switch_page("views/plan.py").run()
    assert (app.text_input(key="jars").value, app.text_input(key="coldest_jar_°C").value) == ("7", "70")
    assert app.checkbox(key="clock_ok").value and app.text_input(key="food").value == "pears"
    assert "20 min at a full boil, without a break." in shown(app)


def test_a_reload_empties_no_field(tmp_path: Path, serve: Callable, visit: Callable) -> None:
    """Back, a link and a reload: what was typed, chosen and ticked is there; another browser sees nothing of it."""
    with visit() as visitor, visit() as stranger:
        page = visitor.go(f"{serve(tmp_path).url}/plan")
        fill(page, "Altitude of the kitchen [m]", "1650")
        choose(page, "Found by", "survey or topographic map")
        choose(page, "Air pressure", "A barometer in this kitchen, read by you")
        fill(page, "Read just now [hPa]", "834.2")
        fill(page, "What is in the jars", "pears")
        pick(page, "pint")
        fill(page, "Jars", "7")
        tick(page, "The jars are already in boiling water")
        visitor.go(page.url)
        page.get_by_label("Jars", exact=True).wait_for()
        for label, value in (
            ("Altitude of the kitchen [m]", "1650"),
            ("Jars", "7"),
            ("Read just now [hPa]", "834.20"),
        ):
            assert page.get_by_label(label, exact=True).input_value() == value
        page.wait_for_selector("text=30 min at a full boil, without a break.")
        page.get_by_role("button", name="Record anyway, at most unproven").wait_for()
        page.get_by_text("created with a default value").wait_for(state="hidden")
        other = stranger.go(page.url)
        assert other.get_by_label("Altitude of the kitchen [m]", exact=True).input_value() == ""


def test_what_is_not_there_any_more_is_not_chosen_again(plan: Callable) -> None:
    """A node or a probe of the draft that is gone by now."""
    app = plan()
    app.session_state["draft"] = {"node": "n9", "probe": "gone", "zone": "Nowhere/None", "found_by": "?"}
    app.switch_page("views/probe.py").run()
    app.switch_page("views/plan.py").run()
    assert not app.exception


def test_what_was_ticked_for_one_batch_is_not_the_next_one_s(plan: Callable) -> None:
    """The place and the food stay; ticks, jars and temperatures are said anew."""
    app = pears(plan())
    app.text_input(key="jars").set_value("7")
    app.checkbox(key="clock_ok").check()
    app.checkbox(key="already").check()
    app.run()
    app.button(key="start_anyway").click().run()
    app.switch_page("views/plan.py").run()
    assert app.text_input(key="altitude_m").value == "100" and app.text_input(key="food").value == "pears"
    assert app.text_input(key="jars").value == ""
    assert not any(app.checkbox(key=key).value for key in ("clock_ok", "already"))


def test_a_draft_is_over_after_hours_and_each_browser_has_its_own() -> None:
    drafts = draft.Drafts()
    drafts.put("a", {"jars": 7}, 0.0)
    drafts.put("a", {"jars": 7}, 9000.0)
    assert drafts.take("a", draft.KEPT_S - 1.0) == {"jars": 7} and drafts.take("b", 0.0) == {}
    assert drafts.take("a", draft.KEPT_S) == {}, "only a change makes it younger"
    for number in range(draft.MOST):
        drafts.put(str(number), {}, 1.0)
    assert drafts.take("a", 1.0) == {}, "the oldest makes room"


def test_a_name_that_the_page_filled_in_is_not_lost_to_a_quick_tick(plan: Callable) -> None:
    """The browser ticks before it has got the name: it sends the field as it was, empty."""
    app = pears(plan())
    app.text_input(key="who_Your name, for the record").set_value("Ada").run()
    assert app.text_input(key="who_Who starts").value == "Ada"
    app.text_input(key="who_Who starts").set_value("")
    app.checkbox(key="clock_ok").check().run()
    assert app.text_input(key="who_Who starts").value == "Ada" == app.session_state["who"]
    app.text_input(key="who_Who starts").set_value("Bert").run()
    assert app.session_state["who"] == "Bert"


def test_a_probe_that_only_has_a_name_claims_nothing(plan: Callable, tmp_path: Path) -> None:
    """What nobody has said is taken at its widest; without a name nothing is registered, and it is said why."""
    app = plan()
    (register,) = (item for item in app.button if item.label == "Register this probe")
    register.click().run()
    assert any("Give the probe a name" in str(item.value) for item in app.error)
    (name,) = (item for item in app.text_input if item.label == "Name written on the probe")
    name.set_value("red K")
    (register,) = (item for item in app.button if item.label == "Register this probe")
    register.click().run()
    with closing(open_reader(tmp_path)) as conn:
        (entry,) = read_entries(conn, kinds=["probe_registered"])
    assert [entry.body[name] for name in ("kind", "converter", "place")] == ["other"] * 3
    assert entry.body["response_s"] is None


def test_a_probe_s_response_is_as_it_was_typed_or_nothing_is_registered(
    plan: Callable, tmp_path: Path
) -> None:
    app = plan()
    for typed in ("4s5", "150", "4,5"):
        assert not store_path(tmp_path).exists(), "nothing was ever written down"
        app.text_input(key="register_response").set_value(typed)
        (name,) = (item for item in app.text_input if item.label == "Name written on the probe")
        name.set_value("red K")
        (register,) = (item for item in app.button if item.label == "Register this probe")
        register.click().run()
        assert not app.exception and bool(app.error) is (typed != "4,5")
    with closing(open_reader(tmp_path)) as conn:
        (entry,) = read_entries(conn, kinds=["probe_registered"])
    assert entry.body["response_s"] == 4.5


def test_feet_and_fahrenheit_are_chosen_once(plan: Callable, tmp_path: Path) -> None:
    """5,400 ft are 1645.9 m (the foot is 0.3048 m); a difference of 1 K is one of 1.8 °F. The store stays in SI."""
    app = plan()
    keyed(app, "button_group", "units").set_value("°F").run()
    assert not [item for item in app.get("button_group") if item.key == "altitude_unit"]
    app.text_input(key="altitude_ft").set_value("5400")
    app.text_input(key="food").set_value("jam")
    app.run()
    assert any(item.label == "5,400 ft is the altitude of home kitchen" for item in app.checkbox)
    assert "Water boils at about 202.1 °F here." in shown(app)
    assert not re.search(r"\d (K|°C|m)\b", re.sub(r"<style.*?</style>|<[^>]*>", " ", shown(app), flags=re.S))
    # Another choice converts what was typed; nothing of it is taken for the other unit.
    keyed(app, "button_group", "units").set_value("°C").run()
    assert app.text_input(key="altitude_m").value == "1646"
    app.text_input(key="altitude_m").set_value("100").run()
    keyed(app, "button_group", "units").set_value("°F").run()
    assert app.text_input(key="altitude_ft").value == "328"


def test_temperatures_and_headspace_are_asked_in_the_units_that_were_chosen(
    plan: Callable, tmp_path: Path
) -> None:
    """Half an inch is 13 mm as it is printed; 158 °F are 70 °C."""
    app = pears(plan())
    app.text_input(key="coldest_jar_°C").set_value("70").run()
    assert keyed(app, "text_input", "headspace_mm_").value == "13"
    keyed(app, "button_group", "units").set_value("°F").run()
    assert app.text_input(key="coldest_jar_°F").value == "158"
    assert keyed(app, "text_input", "headspace_in_").value == "0.5"
    app.checkbox(key="already").check().run()
    app.button(key="start_anyway").click().run()
    with closing(open_reader(tmp_path)) as conn:
        (entry,) = read_entries(conn, kinds=["run_started"])
    assert entry.body["batch"]["headspace_mm"] == 13
    assert entry.body["batch"]["coldest_jar_C"] == pytest.approx(70.0)


def test_what_the_node_s_barometer_says_is_judged_before_the_start(plan: Callable, tmp_path: Path) -> None:
    """31 hPa under the average of 2150 m, never compared: half of what is beyond 10 hPa, some 0.4 K, is added; what
    helps is to compare it, and against which floor the ± counts is said."""
    with closing(open_writer(tmp_path)) as conn:
        writer = StoreWriter(conn)
        node = writer.node_id("stove", "a test")
        for second in range(3):
            sample = Sample(0.0, 21.0, pressure_kPa=74.9, boot=1, seq=second)
            writer.commit(Batch(rows=[row_values(node, sample, 1000.0 + second, 1000.0 + second, False)]))
    kind = {"kind": "type K class 1", "converter": "linearised, 0.0078 K steps", "place": PLACES[0]}
    append_entry(tmp_path, "probe_registered", {"probe_id": "red K", **kind})
    check = {
        "offset_K": 0.0,
        "expanded_uncertainty_K": 0.3,
        "coverage_factor": 2.0,
        "ice_offset_K": 0.0,
        "boil_offset_K": 0.0,
        "at": datetime.now(UTC).isoformat(),
        "method": "ice and boiling points",
    }
    append_entry(tmp_path, "probe_checked", {"probe_id": "red K", "calibration": check, "text": []})
    way = "The node has a barometer"
    append_entry(
        tmp_path, "settings", {"altitude_m": 2150.0, "altitude_uncertainty_m": 15.0, "pressure_way": way}
    )
    app = plan()
    app.text_input(key="food").set_value("pears").run()
    keyed(app, "button_group", "pack_").set_value("hot").run()
    keyed(app, "button_group", "jar_").set_value("pint").run()
    told = shown(app)
    assert "749.0 hPa in the kitchen" in told and "pressure far below the altitude&#x27;s" in told
    assert "This set-up can prove a boil by itself." not in told
    assert "Compare the node&#x27;s barometer with the altimeter setting (QNH)" in told
    assert "It counts as boiling only where the reading, less these" in told
