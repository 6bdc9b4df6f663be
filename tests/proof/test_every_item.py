"""On 100 generated records the proof shows each item as the record has it, or says that it is not there and why.

The items are those that 21 CFR 113.100(a) asks of a processing record (product, code, date, retort, container size and
number, initial temperature, time, thermometer and recorder readings), with what this household record adds: limit,
altitude, events, deviations, alarms, seals, dispositions, people. What each should say is read here from the record's
own files, with nothing of the page's code.
"""

from __future__ import annotations

import csv
import html
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from math import floor, inf
from pathlib import Path
from random import Random
from typing import Any

import pytest

from monitor.proof.dossier import Dossier, from_folder
from monitor.proof.envelope import seal_page
from monitor.proof.page import draw
from monitor.record import Run, header_to_json, write_run
from monitor.record.model import Batch, Probe, Required, Site
from monitor.simulate.scenarios import FAMILIES, tell

RECORDS = 100
ISSUED = datetime(2027, 3, 1, 12, 0, tzinfo=UTC)
#: An item that is not there: said so, and why, in words.
REASON = re.compile(r"not (recorded|known|applicable): [a-z][a-z ]{6,}|nobody is named")


# --- the records ------------------------------------------------------------------------------------------


def generated(number: int) -> Run:
    """A run of each family in turn, with more or less of its header: all of it invented."""
    names = sorted(FAMILIES)
    chance = Random(number)
    run = tell(names[number % len(names)], 4_100_000 + number).run
    run = replace(run, batch=some_batch(chance, run.batch), site=some_site(chance, run.site))
    if chance.random() < 0.3:
        run = replace(run, samples=tuple(row._replace(pressure_kPa=None) for row in run.samples))
    if chance.random() < 0.1:
        blind = tuple(row._replace(water_C=None, water_fault="open") for row in run.samples)
        run = replace(run, samples=blind)
    if chance.random() < 0.2:
        run = replace(run, marks=())
    elif chance.random() < 0.4:
        run = replace(run, marks=tuple(replace(mark, by=chance.choice(["Ada", "Bo"])) for mark in run.marks))
    if chance.random() < 0.2:
        run = replace(run, probe=Probe(calibration=None))
    if chance.random() < 0.2:
        run = replace(run, canner=None, zone=None, required=Required(run.required.minutes))
    if chance.random() < 0.2:
        run = replace(run, extra={**run.extra, "started_by": "Cleo"})
    return replace(run, ended_at_s=run.samples[-1].t_s)


def some_batch(chance: Random, told: Batch) -> Batch:
    jar, jars = chance.choice(["half_pint", "pint", "quart"]), chance.randrange(1, 19)
    extra = {"lot_code": f"L{jars}", "coldest_jar_C": 61.5, "loading_water_C": 82.0}
    kept = {key: value for key, value in extra.items() if chance.random() < 0.6}
    return chance.choice(
        [
            Batch(),
            Batch(jars=jars),
            Batch(food="pears (invented)", jar=jar),
            replace(told, jar=jar, jars=jars),
            Batch("pears (invented)", "pears", "hot", jar, jars, kept),
            Batch("tomatoes (invented)", None, "raw", jar, jars, extra),
        ]
    )


def some_site(chance: Random, told: Site) -> Site:
    bare = Site(altitude_m=told.altitude_m)
    return chance.choice([told, told, told, replace(told, barometer_checked_at=None), bare, Site()])


def some_history(chance: Random, run: Run) -> list[dict[str, Any]]:
    """Entries as an export writes them; none for a third of the records."""
    if chance.random() < 0.33:
        return []
    rows: list[dict[str, Any]] = []

    def say(kind: str, body: dict[str, Any], hours: float, by: str | None = "Ada") -> None:
        at = (run.started_at + timedelta(hours=hours)).astimezone(UTC).isoformat()
        row = {"id": len(rows) + 1, "run_id": run.run_id, "kind": kind, "body": body, "at_utc": at}
        rows.append({**row, "happened_utc": at, "by": by, "corrects": None, "reason": None})

    say("run_started", header_to_json(run), 0.0, chance.choice(["Ada", None]))
    if chance.random() < 0.5:
        loading = {
            "coldest_jar_C": 58.5,
            "water_C": chance.choice([79.0, None]),
            "jars": chance.choice([5, None]),
        }
        say("loading", loading, 0.05)
    for reading in range(chance.choice([0, 0, 1, 3])):
        say("manual_reading", {"water_C": 98.25 + reading, "thermometer": "dial"}, 0.3 + reading / 100, "Bo")
    if chance.random() < 0.4:
        say("deviation_opened", {"what": "a lid was bent"}, 2.0)
    for jar in range(1, chance.choice([1, 3, 6])):
        answers = {"press": "firm", "sight": "dished", "tap": "ring", "lift": "holds"}
        say("jar_seal", {"jar": jar, **(answers if jar != 2 else {"broken": True})}, 14.0, "Dora")
        say("jar_disposition", {"jar": jar, "to": "refrigerate"}, 15.0)
    return rows


