"""The proof's tables of facts: time, place, probe, batch. Every item is there or says that it is not, and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from typing import Any

from monitor.jars import BatchState
from monitor.jars.rows import Row, instant
from monitor.judge.words import asked, exact
from monitor.plan.containers import JAR_NAMES
from monitor.proof.figures import (
    celsius,
    clock,
    day_time,
    esc,
    floors_C,
    kelvin,
    metres,
    missing,
)
from monitor.proof.readings import at_loading, beside, recorder
from monitor.proof.words import eye
from monitor.record import Run
from monitor.tables.probes import place_words

Pairs = list[tuple[str, str]]


def block(title: str, pairs: Iterable[tuple[str, str]], kind: str = "") -> str:
    """A titled table of names and values."""
    rows = "".join(f"<tr><th>{esc(name)}</th><td>{esc(value)}</td></tr>" for name, value in pairs)
    return f'<section class="block {kind}"><h2>{esc(title)}</h2><table class="facts">{rows}</table></section>'


def table(
    title: str, heads: Sequence[str], rows: Iterable[Sequence[object]], *, none: str, kind: str = ""
) -> str:
    """A titled table with column heads; ``none`` stands where there is no row."""
    body = "".join("<tr>" + "".join(f"<td>{esc(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    if not body:
        return f'<p class="none"><b>{esc(title)}.</b> {esc(none)}</p>'
    head = "".join(f"<th>{esc(name)}</th>" for name in heads)
    return (
        f'<section class="block {kind}"><h2>{esc(title)}</h2><table class="rows"><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></section>"
    )


def time_facts(run: Run, verdict: Mapping[str, Any]) -> Pairs:
    """What was asked, proven and possible, each rounded against the canner."""
    hold = verdict.get("clock") or {}
    started, completed = hold.get("started_s"), hold.get("completed_s")
    return [
        ("Required", asked(float(verdict["required_s"]))),
        ("Source of the time", run.required.read_from or missing("nobody said where it was read")),
        ("Proven without a break", exact(float(verdict["proven_s"]))),
        ("Possible at most", exact(float(verdict["possible_s"]), up=True) + ", unknown counted as boiling"),
        ("Record began", day_time(run, run.started_at)),
        (
            "Hold began",
            "no boil is proven"
            if started is None
            else f"{clock(run, float(started), late=True)} (longest proven boil)",
        ),
        (
            "Required time complete",
            "not within the proven time" if completed is None else clock(run, float(completed), late=True),
        ),
        ("Full boil", eye(verdict)),
    ]


def place_facts(run: Run, verdict: Mapping[str, Any]) -> Pairs:
    """The site and the temperature at which water boils there."""
    site = run.site
    checked = site.barometer_checked_at
    boils_by = str(verdict.get("boiling_point_from") or site.pressure_source or "")
    boil_C = verdict.get("boiling_point_C")
    known = boil_C is not None
    return [
        ("Site", site.name or missing("nobody named it")),
        ("Altitude", metres(site.altitude_m, site.altitude_uncertainty_m)),
        ("Zone", run.zone or missing("the times are in UTC")),
        ("Pressure from", boils_by or missing("the verdict does not say it")),
        ("Barometer compared", day_time(run, checked) if checked else _not_compared(boils_by)),
        ("Water boils at", celsius(boil_C) + ("" if known else f": it follows from {boils_by or 'nothing'}")),
        ("Counts as boiling from", _floors(verdict) if known else f"not known: {_UNKNOWN_BOIL}"),
        (
            "Uncertainty U (k = 2)",
            "± " + kelvin(verdict.get("expanded_uncertainty_K")) if known else f"not known: {_UNKNOWN_BOIL}",
        ),
    ]


_UNKNOWN_BOIL = "no boiling point to count from"


def _not_compared(boils_by: str) -> str:
    if boils_by.startswith("barometer"):
        return missing("nobody entered a comparison")
    return "not applicable: no barometer gave the boiling point"


def _floors(verdict: Mapping[str, Any]) -> str:
    found = floors_C(verdict)
    if found is None or found[0] == found[1]:
        return celsius(verdict.get("floor_C"))
    return f"{celsius(found[0])} where a person saw it boil, {celsius(found[1])} where it boiled again unseen"


def probe_facts(run: Run, verdict: Mapping[str, Any], rows: Sequence[Row]) -> Pairs:
    """The probe, its last check, what it and another thermometer read, and what the record holds."""
    probe, check = run.probe, run.probe.calibration
    pairs = [
        (
            "Probe",
            ", ".join(
                place_words(str(probe.extra[key])) if key == "place" else str(probe.extra[key])
                for key in ("probe_id", "id", "name", "place")
                if key in probe.extra
            )
            or probe.channel,
        ),
        ("Kind", probe.kind or missing("nobody named it; taken at its widest")),
        ("Converter", probe.converter or missing("nobody named it; taken at its widest")),
    ]
    if check is None:
        pairs += [("Check", missing("the kind's published tolerance stands in"))]
    else:
        points = [
            f"{name} {value:+.2f} K"
            for name, value in (("ice", check.ice_offset_K), ("boiling", check.boil_offset_K))
            if value is not None
        ]
        day = f"of {day_time(run, check.at)}" if check.at else f"day {missing('the check gives none')}"
        factor = "k not stated" if check.coverage_factor is None else f"k = {check.coverage_factor:g}"
        within = f"± {check.expanded_uncertainty_K:.2f} K ({factor})"
        pairs += [
            ("Correction added", f"{check.offset_K:+.2f} K {within}, {day}"),
            (
                "Check",
                (check.method or f"method {missing('the check names none')}")
                + (f": {', '.join(points)}" if points else ""),
            ),
        ]
    return [
        *pairs,
        ("Recorder read", recorder(run, verdict)),
        ("Read beside it", beside(run, verdict, rows)),
        ("Samples", _counts(verdict)),
    ]


def _counts(verdict: Mapping[str, Any]) -> str:
    counts = dict(verdict.get("counts") or {})
    whole = counts.pop("samples", None)
    told = [f"{name.replace('_', ' ')}: {number}" for name, number in counts.items() if number]
    return f"{whole if whole is not None else 'unknown number'}; {', '.join(told) or 'no faults, gaps or conflicts'}"


def batch_facts(run: Run, people: Sequence[str], rows: Sequence[Row], loaded: int | None) -> Pairs:
    """What was in the jars, how many went in (``loaded``), the canner, and who took part."""
    batch = run.batch
    food = batch.food or missing("nobody named it")
    count = "number " + missing("nobody counted them") if loaded is None else str(loaded)
    others = {
        key: value
        for key, value in batch.extra.items()
        if key not in _TOLD and not isinstance(value, list | dict)
    }
    extra = [_named(key, value) for key, value in others.items()]
    jar = JAR_NAMES.get(batch.jar or "", batch.jar) or "size " + missing("nobody named it")
    return [
        ("Food", food + (f" (table: {batch.food_id})" if batch.food_id else "")),
        ("Pack", batch.pack or missing("nobody named it")),
        ("Jars", f"{count} × {jar}"),
        ("Lot code", str(batch.extra.get("lot_code") or missing("none was given"))),
        ("At loading", at_loading(run, rows)),
        ("Canner", run.canner or missing("nobody named it")),
        ("People", ", ".join(people) or "nobody is named"),
        *extra[:4],
    ]


def reprocessing_facts(run: Run, state: BatchState) -> Pairs:
    """Which jars of which run are processed again, why, with which lids, and by when they had to be in; or nothing."""
    parent = run.extra.get("reprocess_of")
    if not parent:
        return []
    pairs = ", ".join(f"jar {own} was jar {before}" for own, before in enumerate(state.parent_jars, 1))
    why = run.extra.get("reprocess_why")
    lids = run.extra.get("new_lids")
    return [
        ("Reprocesses jars of", str(parent)),
        ("Jars", pairs or missing("nobody said which")),
        ("Why", str(why) if why else missing(f"run {parent} tells it")),
        ("Lids", "new, said at the start" if lids is True else missing("nobody said that they were new")),
        (f"Time of {parent}", _window(run, state)),
    ]


def _window(run: Run, state: BatchState) -> str:
    """By when the jars had to be in the canner again, as far as this record tells."""
    try:
        until = instant(str(run.extra.get("reprocess_until")))
    except ValueError:
        return missing("this record does not say by when they had to be in")
    went_in = [mark.t_s for mark in run.marks if mark.kind == "jars_in"]
    told = f"in the canner again by {day_time(run, until)}"
    if not went_in:
        return f"{told}; nobody marked that they went in"
    at = run.started_at + timedelta(seconds=max(went_in))
    late = "TOO LATE" if at > until else "in time"
    return f"{told}; they went in {day_time(run, at)}: {late}"


def _named(key: str, value: object) -> tuple[str, str]:
    """A fact by its name in the header, which may end in a unit: ``jar_mL`` 237.0 is *Jar volume*, 237 mL."""
    name, _, unit = key.rpartition("_")
    if unit in ("mL", "mm") and isinstance(value, int | float) and not isinstance(value, bool):
        return ("Jar volume" if name == "jar" else name.replace("_", " ").capitalize()), f"{value:g} {unit}"
    said = ("yes" if value else "no") if isinstance(value, bool) else str(value)
    return key.replace("_", " ").capitalize(), said


_TOLD = frozenset({"lot_code", "coldest_jar_C", "loading_water_C"})
