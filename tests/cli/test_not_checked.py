"""A time that nobody has checked against the printed guide is called that wherever it is used."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.plan_model import plan_facts
from dashboard.run_model import verdict_facts
from monitor.cli._verdict_words import in_words
from monitor.cli.main import main
from monitor.jars import batch_state, labels
from monitor.jars.reprocess import hot_pack
from monitor.judge import judge
from monitor.plan.header import header_of
from monitor.plan.make import make_plan
from monitor.plan.model import Plan
from monitor.plan.place import site_of
from monitor.plan.start import StartFacts
from monitor.proof.facts import time_facts
from monitor.record.model import Mark, Run, Sample
from monitor.tables.foods import foods
from monitor.tables.processes import bands, packs_and_jars

SAID = "not checked against the printed guide"
NOW = datetime(2026, 8, 14, 15, 0, tzinfo=UTC)
CELLS = [
    (food_id, pack, jar, row)
    for food_id in foods()
    for pack, jar in packs_and_jars(food_id)
    for row in bands(food_id, pack, jar)
]


def plan_at(food_id: str, pack: str, jar: str, feet: float) -> Plan:
    plan = make_plan(food_id, pack, jar, feet * 0.3048 + 30.0, 1.0)
    assert isinstance(plan, Plan)
    return plan


def a_run(plan: Plan) -> Run:
    facts = StartFacts(plan=plan, site=site_of("hill", plan.altitude_m, 1.0), zone="UTC", jars=1, canner="c1")
    samples = tuple(Sample(float(t), 20.0, boot=1, seq=t) for t in range(3))
    return replace(
        header_of(facts, "r1", NOW), samples=samples, marks=(Mark(0.0, "jars_in"), Mark(2.0, "heat_off"))
    )


def test_every_cell_from_memory_says_so_and_no_other_does() -> None:
    memory = [row for *_, row in CELLS if row.evidence == "memory"]
    assert memory and len(memory) < len(CELLS) / 2
    for food_id, pack, jar, row in CELLS:
        plan = plan_at(food_id, pack, jar, row.alt_min_ft)
        told = dict(plan_facts(plan))["Read from"]
        unchecked = row.evidence == "memory"
        assert (SAID in plan.caveat, SAID in told, SAID in (a_run(plan).required.read_from or "")) == (
            unchecked,
        ) * 3


def test_it_is_said_on_every_surface(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    food_id, pack, jar, row = next(
        cell for cell in CELLS if cell[3].evidence == "memory" and cell[1] == "hot"
    )
    plan = plan_at(food_id, pack, jar, row.alt_min_ft)
    where = ["--altitude-m", str(plan.altitude_m), "--altitude-uncertainty-m", "1"]
    words = ["plan", "--food", food_id, "--pack", pack, "--jar", jar, *where]
    assert main(words) == 0
    assert f"{SAID})" in " ".join(capsys.readouterr().out.split())
    assert main([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["caveat"] == SAID
    assert main(words[:3]) == 0 and "(not checked)" in capsys.readouterr().out

    run = a_run(plan)
    verdict = judge(run)
    form = verdict.as_json()
    assert SAID in " ".join(in_words(run, verdict).split())
    assert SAID in dict(verdict_facts(form, False, run.required.read_from))["Read from"]
    assert SAID in dict(time_facts(run, form))["Source of the time"]
    again = hot_pack(run)
    assert again is not None and SAID in again.source
    state = batch_state(run, form, [], NOW + timedelta(hours=1))
    assert state.time_caveat == SAID
    shelf = replace(state, jars=tuple(replace(one, status=one.status.SHELF) for one in state.jars))
    (label,) = labels(shelf, "http://127.0.0.1:8517")
    assert SAID in label.text()
    # The label names the lot that the proof names, and a run that has none makes none up.
    assert f"lot {run.batch.extra['lot_code']}, jar 1" in label.text()
    (bare,) = labels(replace(shelf, lot=""), "http://127.0.0.1:8517")
    assert "lot" not in bare.text() and bare.code in bare.text()
