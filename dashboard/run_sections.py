"""The lower half of a run's page: its jars, deviations, alarms, everything people said, and what to take along."""

from __future__ import annotations

import io
import json
import tempfile
import zipfile
from collections import Counter
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import streamlit as st

from dashboard import alarm_model, data, figures, jars_model, look, run_data, settings, words
from monitor.errors import MonitorError
from monitor.jars import BatchState, batch_state, jar_code
from monitor.jars.alike import alike
from monitor.proof.dossier import entry_form
from monitor.proof.folder import seal_export
from monitor.proof.hand_out import proof_file
from monitor.proof.log import Line, lines
from monitor.proof.signing import Key, standing_key
from monitor.store.export import export_run, safe_name
from monitor.store.stamp import SYSTEM_TIME


def _is_over(found: run_data.OneRun, verdict: Mapping[str, Any]) -> bool:
    """A record from elsewhere may not say where it ended: what it is judged as tells."""
    return found.row.ended_utc is not None or (found.row.imported and verdict.get("verdict") is not None)


def state_of(found: run_data.OneRun, verdict: Mapping[str, Any]) -> BatchState | None:
    """What became of the jars; ``None`` while the run is on, or where its entries do not add up."""
    if not _is_over(found, verdict):
        return None
    try:
        return batch_state(found.run, verdict, found.entries, datetime.now(UTC), found.again, found.before)
    except MonitorError:
        # The page after the heat says what is wrong with them.
        return None


def one_jar(state: BatchState | None, asked: str) -> None:
    """The jar whose label was read, before everything else: its seal, where it is, its code, and its batch."""
    if not asked:
        return
    jar = next((one for one in state.jars if str(one.jar) == asked), None) if state is not None else None
    if state is None or jar is None:
        look.page(
            f'<p class="bw-big" role="status">This run tells of no jar {look.esc(asked[:20])}.</p>'
            "<p>Read the number again from the label.</p>"
        )
        return
    _, seal, place, why, do = jars_model.jar_cells(jar, state.zone, datetime.now(UTC))
    runs = [("This batch came from", state.parent_run), ("It went on in", jar.child_run)]
    facts = [
        ("Where it is", place),
        ("Why", why),
        ("What to do", do),
        ("Food", state.food or figures.MISSING),
        ("Processed", state.processed_on.isoformat()),
        ("Lot, jar", f"{state.lot or 'no lot code'}, jar {jar.jar}"),
        ("Code on the label", jar_code(state.run_id, jar.jar)),
        *((name, run_id) for name, run_id in runs if run_id),
        ("The other jars of the batch", _siblings(state, jar.jar)),
    ]
    look.page(
        f'<section class="bw-board" data-tone="{look.esc(seal.tone)}" aria-label="Jar {jar.jar}">'
        f'<h2 class="bw-big">Jar {jar.jar}: {look.sign(seal)}</h2>'
        + look.facts_table([(name, value) for name, value in facts if value], f"Jar {jar.jar}")
        + "</section>"
    )


def _siblings(state: BatchState, number: int) -> str:
    """Where the other jars of the batch are, counted."""
    places = Counter((one.gone or one.status.value) for one in state.jars if one.jar != number)
    return "; ".join(f"{count} {place}" for place, count in places.items()) or "none"


def jars(found: run_data.OneRun, state: BatchState | None, asked: str = "") -> None:
    """Each jar's seal and place, and the way to the page where they are judged; ``asked`` is pointed at."""
    if state is None or not state.jars:
        return
    rows = []
    for group in alike(state.jars):
        _, seal, place, why, do = jars_model.jar_cells(group.shown, state.zone, datetime.now(UTC))
        numbers = ", ".join(
            f'<span aria-current="true">▶ {number}, this jar</span>' if str(number) == asked else str(number)
            for number in group.numbers
        )
        rows.append(
            (f"<strong>{numbers}</strong>", look.sign(seal), look.esc(place), look.esc(why), look.esc(do))
        )
    link = f'<a href="/jars?run={quote(found.row.run_id, safe="")}" target="_self">Judge seals, place jars, review</a>'
    look.page(
        f"<h2>The jars</h2><p>{look.esc(jars_model.headline(state))} {link}</p>"
        + look.table(("Jars", "Seal", "Place", "Why", "What to do"), rows, "The jars")
    )


def deviations(found: run_data.OneRun, state: BatchState | None) -> None:
    """What departed from the plan, and how each was closed."""
    if state is None or not state.deviations:
        return
    rows = []
    for item in state.deviations:
        when = look.when(item.start_s, found.run) if item.start_s is not None else figures.MISSING
        closed = f"closed by {item.closed_by}: {item.cause} {item.action}" if not item.is_open else ""
        sign = look.esc(closed) if closed else look.sign(words.Sign("Open", "ring", "○", "unsure"))
        rows.append((look.esc(item.number), look.esc(item.what), look.esc(when), sign))
    look.page(
        "<h2>Deviations</h2>" + look.table(("No.", "What", "From", "How it stands"), rows, "Deviations")
    )


