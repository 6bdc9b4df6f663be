"""Whether the append-only tables and the samples of a store are as its seals found them."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any

from monitor.proof.canon import digest_lines
from monitor.proof.chain import Seal
from monitor.proof.cover import TABLES, digest_of, newest, placed_since, table_rows
from monitor.proof.report import Report


def check_cover(conn: sqlite3.Connection, chain: Sequence[Seal], report: Report) -> None:
    """Every table and every sample against every seal. Raises KeyError, TypeError, ValueError on a broken one."""
    told = [_check_table(conn, table, chain, report) for table in TABLES]
    report.remark("covered by seals: " + ", ".join(text for text in told if text))
    _check_samples(conn, chain, report)


def _check_table(conn: sqlite3.Connection, table: str, chain: Sequence[Seal], report: Report) -> str:
    after, covered = 0, 0
    if not is_there(conn, table) and not any(seal.said.get(table) for seal in chain):
        return ""  # A copy of an older form is looked at as it is.
    name = table.replace("_", " ")
    for seal in chain:
        said = seal.said.get(table)
        if said is None and after == 0 and table not in ("entries", "alarms"):
            continue  # The first form of seals did not speak of this table.
        if not isinstance(said, Mapping):
            report.problem(f"seal {seal.seal_id} does not say which {name} it covers")
            return ""
        if said["after"] != after:
            report.problem(
                f"seal {seal.seal_id} does not go on with the {name} where the one before it ended"
            )
        count, digest = digest_lines(table_rows(conn, table, said["after"], said["upto"]))
        if (count, digest) != (said["count"], said["sha256"]):
            report.problem(
                f"{name} {said['after'] + 1} to {said['upto']} are not as seal {seal.seal_id} found them: "
                f"{_rows_differ(count, said['count'])}"
            )
        after, covered = said["upto"], covered + count
    since = sum(1 for _ in table_rows(conn, table, after, newest(conn, table)))
    return f"{covered} {name}" + (f" ({since} more wait for the next seal)" if since else "")


def is_there(conn: sqlite3.Connection, table: str) -> bool:
    """Whether the store has such a table."""
    row = conn.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", (table,)).fetchone()
    return row is not None


def _rows_differ(count: int, sealed: int) -> str:
    if count == sealed:
        return "one was changed, or their order"
    return f"{abs(count - sealed)} {'were removed' if count < sealed else 'were added'}"


def _check_samples(conn: sqlite3.Connection, chain: Sequence[Seal], report: Report) -> None:
    names = dict(conn.execute("SELECT node_id, name FROM nodes"))
    covered, lost = 0, dict[tuple[Any, ...], list[Any]]()
    for seal in chain:
        said = seal.said.get("samples")
        if said is None:
            continue
        for part in (*said["segments"], *said["filled"]):
            covered += part["count"]
            _check_part(conn, part, names, seal, report)
        lost |= {tuple(row[:3]): row for row in said["lost"]}
    _check_lost(conn, lost, report)
    since = int(conn.execute("SELECT count(*) FROM samples").fetchone()[0]) - covered
    waiting = f"; {since} more wait for the next seal" if since > 0 else ""
    report.remark(f"covered by seals: {covered} samples, in a run or not{waiting}")


def _check_part(
    conn: sqlite3.Connection, part: Mapping[str, Any], names: Mapping[int, str], seal: Seal, report: Report
) -> None:
    now = digest_of(conn, part)
    low, high = (
        (part["spans"][0][0], part["spans"][-1][1]) if "spans" in part else (part["after"] + 1, part["upto"])
    )
    what = (
        f"samples {low} to {high} of {names.get(part['node'], 'a node that is gone')}, start {part['boot']}, "
    )
    if (now["count"], now["sha256"]) != (part["count"], part["sha256"]):
        differ = _rows_differ(now["count"], part["count"])
        report.problem(f"{what}are not as seal {seal.seal_id} found them: {differ}")
    elif now["placed_sha256"] != part["placed_sha256"]:
        if placed_since(conn, seal.sealed_utc, part["node"], part["boot"]):
            report.remark(f"{what}have a better place in time since seal {seal.seal_id}: the journal says so")
        else:
            report.problem(
                f"{what}have another place in time than seal {seal.seal_id} found, and the journal does not say why"
            )


def _check_lost(conn: sqlite3.Connection, lost: Mapping[tuple[Any, ...], list[Any]], report: Report) -> None:
    """What was told to be lost stays told; its count may grow."""
    for key, row in lost.items():
        now = conn.execute(
            "SELECT node, boot, from_seq, count, why, at_utc FROM lost WHERE node = ? AND boot = ? AND from_seq = ?",
            key,
        ).fetchone()
        if now is None:
            report.problem(
                f"samples that were told to be lost (start {key[1]}, from {key[2]}) are told no longer"
            )
        elif list(now[4:]) != row[4:] or now[3] < row[3]:
            report.problem(f"what is said of the samples lost from {key[2]} (start {key[1]}) was changed")
