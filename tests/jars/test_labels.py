"""Labels: codes that show one wrong character, no label off the shelf list, a sheet with nothing from outside."""

from __future__ import annotations

import re
from itertools import product
from typing import Any

import pytest

from monitor.errors import RefusedError, UsageError
from monitor.jars import SHEETS, html_sheet, jar_code, labels, plain_text, read_code
from monitor.jars.labels import check_character

HOUR = 3600.0


def shelved(kitchen: Any, food: str = "pear halves") -> Any:
    batch = kitchen(jars=2)
    object.__setattr__(batch.run.batch, "food", food)
    batch.seal(1, 3700.0 + 13 * HOUR)
    batch.seal(2, 3700.0 + 13 * HOUR, tap="dull")
    batch.sign(3700.0 + 14 * HOUR)
    return batch.state(3700.0 + 15 * HOUR)


def test_the_check_character_against_a_published_example() -> None:
    """ISO/IEC 7064 MOD 37,36, the example of the Global Release Identifier: A12425GABC1234002, M."""
    assert check_character("A12425GABC1234002") == "M"


def test_ten_thousand_codes_do_not_collide_and_read_back() -> None:
    loads = product(range(1, 26), range(1, 5), "abcd", range(1, 26))
    codes = {jar_code(f"2026-08-{day:02d}-canner-{c}-{letter}", jar) for day, c, letter, jar in loads}
    assert len(codes) == 10_000
    assert read_code(jar_code("2026-08-14-canner-1-a", 3)) == ("2026-08-14-canner-1-a", 3)


def test_one_wrong_character_shows() -> None:
    code = jar_code("2026-08-14-canner-1-a", 3)
    for place, sign in enumerate(code):
        if not sign.isalnum():
            continue
        for other in "0123456789abcdefghijklmnopqrstuvwxyz":
            if other != sign.lower():
                with pytest.raises(UsageError):
                    read_code(code[:place] + other + code[place + 1 :])


def test_no_label_for_a_jar_that_is_not_on_the_shelf_list(kitchen: Any) -> None:
    state = shelved(kitchen)
    (label,) = labels(state, "http://127.0.0.1:8501")
    assert label.code.startswith("2026-08-14-canner-1-a/01-")
    for jar in (2, 9):
        with pytest.raises(RefusedError, match=f"no label for jar {jar}"):
            labels(state, "http://127.0.0.1:8501", [jar])


@pytest.mark.parametrize("sheet", sorted(SHEETS))
def test_the_sheet_fits_its_paper_and_asks_nothing_from_outside(kitchen: Any, sheet: str) -> None:
    form = SHEETS[sheet]
    (width, height), (wide, high) = form.paper, form.label
    assert form.left + form.across * wide + (form.across - 1) * form.gap <= width + 0.1
    assert form.top + form.down * high <= height + 0.1
    assert f"{wide:g}x{high:g}" in sheet or form.cut
    page = html_sheet(
        labels(shelved(kitchen, "<script>alert(1)</script> & pears"), "http://127.0.0.1:8501"), sheet
    )
    assert "<script" not in page and "&lt;script&gt;" in page
    assert page.count("<svg") == 1
    assert not re.search(r"""(src|href)=|url\(|@import""", page)


def test_a_begun_sheet_is_used_up(kitchen: Any) -> None:
    found = labels(shelved(kitchen), "http://127.0.0.1:8501")
    assert html_sheet(found, "a4-70x36", skip=23).count('class="page"') == 1
    with pytest.raises(UsageError, match="cannot be gone"):
        html_sheet(found, "a4-70x36", skip=24)


def test_a_sheet_says_what_paper_it_is_for(kitchen: Any) -> None:
    found = labels(shelved(kitchen), "http://127.0.0.1:8501")
    assert "without scaling, on a4-70x36 mm." in html_sheet(found, "a4-70x36")
    assert "on plain A4 paper, then cut along the lines." in html_sheet(found, "a4-plain-to-cut")


def test_an_own_timing_stands_on_its_labels_for_ever(kitchen: Any) -> None:
    batch = kitchen("unproven", jars=1)
    timing = {"from_utc": "2026-08-14T15:25:00Z", "to_utc": "2026-08-14T15:56:00Z"}
    batch.add("own_timing", 3900.0, how="kitchen timer, standing by", **timing)
    batch.seal(1, 3700.0 + 13 * HOUR)
    for one in batch.state(3700.0 + 13 * HOUR).deviations:
        batch.add(
            "deviation_closed", 3700.0 + 13.5 * HOUR, deviation=one.key, cause="a gap", action="own timing"
        )
    batch.sign(3700.0 + 14 * HOUR, hold="own timing", gaps="own timing")
    (label,) = labels(batch.state(3700.0 + 900 * HOUR), "http://127.0.0.1:8501")
    assert label.status == "on the cook's own timing (Ada); not proven by the record"
    assert "not proven by the record" in html_sheet([label])
    # A record without a lot code gets none from its label; the code names the run.
    assert label.where[1] == "jar 1" and label.code.startswith("2026-08-14-canner-1-a/01-")


def test_plain_text_and_words_that_never_say_safe(kitchen: Any) -> None:
    text = plain_text(labels(shelved(kitchen), "http://127.0.0.1:8501"))
    assert "processed 2026-08-14" in text and "best by 2027-08-14" in text
    assert not re.search(r"\b(safe|sterile|compliant)\b", text, re.I)


def test_an_unknown_sheet_is_refused() -> None:
    with pytest.raises(UsageError, match="no label sheet"):
        html_sheet([], "b5")


def test_the_label_of_a_reprocessed_jar_says_so(kitchen: Any) -> None:
    parent = {"reprocess_of": "2026-08-13-canner-1-a", "reprocess_jars": [4, 6], "new_lids": True}
    batch = kitchen(jars=2, **parent)
    batch.seal(1, 3700.0 + 13 * HOUR)
    batch.seal(2, 3700.0 + 13 * HOUR)
    batch.sign(3700.0 + 14 * HOUR)
    found = labels(batch.state(3700.0 + 15 * HOUR), "http://127.0.0.1:8501")
    assert [one.status for one in found] == ["shelf; reprocessed"] * 2


@pytest.mark.parametrize(
    ("said", "why"),
    [("used", "was used"), ("given", "given away"), ("bulge", "on hold"), ("lost_seal", "on hold")],
)
def test_no_label_for_a_jar_that_is_gone_or_lost_its_seal(kitchen: Any, said: str, why: str) -> None:
    batch = kitchen(jars=2)
    for jar in (1, 2):
        batch.seal(jar, 3700.0 + 13 * HOUR)
    batch.sign(3700.0 + 14 * HOUR)
    batch.add("jar_recheck", 3700.0 + 15 * HOUR, jar=1, found=said)
    state = batch.state(3700.0 + 16 * HOUR)
    assert [one.jar for one in labels(state, "http://127.0.0.1:8501")] == [2]
    with pytest.raises(RefusedError, match=f"no label for jar 1: .*{why}"):
        labels(state, "http://127.0.0.1:8501", [1])
