"""Labels as Chromium lays them out for the printer: each on its place, nothing cut off, whatever it must say."""

from __future__ import annotations

import io
from dataclasses import replace

import pypdf
import pytest
import zxingcpp
from PIL import Image
from playwright.sync_api import Browser

from monitor.jars import SHEETS, Label, html_sheet, jar_code

PX_PER_MM = 96.0 / 25.4
FOODS = ("Pears, halved", "Strawberry jam with very little sugar and lemon (invented batch)")
STATUSES = (
    "shelf",
    "on the cook's own timing (Ada); not proven by the record",
    "hold unproven; released on the written opinion of N. N., not by this record",
    "shelf; time not checked against the printed guide",
    "on the cook's own timing (Ada); not proven by the record; time not checked against the printed guide",
)


def label(number: int, food: str, status: str) -> Label:
    run_id = "2026-08-14-canner-1-a"
    address = f"http://192.168.1.20:8501/run?run={run_id}&jar={number}"
    code = jar_code(run_id, number)
    return Label(code, food, "2026-08-14", "2027-08-14", status, address, number, "260814-K3QF7-4")


@pytest.mark.parametrize("sheet", list(SHEETS))
def test_each_label_lies_on_its_place_and_nothing_is_cut_off(browser: Browser, sheet: str) -> None:
    form = SHEETS[sheet]
    found = [
        label(n, food, status)
        for n, (food, status) in enumerate(((f, s) for f in FOODS for s in STATUSES), 1)
    ]
    page = browser.new_page()
    page.emulate_media(media="print")
    page.set_content(html_sheet(found, sheet, skip=1))
    boxes = page.evaluate(
        "[...document.querySelectorAll('.label')].map(l => {const r = l.getBoundingClientRect(), d = l.children[1];"
        " return [r.x, r.y, r.width, r.height, d.scrollHeight - d.clientHeight, d.scrollWidth - d.clientWidth]})"
    )
    assert len(boxes) == len(found)
    for number, (x, y, width, height, below, beside) in enumerate(boxes, 1):
        before, place = divmod(number, form.across * form.down)
        row, column = divmod(place, form.across)
        y -= before * form.paper[1] * PX_PER_MM
        left = form.left + column * (form.label[0] + form.gap)
        assert x == pytest.approx(left * PX_PER_MM, abs=0.5)
        assert y == pytest.approx((form.top + row * form.label[1]) * PX_PER_MM, abs=0.5)
        assert (width, height) == pytest.approx([side * PX_PER_MM for side in form.label], abs=0.5)
        # The margin inside a label is 8 px; a pixel of it may be used.
        assert below <= 2 and beside <= 0
    page.close()


@pytest.mark.parametrize("sheet", list(SHEETS))
def test_every_code_on_the_sheet_is_read_by_a_decoder(browser: Browser, sheet: str) -> None:
    """As a label printer of 203 dots to the inch prints it, read by a decoder that knows ISO/IEC 18004 and not us."""
    found = [label(n, food, STATUSES[0]) for n, food in enumerate(FOODS * 3, 1)]
    context = browser.new_context(device_scale_factor=203.0 / 96.0)
    page = context.new_page()
    page.emulate_media(media="print")
    page.set_content(html_sheet(found, sheet))
    picture = Image.open(io.BytesIO(page.screenshot(full_page=True)))
    context.close()
    codes = zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode)
    assert sorted(code.text for code in codes) == sorted(one.address for one in found)


#: As long as the fields take: a food, a canner's name in the run's id, and the two names that a status may hold.
LONG_FOODS = (
    "Wild strawberry, rhubarb and elderflower preserve, the third boiling of the year, from the far meadow",
    "W" * 100,
    "Pears, halved",
)
LONG_RUN = "2026-08-14-" + "the-large-enamelled-canner-by-the-window"[:40] + "-a-again1"
OPINION = (
    "Wilhelmina Featherstonehaugh-Wordsworthington of the County Process Authority, "
    "Building W, Room 1008, M. Sc., B. Sc."
)
COOK = "Maximiliane Wolkenstein-Trostburg von Mommsen, fourth of May"
NOT_CHECKED = "; time not checked against the printed guide; reprocessed"
LONG = (
    ("shelf" + NOT_CHECKED, ""),
    (f"on the cook's own timing ({COOK}); not proven by the record{NOT_CHECKED}", COOK),
    (f"hold unproven; released on the written opinion of {OPINION}, not by this record", OPINION),
    (
        f"hold unproven; released on the written opinion of {OPINION}, not by this record{NOT_CHECKED}",
        OPINION,
    ),
)


def long_labels() -> list[Label]:
    found = []
    for number, (food, (status, who)) in enumerate(((f, s) for f in LONG_FOODS for s in LONG), 1):
        one = label(number, food, status)
        found.append(replace(one, code=jar_code(LONG_RUN, number), who=who))
    return found


@pytest.mark.parametrize("sheet", list(SHEETS))
def test_the_longest_names_leave_lot_jar_and_code_whole_and_what_is_cut_shows_it(
    browser: Browser, sheet: str
) -> None:
    """Printed as a PDF, whose text is read back label by label."""
    found = long_labels()
    page = browser.new_page()
    page.set_content(html_sheet(found, sheet))
    page.emulate_media(media="print")
    clipped = page.evaluate(
        "[...document.querySelectorAll('.label p')].filter(p => p.scrollHeight > p.clientHeight + 1 ||"
        " p.getBoundingClientRect().bottom > p.closest('.label').getBoundingClientRect().bottom)"
        ".map(p => p.textContent)"
    )
    assert clipped == []
    shown = page.evaluate(
        "[...document.querySelectorAll('.label')].map(l => [...l.querySelectorAll('p')].map(p => p.textContent))"
    )
    sizes_pt = page.evaluate(
        "[...document.querySelectorAll('.label p')].map(p => parseFloat(getComputedStyle(p).fontSize) * 0.75)"
    )
    assert min(sizes_pt) >= 4.99
    printed = page.pdf(prefer_css_page_size=True)
    page.close()
    text = "".join("".join(one.extract_text() for one in pypdf.PdfReader(io.BytesIO(printed)).pages).split())
    for one, (product, made, best, status, lot, code) in zip(found, shown, strict=True):
        assert (made, best) == (f"processed {one.processed}", f"best by {one.best_by}")
        assert (lot, code) == (f"lot {one.lot}, jar {one.jar}", one.code)
        assert product == one.product or (
            product.endswith("…") and len(product) > 8 and one.product.startswith(product[:-1].rstrip())
        )
        before, _, behind = one.status.partition(one.who) if one.who else (one.status, "", "")
        assert status.startswith(before) and status.endswith(behind)
        assert status == one.status or "…" in status
        for words in (product, status, lot, code):
            assert "".join(words.split()) in text


def test_few_words_stand_in_large_letters_and_whole() -> None:
    page = html_sheet([label(1, FOODS[0], "shelf")], "a4-70x36")
    assert 'style="font-size:9pt"' in page and "…" not in page
