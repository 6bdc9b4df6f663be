"""The proof as a page: what it says, what it never says, that it stands alone, and that it fits two sheets."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from dashboard.run_model import headline
from monitor.cli.main import main
from monitor.errors import UsageError
from monitor.judge import judge
from monitor.plan.make import make_plan
from monitor.plan.model import Plan
from monitor.proof.dossier import Dossier, from_folder, from_store
from monitor.proof.envelope import seal_page
from monitor.proof.figures import clock
from monitor.proof.hand_out import print_pdf, proof_file
from monitor.proof.page import draw
from monitor.proof.seal import seal_due
from monitor.proof.trace import picture
from monitor.record import Mark, read_run, write_run

RECORDS = Path(__file__).parents[2] / "recorded_runs"
#: What the fixtures of this folder hand out.
Household = Any
ISSUED = datetime(2026, 9, 1, 12, 0, tzinfo=UTC)


def page_of(dossier: Dossier) -> str:
    return seal_page(draw(dossier)).decode("utf-8")


def shown(page: str) -> str:
    """The words a reader sees: no styles, no embedded record, no markup."""
    visible = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", visible)))


class Tags(HTMLParser):
    """Every tag with its attributes, and whatever was never closed."""

    VOID = frozenset({"meta", "circle", "rect", "path", "line", "br", "link", "img", "input"})

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag


def tags_of(page: str) -> Tags:
    parser = Tags()
    parser.feed(page)
    assert parser.open == []
    return parser


@pytest.fixture(scope="module")
def held() -> str:
    return page_of(from_folder(RECORDS / "held-low-altitude", ISSUED))


@pytest.mark.parametrize(
    "record, word",
    [("held-low-altitude", "HELD"), ("dip-stopped-short", "BROKEN"), ("silent-node", "UNPROVEN")],
)
def test_word_shape_and_sentence_say_the_same(record: str, word: str) -> None:
    page = page_of(from_folder(RECORDS / record, ISSUED))
    words = shown(page)
    assert word in words
    assert f'aria-label="{word.lower()}"' in page
    others = {"HELD", "BROKEN", "UNPROVEN"} - {word}
    assert not [other for other in others if f" {other} " in words]
    assert "INVENTED DATA" in words


def test_times_are_rounded_against_the_canner(held: str) -> None:
    """FDA inspection guide, Part 2: begin at the next full unit, end at the last full one; here seconds."""
    dossier = from_folder(RECORDS / "held-low-altitude", ISSUED)
    proven_s = dossier.verdict["proven_s"]
    minutes, seconds = divmod(int(proven_s), 60)
    assert proven_s != int(proven_s)
    assert f"a full boil of {minutes} min {seconds:02d} s without a break; 20 min were required" in shown(
        held
    )


def test_what_is_possible_is_rounded_one_way_wherever_it_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """Its headline, reason, table and deviation, the pages and the command line: part of a second is a whole one.

    What is proven loses that part (FDA inspection guide, Part 2, as above).
    """
    dossier = from_folder(RECORDS / "dip-stopped-short", ISSUED)
    proven_s, possible_s = dossier.verdict["proven_s"], dossier.verdict["possible_s"]
    assert proven_s % 1.0 > 0.0 and possible_s % 1.0 > 0.0
    proven, possible = (
        f"{whole // 60} min {whole % 60:02d} s" for whole in (int(proven_s), int(possible_s) + 1)
    )
    words = shown(page_of(dossier))
    for said in (
        f"allows {possible} at most, and proves {proven}.",
        f"The longest boil, {possible} at most of 30 min",
        f"{possible}, unknown counted as boiling",
        f"{proven} proven without a break; at most {possible} possible",
    ):
        assert said in words, said
    assert headline(dossier.verdict).endswith(f"the record allows is {possible}.")
    assert main(["judge", str(RECORDS / "dip-stopped-short")]) == 10
    assert f"{proven} without a break; at most {possible}" in " ".join(capsys.readouterr().out.split())


def test_what_begins_to_count_is_dated_up_in_the_list_of_events_too(held: str) -> None:
    """FDA inspection guide, Part 2: begin at the next full unit."""
    verdict = from_folder(RECORDS / "held-low-altitude", ISSUED).verdict
    onset_s = next(each["onset_s"] for each in verdict["events"] if each["kind"] == "boil_reached")
    assert onset_s % 1.0 > 0.0
    run = read_run(RECORDS / "held-low-altitude")
    assert f"boil reached {clock(run, float(int(onset_s) + 1))}, told at" in shown(held)


def test_it_says_what_it_does_not_say(held: str) -> None:
    words = shown(held)
    assert "does not say that the food is fit to eat" in words
    assert "engineering choices" in words and "Published guidance names no such temperature" in words
    assert "Local codes and licensed practice come first" in words


@pytest.mark.parametrize("name", sorted(path.name for path in RECORDS.iterdir() if path.is_dir()))
def test_no_record_is_called_what_a_record_cannot_show(name: str) -> None:
    words = shown(page_of(from_folder(RECORDS / name, ISSUED))).lower()
    for word in ("safe", "sterile", "compliant", "certified", "guarantee", "pasteuri"):
        assert not re.search(rf"\b{word}", words.replace("food-safety", "")), word


def test_nothing_is_fetched_and_nothing_runs(held: str) -> None:
    page = tags_of(held)
    for tag, attributes in page.tags:
        assert tag not in {
            "link",
            "img",
            "iframe",
            "object",
            "embed",
            "base",
            "form",
            "use",
            "image",
            "video",
        }
        for name, value in attributes.items():
            assert not name.startswith("on")
            assert name not in {"src", "href", "xlink:href", "srcset", "action", "data"}, (tag, name)
            assert not re.search(r"url\((?!#)", value or "")
        if tag == "script":
            assert attributes["type"] in {"application/json", "application/gzip;base64"}
        if tag == "meta" and "http-equiv" in attributes:
            assert attributes["content"] == "default-src 'none'; style-src 'unsafe-inline'"
    style = held[held.index("<style>") : held.index("</style>")]
    assert "@import" not in style and "url(" not in style and "http" not in style
    assert "http" not in re.sub(r"<(script)\b.*?</\1>", "", held, flags=re.DOTALL).replace("http-equiv", "")


HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'&<!--"


def test_markup_in_any_name_is_text(tmp_path: Path) -> None:
    run = read_run(RECORDS / "held-low-altitude")
    nasty = replace(
        run,
        run_id=f"r{HOSTILE}",
        canner=HOSTILE,
        site=replace(run.site, name=HOSTILE),
        batch=replace(run.batch, food=HOSTILE, jar=HOSTILE, extra={HOSTILE: HOSTILE}),
        required=replace(run.required, source=HOSTILE),
        probe=replace(run.probe, kind=HOSTILE),
        marks=(*run.marks, Mark(900.0, "note", by=HOSTILE, text=HOSTILE)),
        extra={"origin": f"invented {HOSTILE}", "deviations": [HOSTILE]},
    )
    write_run(nasty, tmp_path / "run")
    entry = {
        "id": 1,
        "kind": "plan",
        "body": {HOSTILE: HOSTILE},
        "at_utc": "2026-07-25T18:00:00.000Z",
        "happened_utc": "2026-07-25T17:00:00.000Z",
        "by": HOSTILE,
        "reason": HOSTILE,
        "corrects": None,
        "run_id": nasty.run_id,
    }
    (tmp_path / "run" / "entries.jsonl").write_text(json.dumps(entry) + "\n", encoding="utf-8")
    page = page_of(from_folder(tmp_path / "run", ISSUED))
    parser = tags_of(page)
    assert not [tag for tag, _ in parser.tags if tag == "img"]
    assert [attributes["type"] for tag, attributes in parser.tags if tag == "script"] == [
        "application/json",
        "application/gzip;base64",
        "application/gzip;base64",
    ]
    assert shown(page).count("alert(1)") >= 8


def test_the_history_is_there_with_both_times_and_reasons(house: Household) -> None:
    """Made late shows both times and the reason; a correction hides nothing (21 CFR 11.10(e) as a pattern); offsets
    written out (RFC 3339)."""
    house.ring()
    seal_due(house.conn, time=house.clock)
    words = shown(page_of(from_store(house.conn, house.run_id, house.now())))
    assert re.search(
        r"2026-07-25 14:05:00-04:00, entered 2026-07-25 15:05:05-04:00\s?, Ada: marked: water", words
    )
    assert "reason: wrote it down on paper; hands were wet" in words
    assert "tap dull, lift holds [replaced by entry 17; kept]" in words
    assert "corrects entry 15 (jar seal): jar 6 seal: press firm, sight dished, tap ring" in words
    assert "food touched the lid; looked again" in words
    assert "jars 1–5 seal: press firm, sight dished, tap ring, lift holds" in words
    assert "7 in = 7 sealed + 0 unsealed + 0 broken + 0 opened" in words
    assert "The boil has held. Turn off the heat." in words
    assert "People Ada" in words


def test_a_changed_header_shows_old_and_new(house: Household) -> None:
    """21 CFR 11.10(e) as a pattern: a change never hides what was there."""
    house.say("header_changed", {"site": {"altitude_m": 195.0}}, reason="read the map again")
    words = shown(page_of(from_store(house.conn, house.run_id, house.now())))
    assert "header changed: site.altitude_m: 180.0 → 195.0 (reason: read the map again)" in words


def test_a_plan_and_its_checklist_are_told_in_words(house: Household) -> None:
    """No raw document, no word of the store's own, and no open step hidden."""
    plan = make_plan("jam or jelly with added pectin", "hot", "half-pint", 30.0, 10.0)
    assert isinstance(plan, Plan)
    house.say("plan", plan.as_json())
    house.say("checklist", {"done": ["sound_heard"], "all": ["rack", "sound_heard", "jars_and_lids"]})
    house.say("loading", {"coldest_jar_C": 85.0, "water_C": 80.0, "jars": 4})
    house.say("header_changed", {"batch": {"jar": "half_pint", "jar_mL": 237.0, "acid_confirmed": True}})
    words = shown(page_of(from_store(house.conn, house.run_id, house.now())))
    assert f"planned: {plan.food}, hot pack, half-pint, {plan.minutes:g} min" in words
    assert "checklist: 1 of 3 ticked; not ticked: rack, jars and lids" in words
    assert "at loading: jars 4, coldest jar 85.0 °C, water 80.0 °C" in words
    assert "Jar volume 237 mL" in words and "4 × half-pint" in words and "Acid confirmed yes" in words
    assert "boilwitness-plan" not in words and "Jar ml" not in words


