"""JSON files that show any change in themselves: the last line holds the SHA-256 of everything above it.

Plain JSON to whoever only reads it. Check by hand: ``head -n -2 seal.json | sha256sum``.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from monitor.proof.canon import sha256
from monitor.proof.report import Report
from monitor.proof.signing import Key, can_verify, is_signed_by

_LAST = re.compile(rb' "sha256": "([0-9a-f]{64})"\n}\n')
_SIGNATURE = re.compile(rb' "signed_by": "([0-9a-f]{64})", "signature": "([0-9a-f]{128})",\n')


def closed_bytes(form: Mapping[str, Any], key: Key | None = None) -> bytes:
    """The file's bytes."""
    text = json.dumps(form, ensure_ascii=False, indent=1, allow_nan=False)
    above = text[: text.rindex("\n")].encode("utf-8") + b",\n"
    if key is not None:
        signature = key.sign(_message(form, above))
        above += f' "signed_by": "{key.public}", "signature": "{signature}",\n'.encode()
    return above + f' "sha256": "{sha256(above)}"\n}}\n'.encode()


def _message(form: Mapping[str, Any], above: bytes) -> bytes:
    return f"{form.get('format')}\n{sha256(above)}\n".encode()


def open_closed(
    data: bytes, kind: str, name: str, report: Report, key: str | None = None
) -> dict[str, Any] | None:
    """Check such a file; its document, or None when it cannot be relied on at all. ``kind``: its format."""
    cut = data[: data[:-1].rfind(b"\n")].rfind(b"\n") + 1
    above, last = data[:cut], data[cut:]
    match = _LAST.fullmatch(last)
    if match is None:
        report.problem(
            f"{name}: its last lines are not those it is written with: it was cut, added to or changed"
        )
    elif sha256(above) != match[1].decode():
        report.problem(f"{name}: its SHA-256 does not fit what is above it: it was changed")
    try:
        form = json.loads(data)
        if form.get("format") != kind:
            raise ValueError
    except (ValueError, AttributeError, RecursionError):
        report.problem(f"{name}: expected a document of form {kind}")
        return None
    _check_signature(form, above, name, report, key)
    return dict(form)


def _check_signature(
    form: Mapping[str, Any], above: bytes, name: str, report: Report, key: str | None
) -> None:
    cut = above[:-1].rfind(b"\n") + 1
    match = _SIGNATURE.fullmatch(above[cut:])
    if match is None:
        if key or "signature" in form:
            report.problem(
                f"{name}: {'the signature was changed' if 'signature' in form else 'it is not signed'}"
            )
        return
    signed_by, signature = match[1].decode(), match[2].decode()
    if key and signed_by != key:
        report.problem(f"{name}: signed by another key ({signed_by[:16]})")
    elif not can_verify():
        report.remark(f"{name}: signature not checked; that needs the 'cryptography' library")
    elif not is_signed_by(signed_by, _message(form, above[:cut]), signature):
        report.problem(f"{name}: the signature does not fit")
