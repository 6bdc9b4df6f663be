"""What the verb ``jars`` prints."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from monitor.jars import BatchState, JarState, lost_seals, pantry
from monitor.jars.pantry import BEFORE_OPENING, STORE_TEXT
from monitor.jars.rows import local_date, local_time
from monitor.judge.cooling_forecast import JarCooling, cooling_of
from monitor.judge.headspace import expected_vacuum, jar_of, snap_range_C
from monitor.physics.pressure import standard_pressure_kPa
from monitor.record.model import Run
from monitor.tables.guidance import fact

#: Headspace taken where the record names none: fruit and pickles 1/2 in. [in]
HEADSPACE_IN = 0.5
_WIDTH = 92


def status(state: BatchState, now: datetime) -> str:
    """Where each jar is, why, and by when; what is published about it."""
    lines = [
        f"{state.run_id}: {state.food}, processed {state.processed_on.isoformat()}; {state.standing.words}.",
        _lifting(state, now),
    ]
    for clock in state.clocks:
        left = _left(clock.left_s(now))
        lines.append(
            f"CLOCK  {left} until {local_time(clock.deadline, state.zone)}: {clock.text} ({', '.join(clock.guidance)})."
        )
    lines.append("")
    lines += _jars(state, now)
    lines += _rest(state)
    numbers = sorted({n for jar in state.jars for n in jar.guidance}, key=lambda n: int(n[1:]))
    lines += ["", "Published guidance:"]
    lines += [_fold(f"{number}  {fact(number).fact} [{fact(number).source}]", "    ") for number in numbers]
    return "\n".join(line for line in lines if line is not None)


def _lifting(state: BatchState, now: datetime) -> str:
    if state.lifted is None or state.seals_from is None:
        return (
            "The lifting is not marked: 'jars RUN lifted --out N'. Rest 5 minutes with the lid off before it."
        )
    if now < state.seals_from:
        return (
            f"Lifted {local_time(state.lifted, state.zone)}. Leave the jars alone; the seals may be judged from "
            f"{local_time(state.seals_from, state.zone)}. Do not retighten, cover or fan them."
        )
    following = state.next_jar()
    return f"The seals may be judged; next: jar {following}." if following else "Every seal is judged."


def _jars(state: BatchState, now: datetime) -> list[str]:
    """One paragraph for jars that stand alike."""
    alike: dict[tuple[str, str], list[int]] = {}
    for jar in state.jars:
        alike.setdefault(_jar(jar, now), []).append(jar.jar)
    lines = []
    for (what, do), numbers in alike.items():
        word = "jar" if len(numbers) == 1 else "jars"
        lines += [textwrap.fill(f"{word} {', '.join(map(str, numbers))}  {what}", _WIDTH), _fold(do, "    ")]
    return lines


def _jar(jar: JarState, now: datetime) -> tuple[str, str]:
    due = f", {_left((jar.due - now).total_seconds())}" if jar.due else ""
    until = f", use by {jar.use_by.isoformat()}" if jar.use_by else ""
    gone = f" ({jar.gone})" if jar.gone else ""
    what = f"{jar.status.value.upper()}{gone}{until}{due}: {jar.why}. Seal: {jar.seal.seal.value}."
    offered = ", ".join(status.value for status in jar.choices)
    return what, jar.do + (f" Offered: {offered}." if offered else "")


def _rest(state: BatchState) -> list[str]:
    lines = []
    if state.sums.problem:
        lines.append(f"Jars: {state.sums.problem}.")
    for one in state.deviations:
        word = f"closed by {one.closed_by}" if one.closed_by else "OPEN"
        lines.append(_fold(f"{one.number} {word} (key {one.key}): {one.what}", "    "))
    lines += [_fold(f"refused: {text}", "    ") for text in state.refused]
    if state.review is None:
        lines.append("The review is not signed.")
    else:
        word = "valid" if state.review.valid else f"lapsed: {state.review.lapsed}"
        own = ", by the person who ran the batch" if state.review.self_review else ""
        lines.append(f"Review signed by {state.review.by}{own}: {word}.")
    return lines


def _left(seconds_s: float) -> str:
    minutes = abs(int(seconds_s)) // 60
    text = f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{text} left" if seconds_s >= 0 else f"closed {text} ago"


def _fold(text: str, indent: str) -> str:
    return textwrap.fill(text, _WIDTH, initial_indent=indent, subsequent_indent=indent)


def review(state: BatchState) -> str:
    """The check list with its evidence."""
    marks = {True: "holds  ", False: "LOOK   ", None: "n/a    "}
    lines = [f"{marks[item.ok]}{item.key:<12} {item.title}: {item.evidence}" for item in state.review_items]
    lines.append("Sign with: jars RUN review --sign --by NAME [--note LINE=REASON for each LOOK]")
    return "\n".join(lines)


def state_json(state: BatchState, now: datetime) -> dict[str, Any]:
    """The state as plain data."""
    return {
        "run_id": state.run_id,
        "standing": {"basis": state.standing.basis.value, "words": state.standing.words},
        "lifted": state.lifted.isoformat() if state.lifted else None,
        "seals_from": state.seals_from.isoformat() if state.seals_from else None,
        "clocks": [
            {
                "name": c.name,
                "deadline": c.deadline.isoformat(),
                "left_s": c.left_s(now),
                "guidance": list(c.guidance),
            }
            for c in state.clocks
        ],
        "jars": [
            {
                "jar": j.jar,
                "status": j.status.value,
                "seal": j.seal.seal.value,
                "why": j.why,
                "do": j.do,
                "choices": [choice.value for choice in j.choices],
                "due": j.due.isoformat() if j.due else None,
                "use_by": j.use_by.isoformat() if j.use_by else None,
                "guidance": list(j.guidance),
            }
            for j in state.jars
        ],
        "sums_problem": state.sums.problem,
        "deviations": [
            {"number": d.number, "key": d.key, "what": d.what, "open": d.is_open} for d in state.deviations
        ],
        "review": None if state.review is None else {"by": state.review.by, "valid": state.review.valid},
        "refused": list(state.refused),
    }


def cooling(run: Run) -> str:
    """Each jar probe's course and forecast, and the vacuum to expect."""
    found, sentence = cooling_of(run)
    lines = [sentence]
    for jar in found:
        lines += [_course(run, jar), *_vacuum(run, jar)]
    lines += [
        f"    lid {number} heard to pull down at {local_time(run.started_at + timedelta(seconds=t_s), run.zone)} "
        "(a hint, never the test)"
        for number, t_s in sorted(_lids(run).items())
    ]
    return "\n".join(lines)


