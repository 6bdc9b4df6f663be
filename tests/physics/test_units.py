"""Conversions: anchors that are exact by definition (NIST SP 811, appendix B), and that they are written once."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from monitor.physics.units import KPA_PER_INHG, c_to_f, f_to_c, ft_to_m, in_to_mm, k_to_f_step, m_to_ft

ROOT = Path(__file__).parents[2]
#: Factors of °F and feet: as an operand of a sum, product or quotient they are a conversion made by hand.
BY_HAND = {1.8, 32.0, 0.3048, 3.28, 3.281, 3.2808, 3.28084}


def test_anchors() -> None:
    """Ice and steam in both scales, where the scales meet, an inch, a mile's 5,280 ft."""
    assert (c_to_f(0.0), c_to_f(100.0), c_to_f(-40.0)) == (32.0, 212.0, -40.0)
    assert (f_to_c(32.0), f_to_c(212.0), f_to_c(-40.0)) == (0.0, 100.0, -40.0)
    assert k_to_f_step(1.0) == 1.8 and k_to_f_step(-0.5) == -0.9
    assert ft_to_m(5280.0) == pytest.approx(1609.344, abs=1e-9)
    assert m_to_ft(1609.344) == pytest.approx(5280.0, abs=1e-9)
    assert in_to_mm(1.0) == 25.4
    assert pytest.approx(101.325, abs=2e-4) == 29.9213 * KPA_PER_INHG


def test_a_whole_channel_is_converted_as_each_of_its_figures_is() -> None:
    """And what is missing stays missing."""
    found = c_to_f(np.array([0.0, np.nan, 94.48]))
    assert found[0] == 32.0 and np.isnan(found[1]) and found[2] == c_to_f(94.48)


def test_no_other_file_converts_by_hand() -> None:
    """A factor written twice is one that can differ."""
    found = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for room in ("monitor", "dashboard")
        for path in sorted((ROOT / room).rglob("*.py"))
        if path != ROOT / "monitor/physics/units.py"
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.BinOp) and isinstance(node.op, (ast.Add, ast.Sub, ast.Mult, ast.Div))
        for side in (node.left, node.right)
        if isinstance(side, ast.Constant) and type(side.value) in (int, float) and side.value in BY_HAND
    ]
    assert not found, found
