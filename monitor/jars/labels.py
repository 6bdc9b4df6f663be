"""Labels: a printable sheet and plain text, one a jar on the shelf list, with a code and a QR code of the lot. Pure.

The code is the run's id, the jar's number and a check character by ISO/IEC 7064 MOD 37,36 (as a pattern: any
one wrong character shows). It separates loads made on the same day because run ids do.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from urllib.parse import urlencode, urlsplit

from monitor.errors import RefusedError, UsageError
from monitor.jars.disposition import Basis, Status
from monitor.jars.label_room import GAP_MM, LINE, PAD_MM, PRODUCT, Sheet, Words, first_pt, fitted
from monitor.jars.state import BatchState, JarState
from monitor.record.check_sign import ALPHABET, check_sign

#: Common sheets, called by their paper and their label's width and height in mm.
SHEETS: dict[str, Sheet] = {
    "a4-70x36": Sheet((210.0, 297.0), (70.0, 36.0), 3, 8, 0.0, 4.5),
    "a4-63.5x38.1": Sheet((210.0, 297.0), (63.5, 38.1), 3, 7, 7.2, 15.1, 2.5),
    "a4-63.5x72": Sheet((210.0, 297.0), (63.5, 72.0), 3, 4, 7.2, 4.5, 2.5),
    "a4-99.1x67.7": Sheet((210.0, 297.0), (99.1, 67.7), 2, 4, 4.7, 13.1, 2.5),
    "letter-66.7x25.4": Sheet((215.9, 279.4), (66.7, 25.4), 3, 10, 4.8, 12.7, 3.1),
    "letter-101.6x50.8": Sheet((215.9, 279.4), (101.6, 50.8), 2, 5, 4.0, 12.7, 4.7),
    "a4-plain-to-cut": Sheet((210.0, 297.0), (63.0, 36.0), 3, 7, 10.0, 12.0, cut=True),
    "letter-plain-to-cut": Sheet((215.9, 279.4), (63.0, 36.0), 3, 7, 12.0, 12.0, cut=True),
}
#: Where the pages are unless somebody says otherwise, for the code on a label.
PAGES = "http://127.0.0.1:8517"
CODE_MEANS = "The code is the run, the jar's number, and a check character that shows a wrong one."


@dataclass(frozen=True, slots=True)
class Label:
    """What one label says."""

    code: str
    product: str
    processed: str
    best_by: str
    status: str
    address: str
    jar: int
    lot: str
    #: The name within ``status``: where room is short it is cut first.
    who: str = ""

    def text(self) -> str:
        """Plain text, one fact a line."""
        dates = (f"processed {self.processed}", f"best by {self.best_by}")
        return "\n".join((self.product, *dates, *self.where, self.code))

    @property
    def where(self) -> tuple[str, str]:
        """The storage status, and the lot with the jar."""
        return self.status, f"lot {self.lot}, jar {self.jar}" if self.lot else f"jar {self.jar}"


def check_character(text: str) -> str:
    """The check sign over the text's digits and letters; other signs do not count."""
    return check_sign("".join(sign for sign in text.upper() if sign in ALPHABET))


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
    wanted = list(jars) if jars is not None else [j.jar for j in state.jars if not _no_label(j)]
    found = []
    for number in dict.fromkeys(wanted):
        jar = by_number.get(number)
        why = "there is no such jar" if jar is None else _no_label(jar)
        if jar is None or why:
            raise RefusedError(f"no label for jar {number}: {why}.")
        found.append(_label(state, jar, base_url))
    return found


def _no_label(jar: JarState) -> str:
    """Why a jar gets none; empty for one that is on the shelf list and still there."""
    if jar.gone:
        return f"it was {'used' if jar.gone == 'used' else 'given away'}"
    if jar.status is not Status.SHELF:
        return f"it is '{jar.status.value}': {jar.why}"
    if jar.seal_lost:
        return "its seal is lost"
    return f"it went on in run {jar.child_run}" if jar.child_run else ""


def opens_here_alone(base_url: str) -> bool:
    """Whether an address names the machine it is used on: a phone that reads it looks at itself."""
    return urlsplit(base_url).hostname in ("127.0.0.1", "localhost", "::1")


def _label(state: BatchState, jar: JarState, base_url: str) -> Label:
    word = "shelf"
    if state.standing.basis in (Basis.OWN_TIMING, Basis.EVALUATED):
        word = state.standing.words
    if state.time_caveat:
        word = f"{word}; time {state.time_caveat}"
    if state.parent_run:
        word = f"{word}; reprocessed"
    address = f"{base_url.rstrip('/')}/run?{urlencode({'run': state.run_id, 'jar': jar.jar})}"
    return Label(
        code=jar_code(state.run_id, jar.jar),
        product=state.food,
        processed=state.processed_on.isoformat(),
        best_by=jar.use_by.isoformat() if jar.use_by else "not known",
        status=word,
        address=address,
        jar=jar.jar,
        lot=state.lot,
        who=state.standing.by or "",
    )


