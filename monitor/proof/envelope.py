"""The form of a proof file: a page, the record inside it, perhaps a signature, and a last line that covers all.

    ...the page...
    <script type="application/json" id="dossier">   facts, verdict, entries, hash of each file, no markup inside
    <script type="application/gzip;base64" id="...">  one block a file of the record
    <p id="signature">...</p>                         optional: over everything above it
    <p id="sha256">...</p></body></html>              over everything above it

The last line is found by position, so that the file can be checked with nothing but a hash:
``sed '$d' proof.html | sha256sum``.
"""

from __future__ import annotations

import base64
import gzip
import json
import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor.errors import RecordError
from monitor.proof.canon import sha256
from monitor.proof.chain import seal_from_json
from monitor.proof.dossier import Dossier
from monitor.proof.report import Report
from monitor.proof.signing import Key, can_verify, is_signed_by

PROOF_FORMAT = "boilwitness-proof/1"

#: A page larger than this is no proof of ours.
LARGEST = 64 * 1024 * 1024

_HASH = re.compile(
    rb'<p id="sha256">SHA-256 of everything above this line: <code>([0-9a-f]{64})</code></p></body></html>\n'
)
_SIGNATURE = re.compile(
    rb'<p id="signature">Signed with the household key \(Ed25519\) <code>([0-9a-f]{64})</code>: '
    rb"<code>([0-9a-f]{128})</code></p>\n"
)
_BLOCK = re.compile(
    rb'<script type="(application/json|application/gzip;base64)" id="([a-z.]+)">\n(.*?)\n</script>\n',
    re.DOTALL,
)
_WIDTH = 120


@dataclass(frozen=True, slots=True)
class Opened:
    """A proof taken apart. ``page`` is all but signature and last line."""

    page: bytes
    dossier: Dossier
    sha256: str
    signed_by: str | None


def seal_page(page: bytes, key: Key | None = None) -> bytes:
    """Add the signature and the last line to a page that ends with its blocks."""
    if key is not None:
        signature = key.sign(signed_message(sha256(page)))
        page += (
            f'<p id="signature">Signed with the household key (Ed25519) <code>{key.public}</code>: '
            f"<code>{signature}</code></p>\n"
        ).encode()
    last = f'<p id="sha256">SHA-256 of everything above this line: <code>{sha256(page)}</code></p></body></html>\n'
    return page + last.encode()


def signed_message(page_sha256: str) -> bytes:
    """What a household's key signs of a proof."""
    return f"{PROOF_FORMAT}\n{page_sha256}\n".encode()


def blocks(dossier: Dossier) -> bytes:
    """The record inside the page."""
    facts = {
        "format": PROOF_FORMAT,
        "issued_utc": dossier.issued_utc,
        "engine": dict(dossier.engine),
        "page_sha256": dossier.page_sha256,
        "files": {name: {"bytes": len(data), "sha256": sha256(data)} for name, data in dossier.files.items()},
        "verdict": dossier.verdict,
        "entries": list(dossier.entries),
        "alarms": list(dossier.alarms),
        "seals": [seal.as_json() for seal in dossier.seals],
    }
    # No "<" may stand inside a script block: "</script" in somebody's note would end it.
    text = json.dumps(facts, ensure_ascii=True, indent=1, allow_nan=False).replace("<", "\\u003c")
    found = [_block("application/json", "dossier", text.encode("ascii"))]
    for name, data in dossier.files.items():
        packed = base64.b64encode(gzip.compress(data, 9, mtime=0))
        wrapped = b"\n".join(packed[i : i + _WIDTH] for i in range(0, len(packed), _WIDTH))
        found.append(_block("application/gzip;base64", name, wrapped))
    return b"".join(found)


def _block(kind: str, name: str, text: bytes) -> bytes:
    return f'<script type="{kind}" id="{name}">\n'.encode() + text + b"\n</script>\n"


