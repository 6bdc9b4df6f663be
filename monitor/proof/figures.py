"""Figures as the proof prints them: times in the site's zone, in the units of its readers."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from html import escape
from math import ceil, floor
from typing import Any

from monitor.jars.rows import instant, zone_of
from monitor.judge.budget import ALLOWANCE_SEEN_K
from monitor.physics.units import c_to_f, k_to_f_step, m_to_ft
from monitor.record import Run

NOT_RECORDED = "not recorded"


def missing(why: str) -> str:
    """An item that the record lacks: that it does, and why."""
    return f"{NOT_RECORDED}: {why}"


def esc(value: object) -> str:
    """Text for the page; nothing that somebody typed reaches it otherwise."""
    return escape(str(value), quote=True)


def day_time(run: Run, moment: datetime) -> str:
    """``2026-08-14 09:12:00 -06:00`` at the site; the offset is written out, so no hour is ambiguous."""
    return moment.astimezone(zone_of(run.zone)).isoformat(sep=" ", timespec="seconds")


def clock(run: Run, t_s: float, *, late: bool = False) -> str:
    """``09:37:22`` at the site, ``t_s`` into the run; ``late`` rounds up to the next second. [s]

    Around a change of the clocks the offset follows, so that the hour that comes twice is told apart.
    """
    whole = ceil(t_s - 1e-9) if late else floor(t_s + 1e-9)
    moment = (run.started_at + timedelta(seconds=whole)).astimezone(zone_of(run.zone))
    return moment.strftime("%H:%M:%S") + (moment.isoformat()[-6:] if _clocks_change(run) else "")


def _clocks_change(run: Run) -> bool:
    """Whether the site's offset from UTC changes within a day of the run's start, before or after."""
    zone = zone_of(run.zone)
    near = [run.started_at + timedelta(days=days) for days in (-1, 0, 1)]
    return len({moment.astimezone(zone).utcoffset() for moment in near}) > 1


def stamp(run: Run, utc: str) -> str:
    """A stored time, at the site; as it is where it cannot be read."""
    try:
        return day_time(run, instant(utc))
    except (ValueError, OverflowError):
        return utc


def floors_C(verdict: Mapping[str, Any]) -> tuple[float, float] | None:
    """From where on a reading counts: where a person saw the boil, and as the verdict states it last. [°C]

    A verdict states one floor; a boil that began again unseen had a higher one than the boil that was seen.
    """
    boil_C, stated_C = verdict.get("boiling_point_C"), verdict.get("floor_C")
    if boil_C is None or stated_C is None:
        return None
    seen_C = round(float(boil_C) - ALLOWANCE_SEEN_K, 2) if verdict.get("seen_by_eye") else float(stated_C)
    return min(seen_C, float(stated_C)), float(stated_C)


def celsius(value: float | None) -> str:
    """``94.48 °C (202.1 °F)``."""
    return "not known" if value is None else f"{value:.2f} °C ({c_to_f(value):.1f} °F)"


def kelvin(value: float | None) -> str:
    """``0.43 K (0.77 °F)``: a difference."""
    return "not known" if value is None else f"{value:.2f} K ({k_to_f_step(value):.2f} °F)"


def metres(value: float | None, uncertainty: float | None) -> str:
    """``1650 m ± 10 m (5413 ft)``."""
    if value is None:
        return missing("nobody entered it")
    around = "" if uncertainty is None else f" ± {uncertainty:g} m"
    return f"{value:g} m{around} ({m_to_ft(value):.0f} ft)"
