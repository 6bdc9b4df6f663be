"""Check the whole store: the chain, everything it covers, every sealed run and its verdict."""

from __future__ import annotations

import json
import sqlite3
from codecs import BOM_UTF8
from collections.abc import Mapping
from itertools import pairwise
from typing import Any

from monitor.errors import MonitorError, RecordError
from monitor.proof.as_sealed import fits, late_since, under_earlier_lead
from monitor.proof.canon import sha256
from monitor.proof.chain import Seal, check_links, read_chain
from monitor.proof.compare import compare_verdicts
from monitor.proof.dossier import RECORD_FILES, SEAL_FILE, record_bytes, run_of, verdict_form
from monitor.proof.report import Report
from monitor.proof.seal import is_finished, placed_in, shaping_since
from monitor.proof.verify_cover import check_cover, is_there
from monitor.record import Run
from monitor.record.taken_in import TAKEN_IN_FILE
from monitor.store.journal import last_restore
from monitor.store.named_here import THERE, renamed
from monitor.store.runs import House, RunFacts, read_house
from monitor.store.verdicts import said_since


def verify_store(
    conn: sqlite3.Connection,
    name: str,
    key: str | None = None,
    *,
    judge_again: bool = True,
    chain: str | None = None,
) -> Report:
    """Check a store.

    ``judge_again`` False leaves out the judging, for a copy whose runs are checked elsewhere. ``chain`` is a value
    that the chain had once.

    Raises
    ------
    StoreError, sqlite3.Error
        The file cannot be read as a store at all.
    """
    report = Report(f"store {name}")
    _quick_check(conn, report)
    seals = read_chain(conn)
    check_links(seals, report, key)
    _check_known(seals, chain, report)
    if report.problems:
        report.remark("the chain is broken; what it covers is checked as far as it can be")
    try:
        check_cover(conn, seals, report)
        house = read_house(conn)
    except (MonitorError, ValueError, KeyError, TypeError) as trouble:
        report.problem(f"the entries can no longer be read: {trouble}")
        return report
    _check_imported(conn, report)
    _check_runs(conn, house, seals, report, judge_again)
    tried = last_restore(conn)
    report.remark(
        "no restore of this store has been tried yet; once a year it should be ('boilwitness import --help')"
        if tried is None
        else f"last restore tried {tried[0]}: {tried[1]}"
    )
    if seals:
        report.remark(f"{len(seals)} seals; the chain ends in {seals[-1].chain}")
    else:
        report.sealed = False
        report.remark("NOT SEALED: no run in this store has been sealed yet")
    return report


def _check_known(seals: list[Seal], chain: str | None, report: Report) -> None:
    if chain is None:
        return
    place = next((seal for seal in seals if seal.chain == chain), None)
    if place is None:
        report.problem(f"the chain no longer leads through {chain}: seals were removed, or all made anew")
    else:
        report.remark(f"the chain leads through the value that was named, as seal {place.seal_id}")


def _quick_check(conn: sqlite3.Connection, report: Report) -> None:
    found = [row[0] for row in conn.execute("PRAGMA quick_check(3)")]
    if found != ["ok"]:
        report.problem(f"the database file is damaged: {found[0]}")


def _check_imported(conn: sqlite3.Connection, report: Report) -> None:
    for run_id, header, samples, stated in conn.execute(
        "SELECT run_id, run_json, samples_csv, sha256 FROM imported_runs ORDER BY run_id"
    ):
        if sha256(bytes(header) + b"\0" + bytes(samples)) != stated:
            report.problem(f"run {run_id}: the record is not the one that was taken in")
    if not is_there(conn, "imported_files"):
        return
    for run_id, name, content, stated in conn.execute(
        "SELECT run_id, name, content, sha256 FROM imported_files ORDER BY run_id, name"
    ):
        if sha256(bytes(content)) != stated:
            report.problem(f"run {run_id}: {name} beside it is not the one that was taken in")
    _check_kept_seals(conn, report)


def _check_kept_seals(conn: sqlite3.Connection, report: Report) -> None:
    """A record that was sealed elsewhere against the seal it came with; under another name here, nothing else is."""
    rows = conn.execute("SELECT run_id, content FROM imported_files WHERE name = ?", (SEAL_FILE,)).fetchall()
    for run_id, seal in rows:
        kept = dict(conn.execute("SELECT name, content FROM imported_files WHERE run_id = ?", (run_id,)))
        kept |= dict(zip(RECORD_FILES, _record(conn, run_id), strict=True))
        try:
            stated = json.loads(seal)["files"]
            for name in [name for name in stated if name in kept and name not in (SEAL_FILE, TAKEN_IN_FILE)]:
                came = bytes(kept.get(f"{THERE}{name}", kept[name]))
                if stated[name]["sha256"] not in (sha256(came), sha256(BOM_UTF8 + came)):
                    report.problem(f"run {run_id}: {name} does not fit the seal that it came with")
            _check_name(run_id, kept, report)
        except (ValueError, KeyError, TypeError, AttributeError):
            report.problem(f"run {run_id}: the seal that it came with cannot be read")


def _record(conn: sqlite3.Connection, run_id: str) -> tuple[bytes, bytes]:
    row: tuple[bytes, bytes] = conn.execute(
        "SELECT run_json, samples_csv FROM imported_runs WHERE run_id = ?", (run_id,)
    ).fetchone()
    return row


