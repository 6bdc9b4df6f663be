"""The chain of seals: each holds the digest of what it covers and of the seal before it.

    digest = SHA-256(statement)                  the statement is canonical JSON
    chain  = SHA-256(previous + "\\n" + digest + "\\n")

A changed, added, removed or reordered seal breaks a link. Whoever holds one ``chain`` value elsewhere (in a proof
handed out, an export, a signature) can show a chain that was rebuilt as a whole.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.proof.canon import NOTHING_BEFORE, canonical, sha256
from monitor.proof.report import Report
from monitor.proof.signing import can_verify, is_signed_by

SEAL_FORMAT = "boilwitness-seal/1"


@dataclass(frozen=True, slots=True)
class Seal:
    """One link. ``run_id`` is empty for a seal over entries and alarms alone."""

    seal_id: int
    run_id: str
    sealed_utc: str
    digest: str
    previous: str
    chain: str
    statement: str
    signature: str | None = None
    signed_by: str | None = None

    @property
    def said(self) -> dict[str, Any]:
        """The statement as data; empty when it cannot be read."""
        try:
            form = json.loads(self.statement)
        except ValueError:
            return {}
        return form if isinstance(form, dict) else {}

    def as_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


SEAL_COLUMNS = tuple(Seal.__dataclass_fields__)


def seal_from_json(form: Mapping[str, Any]) -> Seal:
    """The inverse of :meth:`Seal.as_json`. Raises KeyError, TypeError."""
    return Seal(**{name: form[name] for name in Seal.__dataclass_fields__})


def linked(previous: str, digest: str) -> str:
    """The chain value of a seal."""
    return sha256(f"{previous}\n{digest}\n".encode("ascii", "replace"))


def signed_message(chain: str) -> bytes:
    """What a household's key signs of a seal."""
    return f"boilwitness-seal/1\n{chain}\n".encode("ascii", "replace")


def read_chain(conn: sqlite3.Connection) -> list[Seal]:
    """Every seal, in order."""
    rows = conn.execute(f"SELECT {', '.join(SEAL_COLUMNS)} FROM seals ORDER BY seal_id")
    return [Seal(*row) for row in rows]


def last_chain(seals: Sequence[Seal]) -> str:
    """What the next seal links to."""
    return seals[-1].chain if seals else NOTHING_BEFORE


def check_links(seals: Sequence[Seal], report: Report, key: str | None = None) -> None:
    """Every link and signature of a whole chain, from its beginning."""
    previous = NOTHING_BEFORE
    for number, seal in enumerate(seals, start=1):
        if seal.seal_id != number:
            report.problem(f"seal {number} is missing; the next there is {seal.seal_id}")
            return
        check_one(seal, report, key)
        if seal.previous != previous:
            report.problem(
                f"seal {number} does not follow the seal before it: one was changed, added or removed"
            )
        previous = seal.chain
    if key and not seals:
        report.remark("there is no seal that the key could have signed")
    check_unsigned(seals, report, key)


def check_one(seal: Seal, report: Report, key: str | None = None) -> None:
    """One seal against itself."""
    name = f"seal {seal.seal_id}"
    said = seal.said
    agrees = (
        canonical(said).decode("utf-8", "surrogatepass") == seal.statement
        and sha256(seal.statement.encode("utf-8", "surrogatepass")) == seal.digest
        and linked(seal.previous, seal.digest) == seal.chain
        and said.get("run_id") == seal.run_id
        and said.get("sealed_utc") == seal.sealed_utc
    )
    if not agrees:
        report.problem(f"{name} does not add up: its statement, digest or link was changed")
    _check_signature(seal, name, report, key)


def _check_signature(seal: Seal, name: str, report: Report, key: str | None) -> None:
    if (seal.signature is None) != (seal.signed_by is None):
        report.problem(f"{name} has lost half of its signature")
        return
    if seal.signature is None or seal.signed_by is None:
        return  # Whether it should be is seen from its place in the chain.
    if key and seal.signed_by != key:
        report.problem(f"{name} is signed by another key ({seal.signed_by[:16]})")
    elif not can_verify():
        report.remark(f"{name}: signature not checked; that needs the 'cryptography' library")
    elif not is_signed_by(seal.signed_by, signed_message(seal.chain), seal.signature):
        report.problem(f"{name}: the signature does not fit")


def check_unsigned(seals: Sequence[Seal], report: Report, key: str | None, signed_whole: str = "") -> None:
    """Seals without a signature, where a key was named: in order only before the first that has one.

    ``signed_whole`` is what the seals came in (a proof, a folder), where that is signed by the key as a whole: nobody
    without the key can have taken a signature off inside it. A store has no such cover. There the first signature
    covers what is before it, since each link holds the one before; a store with none could be anybody's.
    """
    if not key:
        return
    first = next((seal.seal_id for seal in seals if seal.signature is not None), None)
    older: list[int] = []
    for seal in seals:
        if seal.signature is not None or seal.signed_by is not None:
            continue
        if first is not None and seal.seal_id > first:
            report.problem(
                f"seal {seal.seal_id} is not signed, though seal {first} before it is, and a key was named"
            )
        else:
            older.append(seal.seal_id)
    if not older:
        return
    which = _numbers(older)
    if signed_whole:
        report.remark(
            f"{which}: sealed before a key was used; {signed_whole} itself is signed, and that covers it as it stood "
            "then. Whether a signature was taken off before that, it cannot show"
        )
    elif first is not None:
        report.remark(
            f"{which}: sealed before a key was used; the signature of seal {first} covers what was sealed before it, "
            "as it stood then. Whether a signature was taken off before that shows only against a chain value kept "
            "elsewhere (--chain)"
        )
    else:
        report.problem(f"{which}: not signed, nor is any other here, and a key was named")


def _numbers(ids: Sequence[int]) -> str:
    """``seal 3``, ``seals 1 to 18``, ``seals 2, 5``."""
    if len(ids) == 1:
        return f"seal {ids[0]}"
    if ids[-1] - ids[0] == len(ids) - 1:
        return f"seals {ids[0]} to {ids[-1]}"
    return f"seals {', '.join(map(str, ids))}"
