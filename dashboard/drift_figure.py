"""The drift of a probe over the seasons: each hold's plateau against its boiling point, with control limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from monitor.physics.units import k_to_f_step
from monitor.plan.drift import DriftChart


def drift_figure(
    chart: DriftChart,
    tones: Mapping[str, str],
    checked_at: datetime | None = None,
    *,
    fahrenheit: bool = False,
) -> dict[str, Any]:
    """A chart's specification: a point a hold, by its day; limits, centre and the last check as lines. [K in]"""
    scale = k_to_f_step(1.0) if fahrenheit else 1.0
    unit = "°F" if fahrenheit else "K"
    limits = [
        (round(value * scale, 3), name, tone, style)
        for value, name, tone, style in (
            (chart.lower_K, "lower limit", "alarm", "dashed"),
            (chart.centre_K, "centre", "soft", "solid"),
            (chart.upper_K, "upper limit", "alarm", "dashed"),
        )
        if value is not None
    ]
    lines = [
        _line({"yAxis": value}, f"{name} {value:+.2f} {unit}", tones[tone], style)
        for value, name, tone, style in limits
    ]
    if checked_at is not None:
        lines.append(_line({"xAxis": checked_at.isoformat()}, "checked", tones["soft"], "dotted"))
    heights = [round(point.plateau_minus_boiling_K * scale, 3) for point in chart.points]
    points = [
        {
            "value": [point.at.isoformat(), height],
            "symbol": "diamond" if point.run_id in chart.beyond else "circle",
            "symbolSize": 14 if point.run_id in chart.beyond else 9,
            "itemStyle": {"color": tones["alarm"] if point.run_id in chart.beyond else tones["boil"]},
            "name": point.run_id,
        }
        for point, height in zip(chart.points, heights, strict=True)
    ]
    return {
        "animation": False,
        "grid": {"left": 56, "right": 24, "top": 30, "bottom": 40},
        "xAxis": {
            "type": "time",
            "boundaryGap": ["4%", "4%"],
            "axisLabel": {"color": tones["soft"], "hideOverlap": True},
        },
        "yAxis": {
            "type": "value",
            **_range([*(value for value, *_ in limits), *heights]),
            "name": f"plateau over boiling point [{unit}]",
            "nameTextStyle": {"align": "left", "color": tones["soft"]},
            "axisLabel": {"color": tones["soft"]},
        },
        "tooltip": {"trigger": "item"},
        "series": [
            {
                "type": "scatter",
                "data": points,
                "markLine": {"symbol": "none", "silent": True, "data": lines},
            }
        ],
    }


def _range(values: Sequence[float]) -> dict[str, float]:
    """All points and limits in sight, with a tenth of room on both sides."""
    if not values:
        return {}
    low, high = min(values), max(values)
    room = max(0.1 * (high - low), 0.05)
    return {"min": round(low - room, 2), "max": round(high + room, 2)}


def _line(where: dict[str, Any], label: str, colour: str, style: str) -> dict[str, Any]:
    return {
        **where,
        "lineStyle": {"color": colour, "type": style, "width": 1.5},
        "label": {"formatter": label, "position": "insideEndTop", "color": colour},
    }
