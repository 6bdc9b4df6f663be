"""The proof's words on what was read: by the recorder, by another thermometer beside it, at loading. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from monitor.jars.rows import Row
from monitor.proof.figures import clock, missing
from monitor.record import Run


def recorder(run: Run, verdict: Mapping[str, Any]) -> str:
    """Lowest and highest corrected reading in the longest proven boil; of the whole record where there is none."""
    check = run.probe.calibration
    offset_K = check.offset_K if check is not None else 0.0
    start_s, end_s = _boil(verdict)
    found = [
        sample.water_C + offset_K
        for sample in run.samples
        if sample.water_C is not None and start_s <= sample.t_s <= end_s
    ]
    if not found:
        return missing("no sample has a temperature of the water")
    where = "the longest proven boil" if end_s < float("inf") else "the whole record; no boil is proven"
    return f"{_range(found)}{', corrected' if check is not None else ''}, in {where}"


def beside(run: Run, verdict: Mapping[str, Any], rows: Iterable[Row]) -> str:
    """What another thermometer showed: a person's readings, else those of a second probe."""
    by_hand = sorted((row for row in rows if row.kind == "manual_reading"), key=lambda row: row.at)
    if by_hand:
        last = by_hand[-1]
        told = f"{last.body.get('water_C')} °C with {last.body.get('thermometer')}"
        at = clock(run, (last.at - run.started_at).total_seconds())
        more = f"; {len(by_hand)} readings in all" if len(by_hand) > 1 else ""
        return f"{told}, {last.by or 'name not given'}, {at}{more}"
    start_s, end_s = _boil(verdict)
    second = [
        sample.water_2_C
        for sample in run.samples
        if sample.water_2_C is not None and start_s <= sample.t_s <= end_s
    ]
    if second:
        return f"second probe {_range(second)}"
    return missing("nobody read another thermometer")


def at_loading(run: Run, rows: Iterable[Row]) -> str:
    """The coldest jar and the water: from the header, else from what a person entered."""
    entered = [row.body for row in rows if row.kind == "loading"]
    said: list[str] = []
    for name, in_header, in_entry in (
        ("coldest jar", "coldest_jar_C", "coldest_jar_C"),
        ("water", "loading_water_C", "water_C"),
    ):
        values = [run.batch.extra.get(in_header), *(body.get(in_entry) for body in reversed(entered))]
        value = next((value for value in values if value is not None), None)
        said.append(f"{name} {missing('nobody entered it')}" if value is None else f"{name} {value} °C")
    if all(text.endswith("nobody entered it") for text in said):
        return missing("nobody entered a temperature")
    return ", ".join(said)


def _boil(verdict: Mapping[str, Any]) -> tuple[float, float]:
    started = (verdict.get("clock") or {}).get("started_s")
    if started is None:
        return float("-inf"), float("inf")
    return float(started), float(started) + float(verdict["proven_s"])


def _range(values: Sequence[float]) -> str:
    return f"{min(values):.2f} to {max(values):.2f} °C"
