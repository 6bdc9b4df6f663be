"""A short plain program that shares nothing with the package comes to the same time, and says so when it does not."""

from __future__ import annotations

import csv
import importlib.util
import io
import json
import re
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest

from monitor.judge import judge
from monitor.proof.dossier import from_folder
from monitor.proof.envelope import seal_page
from monitor.proof.folder import seal_folder
from monitor.proof.page import draw
from monitor.record import Run, write_run
from monitor.record.write import header_text, samples_text
from monitor.simulate.suite import suite_pairs, tell

ROOT = Path(__file__).parents[2]
RECORDS = ROOT / "recorded_runs"
SCRIPT = Path(__file__).parent / "independent_check.py"
NAMES = sorted(path.name for path in RECORDS.iterdir() if path.is_dir())
ISSUED = datetime(2026, 9, 1, 12, 0, tzinfo=UTC)
WithFacts = Callable[..., bytes]


def run_script(path: Path) -> tuple[int, str]:
    """-I and -S: no site packages; nothing of this project can be imported."""
    result = subprocess.run(
        [sys.executable, "-I", "-S", str(SCRIPT), str(path)], capture_output=True, text=True
    )
    assert not result.stderr
    return result.returncode, result.stdout


def page_of(name: str) -> bytes:
    return seal_page(draw(from_folder(RECORDS / name, ISSUED)))


@pytest.fixture(scope="module")
def proof() -> bytes:
    return page_of("held-low-altitude")


@pytest.mark.parametrize("name", NAMES)
def test_it_agrees_on_every_shipped_record(name: str, tmp_path: Path) -> None:
    """Its own count bounds the proven time from above, and closely where the boil was unbroken."""
    file = tmp_path / "proof.html"
    file.write_bytes(page_of(name))
    status, told = run_script(file)
    assert status == 0, told
    (proven_s,) = {float(text) for text in re.findall(r"proven ([\d.]+) s: the longest", told)}
    own = re.search(r"own count ([\d.]+) s at most", told)
    if own and "held" in name:
        assert proven_s - 5.0 <= float(own[1]) <= proven_s + 60.0


def test_it_checks_an_exported_folder(tmp_path: Path) -> None:
    from monitor.record import read_run

    folder = write_run(read_run(RECORDS / "held-low-altitude"), tmp_path / "run")
    seal_folder(folder)
    assert run_script(folder)[0] == 0
    table = folder / "samples.csv"
    table.write_text(table.read_text().replace("99.", "98.", 1))
    status, told = run_script(folder)
    assert status == 1 and "DISAGREES samples.csv: SHA-256" in told


def test_it_is_printed_in_the_handbook_as_it_is() -> None:
    handbook = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    assert f"```python\n{SCRIPT.read_text('utf-8')}```\n" in handbook
    assert "import monitor" not in SCRIPT.read_text("utf-8") and "from monitor" not in SCRIPT.read_text(
        "utf-8"
    )


def stretched(verdict: dict[str, Any], before_s: float, after_s: float) -> dict[str, Any]:
    """A verdict that claims its boil began earlier and ended later, all its figures made to fit."""
    claim: dict[str, Any] = json.loads(json.dumps(verdict))
    boil = max(
        (s for s in claim["stretches"] if s["state"] == "boiling"), key=lambda s: s["end_s"] - s["start_s"]
    )
    start_s, end_s = boil["start_s"] - before_s, boil["start_s"] + verdict["proven_s"] + after_s
    claim["stretches"] = [{**boil, "start_s": start_s, "end_s": end_s}]
    claim["proven_s"] = claim["possible_s"] = round(end_s - start_s, 1)
    claim["verdict"] = "held" if claim["proven_s"] >= claim["required_s"] else "broken"
    return claim


@pytest.mark.parametrize(
    "name, before_s, after_s",
    [
        ("short-by-a-minute", 90.0, 0.0),  # the come-up counted
        ("dip-stopped-short", 0.0, 700.0),  # across a dip
        ("silent-node", 0.0, 700.0),  # across a silence
        ("held-low-altitude", 60.0, 0.0),
        ("coarse-probe-held", 120.0, 0.0),
    ],
)
def test_a_claimed_boil_that_the_readings_do_not_support_is_told(
    name: str, before_s: float, after_s: float, with_facts: WithFacts, tmp_path: Path
) -> None:
    """Somebody who rebuilds a proof around a longer boil, every hash in order, still has the readings against them."""
    dossier = from_folder(RECORDS / name, ISSUED)
    claim = stretched(dict(dossier.verdict), before_s, after_s)
    file = tmp_path / "forged.html"
    file.write_bytes(with_facts(seal_page(draw(dossier)), verdict=claim))
    status, told = run_script(file)
    assert status == 1
    assert "the readings support it" in told.splitlines()[-1] and told.splitlines()[-1].startswith(
        "DISAGREES"
    )


@pytest.mark.parametrize(
    "change, told",
    [
        ({"proven_s": 1500.0}, "the longest boil claimed"),
        ({"required_s": 900.0}, "required 1200 s"),
        ({"boiling_point_C": 98.9}, "water boils at"),
        ({"expanded_uncertainty_K": 0.1}, "expanded uncertainty"),
        (
            {"budget": {"rows": [{"standard_K": 0.05}]}, "expanded_uncertainty_K": 0.1},
            "the probe's check alone",
        ),
        ({"verdict": "broken"}, "broken:"),
    ],
)
def test_a_changed_figure_is_told(
    change: dict[str, Any], told: str, proof: bytes, with_facts: WithFacts, tmp_path: Path
) -> None:
    facts = re.search(rb'id="dossier">\n(.*?)\n</script>', proof, re.DOTALL)
    assert facts
    verdict = json.loads(facts[1])["verdict"] | change
    file = tmp_path / "forged.html"
    file.write_bytes(with_facts(proof, verdict=verdict))
    status, found = run_script(file)
    assert status == 1 and found.splitlines()[-1].startswith("DISAGREES") and told in found.splitlines()[-1]


def disagreement(run: Run, script: Any) -> str:
    """What the program's check of the time says of a run and the engine's verdict; empty when it agrees."""
    verdict = json.loads(json.dumps(judge(run).as_json()))
    if verdict["verdict"] is None:
        return ""
    rows = [(float(row["t_s"]), row) for row in csv.DictReader(io.StringIO(samples_text(run.samples)))]
    try:
        script.check_time(json.loads(header_text(run)), rows, verdict)
    except SystemExit:
        return f"{verdict['verdict']}, {verdict['proven_s']} s"
    return ""


@pytest.mark.parametrize("count, seed", [(10, 3), pytest.param(500, 9, marks=pytest.mark.long)])
def test_it_agrees_on_invented_runs_with_every_kind_of_trouble(count: int, seed: int) -> None:
    """An independent re-implementation agrees on 500 traces (ten of them each day)."""
    spec = importlib.util.spec_from_file_location("independent_check", SCRIPT)
    assert spec and spec.loader
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    pairs = Random(seed).sample(suite_pairs(count, count, seed), count)
    found = {pair: disagreement(tell(*pair).run, script) for pair in pairs}
    assert {pair: told for pair, told in found.items() if told} == {}
