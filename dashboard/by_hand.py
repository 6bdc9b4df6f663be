"""Readings that a person took with a thermometer: shown as what they are, beside the record and never part of it."""

from __future__ import annotations

from dashboard import figures, look, run_data
from dashboard.units import fahrenheit
from monitor.store.manual import ManualLog

HEADS = ("Since the start", "Read at", "Water", "Thermometer", "Who", "Written down")


def rows(log: ManualLog, zone: str | None, in_fahrenheit: bool) -> list[tuple[str, ...]]:
    """The cells of each reading, in time order."""
    return [
        (
            ("-" if one.t_s < 0.0 else "") + figures.held_clock(abs(one.t_s)),
            figures.local_time(figures.parse_utc(one.happened_utc), zone),
            figures.temperature(one.water_C, in_fahrenheit),
            one.thermometer,
            one.by,
            "later" if one.made_late else "at once",
        )
        for one in log.readings
    ]


def points(log: ManualLog | None) -> list[tuple[float, float]]:
    """(t_s, °C) for the trace."""
    return [(one.t_s, one.water_C) for one in log.readings] if log else []


def section(found: run_data.OneRun) -> None:
    """The list of a run's readings by hand, and what they are worth; nothing where there are none."""
    if found.by_hand is None:
        return
    cells = [
        tuple(look.esc(cell) for cell in row) for row in rows(found.by_hand, found.run.zone, fahrenheit())
    ]
    words = found.by_hand.in_words()
    look.page(
        "<h2>Read by hand</h2>"
        f"<p><strong>No part of the verdict.</strong> {look.esc(words[:1].upper() + words[1:])}.</p>"
        + look.table(HEADS, cells, "Readings by hand", numbers=(2,))
    )
