"""The course of each jar that cools, for the browser. Pure; no user's text goes in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.jars.rest import Rest
from monitor.jars.rest_words import course
from monitor.judge.cooling_forecast import JarCooling
from monitor.physics.units import c_to_f
from monitor.record import Run

_STYLES = ("solid", "dashed", "dotted")
_MOST_POINTS = 240
#: Sooner, a scale in hours shows hundredths of one. [s]
IN_HOURS_FROM_S = 2 * 3600.0


def cooling_chart(
    jars: Sequence[JarCooling], tones: Mapping[str, str], *, fahrenheit: bool = False
) -> dict[str, Any] | None:
    """Temperatures against hours (at first, minutes) since the jars began to cool; None where there is nothing to
    draw."""
    drawn = [jar for jar in jars if len(jar.course) > 2]
    if not drawn:
        return None
    longest_s = max(jar.course[-1][0] - jar.start_s for jar in drawn)
    span, unit_s = ("hours", 3600.0) if longest_s >= IN_HOURS_FROM_S else ("minutes", 60.0)
    series = [_series(jar, index, tones, fahrenheit, unit_s) for index, jar in enumerate(drawn)]
    unit = "°F" if fahrenheit else "°C"
    return {
        "animation": False,
        "grid": {"left": 48, "right": 18, "top": 30, "bottom": 42},
        "legend": {"top": 0, "textStyle": {"color": tones["ink"]}},
        "tooltip": {"trigger": "axis"},
        "xAxis": {
            "type": "value",
            "name": span,
            "nameLocation": "middle",
            "nameGap": 24,
            "max": "dataMax",
            # The axis ends with the data, at no round figure.
            "axisLabel": {"color": tones["soft"], "showMaxLabel": False},
            "splitLine": {"show": False},
        },
        "yAxis": {
            "type": "value",
            "name": unit,
            "scale": True,
            "axisLabel": {"color": tones["soft"]},
            "splitLine": {"lineStyle": {"color": tones["line"]}},
        },
        "series": series,
    }


def _series(
    jar: JarCooling, index: int, tones: Mapping[str, str], fahrenheit: bool, unit_s: float
) -> dict[str, Any]:
    step = max(1, -(-len(jar.course) // _MOST_POINTS))
    colour = (tones["boil"], tones["alarm"], tones["held"], tones["unsure"])[index % 4]
    points = [
        [round((t_s - jar.start_s) / unit_s, 4), round(c_to_f(jar_C) if fahrenheit else jar_C, 2)]
        for t_s, jar_C in jar.course[::step]
    ]
    return {
        "name": f"jar {jar.jar}",
        "type": "line",
        "showSymbol": False,
        "data": points,
        "lineStyle": {"color": colour, "type": _STYLES[index % 3], "width": 2},
        "itemStyle": {"color": colour},
    }


def words(rest: Rest, run: Run) -> str:
    """The chart in words, for whoever cannot see it."""
    return " ".join(f"Jar {jar.cooling.jar}: {'; '.join(course(run, jar))}." for jar in rest.jars)
