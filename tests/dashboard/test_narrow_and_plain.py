"""Small things that a person reads: whole words, figures with names, a food's name, an axis that ends well."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboard import jars_chart, look, plan_model
from monitor.cli.main import main
from monitor.judge.cooling_forecast import JarCooling
from monitor.plan.search import find_food
from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.store.stamp import utc_text
from monitor.tables.foods import Food, foods


@pytest.mark.parametrize("food_id", list(foods()))
def test_a_food_that_is_picked_stands_in_the_field_as_a_person_types_it(food_id: str) -> None:
    """No id of the table, and it finds that food again."""
    typed = plan_model.typed_food(food_id)
    found = find_food(typed)
    assert "_" not in typed and isinstance(found, Food) and found.food_id == food_id


def several_nodes(folder: Path) -> None:
    """Names and ways in as kitchens have them: the longest columns leave little room for the others."""
    now = datetime.now(UTC)
    conn = open_writer(folder)
    for number, (name, source) in enumerate(
        (("shed", "mqtt 127.0.0.1:18931"), ("k1", "serial /dev/serial/by-id/usb-node-if00")), 1
    ):
        conn.execute(
            "INSERT INTO nodes (node_id, name, first_seen_utc, source, samples) VALUES (?, ?, ?, ?, 1234)",
            (number, name, utc_text(now), source),
        )
        conn.execute(
            "INSERT INTO samples (node, boot, seq, at_s, arrival_s, water_C, pressure_kPa)"
            " VALUES (?1, 1, 0, ?2, ?2, 98.1, 101.0)",
            (number, now.timestamp()),
        )
    conn.close()
    append_entry(folder, "node_assigned", {"node": "k1", "canner": "the big canner on the left"})


def test_no_word_of_the_nodes_table_is_broken(tmp_path: Path, serve: Callable, visit: Callable) -> None:
    several_nodes(tmp_path)
    pages = serve(tmp_path)
    with visit() as visitor:
        page = visitor.go(f"{pages.url}/nodes")
        name = page.locator("strong .bw-anywhere", has_text="shed")
        name.wait_for()
        # One line of letters has one rectangle.
        assert name.evaluate("node => node.getClientRects().length") == 1
        assert visitor.overflow() <= 0
        visitor.picture("nodes-several")


def test_on_a_phone_each_figure_of_a_season_has_its_name(
    tmp_path: Path, serve: Callable, visit: Callable
) -> None:
    folder = str(Path(__file__).parents[2] / "recorded_runs" / "dip-then-completed")
    assert main(["import", folder, "--data", str(tmp_path)]) == 0
    pages = serve(tmp_path)
    with visit(width=390, height=844) as visitor:
        visitor.go(f"{pages.url}/run?run=2026-08-14-canner-1-a").wait_for_selector("text=The trace")
        page = visitor.go(f"{pages.url}/compare")
        season = page.get_by_role("table", name="The season")
        season.wait_for()
        told = season.inner_text()
        for words in ("come-up ", "per litre ", "boil lost, times: 1", "boil against boiling point "):
            assert words in told, told
        assert visitor.overflow() <= 0
        # Nor does a part of it lie behind an edge of its own.
        cut = "table => { const box = table.closest('.bw-page'); return box.scrollWidth - box.clientWidth; }"
        assert season.evaluate(cut) <= 0
        season.scroll_into_view_if_needed()
        visitor.picture("compare-390")


def test_the_axis_of_cooling_ends_in_no_odd_figure() -> None:
    """It ends where the data end, 1.1718 h say, and that is nobody's figure to read."""
    course = tuple((60.0 * minute, 90.0 - minute) for minute in range(71))
    jar = JarCooling(1, 0.0, True, 4200.0, 20.0, 20.0, None, None, None, (), False, None, "", course)
    spec = jars_chart.cooling_chart([jar], look.LIGHT)
    assert spec is not None
    assert spec["xAxis"]["max"] == "dataMax" and spec["xAxis"]["axisLabel"]["showMaxLabel"] is False
