"""A household's store with one whole batch in it: a shipped record, and what people entered about it (invented)."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.jars import batch_state
from monitor.judge import judge
from monitor.proof.envelope import seal_page
from monitor.record import Sample, header_to_json, read_run
from monitor.store.database import open_writer
from monitor.store.entries import append_entry, read_entries
from monitor.store.handover import Batch, Loss, Outbox
from monitor.store.reader import load_run
from monitor.store.samples import row_values
from monitor.store.stamp import utc_text
from monitor.store.writer import StoreWriter
from monitor.timesource import ManualTime

RECORDS = Path(__file__).parents[2] / "recorded_runs"
HOUR = 3600.0
GOOD = {"press": "firm", "sight": "dished", "tap": "ring", "lift": "holds"}


@dataclass
class Household:
    """A store being filled. ``clock`` counts from the run's start."""

    data: Path
    conn: sqlite3.Connection
    clock: ManualTime
    writer: StoreWriter
    run_id: str
    start: datetime

    def at(self, t_s: float) -> str:
        return utc_text(self.start + timedelta(seconds=t_s))

    def say(self, kind: str, body: dict[str, Any], t_s: float | None = None, **more: Any) -> int:
        """An entry about ``t_s`` (now when left out), made now."""
        happened = None if t_s is None else self.at(t_s)
        more = {"run_id": self.run_id, "by": "Ada"} | more
        return append_entry(self.conn, kind, body, happened_utc=happened, time=self.clock, **more)

    def until(self, t_s: float) -> None:
        self.clock.advance(t_s - (self.clock.utc_now() - self.start).total_seconds())

    def now(self) -> datetime:
        return self.clock.utc_now()

    def sign(self, by: str, **reasons: str) -> None:
        run = load_run(self.conn, self.run_id)
        state = batch_state(run, judge(run), read_entries(self.conn, self.run_id), self.now())
        body = {"content": state.content, "meaning": "reviewed for the shelf", "reasons": reasons}
        self.say("review", body, by=by)

    def fill(self) -> None:
        """A row of every journal, and a node that serves nothing: what stands in a store outside its runs."""
        self.ring()
        box = Outbox()
        box.journal.append(("started", "the collector started", {}))
        box.events.append((self.run_id, {"kind": "boil_reached", "onset_s": 800.0}))
        box.verdicts[self.run_id] = judge(load_run(self.conn, self.run_id)).as_json()
        self.writer.write(box)
        self.conn.execute(
            "INSERT INTO clocks (machine_boot, from_mono_s, rate, offset_s, set_utc, why)"
            " VALUES ('b', 0, 1, 0, '2026-07-25T12:00:00.000Z', 'start')"
        )
        spare = self.writer.node_id("spare", "test")
        now_s = self.now().timestamp() - 100.0
        rows = [
            row_values(
                spare, Sample(0.0, 20.0 + number, boot=3, seq=number), now_s + number, now_s + number, False
            )
            for number in range(40)
        ]
        losses = [Loss(spare, 3, 40, 2, "gone")]
        self.writer.commit(Batch(rows=rows, losses=losses))

    def judged(self) -> None:
        """A verdict put down, as the collector does when a run is over and when something came of it later."""
        box = Outbox()
        box.verdicts[self.run_id] = judge(load_run(self.conn, self.run_id)).as_json()
        self.writer.write(box)

    def ring(self, state: str = "active-unacknowledged") -> None:
        """One row of the alarm journal."""
        box = Outbox()
        body = {"text": "The boil has held. Turn off the heat."}
        box.alarms.append(("canner-1:hold_complete", self.run_id, "hold_complete", state, body))
        self.writer.write(box)


def household(data: Path, record: str = "held-low-altitude", **header: Any) -> Household:
    """A store with one finished run, its seven jars judged, signed; one late entry and one correction."""
    run = read_run(RECORDS / record)
    start = run.started_at.astimezone(UTC)
    clock = ManualTime(start, 500.0)
    conn = open_writer(data)
    house = Household(data, conn, clock, StoreWriter(conn, clock), run.run_id, start)
    form = header_to_json(run) | header
    marks = form.pop("marks")
    house.say("node_assigned", {"node": "n1", "canner": form["canner"]}, 0.0, run_id=None)
    house.say("run_started", form, 0.0)
    node = house.writer.node_id("n1", "test")
    start_s = start.timestamp()
    rows = [
        row_values(
            node,
            sample._replace(boot=sample.boot or 1, seq=number),
            at_s := start_s + sample.t_s,
            at_s + 0.02,
            False,
        )
        for number, sample in enumerate(run.samples)
    ]
    house.writer.commit(Batch(rows=rows))
    house.until(60.0)
    for mark in marks:
        house.until(max(mark["t_s"] + 4.0, 60.0))
        house.say("mark", {"kind": mark["kind"]}, mark["t_s"])
    heat_off_s = marks[-1]["t_s"]
    house.until(heat_off_s + 300.0)
    house.say("mark", {"kind": "jars_lifted"}, heat_off_s + 290.0)
    house.say("run_ended", {}, heat_off_s + 298.0)
    house.say("jars_lifted_count", {"out": 7, "broken": []}, heat_off_s + 300.0)
    house.until(heat_off_s + 3000.0)
    house.say("mark", {"kind": "water_checked"}, 1500.0, reason="wrote it down on paper; hands were wet")
    house.until(14 * HOUR)
    for jar in range(1, 8):
        house.clock.advance(40.0)
        answers = GOOD | ({"tap": "dull"} if jar == 6 else {})
        house.say("jar_seal", {"jar": jar, **answers})
    wrong = read_entries(conn, house.run_id, ["jar_seal"])[5].id
    house.clock.advance(60.0)
    house.say("jar_seal", {"jar": 6, **GOOD}, corrects=wrong, reason="food touched the lid; looked again")
    return house


@pytest.fixture(scope="session")
def with_facts() -> Callable[..., bytes]:
    """Writes other facts into a proof and makes all its hashes fit again, as somebody with patience would."""

    def write(proof: bytes, **changes: Any) -> bytes:
        match = re.search(rb'id="dossier">\n(.*?)\n</script>', proof, re.DOTALL)
        assert match
        text = json.dumps(json.loads(match[1]) | changes, indent=1).encode()
        return seal_page(proof[: proof[:-1].rfind(b"\n") + 1].replace(match[1], text))

    return write


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Household]:
    made = household(tmp_path / "data")
    with closing(made.conn):
        yield made


@pytest.fixture
def new_house(tmp_path: Path) -> Iterator[Callable[..., Household]]:
    made: list[Household] = []

    def make(record: str, **header: Any) -> Household:
        made.append(household(tmp_path / f"data-{len(made)}", record, **header))
        return made[-1]

    yield make
    for one in made:
        one.conn.close()
