"""The trace as inline SVG: the whole run above, the boil magnified below, the stretches and marks between.

State is told by word and pattern as well as by colour, so that a copy on a grey printer says the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, inf
from typing import Any

from monitor.proof.figures import clock, esc, floors_C
from monitor.record import Run, Sample

WIDTH, LEFT, RIGHT = 1000.0, 62.0, 14.0
_TOP, _WHOLE_H, _BAND_H, _NEAR_H = 24.0, 80.0, 18.0, 142.0
#: A line is never drawn across a longer silence than this. [s]
_JOIN_S = 30.0
_COLUMNS = 900

STATES = {"boiling": "full boil", "not_boiling": "not boiling", "unknown": "unknown"}


@dataclass(frozen=True, slots=True)
class Axis:
    """A linear scale: ``low`` at ``start`` px, ``high`` at ``end`` px."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(max(share, 0.0), 1.0) * (self.end - self.start)


def window_s(run: Run) -> tuple[float, float]:
    """What the picture shows: from before the jars go in to a while after the heat is off. [s]"""
    times = [sample.t_s for sample in run.samples] or [0.0]
    marks = {mark.kind: mark.t_s for mark in sorted(run.marks, key=lambda mark: -mark.t_s)}
    last = max((mark.t_s for mark in run.marks if mark.kind == "heat_off"), default=inf)
    start = min(times[0], min(marks.values(), default=times[0]), 0.0 if times[0] < 60.0 else times[0])
    end = min(max(times), last + 600.0)
    return start, max(end, start + 60.0)


def picture(run: Run, verdict: Mapping[str, Any]) -> str:
    """The figure, with a text for those who cannot see it."""
    start, end = window_s(run)
    across = Axis(start, end, LEFT, WIDTH - RIGHT)
    offset = run.probe.calibration.offset_K if run.probe.calibration else 0.0
    shown = [s for s in run.samples if s.water_C is not None and start <= s.t_s <= end]
    near_top = _TOP + _WHOLE_H + 14 + _BAND_H + 12
    bottom = near_top + _NEAR_H
    parts = [
        _PATTERNS,
        _whole(shown, offset, verdict, across),
        _band(verdict, across, _TOP + _WHOLE_H + 14),
        _near(shown, offset, verdict, across, near_top),
        _marks(run, across, bottom),
        _time_axis(run, across, bottom),
    ]
    height = bottom + 40
    return (
        f'<svg viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" aria-labelledby="trace-title trace-text">'
        f'<title id="trace-title">Water temperature during the run</title>'
        f'<desc id="trace-text">{esc(_told(run, verdict))}</desc>{"".join(parts)}</svg>'
    )


def _told(run: Run, verdict: Mapping[str, Any]) -> str:
    told = [
        f"{STATES.get(str(s['state']), s['state'])} from {clock(run, float(s['start_s']))} to "
        f"{clock(run, float(s['end_s']))} ({s['why']})"
        for s in verdict.get("stretches", ())
    ]
    return "; ".join(told) or "no stretch could be told"


_PATTERNS = (
    '<defs><pattern id="p-unknown" width="8" height="8" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="8" height="8" fill="#fff"/>'
    '<rect width="3" height="8" fill="#8a6d1d"/></pattern></defs>'
)
_FILL = {"boiling": "#1f5f5b", "not_boiling": "#fff", "unknown": "url(#p-unknown)"}


def _whole(samples: Sequence[Sample], offset: float, verdict: Mapping[str, Any], across: Axis) -> str:
    values = [s.water_C + offset for s in samples if s.water_C is not None]
    low, high = min(values, default=20.0), max(values, default=100.0)
    low, high = floor(low / 10.0) * 10.0, ceil((high + 1.0) / 10.0) * 10.0
    up = Axis(low, high, _TOP + _WHOLE_H, _TOP)
    step = 10.0 if high - low <= 60.0 else 20.0
    return (
        f'<text class="cap" x="{WIDTH - RIGHT - 6}" y="{_TOP + _WHOLE_H - 6}" text-anchor="end">whole run, °C</text>'
        + _grid(up, step, "{:.0f}")
        + _level(verdict.get("boiling_point_C"), up, "boil")
        + _path(samples, offset, across, up)
        + _frame(_TOP, _WHOLE_H)
    )


