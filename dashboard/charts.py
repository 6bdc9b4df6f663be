"""Data to chart: the specifications that the browser draws. Pure; no user's text goes in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from dashboard import words
from monitor.physics.units import c_to_f, k_to_f_step

#: Line styles beside colours, so that channels differ without colour too.
_STYLES = ("solid", "dashed", "dotted", [8, 3, 2, 3], [2, 3], [12, 4])
#: Events worth a line on the trace; the list under it has them all.
ON_TRACE = ("boil_reached", "boil_lost", "boil_back", "hold_complete", "node_silent", "probe_fault")
MARKS_ON_TRACE = ("jars_in", "rolling_boil_seen", "boil_not_seen", "heat_off", "jars_lifted")
#: Share of the width in which the axis' own figures are near.
AT_THE_AXIS = 0.06


def temperature_chart(
    frame: pd.DataFrame,
    verdict: Mapping[str, Any],
    tones: Mapping[str, str],
    *,
    marks: Iterable[tuple[float, str]] = (),
    by_hand: Sequence[tuple[float, float]] = (),
    fahrenheit: bool = False,
    zoom: bool = False,
    near: bool = False,
) -> dict[str, Any]:
    """Temperature against the boiling point and the floor, stretches behind, events and marks across.

    Parameters
    ----------
    frame : DataFrame
        ``min`` and one column a channel, from :func:`dashboard.trace.frame`.
    verdict : mapping
        ``boiling_point_C``, ``floor_C``, ``stretches`` and ``events`` of the verdict's JSON form.
    marks : iterable of (t_s, kind)
        What people marked.
    by_hand : sequence of (t_s, °C)
        What people read from a thermometer.
    zoom : bool
        Offer a slider, box zoom and restore.
    near : bool
        Show the few kelvin around the boiling point alone, where a hold is lost or held.
    """
    channels = [str(name) for name in frame.columns if name != "min"]
    series = [_series(name, index, tones) for index, name in enumerate(channels)]
    if series:
        series[0]["markLine"] = _lines(verdict, tones, marks, fahrenheit, frame["min"])
        series[0]["markArea"] = _areas(verdict.get("stretches") or (), tones)
    if by_hand:
        series.append(_by_hand(by_hand, tones, fahrenheit))
    spec: dict[str, Any] = {
        "animation": False,
        "dataset": {"source": frame},
        "grid": {"left": 52, "right": 18, "top": 34, "bottom": 92 if zoom else 42},
        "xAxis": {
            "type": "value",
            "name": "minutes since the start",
            "nameLocation": "middle",
            "nameGap": 26,
            "max": "dataMax",
            "min": 0 if zoom else "dataMin",
            "axisLabel": {"showMinLabel": False, "showMaxLabel": False},
        },
        "yAxis": {
            "type": "value",
            "scale": True,
            "name": "°F" if fahrenheit else "°C",
            "axisLabel": {"showMinLabel": False, "showMaxLabel": False},
            **_range(frame, verdict, fahrenheit, near),
        },
        "tooltip": {"trigger": "axis", "valueFormatter": "%.2f"},
        "legend": {
            "show": len(series) > 1,
            "top": 0,
            "left": 52,
            "type": "scroll",
            "selected": {"room": False},
        },
        "series": series,
    }
    if zoom:
        spec["dataZoom"] = [
            {"type": "slider", "bottom": 12, "height": 26},
            {"type": "inside", "zoomOnMouseWheel": "ctrl", "moveOnMouseMove": True},
        ]
        spec["toolbox"] = {"right": 8, "feature": {"dataZoom": {"yAxisIndex": "none"}, "restore": {}}}
    return spec


def _series(name: str, index: int, tones: Mapping[str, str]) -> dict[str, Any]:
    palette = (tones["ink"], "#CC79A7", "#009E73", "#E69F00", "#56B4E9")
    colour = palette[index % len(palette)]
    return {
        "type": "line",
        "name": name,
        "encode": {"x": "min", "y": name},
        "showSymbol": False,
        "connectNulls": False,
        "itemStyle": {"color": colour},
        "lineStyle": {
            "color": colour,
            "width": 2 if index == 0 else 1.5,
            "type": _STYLES[index % len(_STYLES)],
        },
    }


def _by_hand(
    points: Sequence[tuple[float, float]], tones: Mapping[str, str], fahrenheit: bool
) -> dict[str, Any]:
    """Open diamonds, never joined: nobody knows what was between two of them."""
    return {
        "type": "scatter",
        "name": "read by hand",
        "data": [[round(t_s / 60.0, 3), _degrees(value_C, fahrenheit)] for t_s, value_C in points],
        "symbol": "emptyDiamond",
        "symbolSize": 11,
        "itemStyle": {"color": tones["unsure"]},
    }


def _degrees(value_C: float, fahrenheit: bool) -> float:
    return round(c_to_f(value_C) if fahrenheit else value_C, 2)


def _range(frame: pd.DataFrame, verdict: Mapping[str, Any], fahrenheit: bool, near: bool) -> dict[str, float]:
    """The boiling point always in sight, with room above it for its label; near it, little else."""
    point_C = verdict.get("boiling_point_C")
    water = frame["water"].dropna() if "water" in frame else frame.iloc[:, 0]
    if point_C is None or len(water) == 0:
        return {}
    point = _degrees(float(point_C), fahrenheit)
    degree = k_to_f_step(1.0) if fahrenheit else 1.0
    top = max(point, min(float(water.max()), point + 10.0 * degree))
    if near:
        floor = _degrees(float(verdict.get("floor_C") or point_C), fahrenheit)
        return {"min": round(floor - 2.5 * degree, 1), "max": round(top + 0.7 * degree, 1)}
    low = min(float(water.min()), point - 2.0 * degree)
    return {"max": round(top + 0.14 * (top - low), 1)}


def _lines(
    verdict: Mapping[str, Any],
    tones: Mapping[str, str],
    marks: Iterable[tuple[float, str]],
    fahrenheit: bool,
    shown_min: pd.Series[float],
) -> dict[str, Any]:
    unit = "°F" if fahrenheit else "°C"
    lines: list[dict[str, Any]] = []
    levels = (
        ("boiling_point_C", "boils here at", "boil", "solid", "insideEndTop"),
        ("floor_C", "counts from", "soft", "dashed", "insideEndBottom"),
    )
    for key, label, tone, style, place in levels:
        if verdict.get(key) is not None:
            value = _degrees(float(verdict[key]), fahrenheit)
            lines.append(
                {
                    "yAxis": value,
                    "lineStyle": {"color": tones[tone], "type": style, "width": 1.5},
                    "label": {
                        "formatter": f"{label} {value:.2f} {unit}",
                        "position": place,
                        "color": tones[tone],
                        **_over_the_trace(tones),
                    },
                }
            )
    across: list[tuple[float, str, str, str]] = []
    for event in verdict.get("events") or ():
        if event["kind"] in ON_TRACE:
            tone = "alarm" if event["kind"] in words.TROUBLE else "boil"
            across.append((float(event["onset_s"]), words.EVENTS[event["kind"]], tones[tone], "solid"))
    wanted = [(t_s, kind) for t_s, kind in marks if kind in MARKS_ON_TRACE]
    across += [(t_s, words.MARKS[kind], tones["soft"], "dotted") for t_s, kind in wanted]
    drawn = _spaced(across, tones)
    for line in drawn:
        # On the axis' side of the line its label would cover the axis' figures.
        if line["xAxis"] - shown_min.min() < AT_THE_AXIS * (shown_min.max() - shown_min.min()):
            line["label"] |= {"position": "insideStartBottom"}
    return {"symbol": "none", "silent": True, "data": lines + drawn}


def _spaced(across: list[tuple[float, str, str, str]], tones: Mapping[str, str]) -> list[dict[str, Any]]:
    """Lines across the trace; one too close to a labelled one goes without its label."""
    across = sorted(across, key=lambda item: item[0])
    least_s = max(0.035 * (across[-1][0] - across[0][0]), 1.0) if across else 0.0
    drawn, labelled_s = [], float("-inf")
    for t_s, label, colour, style in across:
        line = _across(t_s, label, colour, style, tones)
        if t_s - labelled_s < least_s:
            line["label"] = {"show": False}
        else:
            labelled_s = t_s
        drawn.append(line)
    return drawn


def _across(t_s: float, label: str, colour: str, style: str, tones: Mapping[str, str]) -> dict[str, Any]:
    return {
        "xAxis": round(t_s / 60.0, 3),
        "lineStyle": {"color": colour, "type": style, "width": 1},
        "label": {
            "formatter": label,
            "rotate": 90,
            "position": "insideStartTop",
            "color": colour,
            "fontSize": 11,
            **_over_the_trace(tones),
        },
    }


def _over_the_trace(tones: Mapping[str, str]) -> dict[str, Any]:
    """A label stands on paper of its own, so that no line runs through its letters."""
    return {"backgroundColor": tones["paper"], "padding": [1, 2]}


def _areas(stretches: Sequence[Mapping[str, Any]], tones: Mapping[str, str]) -> dict[str, Any]:
    """Bands behind the trace: boiling and unknown tinted, the rest left as paper."""
    tints = {
        "boiling": (tones["boil"], 0.10),
        "unknown": (tones["unsure"], 0.16),
        "not_boiling": (tones["alarm"], 0.10),
    }
    bands = []
    for item in stretches:
        if str(item.get("why")) in words.AS_IT_SHOULD or item["state"] not in tints:
            continue
        colour, opacity = tints[item["state"]]
        start = {
            "xAxis": round(float(item["start_s"]) / 60.0, 3),
            "itemStyle": {"color": colour, "opacity": opacity},
        }
        bands.append([start, {"xAxis": round(float(item["end_s"]) / 60.0, 3)}])
    return {"silent": True, "data": bands}


def overlay_chart(
    frame: pd.DataFrame, tones: Mapping[str, str], *, fahrenheit: bool = False
) -> dict[str, Any]:
    """Several runs over each other; ``frame`` from :func:`dashboard.compare_model.laid_over`. [°C in]"""
    names = [str(name) for name in frame.columns if name != "min"]
    if fahrenheit:
        frame = frame.assign(**{name: c_to_f(frame[name].to_numpy(float)) for name in names})
    series = []
    for index, name in enumerate(names):
        line = _series(name, index, tones)
        # Each run has samples of its own, so its column is blank wherever another run's row stands.
        series.append({**line, "connectNulls": True})
    return {
        "animation": False,
        "dataset": {"source": frame},
        "grid": {"left": 52, "right": 18, "top": 64, "bottom": 92},
        "xAxis": {
            "type": "value",
            "name": "minutes from the start of the boil",
            "nameLocation": "middle",
            "nameGap": 26,
        },
        "yAxis": {"type": "value", "scale": True, "name": "°F" if fahrenheit else "°C"},
        "tooltip": {"trigger": "axis", "valueFormatter": "%.2f"},
        "legend": {"show": True, "top": 0, "left": 52, "type": "scroll"},
        "dataZoom": [{"type": "slider", "bottom": 12, "height": 26}],
        "series": series,
    }
