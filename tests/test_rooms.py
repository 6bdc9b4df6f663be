"""The rooms of the project: imports point downward only, and the rooms that decide touch no world.

The contracts themselves are written once, in ``pyproject.toml`` under ``[tool.importlinter]``.
"""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from pathlib import Path

from importlinter import cli

ROOT = Path(__file__).parents[1]


def test_the_contracts_of_the_rooms_are_kept() -> None:
    """import-linter finds no import that goes upward, sideways or out of a pure room."""
    settings = str(ROOT / "pyproject.toml")
    command = f"import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports({settings!r}))"
    done = subprocess.run(
        [sys.executable, "-c", command], cwd=ROOT, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == cli.EXIT_STATUS_SUCCESS, done.stdout + done.stderr
    assert "0 broken" in done.stdout


def test_every_room_is_in_the_layers() -> None:
    """A new package under ``monitor`` must be given its floor."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    layers = next(contract["layers"] for contract in contracts if contract["type"] == "layers")
    placed = {room.strip() for layer in layers for room in layer.replace(":", "|").split("|")}
    rooms = {f"monitor.{path.parent.name}" for path in (ROOT / "monitor").glob("*/__init__.py")}
    assert rooms <= placed, rooms - placed


def test_the_pages_ask_the_store_by_name() -> None:
    """No statement of SQL under ``dashboard``: a table that changes is followed in ``monitor/store`` alone."""
    found = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in sorted((ROOT / "dashboard").rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Attribute)
        and node.attr in ("execute", "executemany", "executescript", "cursor")
    ]
    assert not found, found


def test_judging_loads_neither_pandas_nor_the_network() -> None:
    """``boilwitness judge`` starts fast: none of the heavy libraries is imported for it."""
    folder = ROOT / "recorded_runs" / "held-low-altitude"
    command = (
        "import sys; from monitor.cli.main import main; "
        f"status = main(['judge', {str(folder)!r}]); "
        "heavy = {'pandas', 'streamlit', 'paho', 'serial', 'sqlite3', 'numpy'} & set(sys.modules); "
        "assert status == 0 and not heavy, (status, heavy)"
    )
    done = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