def open_proof(data: bytes, report: Report, key: str | None = None) -> Opened | None:
    """Check the bytes of a proof and take it apart; None when it is too damaged to go on.

    Raises
    ------
    RecordError
        It is no proof at all.
    """
    if b'"boilwitness-proof/1"' not in data and b"boilwitness" not in data:
        raise RecordError("this page is no proof: nothing in it says so.", "Name a file that 'prove' wrote.")
    above, last = _last_line(data)
    match = _HASH.fullmatch(last)
    if match is None:
        report.problem(
            "the last line is not the one a proof ends with: the file was cut, added to or changed"
        )
        return None
    stated = match[1].decode()
    if sha256(above) != stated:
        report.problem("the SHA-256 on the last line does not fit what is above it: the file was changed")
        # Go on: what else can be said helps to find what was changed.
    else:
        report.remark(f"SHA-256 of the page is as its last line says: {stated}")
    page, signed_by = _signature(above, report, key)
    dossier = _dossier(page, report)
    return None if dossier is None else Opened(page, dossier, stated, signed_by)


def _last_line(data: bytes) -> tuple[bytes, bytes]:
    cut = data[:-1].rfind(b"\n") + 1
    return data[:cut], data[cut:]


def _signature(above: bytes, report: Report, key: str | None) -> tuple[bytes, str | None]:
    page, line = _last_line(above)
    if not line.startswith(b'<p id="signature">'):
        if key:
            report.problem("the proof is not signed, and a key was named")
        return above, None
    match = _SIGNATURE.fullmatch(line)
    if match is None:
        report.problem("the signature is not in its form: it was changed")
        return page, None
    signed_by, signature = match[1].decode(), match[2].decode()
    if key and signed_by != key:
        report.problem(f"the proof is signed by another key ({signed_by})")
    elif not can_verify():
        report.remark("signature not checked; that needs the 'cryptography' library")
    elif not is_signed_by(signed_by, signed_message(sha256(page)), signature):
        report.problem("the signature does not fit the page")
    elif key:
        report.remark("signed by the key that was named")
    else:
        report.remark(
            f"the signature fits its own key {signed_by}; compare that with the household's (--key)"
        )
    return page, signed_by


def _dossier(page: bytes, report: Report) -> Dossier | None:
    found = [(match[1], match[2].decode(), match[3]) for match in _BLOCK.finditer(page)]
    try:
        facts = next(json.loads(text) for _, name, text in found if name == "dossier")
        if facts["format"] != PROOF_FORMAT:
            report.problem(f"the proof is of form {facts['format']!r}, which this boilwitness does not know")
            return None
        return _built(
            facts, {name: text for kind, name, text in found if kind != b"application/json"}, report
        )
    except (StopIteration, ValueError, KeyError, TypeError, AttributeError, zlib.error):
        report.problem("the record inside the page cannot be read: it was changed")
        return None


def _built(facts: Mapping[str, Any], texts: Mapping[str, bytes], report: Report) -> Dossier:
    if not all(isinstance(facts[name], dict) for name in ("files", "verdict", "engine")):
        raise TypeError("not an object")
    files = {name: _unpacked(text) for name, text in texts.items()}
    if set(files) != set(facts["files"]):
        report.problem("the files inside the page are not those that it lists")
    for name, stated in facts["files"].items():
        if name in files and sha256(files[name]) != stated["sha256"]:
            report.problem(f"{name} inside the page does not fit its SHA-256")
    return Dossier(
        files=files,
        entries=facts["entries"],
        alarms=facts["alarms"],
        seals=[seal_from_json(form) for form in facts["seals"]],
        verdict=facts["verdict"],
        issued_utc=facts["issued_utc"],
        engine=facts["engine"],
        page_sha256=facts["page_sha256"],
    )


def _unpacked(text: bytes) -> bytes:
    """The file of a block. Raises ValueError for one that would fill the memory, zlib.error for a broken one."""
    unpack = zlib.decompressobj(wbits=31)
    data = unpack.decompress(base64.b64decode(text), LARGEST)
    if not unpack.eof or unpack.unconsumed_tail:
        raise ValueError("too large, or cut short")
    return data
