"""The node's logic, piece by piece, under MicroPython and CPython: both run the same checks."""

from __future__ import annotations

import importlib.util
import json
import subprocess
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from thermocouple_its90 import get

from monitor.intake.wire import Pack, decode_pack, encode_ask

CHECKS = Path(__file__).parent / "checks"
NODE = Path(__file__).parents[2] / "firmware_notes" / "node"


def run_check(interpreter: str, name: str, *arguments: Any) -> list[str]:
    words = [interpreter, str(CHECKS / f"check_{name}.py"), str(NODE), *map(str, arguments)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=180, check=False)
    assert done.returncode == 0, done.stderr + done.stdout
    return done.stdout.splitlines()


@pytest.mark.parametrize("name", ["clock", "ring"])
def test_check(interpreter: str, name: str) -> None:
    assert run_check(interpreter, name) == ["ok"]


def test_logic(interpreter: str, tmp_path: Path) -> None:
    assert run_check(interpreter, "logic", tmp_path / "boot_count") == ["ok"]


def test_what_the_node_says_and_hears_is_the_collectors_wire(interpreter: str, tmp_path: Path) -> None:
    """Compared by meaning: the order of labels is nobody's business."""
    asks = [
        (encode_ask("kettle-1", 7, stored=41), [41, None]),
        (encode_ask("kettle-1", 7, resend=42), [None, 42]),
        (encode_ask("kettle-1", 7, stored=41, resend=42), [41, 42]),
        (encode_ask("kettle-1", 8, stored=41), [None, None]),
        (encode_ask("kettle-2", 7, stored=41), [None, None]),
    ]
    readings: list[dict[str, Any]] = [
        {"water": 94.25},
        {"water": -0.0, "chip": 27.0625, "room": 21.5, "pressure": 83250.0},
        {"jar-1": 80.5, "jar-2": 79.25, "heater": 1480.0, "mains": True, "lid-1": False, "water-2": 90.0},
        {"chip": 27.5, "water-fault": "open"},
        {},
    ]
    cases = tmp_path / "cases.json"
    cases.write_text(
        json.dumps(
            {
                "asks": [{"payload": ask.decode(), "expected": expected} for ask, expected in asks],
                "readings": readings,
            }
        )
    )
    *packs, gone = (decode_pack(line.encode()) for line in run_check(interpreter, "wire", cases))
    common: dict[str, Any] = {"node": "kettle-1", "boot": 4294967295, "seq": 12, "uptime_s": 93600.123}
    assert packs == [
        Pack(**common, water_C=94.25),
        Pack(**common, water_C=0.0, chip_C=27.0625, room_C=21.5, pressure_kPa=83.25),
        Pack(
            **common,
            water_2_C=90.0,
            jars={1: 80.5, 2: 79.25},
            heater_W=1480.0,
            mains=True,
            lids={1: False},
        ),
        Pack(**common, chip_C=27.5, water_fault="open"),
        Pack(**common),
    ]
    assert gone == Pack("kettle-1", boot=7, resend=120, gone=37)


def reference_cases() -> dict[str, list[tuple[Any, ...]]]:
    """NIST Monograph 175 by the package thermocouple-its90; the straight line is 41.276 µV/K."""
    emf = [
        (kind, t, get(kind).emf(t))
        for kind in ("K", "T")
        for t in (-5.0, 0.0, 20.0, 60.0, 94.5, 100.0, 150.0)
    ]
    couple = get("K")
    straight = [
        (chip + (couple.emf(true) - couple.emf(chip)) / 0.041276, chip, true)
        for chip in (15.0, 25.0, 35.0, 45.0)
        for true in (0.0, 60.0, 90.0, 94.5, 100.0)
    ]
    return {"emf": emf, "straight": straight}


def test_converters_and_thermocouples(interpreter: str, tmp_path: Path) -> None:
    cases = tmp_path / "cases.json"
    cases.write_text(json.dumps(reference_cases()))
    assert run_check(interpreter, "converter", cases) == ["ok"]


def node_module(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, NODE / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_seven_digits_of_a_small_board_suffice() -> None:
    """Many boards compute in single precision; the correction must stay far below a converter's step."""
    its90 = node_module("node_its90")
    single = np.float32
    its90._COUPLES = {
        kind: (tuple(map(single, numbers)), extra and tuple(map(single, extra)))
        for kind, (numbers, extra) in its90._COUPLES.items()
    }
    its90.exp = lambda power: np.exp(single(power))
    for read_C, chip_C, true_C in reference_cases()["straight"]:
        got = its90.straighten(single(read_C), single(chip_C), line=single(0.041276))
        assert isinstance(got, np.float32)
        assert float(got) == pytest.approx(true_C, abs=0.004)


@pytest.mark.parametrize("converter", ["registers", "frame", "resistance"])
def test_the_edge_file_goes_through_its_steps(interpreter: str, converter: str) -> None:
    assert run_check(interpreter, "hardware", converter) == ["ok"]


def test_the_page_names_every_setting_and_every_answer() -> None:
    """What can be set is in the wiring tables or the steps; what the converter can say is in the table of faults."""
    page = (NODE.parent / "README.md").read_text("utf-8")
    settings = node_module("node_settings").SETTINGS
    named = {f"{part}.{key}" for part in ("spi", "i2c") for key in settings[part]}
    for key in sorted(named | {"mains_pin", "service_pin", "one_wire.pin", "couple"}):
        assert f"`{key}" in page, key
    for part in ("spi", "i2c"):
        for key, value in settings[part].items():
            assert f"`{part}.{key}` {value}" in page, "the table says what is delivered"
    for fault in ("open", "short_to_ground", "short_to_supply", "out_of_range"):
        assert fault in page
    for file in NODE.glob("*.py"):
        assert any(
            word in page for word in (file.name, "node_*.py" if file.name.startswith("node_") else "?")
        )


def test_every_field_of_the_settings_has_a_word_beside_it() -> None:
    text = (NODE / "node_settings.py").read_text("utf-8")
    for key in node_module("node_settings").SETTINGS:
        line = next(at for at, line in enumerate(text.splitlines()) if line.strip().startswith(f'"{key}"'))
        before = text.splitlines()[line - 1].strip()
        assert before.startswith("#") or key in ("couple", "i2c", "wifi", "mqtt"), key
