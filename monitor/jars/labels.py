"""Labels: a printable sheet and plain text, one a jar on the shelf list, with a code and a QR code of the lot. Pure.

The code is the run's id, the jar's number and a check character by ISO/IEC 7064 MOD 37,36 (as a pattern: any
one wrong character shows). It separates loads made on the same day because run ids do.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from urllib.parse import urlencode

import segno

from monitor.errors import RefusedError, UsageError
from monitor.jars.disposition import Basis, Status
from monitor.jars.state import BatchState, JarState

_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_MODULUS = len(_ALPHABET)

#: Sheet name to (paper width, height, label width, height, columns, rows, left, top, gap across), mm.
SHEETS: dict[str, tuple[float, ...]] = {
    "a4-24": (210.0, 297.0, 70.0, 36.0, 3, 8, 0.0, 4.5, 0.0),
    "a4-12": (210.0, 297.0, 63.5, 72.0, 3, 4, 7.2, 4.5, 2.5),
    "letter-30": (215.9, 279.4, 66.7, 25.4, 3, 10, 4.8, 12.7, 3.2),
    "letter-10": (215.9, 279.4, 101.6, 50.8, 2, 5, 4.0, 12.7, 4.8),
}


@dataclass(frozen=True, slots=True)
class Label:
    """What one label says."""

    code: str
    product: str
    processed: str
    best_by: str
    status: str
    address: str

    def text(self) -> str:
        """Plain text, one fact a line."""
        return "\n".join(
            (self.product, f"processed {self.processed}", f"best by {self.best_by}", self.status, self.code)
        )


def check_character(text: str) -> str:
    """ISO/IEC 7064, MOD 37,36 over digits and letters; other signs do not count."""
    product = _MODULUS
    for sign in _letters(text):
        total = (product + _ALPHABET.index(sign)) % _MODULUS or _MODULUS
        product = total * 2 % (_MODULUS + 1)
    return _ALPHABET[(_MODULUS + 1 - product) % _MODULUS]


def _letters(text: str) -> str:
    return "".join(sign for sign in text.upper() if sign in _ALPHABET)


def jar_code(run_id: str, jar: int) -> str:
    """``<run id>/<jar>-<check>``."""
    body = f"{run_id}/{jar:02d}"
    return f"{body}-{check_character(body)}"


def read_code(code: str) -> tuple[str, int]:
    """Run id and jar of a code.

    Raises
    ------
    UsageError
        It is no code, or a character is wrong.
    """
    body, dash, check = code.strip().rpartition("-")
    run_id, slash, jar = body.rpartition("/")
    if not (dash and slash and run_id and jar.isdigit() and len(check) == 1):
        raise UsageError(f"{code!r} is no jar code.", "It reads <run>/<jar>-<check>.")
    if check_character(body) != check.upper():
        raise UsageError(f"the jar code {code!r} has a wrong character.", "Read it again from the label.")
    return run_id, int(jar)


def labels(state: BatchState, base_url: str, jars: Iterable[int] | None = None) -> list[Label]:
    """Labels for the jars on the shelf list, or for some of them.

    Raises
    ------
    RefusedError
        A jar was asked for that is not on the shelf list.
    """
    by_number = {jar.jar: jar for jar in state.jars}
    wanted = list(jars) if jars is not None else [j.jar for j in state.jars if j.status is Status.SHELF]
    found = []
    for number in wanted:
        jar = by_number.get(number)
        if jar is None or jar.status is not Status.SHELF:
            why = "there is no such jar" if jar is None else f"it is '{jar.status.value}': {jar.why}"
            raise RefusedError(f"no label for jar {number}: {why}.")
        found.append(_label(state, jar, base_url))
    return found


def _label(state: BatchState, jar: JarState, base_url: str) -> Label:
    word = "shelf"
    if state.standing.basis in (Basis.OWN_TIMING, Basis.EVALUATED):
        word = state.standing.words
    address = f"{base_url.rstrip('/')}/run?{urlencode({'run': state.run_id, 'jar': jar.jar})}"
    return Label(
        code=jar_code(state.run_id, jar.jar),
        product=state.food,
        processed=state.processed_on.isoformat(),
        best_by=jar.use_by.isoformat() if jar.use_by else "not known",
        status=word,
        address=address,
    )


def plain_text(found: Iterable[Label]) -> str:
    """All labels, a blank line between."""
    return "\n\n".join(label.text() for label in found) + "\n"


def html_sheet(found: Iterable[Label], sheet: str = "a4-24") -> str:
    """A page to print without scaling; every name escaped, no outside request.

    Raises
    ------
    UsageError
        The sheet is not one of :data:`SHEETS`.
    """
    if sheet not in SHEETS:
        raise UsageError(f"there is no label sheet {sheet!r}.", f"Use one of: {', '.join(SHEETS)}.")
    width, height, wide, high, columns, rows, left, top, gap = SHEETS[sheet]
    per_page = int(columns * rows)
    everything = list(found)
    pages = [everything[i : i + per_page] for i in range(0, len(everything), per_page)] or [[]]
    style = (
        f"@page{{size:{width}mm {height}mm;margin:0}}body{{margin:0;font:9pt/1.25 sans-serif;color:#000}}"
        f".page{{width:{width}mm;height:{height}mm;box-sizing:border-box;padding:{top}mm 0 0 {left}mm;"
        f"display:grid;grid-template-columns:repeat({int(columns)},{wide}mm);grid-auto-rows:{high}mm;"
        f"column-gap:{gap}mm;align-content:start;page-break-after:always}}"
        ".label{box-sizing:border-box;padding:2mm;display:flex;gap:2mm;overflow:hidden}"
        ".label svg{width:18mm;height:18mm;flex:none}.label p{margin:0}.label .product{font-weight:700}"
        ".label .code{font:7pt monospace;overflow-wrap:anywhere}"
    )
    body = "".join(f'<div class="page">{"".join(_html(label) for label in page)}</div>' for page in pages)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Jar labels</title>'
        f"<style>{style}</style></head><body>{body}</body></html>"
    )


def _html(label: Label) -> str:
    picture = segno.make(label.address, error="m", micro=False).svg_inline(border=0, omitsize=True)
    return (
        f'<div class="label"><div aria-label="code that opens the record">{picture}</div><div>'
        f'<p class="product">{escape(label.product)}</p><p>processed {escape(label.processed)}</p>'
        f"<p>best by {escape(label.best_by)}</p><p>{escape(label.status)}</p>"
        f'<p class="code">{escape(label.code)}</p></div></div>'
    )
