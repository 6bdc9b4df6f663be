"""The review before the shelf: a built check list with its evidence, and a signature bound to the content. Pure.

After 21 CFR 113.100(b), 9 CFR 381.307 and 21 CFR 11.50/11.70 as patterns; none of them binds a home kitchen.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import floor
from typing import Any

from monitor.jars.deviations import DEPARTURES, Deviation
from monitor.jars.rows import Row, local_time
from monitor.jars.seals import SealResult, Sums, told
from monitor.judge.words import asked, exact
from monitor.judge.yearly import is_within_a_year
from monitor.record.model import Run
from monitor.record.taken_in import TakenIn

#: A person's mark and the record agree when they differ by no more than this. [s]
AGREE_S = 60.0
#: Entries that come after a review by nature, and so do not undo it.
_NOT_CONTENT = ("review", "jar_disposition", "jar_recheck", "settings")


@dataclass(frozen=True, slots=True)
class Item:
    """One line. ``ok`` False needs a written reason at signing; None means that it does not apply."""

    key: str
    title: str
    ok: bool | None
    evidence: str


@dataclass(frozen=True, slots=True)
class Signature:
    """The newest signature. ``valid`` False with the reason in ``lapsed``."""

    by: str
    at: datetime
    meaning: str
    valid: bool
    lapsed: str
    self_review: bool


def content_hash(run: Run, verdict: Mapping[str, Any], rows: Sequence[Row]) -> str:
    """SHA-256 of what a reviewer saw: header, outcome, and every entry but those that follow a review."""
    outcome = {
        name: verdict.get(name) for name in ("verdict", "required_s", "proven_s", "possible_s", "clock")
    }
    header = {
        "run_id": _there(run, run.run_id),
        "started_at": run.started_at.isoformat(),
        "zone": run.zone,
        "food": run.batch.food,
        "pack": run.batch.pack,
        "jar": run.batch.jar,
        "jars": run.batch.jars,
        "minutes": run.required.minutes,
        "source": run.required.source,
        "marks": [[mark.t_s, mark.kind, mark.by, mark.text] for mark in run.marks],
    }
    entries = [
        [
            row.id,
            row.kind,
            {key: _there(run, value) for key, value in row.body.items()},
            row.at.isoformat(),
            row.by,
        ]
        for row in rows
        if row.kind not in _NOT_CONTENT and not row.kind.startswith("alarm_") and not _takes_back(row)
    ]
    text = json.dumps([header, outcome, entries], sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _there(run: Run, value: Any) -> Any:
    """A run's name as it is where the record was made: a review that was signed there was signed under that."""
    before = run.taken_in.before_names(run.run_id) if run.taken_in is not None else ""
    return value.removeprefix(before) if before and isinstance(value, str) else value


def _takes_back(row: Row) -> bool:
    """Whether it takes back what was no content. Of anything else that is gone, its absence shows."""
    return row.kind == "correction" and bool(row.body.get("withdrawn")) and row.body.get("of") in _NOT_CONTENT


def check_list(
    run: Run,
    verdict: Mapping[str, Any],
    rows: Sequence[Row],
    seal_sums: Sums,
    found: Sequence[Deviation],
    contradicted: Sequence[Sequence[SealResult]] = (),
) -> list[Item]:
    """Every line with the evidence beside it; ``contradicted`` are the answers for jars of which two people differ."""
    return [
        _hold(verdict),
        *([_seal(run.taken_in)] if run.taken_in is not None else []),
        _eye(verdict, run),
        _limit(verdict),
        _gaps(verdict),
        _water(run),
        _calibration(run),
        _corrections(rows),
        _alarms(found, rows),
        _deviations(found),
        _answers(contradicted, run.zone),
        _sums(seal_sums),
    ]


def _sums(found: Sums) -> Item:
    placed = f"; {found.placed} of them placed without having been judged" if found.placed else ""
    return Item("sums", "Jars add up", not found.problem, found.problem or f"{found.loaded} jars{placed}")


def _hold(verdict: Mapping[str, Any]) -> Item:
    proven, required = float(verdict.get("proven_s") or 0), float(verdict.get("required_s") or 0)
    evidence = f"verdict {verdict.get('verdict')}: {exact(proven)} of {asked(required)} proven"
    return Item("hold", "The whole time was held", verdict.get("verdict") == "held", evidence)


def _seal(came: TakenIn) -> Item:
    """Of a record from elsewhere: no line of this list tells more than the record, and that may have been changed."""
    return Item("seal", "The record came as it was sealed", came.was_sealed, came.words)


def _eye(verdict: Mapping[str, Any], run: Run) -> Item:
    """The logged time of the rolling boil against the record's own."""
    seen = [mark.t_s for mark in run.marks if mark.kind == "rolling_boil_seen"]
    started = (verdict.get("clock") or {}).get("started_s")
    if not seen:
        return Item("eye", "A person saw the rolling boil", False, "nobody marked it")
    if started is None:
        return Item("eye", "A person saw the rolling boil", False, "the record shows no hold to compare with")
    apart_s = min(abs(t_s - float(started)) for t_s in seen)
    evidence = f"marked {apart_s:.0f} s from the start of the hold in the record"
    return Item("eye", "Marked and recorded boil agree within 60 s", apart_s <= AGREE_S, evidence)