def some_alarms(chance: Random, run: Run) -> list[dict[str, Any]]:
    at = run.started_at.astimezone(UTC).isoformat()
    row = {"id": 1, "alarm_id": "a1", "run_id": run.run_id, "at_utc": at, "kind": "boil_lost"}
    return chance.choice([[], [{**row, "state": "cleared", "body": {"text": "The boil is lost."}}]])


# --- what its page says -----------------------------------------------------------------------------------


@dataclass
class Page:
    """``facts`` by title and name, ``tables`` by title, and all words."""

    facts: dict[str, dict[str, str]]
    tables: dict[str, list[list[str]]]
    words: str


def words_of(text: str) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text))).strip()


def page_of(dossier: Dossier) -> Page:
    text = seal_page(draw(dossier)).decode("utf-8")
    text = re.sub(r"<(script|style)\b.*?</\1>", " ", text, flags=re.DOTALL)
    facts: dict[str, dict[str, str]] = {}
    tables: dict[str, list[list[str]]] = {}
    for title, kind, body in re.findall(
        r'<h2>([^<]*)</h2><table class="(facts|rows)">(.*?)</table>', text, re.DOTALL
    ):
        rows = [row for row in re.findall(r"<tr>(.*?)</tr>", body, re.DOTALL) if "<td>" in row]
        if kind == "facts":
            pairs = [re.findall(r"<t[hd]>(.*?)</t[hd]>", row, re.DOTALL) for row in rows]
            facts[title] = {words_of(name): words_of(value) for name, value in pairs}
        else:
            cells = (re.findall(r"<td>(.*?)</td>", row, re.DOTALL) for row in rows)
            tables[title] = [[words_of(cell) for cell in row] for row in cells]
    return Page(facts, tables, words_of(text))


class Told:
    """A record's own files and its verdict, and what the page lacks of them."""

    def __init__(self, folder: Path, verdict: Mapping[str, Any]) -> None:
        self.header = json.loads((folder / "run.json").read_text())
        self.batch = self.header.get("batch") or {}
        self.site = self.header.get("site") or {}
        with (folder / "samples.csv").open(encoding="utf-8") as file:
            self.samples = list(csv.DictReader(file))
        self.entries = [json.loads(line) for line in lines(folder / "entries.jsonl")]
        self.alarms = [json.loads(line) for line in lines(folder / "alarms.jsonl")]
        self.verdict = verdict
        self.faults: list[str] = []

    def said(self, kind: str, key: str) -> list[Any]:
        values = [row["body"].get(key) for row in self.entries if row["kind"] == kind]
        return [value for value in values if value is not None]

    def item(self, name: str, shown: str | None, wanted: object) -> None:
        """``wanted`` stands in what is shown; where the record has none, a reason does."""
        if shown is None:
            self.faults.append(f"{name}: nothing on the page")
        elif wanted is None and not REASON.search(shown):
            self.faults.append(f"{name}: neither there nor a reason: {shown!r}")
        elif wanted is not None and str(wanted) not in shown:
            self.faults.append(f"{name}: {wanted!r} is not in {shown!r}")

    def column(self, name: str, start_s: float, end_s: float, offset_K: float = 0.0) -> str | None:
        found = [
            float(row[name]) + offset_K
            for row in self.samples
            if row.get(name) and start_s <= float(row["t_s"]) <= end_s
        ]
        return f"{min(found):.2f} to {max(found):.2f} °C" if found else None


