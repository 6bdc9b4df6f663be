"""Everything people said about a run, line by line, with both times where it was said late, and what was corrected."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from monitor.jars.rows import instant
from monitor.jars.seals import QUESTIONS
from monitor.plan.containers import JAR_NAMES
from monitor.record.changes import laid_over
from monitor.store.entries import LATE_ENTRY_S

#: Longer bodies are cut here; the whole entry is in the record inside the page.
_LONGEST = 160


@dataclass(frozen=True, slots=True)
class Line:
    """One entry as printed. ``entered`` is given only where it was made more than five minutes after the event."""

    number: str
    happened: datetime
    entered: datetime | None
    by: str
    what: str
    reason: str
    replaced_by: int | None


def lines(entries: Sequence[Mapping[str, Any]], run_id: str) -> list[Line]:
    """The log of a run. Entries of other runs (a reprocessing) are told as such."""
    rows = sorted(entries, key=lambda row: int(row["id"]))
    replaced = {row["corrects"]: int(row["id"]) for row in rows if row.get("corrects") is not None}
    by_id = {int(row["id"]): row for row in rows}
    header: dict[str, Any] = {}
    found = []
    for row in rows:
        what = _what(row, by_id, header, run_id)
        if row["kind"] == "header_changed" and not _is_of_another(row, run_id):
            header = laid_over(header, row["body"])
        elif row["kind"] == "run_started" and row.get("run_id") == run_id:
            header = dict(row["body"])
        found.append((row, _line(row, what, replaced)))
    return _merged(found)


def _merged(found: Sequence[tuple[Mapping[str, Any], Line]]) -> list[Line]:
    """Jar after jar judged alike by one person within the hour: one line that names them all."""
    told: list[Line] = []
    jars: list[int] = []
    first: Mapping[str, Any] = {}
    for row, line in found:
        if told and jars and _goes_on(first, row, line, jars, told[-1]):
            jars.append(row["body"]["jar"])
            start = told[-1].number.partition("–")[0]
            told[-1] = replace(
                told[-1],
                number=f"{start}–{line.number}",
                what=_jars(jars) + line.what[line.what.index(" seal") :],
            )
            continue
        told.append(line)
        first = row
        plain = row["kind"] == "jar_seal" and _bare(line) and isinstance(row["body"].get("jar"), int)
        jars = [row["body"]["jar"]] if plain else []
    return told


def _bare(line: Line) -> bool:
    return line.entered is None and line.replaced_by is None and not line.reason


def _goes_on(
    first: Mapping[str, Any], row: Mapping[str, Any], line: Line, jars: Sequence[int], last: Line
) -> bool:
    same = {key: value for key, value in first["body"].items() if key != "jar"} == {
        key: value for key, value in row["body"].items() if key != "jar"
    }
    number = row["body"].get("jar")
    near = (line.happened - last.happened).total_seconds() <= 3600.0
    in_order = isinstance(number, int) and number == jars[-1] + 1
    return bool(
        row["kind"] == "jar_seal" and same and near and in_order and _bare(line) and line.by == last.by
    )


def _jars(jars: Sequence[int]) -> str:
    return f"jars {jars[0]}–{jars[-1]}"


def _is_of_another(row: Mapping[str, Any], run_id: str) -> bool:
    """Whether it was said of a run that reprocesses jars of this one."""
    return row.get("run_id") not in (None, run_id)


def _line(row: Mapping[str, Any], what: str, replaced: Mapping[Any, int]) -> Line:
    entered = instant(str(row["at_utc"]))
    happened = instant(str(row.get("happened_utc") or row["at_utc"]))
    late = (entered - happened).total_seconds() > LATE_ENTRY_S
    reason = str(row.get("reason") or ("no reason given" if late or row.get("corrects") else ""))
    return Line(
        number=str(row["id"]) if int(row["id"]) > 0 else "\u2013",
        happened=happened,
        entered=entered if late else None,
        by=str(row.get("by") or "not said"),
        what=what,
        reason=reason,
        replaced_by=replaced.get(row["id"]),
    )


def _what(
    row: Mapping[str, Any], by_id: Mapping[int, Mapping[str, Any]], header: Mapping[str, Any], run_id: str
) -> str:
    kind, body = str(row["kind"]), row["body"] if isinstance(row["body"], Mapping) else {}
    if not _is_own(row, run_id):
        return _elsewhere(row, kind, body)
    if _is_of_another(row, run_id):
        before = dict(row, run_id=run_id)
        return f"in run {row['run_id']}: {_what(before, by_id, {}, run_id)}"
    if kind == "header_changed":
        changes = _changes(header, body, "")
        return "header changed: " + ("; ".join(changes) or "nothing differs")
    text = _WORDS[kind](body) if kind in _WORDS else f"{_plain(kind)} {_short(body)}"
    old = by_id.get(row["corrects"]) if row.get("corrects") is not None else None
    if old is None:
        return text
    if kind == "correction":
        text = _corrected(old, body)
    return f"corrects entry {old['id']} ({_plain(str(old['kind']))}): {text}"


def _is_own(row: Mapping[str, Any], run_id: str) -> bool:
    return row.get("run_id") in (None, run_id)


def _elsewhere(row: Mapping[str, Any], kind: str, body: Mapping[str, Any]) -> str:
    """What was said of a run that reprocesses jars of this one."""
    if kind == "run_started" or "reprocess_jars" in body:
        numbers = _numbers(body.get("reprocess_jars"))
        go_on = f"jar {numbers} goes on" if numbers.isdigit() else f"jars {numbers} go on"
        return f"{go_on} in run {row.get('run_id')}" + ("" if kind == "run_started" else ", corrected")
    if kind == "correction":
        return f"of run {row.get('run_id')}: corrects entry {row.get('corrects')}: {_short(body)}"
    return f"of run {row.get('run_id')}: {_WORDS[kind](body) if kind in _WORDS else _plain(kind)}"


def _corrected(old: Mapping[str, Any], body: Mapping[str, Any]) -> str:
    if body.get("withdrawn"):
        return "withdrawn"
    before = {**old["body"], "happened_utc": old.get("happened_utc")}
    return "; ".join(_changes(before, body, "")) or _short(body)


def _changes(old: Any, new: Mapping[str, Any], path: str) -> list[str]:
    """``name: old → new`` for each value that differs."""
    found = []
    for key, value in new.items():
        before = old.get(key) if isinstance(old, Mapping) else None
        if isinstance(value, Mapping):
            found += _changes(before, value, f"{path}{key}.")
        elif before != value:
            found.append(f"{path}{key}: {_value(before)} → {_value(value)}")
    return found


def _value(value: Any) -> str:
    return "nothing" if value is None else str(value)


def _plain(kind: str) -> str:
    return kind.replace("_", " ")


def _short(body: Mapping[str, Any]) -> str:
    text = json.dumps(dict(body), ensure_ascii=False)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


def _numbers(jars: Any) -> str:
    return ", ".join(str(jar) for jar in jars) if isinstance(jars, list | tuple) and jars else "all"


def _seal(body: Mapping[str, Any]) -> str:
    if body.get("broken"):
        return f"jar {body.get('jar')}: broken"
    if body.get("opened"):
        return f"jar {body.get('jar')}: opened for a test"
    answers = ", ".join(f"{question} {body.get(question) or 'not answered'}" for question in QUESTIONS)
    return f"jar {body.get('jar')} seal: {answers}"


def _again(body: Mapping[str, Any]) -> str:
    if not body.get("reprocess_of"):
        return ""
    lids = ", new lids" if body.get("new_lids") is True else ""
    return f", to reprocess jars {_numbers(body.get('reprocess_jars'))} of run {body['reprocess_of']}{lids}"


def _mark(body: Mapping[str, Any]) -> str:
    text = f" ({body['text']})" if body.get("text") else ""
    return f"marked: {_plain(str(body.get('kind')))}{text}"


def _closed(body: Mapping[str, Any]) -> str:
    return f"deviation {body.get('deviation')} closed: cause {body.get('cause')}; action {body.get('action')}"


def _lifted(body: Mapping[str, Any]) -> str:
    return f"{body.get('out')} jars came out; broken: {_numbers(body.get('broken')) if body.get('broken') else 'none'}"


def _timing(body: Mapping[str, Any]) -> str:
    return f"own timing signed: {body.get('how')}; {body.get('from_utc')} to {body.get('to_utc')}"


def _review(body: Mapping[str, Any]) -> str:
    reasons = body.get("reasons")
    notes = "; ".join(f"{key}: {why}" for key, why in reasons.items()) if isinstance(reasons, Mapping) else ""
    return f"review signed: {body.get('meaning') or 'reviewed'}" + (f" ({notes})" if notes else "")


def _planned(body: Mapping[str, Any]) -> str:
    minutes = body.get("minutes")
    time = f", {minutes:g} min" if isinstance(minutes, int | float) else ""
    jar = JAR_NAMES.get(str(body.get("jar")), body.get("jar"))
    return f"planned: {body.get('food')}, {body.get('pack')} pack, {jar}{time}"


def _ticked(body: Mapping[str, Any]) -> str:
    done, whole = body.get("done") or (), body.get("all") or ()
    left = [_plain(str(step)) for step in whole if step not in done]
    return f"checklist: {len(done)} of {len(whole)} ticked" + (
        f"; not ticked: {', '.join(left)}" if left else ""
    )


def _loading(body: Mapping[str, Any]) -> str:
    told = [
        f"{name} {body[key]}{unit}"
        for key, name, unit in (
            ("jars", "jars", ""),
            ("coldest_jar_C", "coldest jar", " °C"),
            ("water_C", "water", " °C"),
        )
        if body.get(key) is not None
    ]
    return f"at loading: {', '.join(told) or 'nothing said'}"


_WORDS: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "run_started": lambda body: f"run started: {body.get('run_id')}{_again(body)}",
    "run_ended": lambda body: (
        "called off, no jars went in: it counts as no reprocessing" if body.get("called_off") else "run ended"
    ),
    "plan": _planned,
    "checklist": _ticked,
    "loading": _loading,
    "mark": _mark,
    "manual_reading": lambda body: f"read by hand: {body.get('water_C')} °C with {body.get('thermometer')}",
    "jar_seal": _seal,
    "jar_disposition": lambda body: f"jar {body.get('jar')} to: {_plain(str(body.get('to')))}",
    "jar_recheck": lambda body: f"jar {body.get('jar')} looked at again: {_plain(str(body.get('found')))}",
    "jars_lifted_count": _lifted,
    "deviation_opened": lambda body: f"deviation opened: {body.get('what') or body.get('text')}",
    "deviation_closed": _closed,
    "alarm_acknowledged": lambda body: f"alarm acknowledged: {body.get('alarm_id')}",
    "alarm_silenced": lambda body: f"alarm silenced: {body.get('alarm_id') or 'all'}",
    "own_timing": _timing,
    "evaluation": lambda body: (
        f"opinion of {body.get('person')} ({body.get('competence')}): {body.get('opinion')}"
    ),
    "review": _review,
}