def _limit(verdict: Mapping[str, Any]) -> Item:
    boil, floor, u = (verdict.get(name) for name in ("boiling_point_C", "floor_C", "expanded_uncertainty_K"))
    if boil is None or floor is None or u is None:
        return Item("limit", "The boil limit is stated", False, "no boiling point could be given")
    return Item(
        "limit",
        "The boil limit is stated",
        True,
        f"boils at {boil:.2f} °C ({verdict.get('boiling_point_from', '')}), floor {floor:.2f} °C, U {u:.2f} K",
    )


def _gaps(verdict: Mapping[str, Any]) -> Item:
    clock = verdict.get("clock") or {}
    first, last = clock.get("started_s"), clock.get("completed_s")
    if first is None or last is None:
        return Item("gaps", "No unknown time in the hold", False, "no complete hold")
    unknown = [s for s in verdict.get("stretches", ()) if s["state"] == "unknown"]
    unknown = [s for s in unknown if first < s["end_s"] and s["start_s"] < last]
    return Item(
        "gaps", "No unknown time in the hold", not unknown, f"{len(unknown)} unknown stretches in the hold"
    )


def _water(run: Run) -> Item:
    looks = sum(1 for mark in run.marks if mark.kind in ("water_checked", "water_added"))
    if run.required.minutes <= 30 and not looks:
        return Item("water", "Water over the jars was checked", None, "process of 30 min or less; not marked")
    return Item("water", "Water over the jars was checked", looks > 0, f"marked {looks} times")


def _calibration(run: Run) -> Item:
    calibration = run.probe.calibration
    if calibration is None or calibration.at is None:
        return Item("calibration", "The probe was checked within a year", False, "no check in the record")
    title = "The probe was checked within a year"
    if calibration.at > run.started_at:
        days = (calibration.at - run.started_at) // timedelta(days=1)
        return Item("calibration", title, False, f"checked only after the run began, {_days(days)} later")
    good = is_within_a_year(calibration.at, run.started_at)
    # One that is too old by hours is not said to be as old as one that still counts.
    days = floor((run.started_at - calibration.at) / timedelta(days=1) + (0 if good else 1))
    return Item("calibration", title, good, f"{_days(days)} before")


def _days(count: int) -> str:
    return f"{count} {'day' if count == 1 else 'days'}"


def _corrections(rows: Sequence[Row]) -> Item:
    fixed = [row for row in rows if row.corrects is not None]
    bare = [row for row in fixed if not row.reason]
    evidence = f"{len(fixed)} corrections, {len(bare)} without a reason"
    return Item("corrections", "Corrections have reasons", not bare, evidence)


def _alarms(found: Sequence[Deviation], rows: Sequence[Row]) -> Item:
    """What alarmed between jars in and heat off, and whether somebody answered."""
    kinds = [kind for one in found if (kind := one.key.partition("@")[0]) in DEPARTURES]
    answered = sum(1 for row in rows if row.kind == "alarm_acknowledged")
    named = ", ".join(f"{kind.replace('_', ' ')} {kinds.count(kind)}" for kind in dict.fromkeys(kinds))
    evidence = f"{named or 'none'}; {answered} acknowledged"
    return Item("alarms", "Alarms were answered", answered > 0 if kinds else True, evidence)


def _deviations(found: Sequence[Deviation]) -> Item:
    still = [one.number.rpartition("-")[2] for one in found if one.is_open]
    evidence = f"{len(found)} in all; open: {', '.join(still) or 'none'}"
    return Item("deviations", "Every deviation is closed", not still, evidence)


def _answers(contradicted: Sequence[Sequence[SealResult]], zone: str | None) -> Item:
    """Whoever signs reads what each of them said."""
    jars = [
        f"jar {found[0].jar}: " + "; ".join(told(one, lambda at: local_time(at, zone)) for one in found)
        for found in contradicted
    ]
    evidence = ". ".join(jars) or "of no jar did two people say different things"
    return Item("answers", "Nobody contradicted another about a seal", not jars, evidence)


def signature(
    rows: Sequence[Row], items: Sequence[Item], content: str, operators: frozenset[str]
) -> Signature | None:
    """The newest ``review`` entry, valid only for exactly this content and with a reason for each failing line.

    The entry's body: ``{"content": hash, "meaning": text, "reasons": {key: text}}``; ``by`` names the reviewer.
    """
    reviews = [row for row in rows if row.kind == "review" and row.by]
    if not reviews:
        return None
    newest = reviews[-1]
    reasons = newest.body.get("reasons")
    reasons = reasons if isinstance(reasons, Mapping) else {}
    bare = [item.title for item in items if item.ok is False and not str(reasons.get(item.key) or "").strip()]
    lapsed = ""
    if newest.body.get("content") != content:
        lapsed = "the record has changed since it was signed"
    elif any(item.key == "sums" and item.ok is False for item in items):
        lapsed = "the jars do not add up; no reason stands in for a jar"
    elif bare:
        lapsed = f"no reason was written for: {bare[0]}"
    return Signature(
        by=str(newest.by),
        at=newest.at,
        meaning=str(newest.body.get("meaning") or "reviewed"),
        valid=not lapsed,
        lapsed=lapsed,
        self_review=str(newest.by) in operators,
    )