def test_the_signature_lapses_when_the_content_changes(house: Household) -> None:
    """Bound to the content (21 CFR 11.70 as a pattern), and it says when reviewer and operator are one."""
    house.sign("Ada", calibration="checked again since")
    words = shown(page_of(from_store(house.conn, house.run_id, house.now())))
    assert "signed by Ada" in words and "It stands" in words
    assert "Reviewer and operator are one person" in words
    house.clock.advance(10.0)
    house.say("deviation_opened", {"what": "a lid was bent"})
    words = shown(page_of(from_store(house.conn, house.run_id, house.now())))
    assert "LAPSED: the record has changed since it was signed" in words


def test_what_is_not_recorded_says_so(tmp_path: Path) -> None:
    """Each item is there or said to be missing."""
    table = (RECORDS / "held-low-altitude" / "samples.csv").read_bytes()
    (tmp_path / "samples.csv").write_bytes(table)
    bare = '{"format":"boilwitness-run/1","run_id":"x","started_at":"2026-07-25T13:40:00-04:00",'
    marks = '"marks":[{"t_s":9,"kind":"jars_in"},{"t_s":2105,"kind":"heat_off"}],'
    (tmp_path / "run.json").write_text(bare + marks + '"required":{"minutes":20}}')
    words = shown(page_of(from_folder(tmp_path, ISSUED)))
    for name in ("Source of the time", "Site", "Altitude", "Zone", "Food", "Pack", "Canner", "Check"):
        assert f"{name} not recorded" in words, name
    assert "The record does not say how many jars went in" in words
    assert "nobody is named" in words


