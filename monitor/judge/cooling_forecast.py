"""When a jar will be within 3 K of the room: the fit to its course so far, and an interval that owns up.

The jar obeys Newton's law towards the *measured* room: the room's course, smoothed with the jar's own slow time
constant, is taken off, and one or two exponentials are fitted to the rest. Natural convection and radiation weaken
as the jar cools (film about excess**0.22 by Churchill and Chu's correlation with radiation), so a plain
exponential comes out cold; the likely time and the late end of the interval are stretched for that, the more the
earlier the forecast.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt

import numpy as np

from monitor.judge.cooling import CoolingWatch
from monitor.judge.cooling_fit import ExponentialFit, Floats, fit_exponentials, stretch
from monitor.judge.cooling_track import NEAR_ROOM_K, JarTrack
from monitor.record.model import Mark, Run

#: No forecast from less than this much undisturbed cooling. [s] Chosen, as the figures below that name no source.
LEAST_S = 600.0
_MOST_POINTS = 240
#: A second term must take this much off the scatter to be believed.
_SECOND_TERM_GAIN = 0.8
#: No jar is slower: a half gallon in still air comes to about three and a half hours when nearly cool. [s]
_SLOWEST_S = 6 * 3600.0
#: Jar probe against room probe, standard. [K] A judgement: two small digital thermometers.
_PROBES_DISAGREE_K = 0.3
_LIKELY_EXPONENT, _LATE_EXPONENT = 0.15, 0.30
_LONGEST_S = 48 * 3600.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """Times in s since the run's start; about 95 % of jars fall within ``early_s`` to ``late_s``."""

    within_3_K_s: float
    early_s: float
    late_s: float
    fit: ExponentialFit
    room_C: float
    #: The fit's zero, s since the run's start.
    from_s: float


@dataclass(frozen=True, slots=True)
class JarCooling:
    """What the pages show of one jar. ``forecast`` is None with the reason in ``why``."""

    jar: int
    start_s: float
    lift_marked: bool
    last_s: float | None
    last_C: float | None
    room_C: float | None
    at_43_s: float | None
    at_35_s: float | None
    cooled_s: float | None
    disturbed_s: tuple[float, ...]
    too_fast: bool
    forecast: Forecast | None
    why: str
    #: Half-minute medians: s since the run's start, °C.
    course: tuple[tuple[float, float], ...]

    def passes_s(self, temperature_C: float) -> float | None:
        """When the contents passed this temperature, or will by the forecast; None where nobody can tell. [s]"""
        passed = next((t_s for t_s, jar_C in self.course if jar_C <= temperature_C), None)
        if passed is not None or self.forecast is None or not self.course:
            return passed
        fit, last_s = self.forecast.fit, self.course[-1][0]
        since_s = last_s - self.forecast.from_s
        wait_s = _wait_until_s(fit, since_s, temperature_C - self.forecast.room_C)
        return None if wait_s is None else last_s + wait_s


def forecast(track: JarTrack) -> tuple[Forecast | None, str]:
    """The forecast for one jar, or None and the reason."""
    if track.cooled_s is not None:
        return None, "it has cooled"
    t, jar_C, room_C = _course(track)
    if len(t) < 3 or t[-1] - t[0] < LEAST_S:
        return None, "too early: ten minutes of undisturbed cooling are needed"
    if not len(room_C):
        return None, "no room temperature"
    fit = _fit(t, jar_C, room_C)
    if fit is None or fit.tau_se_s[0] > 0.5 * fit.tau_s[0]:
        return None, "the course is not yet clear enough"
    room_now = float(np.median(room_C[-20:]))
    wait_s = _wait_until_s(fit, float(t[-1] - t[0]), NEAR_ROOM_K)
    if wait_s is None:
        return None, "the course is not yet clear enough"
    return _interval(fit, float(t[0]), float(t[-1]), wait_s, room_now), ""