def plain_text(found: Iterable[Label]) -> str:
    """All labels, a blank line between."""
    return "\n\n".join(label.text() for label in found) + "\n"


def sheet_for(sheet: str, skip: int) -> Sheet:
    """The label sheet of that name, of which ``skip`` labels are gone; raises UsageError as :func:`html_sheet` does."""
    if sheet not in SHEETS:
        raise UsageError(f"there is no label sheet {sheet!r}.", f"Use one of: {', '.join(SHEETS)}.")
    per_page = SHEETS[sheet].across * SHEETS[sheet].down
    if not 0 <= skip < per_page:
        raise UsageError(f"{skip} labels cannot be gone from a sheet of {per_page}.")
    return SHEETS[sheet]


def html_sheet(found: Iterable[Label], sheet: str = next(iter(SHEETS)), *, skip: int = 0) -> str:
    """A page to print without scaling; every name escaped, no outside request. ``skip``: labels already gone.

    Raises
    ------
    UsageError
        The sheet is not one of :data:`SHEETS`, or ``skip`` is no place on it.
    """
    form = sheet_for(sheet, skip)
    per_page = form.across * form.down
    places: list[Label | None] = [*[None] * skip, *found]
    pages = [places[i : i + per_page] for i in range(0, len(places), per_page)] or [[]]
    body = "".join(
        f'<div class="page">{"".join(_html(label, form) for label in page)}</div>' for page in pages
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Jar labels</title>'
        f'<style>{_style(form)}</style></head><body><p class="screen">Print at 100 %, without scaling, on '
        f"{escape(_paper(sheet))}. {CODE_MEANS}</p>{body}</body></html>"
    )


def _paper(sheet: str) -> str:
    """What to put into the printer: plain paper has no labels, and its name no measure."""
    if SHEETS[sheet].cut:
        return f"plain {sheet.partition('-')[0].upper()} paper, then cut along the lines"
    return f"{sheet} mm"


def _style(form: Sheet) -> str:
    (width, height), (wide, high) = form.paper, form.label
    return (
        f"@page{{size:{width}mm {height}mm;margin:0}}"
        f"body{{margin:0;font:{first_pt(form)}pt/{LINE} sans-serif;color:#000;background:#fff}}"
        f".page{{width:{width}mm;height:{height}mm;box-sizing:border-box;padding:{form.top}mm 0 0 {form.left}mm;"
        f"display:grid;grid-template-columns:repeat({form.across},{wide}mm);grid-auto-rows:{high}mm;"
        f"column-gap:{form.gap}mm;align-content:start;overflow:hidden;break-after:page}}"
        ".page:last-child{break-after:auto}"
        f".label{{box-sizing:border-box;padding:{PAD_MM[1]}mm {PAD_MM[0]}mm;display:flex;gap:{GAP_MM}mm;"
        "overflow:hidden}"
        + (".label{outline:0.2mm dashed #777}" if form.cut else "")
        + ".label p{margin:0;flex:none;overflow-wrap:anywhere}.label svg{width:100%;height:100%}"
        # Words never stand in the code or its margin.
        ".label div{min-width:0}.label div:first-child{flex:none}"
        # If a printer's letters are wider than any that were counted on: lot, jar and code stay.
        ".label div:last-child{display:flex;flex-direction:column}"
        ".label .product,.label .status{flex:0 1 auto;min-height:0;overflow:hidden}"
        f".label .product{{font-weight:700;font-size:{PRODUCT}em}}"
        f".label .code{{font-family:monospace;line-height:{LINE}}}"
        ".screen{font-size:11pt;margin:4mm}@media print{.screen{display:none}}"
    )


def _html(label: Label | None, form: Sheet) -> str:
    if label is None:
        return "<div></div>"
    # Loaded only where a code is drawn: every command knows labels, and few draw one.
    import segno

    picture = segno.make(label.address, error="m", micro=False).svg_inline(border=0, omitsize=True)
    dates = (f"processed {label.processed}", f"best by {label.best_by}")
    words = Words(label.product, label.status, label.who, dates, (label.where[1], label.code))
    fit = fitted(form, words)
    small = f'class="code" style="font-size:{fit.code_pt:g}pt"'
    return (
        f'<div class="label" style="font-size:{fit.size_pt:g}pt">'
        f'<div aria-label="code that opens the record" style="width:{fit.code_mm:.1f}mm;height:{fit.code_mm:.1f}mm">'
        f'{picture}</div><div><p class="product">{escape(fit.product)}</p>'
        + "".join(f"<p>{escape(line)}</p>" for line in dates)
        + f'<p class="status">{escape(fit.status)}</p>'
        f"<p {small}>{escape(label.where[1])}</p><p {small}>{escape(label.code)}</p></div></div>"
    )
