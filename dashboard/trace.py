"""A run's samples as arrays, cut to few enough points that a page can draw, and no dip lost. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from monitor.physics.units import c_to_f
from monitor.record import Sample

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

#: Longer silences than this break the line; the engine calls them unknown. [s]
GAP_S = 30.0


@dataclass(frozen=True, slots=True)
class Trace:
    """``t_s`` in time order; each channel in °C, NaN where there is no value."""

    t_s: Floats
    channels: dict[str, Floats]


def trace(samples: Sequence[Sample], offset_K: float = 0.0) -> Trace:
    """The temperature channels of a record; the water with its calibration offset added. [°C]"""
    ordered = sorted(samples, key=lambda sample: sample.t_s)
    t_s = np.array([sample.t_s for sample in ordered], dtype=np.float64)
    channels = {"water": _column([sample.water_C for sample in ordered]) + offset_K}
    jars = sorted({number for sample in ordered for number in sample.jars})
    for number in jars:
        channels[f"jar {number}"] = _column([sample.jars.get(number) for sample in ordered])
    second = _column([sample.water_2_C for sample in ordered])
    room = _column([sample.room_C for sample in ordered])
    for name, values in (("water 2", second), ("room", room)):
        if not np.isnan(values).all():
            channels[name] = values
    return Trace(t_s, channels)


def between(whole: Trace, low_s: float, high_s: float) -> Trace:
    """The samples from ``low_s`` to ``high_s`` (since the start), every one of them. [s]"""
    inside = (whole.t_s >= low_s) & (whole.t_s <= high_s)
    return Trace(whole.t_s[inside], {name: values[inside] for name, values in whole.channels.items()})


def _column(values: list[float | None]) -> Floats:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def envelope(values: Floats, buckets: int) -> Indices:
    """Indices of at most two points a bucket, its least and its greatest, and the first and last of all.

    Edges of missing spans are kept too, so that a gap is drawn as a gap. A single low sample always stays.
    """
    count = len(values)
    if count <= 2 * buckets:
        return np.arange(count, dtype=np.int64)
    width = -(-count // buckets)
    pad = -count % width
    missing = np.isnan(values)
    starts = np.arange(-(-count // width), dtype=np.int64) * width

    def place(filled: Floats, edge: float) -> Floats:
        whole: Floats = np.r_[filled, np.full(pad, edge)].reshape(-1, width)
        return whole

    low = starts + place(np.where(missing, np.inf, values), np.inf).argmin(1)
    high = starts + place(np.where(missing, -np.inf, values), -np.inf).argmax(1)
    edges = np.flatnonzero(np.diff(missing.astype(np.int8)))
    chosen = np.r_[0, low, high, edges, edges + 1, count - 1]
    return np.unique(np.minimum(chosen, count - 1)).astype(np.int64)


def frame(whole: Trace, buckets: int = 1500, *, fahrenheit: bool = False) -> pd.DataFrame:
    """What the chart draws: ``min`` (minutes since the start) and a column a channel, one shared set of rows.

    A row of blanks stands in every silence longer than :data:`GAP_S`.
    """
    if len(whole.t_s) == 0:
        return pd.DataFrame({"min": [], "water": []})
    kept = np.unique(np.concatenate([envelope(values, buckets) for values in whole.channels.values()]))
    gaps = np.flatnonzero(np.diff(whole.t_s) > GAP_S)
    kept = np.unique(np.r_[kept, gaps, gaps + 1])
    t_s = whole.t_s[kept]
    after = np.flatnonzero(np.diff(t_s) > GAP_S) if len(gaps) else np.array([], dtype=np.int64)
    holes = after[np.isin(kept[after], gaps)] + 1
    columns = {"min": np.insert(t_s / 60.0, holes, (t_s[holes - 1] + 1.0) / 60.0).round(4)}
    for name, values in whole.channels.items():
        shown = c_to_f(values[kept]) if fahrenheit else values[kept]
        columns[name] = np.insert(shown, holes, np.nan).round(3)
    return pd.DataFrame(columns)