def test_a_run_that_is_not_over_gets_no_proof(tmp_path: Path) -> None:
    run = read_run(RECORDS / "held-low-altitude")
    cut = replace(run, marks=run.marks[:-1], samples=run.samples[:900])
    write_run(cut, tmp_path)
    with pytest.raises(UsageError, match=r"is not over.*Mark the heat off"):
        from_folder(tmp_path, ISSUED)


def test_a_dip_of_one_sample_is_in_the_picture() -> None:
    """The printed line keeps the lowest and highest reading of each column."""
    run = read_run(RECORDS / "held-low-altitude")
    flat = [sample._replace(water_C=99.0) for sample in run.samples]
    level = picture(replace(run, samples=tuple(flat)), {"boiling_point_C": 99.5, "floor_C": 98.5})
    flat[1501] = flat[1501]._replace(water_C=97.0)
    dipped = picture(replace(run, samples=tuple(flat)), {"boiling_point_C": 99.5, "floor_C": 98.5})
    lows = [
        max(float(y) for y in re.findall(r",([\d.]+)", path))
        for picture_ in (level, dipped)
        for path in [re.findall(r'<path class="water" d="([^"]+)"', picture_)[1]]
    ]
    assert lows[1] > lows[0] + 40.0


@pytest.mark.parametrize("record", ["held-low-altitude", "dip-stopped-short", "unmarked-held", "no-jars-in"])
def test_a_person_with_a_browser_and_python_checks_the_page_by_its_own_words(
    record: str, tmp_path: Path
) -> None:
    """The lines it prints are run as it says: no site packages, nothing of this project."""
    page = page_of(from_folder(RECORDS / record, ISSUED))
    (program,) = (html.unescape(text) for text in re.findall(r"<pre>(.*?)</pre>", page, re.DOTALL))
    (tmp_path / "proof.html").write_text(page, encoding="utf-8")
    (tmp_path / "check.py").write_text(program, encoding="utf-8")
    command = [sys.executable, "-I", "-S", "check.py"]
    told = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True).stdout
    (digest,) = re.findall(r"SHA-256 ([0-9a-f]{64})", told)
    assert digest in page.splitlines()[-1]
    for name in ("run.json", "samples.csv"):
        assert (tmp_path / name).read_bytes() == (RECORDS / record / name).read_bytes()
    longest_s, proven_s = (float(number) for number in re.findall(r"(?:longest|proven) ([\d.]+) s", told))
    verdict = judge(read_run(RECORDS / record))
    assert proven_s == verdict.proven_s <= longest_s + 3.0
    assert (longest_s > verdict.required_s) is (record in ("held-low-altitude", "unmarked-held"))
    (tmp_path / "proof.html").write_text(page.replace("full boil", "full b0il", 1), encoding="utf-8")
    told = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True).stdout
    assert digest not in told


