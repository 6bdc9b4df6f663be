"""Figures as people read them: spans, times of day, temperatures, in the units they chose."""

from __future__ import annotations

import re
from datetime import datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.judge.words import exact
from monitor.physics.units import KPA_PER_INHG, c_to_f, k_to_f_step, m_to_ft

MISSING = "–"


def clock(span_s: float | None) -> str:
    """A span as a clock face reads it: ``12:41``, over an hour ``1:02:03``. Parts of seconds round up,
    so that a remaining time is never shown shorter than it is. [s]"""
    if span_s is None:
        return MISSING
    whole = max(0, -int(-span_s // 1))
    hours, rest = divmod(whole, 3600)
    minutes, seconds = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def held_clock(span_s: float | None) -> str:
    """A proven span as a clock face reads it; parts of seconds are cut, never credited. [s]"""
    return MISSING if span_s is None else clock(float(int(span_s)))


def held(span_s: float | None, *, up: bool = False) -> str:
    """A proven span in words, or with ``up`` a possible one, rounded as everywhere: ``33 min 05 s``, ``58 s``. [s]"""
    return MISSING if span_s is None else exact(span_s, up=up)


def minutes(span_s: float) -> str:
    """A required time: ``30 min``, ``7.5 min``. [s]"""
    value = round(span_s / 60.0, 2)
    return f"{value:g} min"


def about(span_s: float) -> str:
    """A rough span in words: ``40 s``, ``12 min``, ``1 h 20 min``. [s]"""
    if span_s < 90:
        return f"{round(span_s):d} s"
    whole = round(span_s / 60.0)
    if whole < 90:
        return f"{whole} min"
    hours, rest = divmod(whole, 60)
    return f"{hours} h {rest:02d} min" if rest else f"{hours} h"


def zone(name: str | None) -> ZoneInfo:
    """The site's zone, UTC where the record names none or one this machine does not know."""
    try:
        return ZoneInfo(name or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")


def parse_utc(text: str) -> datetime:
    """A stored time of day. Raises ``ValueError``."""
    when = datetime.fromisoformat(text)
    return when if when.tzinfo else when.replace(tzinfo=ZoneInfo("UTC"))


def by_run_clock(when: datetime, started_utc: str, rate: float) -> datetime:
    """A time of the wall by a run's own clock, which in a demonstration runs ``rate`` times as fast."""
    began = parse_utc(started_utc)
    return when if rate == 1.0 else began + (when - began) * rate


def local_day(when: datetime, zone_name: str | None, *, named: bool = False) -> str:
    """``Fri 14 Aug 2026, 09:12`` in the site's zone; ``named`` with its short name, ``09:12 MDT``."""
    return when.astimezone(zone(zone_name)).strftime(f"%a %-d %b %Y, %H:%M{' %Z' if named else ''}")


_DAY_AND_TIME = re.compile(r"(?<![\w.])(\d{4}-\d\d-\d\d \d\d:\d\d)(?!:?\d)")


def days_in_words(text: str) -> str:
    """A sentence of the engine with its days as :func:`local_day` writes them, so that a page has one form of them."""

    def told(found: re.Match[str]) -> str:
        try:
            return datetime.fromisoformat(found[1]).strftime("%a %-d %b %Y, %H:%M")
        except ValueError:
            return found[0]

    return _DAY_AND_TIME.sub(told, text)


def local_time(when: datetime, zone_name: str | None) -> str:
    """``09:12:05`` in the site's zone."""
    return when.astimezone(zone(zone_name)).strftime("%H:%M:%S")


def temperature(value_C: float | None, fahrenheit: bool = False, places: int = 2) -> str:
    """A temperature with its unit; missing is said, never zero. [°C in]"""
    if value_C is None:
        return MISSING
    shown = c_to_f(value_C) if fahrenheit else value_C
    return f"{shown:.{places}f} {'°F' if fahrenheit else '°C'}"


def difference(value_K: float | None, fahrenheit: bool = False, places: int = 2) -> str:
    """A temperature difference with its unit. [K in]"""
    if value_K is None:
        return MISSING
    return f"{k_to_f_step(value_K):.{places}f} °F" if fahrenheit else f"{value_K:.{places}f} K"


def signed(value_K: float, fahrenheit: bool = False) -> str:
    """A difference with its sign: ``−0.39 K``. [K in]"""
    sign = "+" if value_K >= 0 else "\N{MINUS SIGN}"
    return sign + difference(abs(value_K), fahrenheit)


def height(height_m: float, fahrenheit: bool = False) -> str:
    """An altitude with its unit: ``1650 m``, ``5,400 ft``. [m in]"""
    return f"{m_to_ft(height_m):,.0f} ft" if fahrenheit else f"{height_m:.0f} m"


def pressure(pressure_kPa: float, inches: bool = False) -> str:
    """An air pressure with its unit: ``834.2 hPa``, ``24.63 inHg``. [kPa in]"""
    return f"{pressure_kPa / KPA_PER_INHG:.2f} inHg" if inches else f"{pressure_kPa * 10.0:.1f} hPa"


_NUMBER = r"(?<![\w.,])([+\N{MINUS SIGN}-]?)(\d[\d,]*(?:\.(\d+))?)"
#: What the engine says of a figure in both units: that in the second, in brackets, is meant.
_BOTH = re.compile(_NUMBER + r" (?:°C|m) \((\N{MINUS SIGN}?[\d,.]+ (?:°F|ft))\)")
_ONE = re.compile(_NUMBER + r" (K|°C|m)(?![\w²³]|/(?!min)| steps)")
_MINUS = re.compile(r"(?<=[\s(])-(?=\d)")


def in_units(text: str, fahrenheit: bool = False) -> str:
    """A sentence of the engine, which speaks in SI, for whoever chose °F and ft; every minus as a minus."""
    text = _MINUS.sub("\N{MINUS SIGN}", text)
    if not fahrenheit:
        return text
    return _ONE.sub(_converted, _BOTH.sub(r"\4", text))


def _converted(found: re.Match[str]) -> str:
    sign, digits, decimals, unit = found.groups()
    value = float(digits.replace(",", "")) * (-1.0 if sign in ("-", "\N{MINUS SIGN}") else 1.0)
    if unit == "m":
        return f"{sign}{m_to_ft(abs(value)):,.0f} ft"
    places = len(decimals or "")
    if unit == "K":
        return f"{sign}{k_to_f_step(abs(value)):.{max(1, places)}f} °F"
    return f"{c_to_f(value):.{places}f} °F".replace("-", "\N{MINUS SIGN}")
