"""The deviations file: opened from the verdict without being asked, numbered, closed by a person. Pure.

After 21 CFR 113.89 and 114.89 as a pattern (no rule binds a home kitchen): a separate list, each with how it
was found, when, the lowest temperature, the jars, the cause, the action, and who closed it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.jars.header_changes import HeaderChange
from monitor.jars.rows import Row
from monitor.judge.causes import TWO_PROBES, TWO_VALUES, cause_of
from monitor.judge.words import asked, exact
from monitor.record.model import Sample

#: Events that are departures when they fall between jars in and heat off, and what they are called.
DEPARTURES = {
    "boil_lost": "the boil was lost",
    "node_silent": "readings stopped",
    "node_restarted": "the node restarted",
    "clock_stepped": "times jumped",
    "probe_fault": "the probe was at fault",
    "probe_moved": "the probe may have left the water",
    "reading_frozen": "the reading stood still",
    "pressure_disagrees": "pressure and altitude disagreed",
    "reads_above_boiling": "the probe read above boiling",
    "heater_off": "the heater stopped",
}


#: What no wire or probe is to blame for, by its cause.
OTHER_CAUSES = {
    TWO_VALUES: "readings contradicted each other",
    TWO_PROBES: "the two water probes contradicted each other",
}


@dataclass(frozen=True, slots=True)
class Deviation:
    """One departure. ``key`` names it in a closing entry; ``number`` is for people."""

    number: str
    key: str
    what: str
    how_found: str
    start_s: float | None
    end_s: float | None
    lowest_C: float | None
    jars: tuple[int, ...]
    closed_by: str | None
    closed_at: datetime | None
    cause: str
    action: str

    @property
    def is_open(self) -> bool:
        return self.closed_by is None


def deviations(
    run_id: str,
    verdict: Mapping[str, Any],
    rows: Iterable[Row],
    jars: Sequence[int],
    window_s: tuple[float, float],
    samples: Sequence[Sample] = (),
    offset_K: float = 0.0,
    noted: Sequence[str] = (),
    changed: Sequence[tuple[float, HeaderChange]] = (),
) -> list[Deviation]:
    """All deviations of a batch, the engine's first. ``window_s``: jars in to heat off, s of the run.

    ``offset_K``: the probe's correction, added to each reading as the engine does; of two probes the lower counts.
    ``noted`` are departures written into the header when the run was started; ``changed`` what was changed in the
    header after the jars were in, and when, s of the run.

    A closing entry is ``deviation_closed`` with ``{"deviation": key, "cause": ..., "action": ...}`` and ``by``;
    one without name, cause or action closes nothing. When a revision moves an onset, its key moves with it,
    and it must be closed anew.
    """
    rows = list(rows)
    closings = {str(r.body.get("deviation")): r for r in rows if r.kind == "deviation_closed" and _whole(r)}
    found = [_noted(number, text, jars) for number, text in enumerate(noted, 1)]
    found += [*_from_events(verdict, jars, window_s, samples, offset_K), *_from_verdict(verdict, jars)]
    said = [(row.id, _from_entry(row, jars)) for row in rows if row.kind == "deviation_opened"]
    said += [(change.entry_id, _from_change(at_s, change, jars)) for at_s, change in changed]
    found += [form for _, form in sorted(said, key=lambda item: item[0])]
    return [_numbered(f"{run_id}-D{n}", form, closings) for n, form in enumerate(found, 1)]


def _whole(row: Row) -> bool:
    return bool(row.by and row.body.get("cause") and row.body.get("action"))


def _from_events(
    verdict: Mapping[str, Any],
    jars: Sequence[int],
    window_s: tuple[float, float],
    samples: Sequence[Sample],
    offset_K: float,
) -> list[dict[str, Any]]:
    found = []
    for event in verdict.get("events", ()):
        kind, onset_s = str(event["kind"]), float(event["onset_s"])
        if kind not in DEPARTURES or not window_s[0] <= onset_s <= window_s[1]:
            continue
        end_s = _end_s(verdict, onset_s, window_s[1])
        within = [s for s in samples if onset_s <= s.t_s <= end_s]
        low = [s.water_C + offset_K for s in within if s.water_C is not None]
        # A correction is the first probe's alone.
        low += [s.water_2_C for s in within if s.water_2_C is not None]
        found.append(
            {
                "key": f"{kind}@{onset_s:.0f}",
                "what": f"{_called(kind, event)}: {event['text']}",
                "how_found": "by the engine, as it happened",
                "start_s": onset_s,
                "end_s": end_s,
                "lowest_C": min(low) if low else None,
                "jars": tuple(jars),
            }
        )
    return found


def _called(kind: str, event: Mapping[str, Any]) -> str:
    """What a departure is called: by its kind, or where that would blame the probe, by its cause."""
    cause = cause_of(kind, str(event.get("cause") or ""), str(event["text"]))
    return OTHER_CAUSES.get(cause, DEPARTURES[kind])


def _end_s(verdict: Mapping[str, Any], onset_s: float, last_s: float) -> float:
    """The next moment that boils again, or the end of the window."""
    starts = [
        float(s["start_s"])
        for s in verdict.get("stretches", ())
        if s["state"] == "boiling" and float(s["start_s"]) > onset_s
    ]
    return min([*starts, last_s])


def _from_verdict(verdict: Mapping[str, Any], jars: Sequence[int]) -> list[dict[str, Any]]:
    word = verdict.get("verdict")
    if word not in ("broken", "unproven"):
        return []
    held = f"{exact(float(verdict.get('proven_s') or 0.0))} proven without a break"
    possible = f"at most {exact(float(verdict.get('possible_s') or 0.0), up=True)} possible"
    whole = f"{asked(float(verdict.get('required_s') or 0.0))} asked for"
    said = (str(reason).rstrip(".") for reason in verdict.get("reasons", ()))
    reasons = "; ".join((held, possible, whole, *said))
    return [
        {
            "key": f"hold_{word}",
            "what": f"the hold is {word}: {reasons}",
            "how_found": "by the engine, at the end of the run",
            "start_s": None,
            "end_s": None,
            "lowest_C": None,
            "jars": tuple(jars),
        }
    ]


def _noted(number: int, text: str, jars: Sequence[int]) -> dict[str, Any]:
    return {
        "key": f"start-{number}",
        "what": text,
        "how_found": "at the start of the run",
        "start_s": 0.0,
        "end_s": None,
        "lowest_C": None,
        "jars": tuple(jars),
    }


def _from_change(at_s: float, change: HeaderChange, jars: Sequence[int]) -> dict[str, Any]:
    return {
        "key": f"header-{change.entry_id}",
        "what": change.what,
        "how_found": f"in entry {change.entry_id}, by {change.by or 'nobody named'}",
        "start_s": at_s,
        "end_s": None,
        "lowest_C": None,
        "jars": tuple(jars),
    }


def _from_entry(row: Row, jars: Sequence[int]) -> dict[str, Any]:
    touched = row.body.get("jars")
    return {
        "key": f"entry-{row.id}",
        "what": str(row.body.get("what") or row.body.get("text") or "not said"),
        "how_found": str(row.body.get("how_found") or f"by {row.by or 'a person'}"),
        "start_s": None,
        "end_s": None,
        "lowest_C": row.body.get("lowest_C"),
        "jars": tuple(j for j in touched if isinstance(j, int)) if isinstance(touched, list) else tuple(jars),
    }


def _numbered(number: str, form: dict[str, Any], closings: Mapping[str, Row]) -> Deviation:
    closing = closings.get(form["key"])
    return Deviation(
        number=number,
        closed_by=closing.by if closing else None,
        closed_at=closing.at if closing else None,
        cause=str(closing.body["cause"]) if closing else "",
        action=str(closing.body["action"]) if closing else "",
        **form,
    )