def _near(
    samples: Sequence[Sample], offset: float, verdict: Mapping[str, Any], across: Axis, top: float
) -> str:
    boil, counts = verdict.get("boiling_point_C"), floors_C(verdict)
    if boil is None or counts is None:
        values = sorted(s.water_C + offset for s in samples if s.water_C is not None)
        boil = values[-1] if values else 100.0
        low, high = boil - 2.0, boil + 1.0
        lines = ""
    else:
        low, high = floor(counts[0] - 1.2), ceil(float(boil) + 0.8)
        lines = ""
    up = Axis(float(low), float(high), top + _NEAR_H, top)
    if counts is not None:
        sure = counts[0] + float(verdict.get("expanded_uncertainty_K") or 0.0)
        lines = (
            _level(verdict["boiling_point_C"], up, "boil", f"boiling point {verdict['boiling_point_C']:.2f}")
            + _level(sure, up, "sure", f"floor + U {sure:.2f}")
            + _level(counts[0], up, "floor", f"floor {counts[0]:.2f}")
        )
    return (
        _grid(up, 1.0, "{:.0f}")
        + _path(samples, offset, across, up, clip=True)
        + lines
        + _frame(top, _NEAR_H)
        + f'<text class="cap" x="{WIDTH - RIGHT - 6}" y="{top + _NEAR_H - 6}" text-anchor="end">near boiling, '
        "°C</text>"
    )


def _grid(up: Axis, step: float, form: str) -> str:
    found, value = [], ceil(up.low / step) * step
    while value <= up.high + 1e-9:
        y = up(value)
        found.append(
            f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
            f'<text class="tick" x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{form.format(value)}</text>'
        )
        value += step
    return "".join(found)


def _frame(top: float, height: float) -> str:
    wide = WIDTH - LEFT - RIGHT
    return f'<rect class="frame" x="{LEFT}" y="{top}" width="{wide}" height="{height}"/>'


def _level(value: Any, up: Axis, name: str, label: str = "") -> str:
    if value is None or not up.low <= float(value) <= up.high:
        return ""
    y = up(float(value))
    x, dy = LEFT + (131 if name == "sure" else 6), 13 if name == "floor" else -4
    text = f'<text class="lab" x="{x}" y="{y + dy:.1f}">{esc(label)}</text>'
    return f'<line class="{name}" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>' + (
        text if label else ""
    )


def _path(samples: Sequence[Sample], offset: float, across: Axis, up: Axis, *, clip: bool = False) -> str:
    """The lowest and the highest reading of each column, so that no dip is lost in print."""
    pieces: list[str] = []
    points: list[str] = []
    column, low, high, before_s = -1, 0.0, 0.0, -inf

    def flush() -> None:
        if column >= 0:
            x = LEFT + (column + 0.5) * (WIDTH - LEFT - RIGHT) / _COLUMNS
            points.append(f"{x:.1f},{up(low):.1f}")
            if up(low) - up(high) >= 0.1:
                points.append(f"{x:.1f},{up(high):.1f}")

    def finish() -> None:
        if points:
            pieces.append("M" + "L".join(points) + ("h0.1" if len(points) == 1 else ""))
            points.clear()

    for sample in sorted(samples, key=lambda s: s.t_s):
        value = (sample.water_C or 0.0) + offset
        at = min(int((sample.t_s - across.low) / (across.high - across.low) * _COLUMNS), _COLUMNS - 1)
        outside = clip and not up.low <= value <= up.high
        if sample.t_s - before_s > _JOIN_S or at != column or outside:
            flush()
            column = -1
        if sample.t_s - before_s > _JOIN_S or outside:
            finish()
        before_s = sample.t_s
        if outside:
            continue
        if column < 0:
            column, low, high = at, value, value
        low, high = min(low, value), max(high, value)
    flush()
    finish()
    return f'<path class="water" d="{"".join(pieces)}"/>'


