"""The proof of a run: one standalone page, a function of its dossier. Nothing in it is fetched or runs."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from typing import Any

from monitor.errors import UsageError
from monitor.jars import Basis, BatchState, batch_state
from monitor.jars.revisions import revisions
from monitor.jars.rows import instant, rows_of
from monitor.judge.daytime import COUNTS_FROM
from monitor.judge.words import exact
from monitor.proof import after, facts
from monitor.proof.dossier import Dossier
from monitor.proof.envelope import blocks
from monitor.proof.figures import clock, day_time, esc
from monitor.proof.log import lines
from monitor.proof.trace import STATES, lettered, picture
from monitor.proof.words import CHECK, HOW, NOT_SAID, VERDICTS, headline
from monitor.record import Run
from monitor.record.taken_in import TakenIn
from monitor.store.entries import AS_TAKEN_IN
from monitor.tables.guidance import fact

#: Guidance that every verdict leans on: when the clock starts, when it starts again, and that no limit is published.
ALWAYS = ("G1", "G4", "G6")

#: A stretch of doubt shorter than this gets no line of its own. [s]
SHORT_S = 10.0

_SHAPES = {
    "tick": '<circle cx="32" cy="32" r="29"/><path d="M18 33l10 11 19-23"/>',
    "cross": '<rect x="4" y="4" width="56" height="56"/><path d="M20 20l24 24M44 20l-24 24"/>',
    "diamond": '<path d="M32 3l29 29-29 29L3 32z"/><path d="M25 26c0-10 15-9 14 0-1 6-7 6-7 12M32 45v1"/>',
}


def draw(dossier: Dossier) -> bytes:
    """The page with the record inside it, before signature and last line. Raises RecordError."""
    run = dossier.run()
    # The record tells that a reprocessing began and not what became of it: no place is claimed for its jars.
    # What stands for a record as it was taken in is no entry that a review was signed over.
    entries = [row for row in dossier.entries if row["id"] != AS_TAKEN_IN]
    state = batch_state(run, dossier.verdict, entries, instant(dossier.issued_utc), again={})
    said = lines(dossier.entries, run.run_id)
    parts = [
        _head(run),
        _title(run, dossier, state),
        _verdict(dossier.verdict, state, dossier.taken_in),
        after.corrections(run, revisions(run, dossier.entries)),
        _trace(run, dossier.verdict),
        _facts(run, dossier, state),
        after.jar_table(run, state),
        after.deviation_table(run, state),
        after.alarm_table(run, dossier.alarms),
        '<div class="sides"><div>',
        _stretches(run, dossier.verdict),
        "</div><div>",
        _budget(dossier.verdict),
        "</div></div>",
        _sources(dossier.verdict),
        after.log_list(run, said),
        _guidance(dossier.verdict),
        _check(run, dossier, state),
        "</main>\n",
    ]
    return "\n".join(parts).encode("utf-8", "replace") + blocks(dossier)


def _head(run: Run) -> str:
    css = resources.files(__package__).joinpath("page.css").read_text("utf-8")
    # The policy lets nothing load and nothing run, whatever a name in the record tries.
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width,initial-scale=1"><meta name="color-scheme" '
        f'content="only light"><meta name="generator" content="boilwitness">'
        f"<title>Proof of run {esc(run.run_id)}</title>\n<style>\n{css}</style></head><body><main>"
    )


def _title(run: Run, dossier: Dossier, state: BatchState) -> str:
    invented = str(run.extra.get("origin") or "")
    source = invented.removeprefix("invented: ") or "made by a model"
    banner = ""
    if run.extra.get("simulated") or invented.startswith("invented"):
        banner = f'<p class="invented">INVENTED DATA, for demonstration: {esc(source)}.</p>'
    return (
        '<header><p class="house">Boiling-water canning · record of one process</p>'
        f"<h1>Proof of run {esc(run.run_id)}</h1>"
        f"<p>Issued {esc(day_time(run, instant(dossier.issued_utc)))} by boilwitness "
        f"{esc(dossier.engine.get('version'))} from the record that this page carries inside it.</p>"
        f"{_reprocessed(state)}</header>{banner}"
    )


def _reprocessed(state: BatchState) -> str:
    """That this is the second process of jars which had one before; empty where it is not."""
    if not state.parent_run:
        return ""
    jars = ", ".join(map(str, state.parent_jars)) or "(nobody said which)"
    noun = "jar" if len(state.parent_jars) == 1 else "jars"
    return f"<p><b>REPROCESSING of {noun} {esc(jars)} of run {esc(state.parent_run)}.</b></p>"


def _verdict(verdict: Mapping[str, Any], state: BatchState, came: TakenIn | None) -> str:
    unsealed = came.words if came is not None and not came.was_sealed else ""
    word, shape = VERDICTS[str(verdict["verdict"])]
    reasons = "".join(f"<li>{esc(text)}</li>" for text in verdict.get("reasons", ()))
    notes = "" if verdict["verdict"] == "held" else _then(verdict, state)
    return (
        f'<section class="verdict {esc(verdict["verdict"])}"><svg class="shape" viewBox="0 0 64 64" role="img" '
        f'aria-label="{word.lower()}">{_SHAPES[shape]}</svg><div><p class="word">{word}</p>'
        f'<p class="say">{esc(headline(verdict))}</p>'
        + (f'<ul class="reasons">{reasons}</ul>' if reasons else "")
        + (f'<p class="basis"><b>{esc(unsealed)}</b></p>' if unsealed else "")
        + f"{notes}</div></section>"
        + '<section class="not"><h2>What this page does not say</h2><ul>'
        + "".join(f"<li>{esc(text)}</li>" for text in NOT_SAID)
        + "</ul></section>"
    )


def _then(verdict: Mapping[str, Any], state: BatchState) -> str:
    """What was to be done, and what somebody signed for instead."""
    advice = _advice(verdict, state)
    signed = state.standing.basis in (Basis.OWN_TIMING, Basis.EVALUATED)
    told = [advice, f"Jars: {state.standing.words}." if signed else ""]
    return "".join(f'<p class="basis">{esc(text)}</p>' for text in told if text)


def _advice(verdict: Mapping[str, Any], state: BatchState) -> str:
    """What the verdict advises, unless every jar had its place when the page was issued, or had no time left."""
    return state.instead_of_advice or str((verdict.get("advice") or {}).get("text") or "")


def _trace(run: Run, verdict: Mapping[str, Any]) -> str:
    marks = "".join(
        f"<li><b>{esc(letter)}</b> {esc(clock(run, t_s))} {esc(text)}</li>"
        for letter, t_s, text in lettered(run)
    )
    return (
        f'<figure>{picture(run, verdict)}<figcaption><ul class="marks">'
        f"{marks or '<li>nobody marked anything</li>'}</ul></figcaption></figure>"
    )


def _facts(run: Run, dossier: Dossier, state: BatchState) -> str:
    rows = rows_of(dossier.entries)
    again = facts.reprocessing_facts(run, state)
    return (
        '<div class="pair facts-pair">'
        + facts.block("Time", facts.time_facts(run, dossier.verdict))
        + facts.block("Batch", facts.batch_facts(run, _people(run, dossier), rows, state.sums.loaded))
        + facts.block("Place and boiling point", facts.place_facts(run, dossier.verdict))
        + facts.block("Probe", facts.probe_facts(run, dossier.verdict, rows))
        + (facts.block("Reprocessing", again) if again else "")
        + "</div>"
    )


def _people(run: Run, dossier: Dossier) -> list[str]:
    names = [str(run.extra["started_by"])] if run.extra.get("started_by") else []
    names += [mark.by for mark in run.marks if mark.by]
    names += [str(row["by"]) for row in dossier.entries if row.get("by")]
    return list(dict.fromkeys(names))


def _stretches(run: Run, verdict: Mapping[str, Any]) -> str:
    """Every boiling stretch and whatever else lasted; seconds of doubt between two are counted, not listed."""
    rows, short = [], 0
    for stretch in verdict.get("stretches", ()):
        start, end = float(stretch["start_s"]), float(stretch["end_s"])
        boiling = stretch["state"] == "boiling"
        if stretch["state"] == "unknown" and end - start < SHORT_S:
            short += 1
            continue
        times = f"{clock(run, start, late=boiling)} to {clock(run, end, late=not boiling)}"
        state = STATES.get(stretch["state"], stretch["state"])
        rows.append((times, state, exact(end - start, up=not boiling), stretch["why"]))
    html = facts.table(
        "Stretches", ("When", "State", "For", "Why"), rows, none="No stretch could be told.", kind="stretches"
    )
    told = [_event(run, event) for event in verdict.get("events", ())]
    notes = (
        [f"{short} unknown of less than {SHORT_S:.0f} s each are not listed, and count as unknown."]
        if short
        else []
    )
    notes.append(f"Events: {'; '.join(told) or 'none was raised'}.")
    return html + "".join(f'<p class="note">{esc(text)}</p>' for text in notes)


def _event(run: Run, event: Mapping[str, Any]) -> str:
    name, onset = str(event["kind"]).replace("_", " "), event.get("onset_s")
    told = clock(run, float(event["raised_s"]), late=True)
    if onset is None:
        return f"{name}, told at {told}"
    # What begins to count or is complete, dated up, as the hold above.
    return f"{name} {clock(run, float(onset), late=event['kind'] in COUNTS_FROM)}, told at {told}"


def _budget(verdict: Mapping[str, Any]) -> str:
    """The terms as a table; where each came from below it, numbered."""
    budget = verdict.get("budget") or {}
    terms = list(budget.get("rows", ()))
    rows = [
        (
            f"{number}. {row['term']}",
            f"{row['value']} {row['unit']}",
            row["distribution"],
            f"{row['standard_K']:.3f}",
        )
        for number, row in enumerate(terms, 1)
    ]
    if "expanded_uncertainty_K" in budget:
        rows.append(
            (
                "expanded, k = 2",
                "",
                "",
                f"{budget['expanded_uncertainty_K']:.2f}",
            )
        )
    return facts.table(
        "Uncertainty of reading against boiling point",
        ("Term", "Given", "Distribution", "u, K"),
        rows,
        none="No budget could be made.",
        kind="budget",
    )


def _sources(verdict: Mapping[str, Any]) -> str:
    budget = verdict.get("budget") or {}
    told = [f"{number}. {row['source']}" for number, row in enumerate(budget.get("rows", ()), 1)]
    notes = [str(note).rstrip(".") for note in budget.get("notes", ())]
    text = "; ".join(told) + ("." if told else "") + "".join(f" {note}." for note in notes)
    return f'<p class="note sources">Uncertainty, sources: {esc(text)}</p>' if told else ""


def _guidance(verdict: Mapping[str, Any]) -> str:
    numbers = [*ALWAYS, *(verdict.get("advice") or {}).get("guidance", ())]
    items = "".join(
        f"<li><b>{esc(number)}</b> {esc(text)}</li>" for number, text in map(_cited, dict.fromkeys(numbers))
    )
    return f'<section class="block list"><h2>Published guidance relied on</h2><ul>{items}</ul></section>'


def _cited(number: str) -> tuple[str, str]:
    try:
        found = fact(number)
    except UsageError:
        return number, "no longer in this program's table"
    caveat = f"; {found.caveat}" if found.caveat else ""
    return number, f"{found.fact} [{found.source}{caveat}]"


def _check(run: Run, dossier: Dossier, state: BatchState) -> str:
    held = dossier.verdict["verdict"] == "held"
    rows = [
        *([("What to do", _advice(dossier.verdict, state))] if held else []),
        ("Review", after.review_line(run, state).removeprefix("Review: ")),
        ("Keep this record until", after.keep_until(run, state).isoformat()),
        ("Seal in the chain", _chain(run, dossier)),
        (
            "Decided, drawn by",
            f"boilwitness {dossier.engine.get('version')}: rules {dossier.engine.get('rules_sha256')}, "
            f"page {dossier.page_sha256[:16]}",
        ),
    ]
    return (
        facts.block("Record and seal", rows, "seal")
        + f'<section class="block how"><h2>How to check this page without us</h2>{HOW}'
        f"<pre>{esc(CHECK)}</pre></section>"
    )


def _chain(run: Run, dossier: Dossier) -> str:
    came = f". {dossier.taken_in.words}" if dossier.taken_in is not None else ""
    if not dossier.seals:
        return f"none: when this page was issued the record had no seal in a store's chain{came}"
    seal = dossier.seals[-1]
    again = f"; sealed {len(dossier.seals)} times" if len(dossier.seals) > 1 else ""
    return f"no. {seal.seal_id}, {day_time(run, instant(seal.sealed_utc))}, chain {seal.chain}{again}{came}"