def test_its_own_words_hold_where_the_boil_was_seen_once_and_began_again_unseen(tmp_path: Path) -> None:
    """A check so wide that only the boil that was seen clears its floor: the verdict states the later, higher floor."""
    shutil.copytree(RECORDS / "dip-stopped-short", tmp_path / "run")
    header = json.loads((tmp_path / "run" / "run.json").read_text())
    header["probe"]["calibration"]["expanded_uncertainty_K"] = 0.75
    (tmp_path / "run" / "run.json").write_text(json.dumps(header))
    page = page_of(from_folder(tmp_path / "run", ISSUED))
    (program,) = (html.unescape(text) for text in re.findall(r"<pre>(.*?)</pre>", page, re.DOTALL))
    (tmp_path / "proof.html").write_text(page, encoding="utf-8")
    (tmp_path / "check.py").write_text(program, encoding="utf-8")
    command = [sys.executable, "-I", "-S", "check.py"]
    told = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True).stdout
    longest_s, proven_s = (float(number) for number in re.findall(r"(?:longest|proven) ([\d.]+) s", told))
    assert 1200.0 < proven_s <= longest_s + 3.0 < 1320.0
    assert (
        "93.41 °C (200.1 °F) where a person saw it boil, 93.81 °C (200.9 °F) where it boiled again"
        in shown(page)
    )