def _course(track: JarTrack) -> tuple[Floats, Floats, Floats]:
    """Bins since the last disturbance, thinned; the room empty where it is not known throughout."""
    t, jar, room = (np.array(values) for values in (track.t_s, track.jar_C, track.room_C))
    keep = t >= track.unbroken_since_s
    t, jar, room = t[keep], jar[keep], room[keep]
    known = np.isfinite(room)
    if not known.any() or known.mean() < 0.5:
        return t, jar, room[:0]
    room = np.interp(t, t[known], room[known])
    step = max(1, -(-len(t) // _MOST_POINTS))
    # Counted from the newest, so that it is always there.
    return t[::-1][::step][::-1], jar[::-1][::step][::-1], room[::-1][::step][::-1]


def _fit(t_s: Floats, jar_C: Floats, room_C: Floats) -> ExponentialFit | None:
    since = t_s - t_s[0]
    fit = _best(since, jar_C - room_C)
    if fit is None:
        return None
    return _best(since, jar_C - smoothed(t_s, room_C, fit.tau_s[0])) or fit


def _best(since: Floats, excess: Floats) -> ExponentialFit | None:
    one = fit_exponentials(since, excess, terms=1)
    two = fit_exponentials(since, excess, terms=2)
    if two is None or one is None:
        return one
    apart = two.tau_s[0] > 2.0 * two.tau_s[1] and two.amplitude_K[0] > 0.0
    apart = apart and two.tau_s[0] < _SLOWEST_S
    real = abs(two.amplitude_K[1]) > 3.0 * two.amplitude_se_K[1]
    known = two.tau_se_s[0] < 0.3 * two.tau_s[0]
    better = two.rms_K < _SECOND_TERM_GAIN * one.rms_K
    return two if apart and real and known and better else one


def smoothed(t_s: Floats, room_C: Floats, tau_s: float) -> Floats:
    """The room as a body with this time constant feels it (first-order lag, started at the first value)."""
    out = np.empty_like(room_C)
    out[0] = room_C[0]
    for i in range(1, len(room_C)):
        share = 1.0 - exp(-(t_s[i] - t_s[i - 1]) / tau_s)
        out[i] = out[i - 1] + share * (room_C[i] - out[i - 1])
    return out


def _wait_until_s(fit: ExponentialFit, since_s: float, excess_K: float) -> float | None:
    """From ``since_s`` of the fit until its excess over the room is so much; None beyond two days."""
    if fit.at(since_s) <= excess_K:
        return 0.0
    low, high = 0.0, _LONGEST_S
    if fit.at(since_s + high) > excess_K:
        return None
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if fit.at(since_s + middle) > excess_K else (low, middle)
    return high


def _interval(fit: ExponentialFit, first_s: float, last_s: float, wait_s: float, room_C: float) -> Forecast:
    elapsed_s = last_s - first_s
    ratio = max(fit.at(elapsed_s), NEAR_ROOM_K) / NEAR_ROOM_K
    by_fit_s = wait_s * fit.tau_se_s[0] / fit.tau_s[0]
    by_probes_s = fit.tau_s[0] * (_PROBES_DISAGREE_K / NEAR_ROOM_K)
    doubt_s = 2.0 * sqrt(by_fit_s**2 + by_probes_s**2)
    young = 1.0 + 0.6 * exp(-elapsed_s / 900.0)
    return Forecast(
        within_3_K_s=last_s + wait_s * stretch(ratio, _LIKELY_EXPONENT),
        early_s=max(last_s, last_s + wait_s - doubt_s),
        late_s=last_s + wait_s * stretch(ratio, _LATE_EXPONENT) * young + doubt_s,
        fit=fit,
        room_C=room_C,
        from_s=first_s,
    )


def cooling_of(
    run: Run, *, heat_off_s: float | None = None, lifted_s: float | None = None
) -> tuple[list[JarCooling], str]:
    """Every jar probe of a run, and the sentence that says what the cooling is followed by.

    ``heat_off_s`` and ``lifted_s`` stand in for marks that nobody made.
    """
    watch = CoolingWatch(run.batch.jar)
    marks = sorted((*run.marks, *_stand_ins(run, heat_off_s, lifted_s)), key=lambda mark: mark.t_s)
    next_mark = 0
    for sample in sorted(run.samples, key=lambda sample: sample.t_s):
        while next_mark < len(marks) and marks[next_mark].t_s <= sample.t_s:
            watch.on_mark(marks[next_mark].kind, marks[next_mark].t_s)
            next_mark += 1
        watch.push(sample)
    return [jar_cooling(track) for _, track in sorted(watch.tracks.items())], watch.sentence()


def _stand_ins(run: Run, heat_off_s: float | None, lifted_s: float | None) -> list[Mark]:
    made = {mark.kind for mark in run.marks}
    return [
        Mark(t_s, kind)
        for kind, t_s in (("heat_off", heat_off_s), ("jars_lifted", lifted_s))
        if t_s is not None and kind not in made
    ]


def jar_cooling(track: JarTrack) -> JarCooling:
    """What the pages show of one jar."""
    ahead, why = forecast(track)
    last = len(track.t_s) - 1
    room = track.room_C[last] if last >= 0 else float("nan")
    return JarCooling(
        jar=track.number,
        start_s=track.start_s,
        lift_marked=track.lift_marked,
        last_s=track.t_s[last] if last >= 0 else None,
        last_C=track.jar_C[last] if last >= 0 else None,
        room_C=room if room == room else None,
        at_43_s=track.at_43_s,
        at_35_s=track.at_35_s,
        cooled_s=track.cooled_s,
        disturbed_s=tuple(track.disturbed_s),
        too_fast=track.too_fast,
        forecast=ahead,
        why=why,
        course=tuple(zip(track.t_s, track.jar_C, strict=True)),
    )