def lines(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8").splitlines() if path.exists() else []


def seconds(span: str) -> int:
    """Of ``12 min 05 s`` or ``40 s``."""
    found = re.match(r"(?:(\d+) min ?)?(?:(\d+) s)?", span)
    assert found
    return int(found[1] or 0) * 60 + int(found[2] or 0)


def look_through(told: Told, page: Page) -> None:
    """Every item of a processing record (21 CFR 113.100(a)), in its order."""
    batch, place = page.facts["Batch"], page.facts["Place and boiling point"]
    time, probe, header = page.facts["Time"], page.facts["Probe"], told.header
    told.item("product", batch.get("Food"), told.batch.get("food"))
    told.item("pack", batch.get("Pack"), told.batch.get("pack"))
    told.item("code", batch.get("Lot code"), told.batch.get("lot_code"))
    told.item("run", page.words, f"Proof of run {header['run_id']}")
    began = datetime.fromisoformat(header["started_at"])
    if not header.get("zone"):
        began = began.astimezone(UTC)
    told.item("date", time.get("Record began"), began.isoformat(sep=" ", timespec="seconds"))
    told.item("canner", batch.get("Canner"), header.get("canner"))
    # A record's half_pint is a half-pint on paper.
    size = str(told.batch["jar"]).replace("_", "-") if told.batch.get("jar") else None
    told.item("jar size", batch.get("Jars", "").partition("×")[2], size)
    count = next(iter([*reversed(told.said("loading", "jars")), told.batch.get("jars")]), None)
    told.item("jar count", batch.get("Jars", "").partition("×")[0], count)
    loaded = (("coldest jar", "coldest_jar_C", "coldest_jar_C"), ("water", "loading_water_C", "water_C"))
    for name, key, entered in loaded:
        values = [told.batch.get(key), *told.said("loading", entered)]
        value = next((value for value in values if value is not None), None)
        told.item(f"initial temperature, {name}", batch.get("At loading"), value and f"{name} {value} °C")
    told.item("required time", time.get("Required"), f"{header['required']['minutes']:g} min")
    told.item("source of the time", time.get("Source of the time"), header["required"].get("source"))
    proven_s = seconds(time["Proven without a break"])
    if proven_s != floor(told.verdict["proven_s"]):
        told.faults.append(f"actual time: {proven_s} s shown, {told.verdict['proven_s']} s proven")
    readings(told, probe)
    boil_C, floor_C = told.verdict["boiling_point_C"], told.verdict["floor_C"]
    told.item("boiling point", place.get("Water boils at"), boil_C and f"{boil_C:.2f} °C")
    told.item("limit", place.get("Counts as boiling from"), floor_C and f"{floor_C:.2f} °C")
    expanded_K = told.verdict["expanded_uncertainty_K"]
    told.item("uncertainty", place.get("Uncertainty U (k = 2)"), expanded_K and f"± {expanded_K:.2f} K")
    altitude_m = told.site.get("altitude_m")
    told.item("altitude", place.get("Altitude"), altitude_m and f"{altitude_m:g} m")
    what_happened(told, page)
    jars(told, page, count)
    names = {row.get("by") for row in [*header.get("marks", []), *told.entries]} | {header.get("started_by")}
    for name in names - {None} or {None}:
        told.item("people", batch.get("People"), name)
    for title, pairs in page.facts.items():
        told.faults += [f"{title}: {name} is blank" for name, value in pairs.items() if not value]
        told.faults += [
            f"{title}: {name} gives no reason: {value}"
            for name, value in pairs.items()
            if re.search(r"not (recorded|known|applicable)", value) and not REASON.search(value)
        ]


def readings(told: Told, probe: Mapping[str, str]) -> None:
    check = (told.header.get("probe") or {}).get("calibration") or {}
    start_s, end_s = -inf, inf
    if told.verdict["clock"]["started_s"] is not None:
        start_s = told.verdict["clock"]["started_s"]
        end_s = start_s + told.verdict["proven_s"]
    recorded = told.column("water_C", start_s, end_s, check.get("offset_K", 0.0))
    told.item("recorder reading", probe.get("Recorder read"), recorded)
    by_hand = told.said("manual_reading", "water_C")
    second = told.column("water_2_C", start_s, end_s)
    told.item("reference reading", probe.get("Read beside it"), f"{by_hand[-1]} °C" if by_hand else second)


def what_happened(told: Told, page: Page) -> None:
    found = re.search(r"Events: (.*?)\. Uncertainty", page.words) or re.search(r"Events: (.*?)\.", page.words)
    events = found[1] if found else None
    for kind in {event["kind"] for event in told.verdict["events"]} or {"none was raised"}:
        told.item("events", events, kind.replace("_", " "))
    opened = told.said("deviation_opened", "what")
    if "Deviations" in page.tables:
        rows = page.tables["Deviations"]
        told.faults += ["deviations: a blank cell" for row in rows if not all(row)]
        for what in opened:
            told.item("deviations", " ".join(cell for row in rows for cell in row), what)
    else:
        told.item("deviations", page.words, "Deviations. None was found or noted.")
        told.faults += [f"deviations: {what} is missing" for what in opened]
    alarms = [row["body"]["text"] for row in told.alarms]
    for text in alarms or ["Alarms. No alarm is in the record."]:
        told.item("alarms", page.words, text)


def jars(told: Told, page: Page, count: int | None) -> None:
    """Every jar that went in has a seal and a disposition, each with its reason."""
    if count is None:
        none = "Jars, seals, dispositions. The record does not say how many jars went in."
        told.item("seals and dispositions", page.words, none)
        return
    numbers: list[int] = []
    for numbered, seal, by, disposition, why in page.tables["Jars, seals, dispositions"]:
        low, _, high = numbered.partition("–")
        numbers += range(int(low), int(high or low) + 1)
        if not re.match(r"[a-z, ]+: \w", seal) or not disposition or not why:
            told.faults.append(f"seals and dispositions: {[numbered, seal, disposition, why]}")
        if by == "–" and not seal.startswith("not judged"):
            told.faults.append(f"seals: {seal} by nobody")
    if numbers != list(range(1, count + 1)):
        told.faults.append(f"seals and dispositions: of jars {numbers}, {count} went in")
    for jar in told.said("jar_seal", "jar"):
        told.item(
            "people who judged", str(page.tables["Jars, seals, dispositions"]), "Dora" if jar <= count else ""
        )


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> list[Told]:
    found = []
    for number in range(RECORDS):
        run, chance = generated(number), Random(-number - 1)
        folder = tmp_path_factory.mktemp("record") / "run"
        write_run(run, folder)
        for name, rows in (
            ("entries.jsonl", some_history(chance, run)),
            ("alarms.jsonl", some_alarms(chance, run)),
        ):
            if rows:
                (folder / name).write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
        dossier = from_folder(folder, ISSUED)
        told = Told(folder, dossier.verdict)
        look_through(told, page_of(dossier))
        found.append(told)
    return found


def test_each_item_is_there_or_is_said_to_be_missing_and_why(looked_at: list[Told]) -> None:
    faults = [f"{told.header['run_id']}: {fault}" for told in looked_at for fault in told.faults]
    assert len(looked_at) == RECORDS
    assert not faults, f"{len(faults)} faults:\n" + "\n".join(faults[:20])


def test_the_records_are_of_every_sort(looked_at: list[Told]) -> None:
    """Held, broken, unproven; with and without each thing a record can lack."""
    sorts: Sequence[tuple[str, int]] = [
        *((word, sum(told.verdict["verdict"] == word for told in looked_at)) for word in ("held", "broken")),
        ("unproven", sum(told.verdict["verdict"] == "unproven" for told in looked_at)),
        ("without marks", sum(not told.header.get("marks") for told in looked_at)),
        ("without boiling point", sum(told.verdict["boiling_point_C"] is None for told in looked_at)),
        (
            "without barometer",
            sum(not any(s.get("pressure_kPa") for s in told.samples) for told in looked_at),
        ),
        ("without a reading", sum(not any(s.get("water_C") for s in told.samples) for told in looked_at)),
        ("without food", sum(not told.batch.get("food") for told in looked_at)),
        ("without a count", sum(not told.batch.get("jars") for told in looked_at)),
        ("without events", sum(not told.verdict["events"] for told in looked_at)),
        ("without history", sum(not told.entries for told in looked_at)),
        ("with readings by hand", sum(bool(told.said("manual_reading", "water_C")) for told in looked_at)),
        ("with a deviation by hand", sum(bool(told.said("deviation_opened", "what")) for told in looked_at)),
        ("with alarms", sum(bool(told.alarms) for told in looked_at)),
    ]
    assert [sort for sort, count in sorts if count < 4] == [], sorts
    assert len({told.header["run_id"].rpartition("-")[0] for told in looked_at}) == len(FAMILIES)
