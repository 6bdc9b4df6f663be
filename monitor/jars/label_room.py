"""How much a label holds: the size of its letters, and what is cut, with a sign, where names are too long. Pure.

A browser cannot make words smaller until they fit, so they are counted here, by letters as wide as the widest of the
usual faces have them: on paper there is room left rather than too little.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

PT_PER_MM = 72.0 / 25.4
#: Inside a label: left and right, top and bottom; between the code and the words. [mm]
PAD_MM, GAP_MM = (3.0, 2.2), 3.0
LINE = 1.15
#: The product's letters beside the others', and how much wider bold ones are.
PRODUCT, BOLD = 1.15, 1.14
#: Below this nobody reads it on a jar: small letters 0.9 mm high (Regulation (EU) No 1169/2011, article 13(3), for
#: the smallest packs, as a pattern). [pt]
LEAST_PT = 5.0
STEP_PT = 0.5
#: A telephone reads the code down to this. [mm]
LEAST_CODE_MM = 17.0
CUT = "\u2026"

#: Widths of letters in DejaVu Sans, the widest of the usual faces, rounded up. [em]
_NARROW, _SLIM, _WIDE = " .,:;'|!ijl", 'frtI()[]-/"', "mMwW@%&\u2014\u2026"
_MONO = 0.61


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet of labels, all lengths in mm: paper, one label, how many across and down, margins, gap across."""

    paper: tuple[float, float]
    label: tuple[float, float]
    across: int
    down: int
    left: float
    top: float
    gap: float = 0.0
    #: Plain paper: a line to cut along.
    cut: bool = False


@dataclass(frozen=True, slots=True)
class Words:
    """What a label must say. ``dates`` and ``codes`` are never cut; ``who`` is the name within ``status``."""

    product: str
    status: str
    who: str
    dates: Sequence[str]
    codes: Sequence[str]


@dataclass(frozen=True, slots=True)
class Fit:
    """Sizes at which the words fit, and the words as they do."""

    size_pt: float
    code_pt: float
    code_mm: float
    product: str
    status: str


def first_pt(form: Sheet) -> float:
    """The size of letters on a label of few words. [pt]"""
    high = form.label[1]
    return 8.0 if high < 30.0 else 9.0 if high < 45.0 else 11.0


def fitted(form: Sheet, words: Words) -> Fit:
    """The largest letters at which everything fits; where even the least are too large, names end with a sign."""
    wide, high = form.label
    # The code takes what the label has to spare, and never less than a telephone can read.
    largest_mm = min(high - 5.0, wide * 0.34, 28.0)
    codes_mm = sorted({largest_mm, min(largest_mm, LEAST_CODE_MM)}, reverse=True)
    steps = round((first_pt(form) - LEAST_PT) / STEP_PT)
    for size_pt in (first_pt(form) - STEP_PT * step for step in range(steps + 1)):
        for code_mm in codes_mm:
            room = _Room(form, size_pt, code_mm)
            if room.fits(words.product, words.status, words):
                return Fit(size_pt, room.code_pt, code_mm, words.product, words.status)
    return _cut(words, _Room(form, LEAST_PT, codes_mm[-1]))


def _cut(words: Words, room: _Room) -> Fit:
    """The least letters, and names cut until they fit: who signed first, then the product, the status last."""
    product, status = words.product, words.status
    one_line = _shortened(product, lambda text: room.lines(text, bold=True) <= 1)
    if not room.fits(one_line, status, words) and words.who and words.who in status:
        status = _named_short(status, words.who, lambda text: room.fits(one_line, text, words))
    if not room.fits(one_line, status, words):
        status = _shortened(status, lambda text: room.fits(one_line, text, words))
    product = _shortened(product, lambda text: room.fits(text, status, words))
    return Fit(room.size_pt, room.code_pt, room.code_mm, product, status)


def _named_short(status: str, who: str, fits: Callable[[str], bool]) -> str:
    """The status with as much of the name as fits: what stands behind it says that nothing is proven."""
    before, _, behind = status.partition(who)
    for kept in range(len(who) - 1, -1, -1):
        text = f"{before}{who[:kept].rstrip()}{CUT}{behind}"
        if fits(text):
            return text
    return f"{before}{CUT}{behind}"


def _shortened(text: str, fits: Callable[[str], bool]) -> str:
    """The longest beginning that fits, with a sign that it is one; the whole where that does."""
    if fits(text):
        return text
    for kept in range(len(text) - 1, 0, -1):
        if fits(cut := text[:kept].rstrip() + CUT):
            return cut
    return CUT


class _Room:
    """The column of words of a label at one size of letters. [pt]"""

    def __init__(self, form: Sheet, size_pt: float, code_mm: float) -> None:
        wide, high = form.label
        self.size_pt, self.code_mm = size_pt, code_mm
        self.code_pt = max(LEAST_PT, 0.72 * size_pt)
        self._wide_pt = (wide - 2.0 * PAD_MM[0] - GAP_MM - code_mm) * PT_PER_MM
        self._high_pt = (high - 2.0 * PAD_MM[1]) * PT_PER_MM

    def fits(self, product: str, status: str, words: Words) -> bool:
        """Whether all the lines stand below each other."""
        plain = self.lines(status) + sum(self.lines(line) for line in words.dates)
        codes = sum(_lines(line, self._wide_pt / self.code_pt, _mono) for line in words.codes)
        bold = PRODUCT * self.lines(product, bold=True)
        return LINE * (self.size_pt * (plain + bold) + self.code_pt * codes) <= self._high_pt

    def lines(self, text: str, *, bold: bool = False) -> int:
        """How many lines a text takes."""
        width_em = self._wide_pt / self.size_pt
        return _lines(text, width_em / (PRODUCT * BOLD) if bold else width_em, _sans)


def _lines(text: str, width_em: float, letter: Callable[[str], float]) -> int:
    """Lines of whole words; a word that is longer than a line is broken anywhere."""
    lines, at = 1, 0.0
    for number, word in enumerate(text.split(" ")):
        space = letter(" ") if number and at else 0.0
        long = sum(map(letter, word))
        if at + space + long <= width_em:
            at += space + long
            continue
        if at:
            lines, at = lines + 1, 0.0
        for sign in word:
            if at and at + letter(sign) > width_em:
                lines, at = lines + 1, 0.0
            at += letter(sign)
    return lines


def _mono(sign: str) -> float:
    return _MONO if sign.isascii() else 1.05


def _sans(sign: str) -> float:
    if sign in _NARROW:
        return 0.34
    if sign in _SLIM:
        return 0.46
    if sign in _WIDE:
        return 1.0
    if not sign.isascii():
        # Letters with marks as capitals; writing that fills a square as that.
        return 0.78 if ord(sign) < 0x0590 else 1.05
    return 0.78 if sign.isupper() else 0.64
