"""The figures of many finished runs, read without their traces: what the comparison and its trends rest on."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import median
from typing import Any

import streamlit as st

from dashboard import compare_model, data, judging
from monitor.errors import MonitorError
from monitor.store import reader
from monitor.store.newest import newest_entries
from monitor.store.probes import water_between
from monitor.store.runs import FOREVER_S, House, RunFacts


def figures(data_dir: Path, rows: Sequence[reader.RunRow]) -> list[compare_model.RunFigures]:
    """Figures of these runs, in the order given; kept until a run has another verdict."""
    mark = tuple((row.run_id, row.verdict, row.proven_s) for row in rows)
    return _figures(data_dir, mark)


@st.cache_resource(max_entries=4, show_spinner="Reading the season")
def _figures(
    data_dir: Path, rows: tuple[tuple[str, str | None, float | None], ...]
) -> list[compare_model.RunFigures]:
    with data.store_in(data_dir) as conn:
        house = data.told(conn, data_dir)
        said = newest_entries(conn)
        records = [judging.Record(data_dir, run_id, said.get(run_id, 0)) for run_id, _, _ in rows]
        return [_of(conn, house, record) for record in records if record.run_id in house.runs]


def _of(conn: sqlite3.Connection, house: House, record: judging.Record) -> compare_model.RunFigures:
    facts = house.runs[record.run_id]
    # What is not judged yet has its few known figures; it is read again once it is.
    verdict = reader.verdict_of(conn, facts.run_id) or judging.perhaps(record) or {}
    return compare_model.figures_of(
        facts.run_id, facts.header, verdict, plateau_K=_plateau_K(conn, house, facts, verdict)
    )


def _plateau_K(
    conn: sqlite3.Connection, house: House, facts: RunFacts, verdict: Mapping[str, Any]
) -> float | None:
    """Median of the water over its boiling point in the longest boil. [K]"""
    point_C, hold = verdict.get("boiling_point_C"), compare_model.longest_boil(verdict)
    if point_C is None or hold is None:
        return None
    try:
        calibration = facts.as_run().probe.calibration
        water_C = _water_C(conn, house, facts, hold)
    except MonitorError:
        # A record that cannot be read has no level; its own page says what is wrong.
        return None
    offset_K = calibration.offset_K if calibration else 0.0
    return median(water_C) + offset_K - float(point_C) if water_C else None


def _water_C(
    conn: sqlite3.Connection, house: House, facts: RunFacts, hold: tuple[float, float]
) -> list[float]:
    if facts.imported:
        samples = reader.recent_samples(conn, facts.run_id, hold[0])
        return [item.water_C for item in samples if item.water_C is not None and item.t_s <= hold[1]]
    found: list[float] = []
    low_s, high_s = facts.started_s + hold[0], facts.started_s + hold[1]
    for node, from_s, until_s in house.serving(facts.canner, low_s, min(high_s, FOREVER_S)):
        found += water_between(conn, node, from_s, until_s)
    return found