def _check_name(run_id: str, kept: Mapping[str, bytes], report: Report) -> None:
    """Of a record under another name here: that it is what came, but for the name."""
    header = kept.get(f"{THERE}run.json")
    if header is None:
        return
    there = json.loads(bytes(header).decode("utf-8-sig"))["run_id"]
    house = run_id.removesuffix(f"-{there}")
    for name, content in kept.items():
        if (came := kept.get(f"{THERE}{name}")) is None:
            continue
        if renamed(name, bytes(came).removeprefix(BOM_UTF8), house) != bytes(content):
            report.problem(f"run {run_id}: more than the name of {name} was changed since it came")


def _check_runs(
    conn: sqlite3.Connection, house: House, chain: list[Seal], report: Report, judge_again: bool
) -> None:
    by_run: dict[str, list[Seal]] = {}
    for seal in chain:
        if seal.run_id:
            by_run.setdefault(seal.run_id, []).append(seal)
    for run_id in by_run:
        if run_id not in house.runs:
            report.problem(f"run {run_id} was sealed and is no longer in the store")
    for run_id, facts in house.runs.items():
        if run_id in by_run:
            inner = Report(run_id)
            try:
                _check_run(conn, house, run_id, by_run[run_id], chain, inner, judge_again)
            except (KeyError, TypeError, ValueError) as trouble:
                inner.problem(f"its seals cannot be read ({trouble})")
            inner.came(facts.taken_in)
            report.take(inner, f"run {run_id}: ")
        elif is_finished(facts):
            report.remark(f"run {run_id}: over, and not sealed yet (the collector seals it, or 'prove' does)")


def _check_run(
    conn: sqlite3.Connection,
    house: House,
    run_id: str,
    seals: list[Seal],
    chain: list[Seal],
    report: Report,
    judge_again: bool,
) -> None:
    _check_reseals(conn, house, run_id, seals, report)
    said = seals[-1].said
    try:
        files = record_bytes(conn, run_id)
        run = run_of(files)
    except RecordError as trouble:
        report.problem(f"the record can no longer be read: {trouble}")
        return
    facts = house.runs[run_id]
    same = fits(files, seals[-1])
    if same:
        report.remark(f"the record is byte for byte as seal {seals[-1].seal_id} found it")
    elif placed_in(conn, house, facts, seals[-1].sealed_utc):
        report.remark("its samples have a better place in time since it was sealed: the journal says so")
    elif not facts.imported and (then := under_earlier_lead(conn, house, facts, seals[-1])) is not None:
        report.remark(
            f"the record is byte for byte as seal {seals[-1].seal_id} found it, by the earlier rule of which node leads"
        )
        run, same = run_of(then), True
    else:
        _explain(conn, house, run, seals, chain, report)
    if judge_again and same:
        again = verdict_form(run)
        compare_verdicts(said["verdict"], again, said["engine"], report)
        _check_last_verdict(conn, facts, said["verdict"], report)


def _some(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"


def _explain(
    conn: sqlite3.Connection, house: House, run: Run, seals: list[Seal], chain: list[Seal], report: Report
) -> None:
    """A record that is not as it was sealed: by what was said or came since, or by another hand."""
    facts, said = house.runs[run.run_id], seals[-1].said
    shaped = shaping_since(conn, run.run_id, said["entries"]["upto"])
    if shaped:
        report.remark(
            f"{_some(shaped, 'entry', 'entries')} changed the record since it was sealed; it waits to be sealed again"
        )
        return
    late = 0 if facts.imported else late_since(conn, house, facts, seals[-1], chain)
    if late:
        report.remark(
            f"{_some(late, 'sample', 'samples')} came late, after it was sealed; it waits to be sealed again"
        )
        return
    was, now = said["record"]["samples"], len(run.samples)
    how = "" if was == now else f" ({was} samples were sealed, {now} are there)"
    report.problem(f"the record was changed after it was sealed{how}, and nothing in the store says why")


def _check_reseals(
    conn: sqlite3.Connection, house: House, run_id: str, seals: list[Seal], report: Report
) -> None:
    """Each time a run was sealed again with another record, something in the store must say why."""
    for old, new in pairwise(seals):
        before, after = old.said, new.said
        if all(before["record"][name] == after["record"][name] for name in RECORD_FILES):
            continue
        shaped = shaping_since(conn, run_id, before["entries"]["upto"]) - shaping_since(
            conn, run_id, after["entries"]["upto"]
        )
        more = after["record"]["rows"] - before["record"]["rows"]
        if shaped > 0:
            why = f"{_some(shaped, 'entry', 'entries')} changed it"
        elif more > 0:
            why = f"{_some(more, 'sample', 'samples')} came late"
        elif placed_in(conn, house, house.runs[run_id], old.sealed_utc):
            why = "its samples got a better place in time"
        else:
            report.problem(
                f"it was sealed again with another record (seals {old.seal_id} and {new.seal_id}), and nothing in the "
                "store says why"
            )
            continue
        report.remark(f"sealed again as seal {new.seal_id}: {why}")


def _check_last_verdict(
    conn: sqlite3.Connection, facts: RunFacts, sealed: Mapping[str, Any], report: Report
) -> None:
    row = conn.execute(
        "SELECT verdict, at_utc FROM verdicts WHERE run_id = ? ORDER BY verdict_id DESC LIMIT 1",
        (facts.run_id,),
    ).fetchone()
    if row is None:
        return
    if said_since(conn, facts, row[1]):
        report.remark(
            "more was said of it since the collector wrote its last verdict down; the sealed one was judged with that"
        )
        return
    try:
        recorded = json.loads(row[0])
        same = recorded.get("verdict") == sealed.get("verdict")
        near = abs(float(recorded["proven_s"]) - float(sealed["proven_s"])) <= 30.0
    except (KeyError, ValueError, TypeError, AttributeError):
        same = near = False
    if not (same and near):
        report.problem("the verdict that the collector wrote down is not the one that was sealed")