def alarms(found: run_data.OneRun) -> None:
    """The alarm journal of the run: each alarm, and what became of it."""
    told = alarm_model.history(found.journal)
    if not told:
        return
    rate, started_utc, rows = data.house_now().rate, found.row.started_utc, []
    for item in told:
        steps = "; ".join(
            f"{figures.local_time(figures.by_run_clock(figures.parse_utc(utc), started_utc, rate), found.run.zone)} "
            f"{what}"
            for utc, what in item.steps
        )
        tone = "alarm" if item.priority == "high" else "quiet"
        glyph = "▲" if item.priority == "high" else "△"
        name = f'<span class="bw-tone-{tone}"><span aria-hidden="true">{glyph}</span> {look.esc(item.headline)}</span>'
        rows.append((name, look.esc(item.priority), look.esc(steps)))
    look.page("<h2>Alarms</h2>" + look.table(("Alarm", "Urgency", "What became of it"), rows, "Alarms"))


def said(found: run_data.OneRun) -> None:
    """Everything people said, corrections beside what they correct; a record from elsewhere has its marks alone."""
    if found.entries:
        log = lines([entry_form(entry) for entry in found.entries], found.row.run_id)
        rows = [_log_cells(line, found.run.zone) for line in log]
        heads = ("No.", "When", "Who", "What")
        look.page("<h2>What people said</h2>" + look.table(heads, rows, "What people said"))
        return
    rows = [
        (
            look.esc(look.when(mark.t_s, found.run)),
            look.esc(words.MARKS.get(mark.kind, mark.kind)),
            look.esc(mark.by or ""),
            look.esc(mark.text or ""),
        )
        for mark in found.run.marks
    ]
    if rows:
        heads = ("Since the start", "Mark", "Who", "Words")
        look.page("<h2>What people said</h2>" + look.table(heads, rows, "What people said"))


def _log_cells(line: Line, zone: str | None) -> tuple[str, ...]:
    notes = []
    if line.entered is not None:
        notes.append(f"entered {figures.local_time(line.entered, zone)}")
    if line.reason:
        notes.append(f"reason: {line.reason}")
    tail = f' <span class="bw-note">({look.esc("; ".join(notes))})</span>' if notes else ""
    what = look.esc(line.what)
    if line.replaced_by is not None:
        what = f"<s>{what}</s> <strong>replaced by entry {line.replaced_by}</strong>"
    when = figures.local_time(line.happened, zone)
    return look.esc(line.number), look.esc(when), look.esc(line.by), what + tail


# --- what to take along ------------------------------------------------------------------------------------


def take_along(found: run_data.OneRun, verdict: Mapping[str, Any]) -> None:
    """The proof, the record and the verdict as files; each is made when it is asked for."""
    look.page(
        "<h2>Take it along</h2><p>The proof is one page that opens anywhere and prints; "
        "<code>boilwitness verify</code> checks every byte of it. The record is plain files.</p>"
    )
    run_id, folder = found.row.run_id, settings.current().data_dir
    name = safe_name(run_id)
    with st.container(horizontal=True):
        if _is_over(found, verdict):
            st.download_button(
                "Proof (HTML)",
                lambda: proof_bytes(folder, run_id),
                f"proof-{name}.html",
                "text/html",
                on_click="ignore",
                type="primary",
                key="take_proof",
            )
        st.download_button(
            "Record (ZIP)",
            lambda: record_bytes(folder, run_id, verdict),
            f"{name}.zip",
            "application/zip",
            on_click="ignore",
            key="take_record",
        )
        st.download_button(
            "Verdict (JSON)",
            json.dumps(verdict, ensure_ascii=False, indent=2).encode(),
            f"verdict-{name}.json",
            "application/json",
            on_click="ignore",
            key="take_verdict",
        )
    if not _is_over(found, verdict):
        look.page('<p class="bw-note">The proof is made once the run is over.</p>')


def proof_bytes(data_dir: Path, run_id: str) -> bytes:
    """The proof page of a finished run, judged again as it is made. Raises ``MonitorError``."""
    with data.store_in(data_dir) as conn:
        return proof_file(conn, run_id, SYSTEM_TIME.utc_now())[1]


def _key(data_dir: Path) -> Key | None:
    """The household's key where it stands and can be used; the collector says where it cannot."""
    try:
        return standing_key(data_dir)
    except MonitorError:
        return None


def record_bytes(data_dir: Path, run_id: str, verdict: Mapping[str, Any]) -> bytes:
    """The run's folder as an export writes it, sealed, with the verdict beside it, in one archive."""
    packed = io.BytesIO()
    with tempfile.TemporaryDirectory(prefix="boilwitness-") as name, zipfile.ZipFile(packed, "w") as archive:
        with data.store_in(data_dir) as conn:
            folder = export_run(conn, run_id, Path(name) / safe_name(run_id))
            (folder / "verdict.json").write_text(json.dumps(verdict, ensure_ascii=False, indent=2), "utf-8")
            seal_export(conn, run_id, folder, _key(data_dir))
        for path in sorted(folder.iterdir()):
            archive.write(path, f"{folder.name}/{path.name}", zipfile.ZIP_DEFLATED)
    return packed.getvalue()