def _band(verdict: Mapping[str, Any], across: Axis, top: float) -> str:
    found = []
    for stretch in verdict.get("stretches", ()):
        low = max(float(stretch["start_s"]), across.low)
        high = min(float(stretch["end_s"]), across.high)
        if high <= low:
            continue
        state = str(stretch["state"])
        x, wide = across(low), across(high) - across(low)
        found.append(
            f'<rect x="{x:.1f}" y="{top}" width="{max(wide, 0.6):.1f}" height="{_BAND_H}" '
            f'fill="{_FILL.get(state, "#fff")}"/>'
        )
        word = STATES.get(state, state)
        if wide > 8.0 * len(word) + 10:
            found.append(_word(x + wide / 2, top, word, state))
    return "".join(found) + _frame(top, _BAND_H)


def _word(x: float, top: float, word: str, state: str) -> str:
    ink = "#fff" if state == "boiling" else "#1a1a1a"
    back = ""
    if state == "unknown":
        wide = 7.4 * len(word) + 8
        back = f'<rect x="{x - wide / 2:.1f}" y="{top + 3}" width="{wide:.1f}" height="{_BAND_H - 6}" fill="#fff"/>'
    return f'{back}<text class="word" x="{x:.1f}" y="{top + _BAND_H - 6}" text-anchor="middle" style="fill:{ink}">{word}</text>'  # noqa: E501 (markup)


def lettered(run: Run) -> list[tuple[str, float, str]]:
    """(letter, when, what and who) of each mark within the picture, in time order."""
    start, end = window_s(run)
    marks = sorted((m for m in run.marks if start <= m.t_s <= end), key=lambda m: m.t_s)
    found = []
    for number, mark in enumerate(marks):
        letter = chr(ord("a") + number) if number < 26 else str(number + 1)
        who = f", {mark.by}" if mark.by else ""
        text = f": {mark.text}" if mark.text else ""
        found.append((letter, mark.t_s, f"{mark.kind.replace('_', ' ')}{text}{who}"))
    return found


def _marks(run: Run, across: Axis, bottom: float) -> str:
    found, last_x = [], -inf
    for letter, t_s, _ in lettered(run):
        x = across(t_s)
        # Two marks close together: the letters stand beside each other, the lines where they belong.
        label = max(x, last_x + 15.0)
        last_x = label
        found.append(
            f'<line class="mark" x1="{x:.1f}" x2="{x:.1f}" y1="{_TOP - 4}" y2="{bottom}"/>'
            f'<circle cx="{label:.1f}" cy="{_TOP - 11}" r="7" class="dot"/>'
            f'<text class="letter" x="{label:.1f}" y="{_TOP - 7}" text-anchor="middle">{letter}</text>'
        )
    return "".join(found)


def _time_axis(run: Run, across: Axis, bottom: float) -> str:
    length_s = across.high - across.low
    step = next(
        (s for s in (60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0) if length_s / s <= 14), 7200.0
    )
    found, t_s = [], ceil(across.low / step) * step
    while t_s <= across.high:
        x = across(t_s)
        found.append(
            f'<line class="tickline" x1="{x:.1f}" x2="{x:.1f}" y1="{bottom}" y2="{bottom + 5}"/>'
            f'<text class="tick" x="{x:.1f}" y="{bottom + 18}" text-anchor="middle">{t_s / 60:.0f}</text>'
        )
        t_s += step
    middle = (LEFT + WIDTH - RIGHT) / 2
    found.append(
        f'<text class="cap" x="{middle:.0f}" y="{bottom + 34}" text-anchor="middle">minutes since the record began '
        f"({clock(run, 0.0)} at the site)</text>"
    )
    return "".join(found)
