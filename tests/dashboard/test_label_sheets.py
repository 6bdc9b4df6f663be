"""Labels as Chromium lays them out for the printer: each on its place, nothing cut off, whatever it must say."""

from __future__ import annotations

import io

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