def _lids(run: Run) -> dict[int, float]:
    """When each lid was first heard, s of the run."""
    heard: dict[int, float] = {}
    for sample in run.samples:
        for number, pulled in sample.lids.items():
            if pulled:
                heard.setdefault(number, sample.t_s)
    return heard


def _course(run: Run, jar: JarCooling) -> str:
    def at(t_s: float) -> str:
        return local_time(run.started_at + timedelta(seconds=t_s), run.zone)

    parts = [
        f"jar {jar.jar}: {jar.last_C:.1f} °C" if jar.last_C is not None else f"jar {jar.jar}: no reading yet"
    ]
    if not jar.lift_marked:
        parts.append("lifting not marked, counted from heat off")
    for goal, t_s in (("43", jar.at_43_s), ("35", jar.at_35_s)):
        if t_s is not None:
            parts.append(f"{goal} °C after {(t_s - jar.start_s) / 60:.0f} min (information only)")
    if jar.disturbed_s:
        parts.append(f"disturbed at {', '.join(at(t_s) for t_s in jar.disturbed_s)}")
    if jar.too_fast:
        parts.append("fell faster than in still air: cold surface or draught")
    if jar.cooled_s is not None:
        parts.append(f"within 3 K of the room at {at(jar.cooled_s)}")
    elif jar.forecast is not None:
        ahead = jar.forecast
        tau = ", ".join(
            f"{t / 60:.0f}±{se / 60:.0f}" for t, se in zip(ahead.fit.tau_s, ahead.fit.tau_se_s, strict=True)
        )
        span = f"{at(ahead.early_s)} to {at(ahead.late_s)}"
        parts.append(
            f"within 3 K of the room about {at(ahead.within_3_K_s)} ({span}); time constants {tau} min"
        )
    else:
        parts.append(f"no forecast: {jar.why}")
    return _fold("; ".join(parts) + ".", "    ")


def _vacuum(run: Run, jar: JarCooling) -> list[str]:
    nominal = jar_of(run.batch.jar or "", HEADSPACE_IN)
    if nominal is None or jar.last_C is None or not 0.0 <= jar.last_C <= 99.0:
        return []
    station = run.site.station_pressure_kPa
    barometer = [s.pressure_kPa for s in run.samples[-600:] if s.pressure_kPa is not None]
    if barometer:
        station = barometer[-1]
    if station is None:
        if run.site.altitude_m is None:
            return []
        station = standard_pressure_kPa(run.site.altitude_m)
    band = expected_vacuum(nominal, jar.last_C, station)
    low_C, high_C = snap_range_C(nominal, station)
    text = (
        f"under a sealed lid now {band.low_kPa:.0f} to {band.high_kPa:.0f} kPa of vacuum, {band.assumptions} "
        f"Lids pull down somewhere between {high_C:.0f} and {low_C:.0f} °C (estimate)."
    )
    return [_fold(text, "    ")]


def pantry_words(states: Sequence[BatchState], now: datetime) -> str:
    """What is kept, what to use first, and lost seals with their siblings."""
    zone = next((state.zone for state in states if state.zone), None)
    rows = pantry(states, local_date(now, zone))
    lines = ["USE FIRST"] if rows else ["Nothing is on the shelf or kept cold."]
    for row in rows:
        left = f"use by {row.use_by.isoformat()}, {row.days_left} days" if row.use_by else "no date"
        jars = ", ".join(map(str, row.jars))
        words = f"; {row.words}" if row.words else ""
        where = f"{row.food}, {row.place.value}: {left}; {row.age_days} days old"
        lines.append(_fold(f"{where}; {row.run_id} jars {jars}{words}", "    "))
    for lost in lost_seals(states):
        siblings = ", ".join(map(str, lost.siblings)) or "none left"
        lines.append(
            _fold(f"LOST SEAL {lost.run_id} jar {lost.jar}: {lost.do} Siblings: {siblings}.", "    ")
        )
    return "\n".join([*lines, "", STORE_TEXT, BEFORE_OPENING])
