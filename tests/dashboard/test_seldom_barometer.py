"""A barometer that speaks less often than the probe is a barometer."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from kitchen_store import samples_in

from dashboard import kitchen_data, node_data, settings
from dashboard.settings import Settings


def test_nodes_and_plan_show_the_barometer_s_newest_value_with_its_age(
    idle: Any, tmp_path: Path, visit: Callable, wait: Callable
) -> None:
    """The node tells the pressure once, then only the water: 834.2 hPa stays known for minutes, and how old it is."""
    idle.pressure_kPa = 83.42
    wait(lambda: samples_in(tmp_path, "pressure_kPa IS NOT NULL") > 0, what="for the pressure")
    idle.pressure_kPa = None
    wait(lambda: samples_in(tmp_path, "pressure_kPa IS NULL") > 60, what="for what has none")
    with visit() as visitor:
        page = visitor.go(f"{idle.url}/nodes")
        page.wait_for_selector("text=/834.2 hPa [0-9]+ s ago, water boils at 94.6/")
        page = visitor.go(f"{idle.url}/plan")
        page.wait_for_selector("text=/Its barometer reads 834.2 hPa, [0-9]+ s ago./")


def test_a_barometer_that_fell_silent_is_none(
    idle: Any, tmp_path: Path, wait: Callable, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beyond the last minutes an old pressure is no pressure of now."""
    idle.pressure_kPa = 83.42
    wait(lambda: samples_in(tmp_path, "pressure_kPa IS NOT NULL") > 0, what="for the pressure")
    idle.pressure_kPa = None
    monkeypatch.setattr(settings, "_current", Settings(tmp_path))
    assert kitchen_data.heard("demo-node-1").pressure_kPa == 83.42
    monkeypatch.setattr(node_data, "BAROMETER_S", 0.5)
    wait(lambda: kitchen_data.heard("demo-node-1").pressure_kPa is None, what="for it to be old")
    assert kitchen_data.heard("demo-node-1").water_C is not None