@pytest.mark.parametrize("record", ["held-low-altitude", "dip-stopped-short", "silent-node"])
def test_an_ordinary_run_fits_two_sheets(
    record: str, new_house: Callable[..., Household], tmp_path: Path
) -> None:
    """Printed by a real browser on both papers, with the whole history of an ordinary batch."""
    house = new_house(record)
    house.ring()
    house.sign("Grace", calibration="checked again since")
    seal_due(house.conn, time=house.clock)
    name, page = proof_file(house.conn, house.run_id, house.now())
    assert name == f"proof-{house.run_id}.html"
    for paper in ("a4", "letter"):
        print_pdf(page, tmp_path / "proof.pdf", paper)
        sheets = re.findall(rb"/Type\s*/Page\b", (tmp_path / "proof.pdf").read_bytes())
        assert len(sheets) == 2, paper


def test_a_browser_fetches_nothing_and_a_telephone_scrolls_one_way(
    house: Household, tmp_path: Path, browser: Browser
) -> None:
    file = tmp_path / "proof.html"
    file.write_bytes(proof_file(house.conn, house.run_id, house.now())[1])
    messages: list[Any] = []
    tab = browser.new_page(viewport={"width": 390, "height": 844})
    tab.on("console", lambda message: messages.append(message.text))
    tab.on("request", lambda request: messages.append(request.url))
    tab.goto(file.as_uri())
    overflow = tab.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    tab.close()
    assert messages == [file.as_uri()]
    assert overflow <= 0


def test_around_a_change_of_the_clocks_every_time_has_its_offset() -> None:
    """America/Denver went back at 2026-11-01 02:00 (IANA time zone database)."""
    run = replace(
        read_run(RECORDS / "held-low-altitude"),
        zone="America/Denver",
        started_at=datetime(2026, 11, 1, 7, 10, tzinfo=UTC),
    )
    assert (clock(run, 600.0), clock(run, 4200.0)) == ("01:20:00-06:00", "01:20:00-07:00")
    assert clock(replace(run, started_at=datetime(2026, 11, 5, 7, 10, tzinfo=UTC)), 600.0) == "00:20:00"


def test_a_reprocessing_says_so_and_of_which_jars_with_what_lids_why_and_in_what_time(
    new_house: Callable[..., Household],
) -> None:
    again = {
        "reprocess_of": "2026-07-24-canner-1-a",
        "reprocess_jars": [2, 3, 5, 6, 7, 8, 9],
        "new_lids": True,
        "reprocess_why": "hold broken; the process failed",
        "reprocess_until": "2026-07-25T23:00:00+00:00",
    }
    for header, told in (
        (again, ("new, said at the start", "hold broken; the process failed", "in time")),
        (again | {"reprocess_until": "2026-07-25T13:00:00+00:00"}, ("TOO LATE",)),
        (
            {key: again[key] for key in ("reprocess_of", "reprocess_jars")},
            ("nobody said that they were new", "tells it", "does not say by when"),
        ),
    ):
        house = new_house("held-low-altitude", **header)
        page = shown(page_of(from_store(house.conn, house.run_id, ISSUED)))
        assert "REPROCESSING of jars 2, 3, 5, 6, 7, 8, 9 of run 2026-07-24-canner-1-a." in page
        assert "jar 1 was jar 2, jar 2 was jar 3, jar 3 was jar 5" in page
        assert "to reprocess jars 2, 3, 5, 6, 7, 8, 9 of run 2026-07-24-canner-1-a" in page
        for words in told:
            assert words in page
