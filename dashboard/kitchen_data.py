"""What the pages before the heat read from the store: nodes, probes, the last place; nothing where there is none."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import streamlit as st

from dashboard import data, node_data, settings
from monitor.errors import StoreError
from monitor.plan.drift import DriftPoint
from monitor.plan.outcome import ProbePast
from monitor.plan.registration import ProbeRegistration
from monitor.record.model import Sample, Site
from monitor.store import probes
from monitor.store.lots import lots

_Found = TypeVar("_Found")


def _ask(question: Callable[[sqlite3.Connection], _Found], otherwise: _Found) -> _Found:
    """An answer of the store; ``otherwise`` before there is one."""
    try:
        with data.store() as conn:
            return question(conn)
    except StoreError:
        # The first visit, before anything was kept.
        return otherwise


#: How long one answer serves; a page asks several times while it is drawn. [s]
SHARED_FOR_S = 2.0


@dataclass(frozen=True, slots=True)
class _Known:
    """Probes as registered, earlier checks and runs, the last place, lot codes in use."""

    registered: tuple[ProbeRegistration, ...] = ()
    past: ProbePast = field(default_factory=ProbePast)
    last_site: Site | None = None
    lots_taken: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Heard:
    """What a node said last; its barometer, which may speak less often, within the last minutes.

    Ages are on the viewer's clock; pressure None: it has no barometer, or it has fallen silent. [s]
    """

    node: str
    water_C: float | None
    pressure_kPa: float | None
    age_s: float | None
    pressure_age_s: float | None = None


def heard(node: str) -> Heard:
    """The newest of a node, all None where it never spoke."""

    def question(conn: sqlite3.Connection) -> Sample | None:
        number = probes.node_number(conn, node)
        return None if number is None else probes.newest_sample(conn, number)

    newest = _ask(question, None)
    if newest is None:
        return Heard(node, None, None, None)
    unknown: tuple[float | None, float | None] = (None, None)
    _, age_s = _ask(lambda conn: probes.newest_reading(conn, node), unknown)
    pressure_kPa, pressure_age_s = _ask(lambda conn: _pressure(conn, node), unknown)
    return Heard(node, None if newest.water_fault else newest.water_C, pressure_kPa, age_s, pressure_age_s)


def _pressure(conn: sqlite3.Connection, node: str) -> tuple[float | None, float | None]:
    number = probes.node_number(conn, node)
    return (None, None) if number is None else node_data.newest_pressure(conn, number, *data.clock_of(conn))


def after(node: str, after_s: float) -> list[Sample]:
    """A node's samples later than a house time, in order; ``t_s`` is house time. [s]"""

    def question(conn: sqlite3.Connection) -> list[Sample]:
        number = probes.node_number(conn, node)
        return [] if number is None else probes.samples_after(conn, number, after_s)

    return _ask(question, [])


def newest_s(node: str) -> float:
    """House time of a node's newest sample; long ago where there is none. [s]"""

    def question(conn: sqlite3.Connection) -> Sample | None:
        number = probes.node_number(conn, node)
        return None if number is None else probes.newest_sample(conn, number)

    found = _ask(question, None)
    return -math.inf if found is None else found.t_s


@st.cache_resource(ttl=SHARED_FOR_S, max_entries=4, show_spinner=False)
def _known(data_dir: Path) -> _Known:
    """All that the forms ask at every click, read at once and shared for a moment."""

    def question(conn: sqlite3.Connection) -> _Known:
        return _Known(
            tuple(probes.registered_probes(conn)),
            probes.probe_past(conn),
            probes.last_site(conn),
            frozenset(lots(conn)),
        )

    return _ask(question, _Known())


def known() -> _Known:
    return _known(settings.current().data_dir)


def forget() -> None:
    """Read anew what this viewer has just changed."""
    _known.clear()
    data.forget()


@st.cache_resource(ttl=60.0, max_entries=8, show_spinner=False)
def _plateaus(data_dir: Path, probe_id: str, finished: int) -> list[DriftPoint]:
    return _ask(lambda conn: probes.plateau_points(conn, probe_id), [])


def plateaus(probe_id: str) -> list[DriftPoint]:
    """A point a hold; read anew when a run was finished, or after a minute."""
    folder = settings.current().data_dir
    try:
        finished = sum(row.ended_utc is not None for row in data.runs(folder))
    except StoreError:
        # No store yet, so no hold.
        return []
    return _plateaus(folder, probe_id, finished)
