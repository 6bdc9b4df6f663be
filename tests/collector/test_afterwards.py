"""Samples of a run that come when it is over: judged again, a changed answer is an event and an alarm.

The record's rule (a verdict is a function of the set of rows; late rows revise it, and the revision is an event)
is common practice in electronic records: 21 CFR 113.89 and FDA's guide to inspections, part 1, on deviations
that are found late.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.main import main
from monitor.collector.afterwards import any_unjudged
from monitor.intake.wire import Pack
from monitor.judge import judge
from monitor.proof.seal import seal_due
from monitor.proof.verify_store import verify_store
from monitor.record import header_to_json
from monitor.simulate.node import DemoCanner, demo_canner
from monitor.store import reader
from monitor.store.database import open_writer
from monitor.store.entries import append_entry, read_entries
from monitor.store.handover import Batch
from monitor.store.samples import row_values
from monitor.store.stamp import epoch_text
from monitor.store.writer import StoreWriter
from monitor.timesource import ManualTime

START = "2026-08-14T09:12:00-06:00"
#: What the radio swallowed, in the middle of the hold that counts. [s before heat_off]
GAP_S = (120.0, 60.0)


@pytest.fixture(scope="module")
def demo() -> DemoCanner:
    return demo_canner(minutes=5.0, cooling_s=60.0)


class Story:
    """The invented batch as packs of a node, with the run's entries made when they are due."""

    def __init__(self, data: Path, demo: DemoCanner) -> None:
        self.data, self.demo = data, demo
        self.clock = ManualTime(datetime.fromisoformat(START), 1000.0)
        self._enter("node_assigned", {"node": "n1", "canner": "c1"}, None)
        parts = {key: header_to_json(demo.header)[key] for key in ("site", "batch", "probe", "required")}
        header = {"format": "boilwitness-run/1", "run_id": "r1", "canner": "c1", "started_at": START, **parts}
        self._enter("run_started", header, "r1")
        off_s = next(mark.t_s for mark in demo.marks if mark.kind == "heat_off")
        packs = [
            (
                1000.0 + one.t_s,
                Pack(
                    "n1",
                    boot=3,
                    seq=n,
                    uptime_s=50.0 + one.t_s,
                    water_C=one.water_C,
                    chip_C=one.chip_C,
                    pressure_kPa=one.pressure_kPa,
                ),
            )
            for n, one in enumerate(demo.samples)
        ]
        low_s, high_s = (1000.0 + off_s - before_s for before_s in GAP_S)
        self.gap = [one for one in packs if low_s <= one[0] < high_s]
        self.rest = [one for one in packs if not low_s <= one[0] < high_s]

    def _enter(self, kind: str, body: dict[str, Any], run_id: str | None) -> None:
        append_entry(self.data, kind, body, run_id=run_id, time=self.clock)

    def play(self, collector: Any) -> None:
        """Everything but the gap, the marks in between, and the end."""
        marks = sorted(self.demo.marks, key=lambda mark: mark.t_s)
        at = 0
        for mark in marks:
            before = [one for one in self.rest[at:] if one[0] - 1000.0 <= mark.t_s]
            at += len(before)
            collector.say(before)
            self._enter("mark", {"kind": mark.kind}, "r1")
        collector.say(self.rest[at:])
        self._enter("run_ended", {}, "r1")


@pytest.fixture
def story(data: Path, demo: DemoCanner) -> Story:
    return Story(data, demo)


def verdicts(stored: Any) -> list[str]:
    return [json.loads(row[0])["verdict"] for row in stored.ask("SELECT verdict FROM verdicts ORDER BY 1")]


def revisions(stored: Any) -> list[str]:
    rows = stored.ask("SELECT body FROM events WHERE kind = 'verdict_revised' ORDER BY event_id")
    return [json.loads(row[0])["text"] for row in rows]


def last_verdict(stored: Any) -> dict[str, Any]:
    rows = stored.ask("SELECT verdict FROM verdicts ORDER BY verdict_id DESC LIMIT 1")
    return json.loads(rows[0][0]) if rows else {}


def test_what_comes_when_the_run_is_over_revises_its_verdict(
    fed: Callable[..., Any], story: Story, stored: Any, wait: Any
) -> None:
    collector = fed(story.clock)
    story.play(collector)
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored), what="for the verdict at the end")
    assert last_verdict(stored)["verdict"] != "held"
    assert revisions(stored) == []
    collector.pass_time(600.0)

    collector.say([(story.clock.monotonic_s(), pack) for _, pack in story.gap])
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored)["verdict"] == "held")
    with_all = judge(reader.load_run(stored.connection(), "r1"))
    assert last_verdict(stored)["proven_s"] == with_all.proven_s
    wait(lambda: collector.clock.advance(0.3) or revisions(stored))
    (text,) = revisions(stored)
    assert "held" in text
    assert collector.heard("verdict_revised")
    (alarms,) = stored.ask("SELECT count(DISTINCT alarm_id) FROM alarms WHERE kind = 'verdict_revised'")
    assert alarms == (1,)
    assert stored.ask("SELECT sum(late) FROM samples") == [(len(story.gap),)]

    collector.say([(story.clock.monotonic_s(), pack) for _, pack in story.gap])
    collector.pass_time(5.0)
    assert len(revisions(stored)) == 1, "the same samples once more change nothing"


def test_what_a_killed_collector_stored_and_did_not_judge_is_judged_by_the_next(
    fed: Callable[..., Any], story: Story, stored: Any, data: Path, wait: Any
) -> None:
    first = fed(story.clock)
    story.play(first)
    wait(lambda: first.clock.advance(0.3) or last_verdict(stored))
    first.pass_time(600.0)
    first.end()
    # Committed, and then the power went: nobody judged.
    conn = open_writer(data)
    house = reader.read_house(conn)
    start_s = house.runs["r1"].started_s
    now_s = start_s + story.clock.monotonic_s() - 1000.0
    rows = []
    for at_s, pack in story.gap:
        sample = story.demo.samples[pack.seq or 0]._replace(boot=3, seq=pack.seq, uptime_s=pack.uptime_s)
        rows.append(row_values(1, sample, start_s + at_s - 1000.0, now_s, late=True))
    assert len(StoreWriter(conn, story.clock).commit(Batch(rows=rows))) == len(story.gap)
    conn.close()

    second = fed(story.clock)
    wait(lambda: second.clock.advance(0.3) or last_verdict(stored)["verdict"] == "held")
    wait(lambda: second.clock.advance(0.3) or len(revisions(stored)) == 1)


def play_held(fed: Callable[..., Any], story: Story, stored: Any, wait: Any) -> None:
    """The whole story without its gap; then the collector that judged it held ends."""
    collector = fed(story.clock)
    story.rest = sorted([*story.rest, *story.gap])
    story.play(collector)
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored))
    collector.end()
    assert last_verdict(stored)["verdict"] == "held"


def test_what_is_said_with_no_collector_on_takes_effect_at_once_everywhere(
    fed: Callable[..., Any], story: Story, stored: Any, data: Path, wait: Any, capsys: Any
) -> None:
    """The list of runs, the pages' questions and ``judge`` agree; a store that nobody altered is not called so."""
    play_held(fed, story, stored, wait)
    conn = open_writer(data)
    seal_due(conn, time=story.clock)
    listed = reader.list_runs(conn)[0]
    assert (listed.verdict, listed.proven_s) == ("held", last_verdict(stored)["proven_s"])
    story.clock.advance(60.0)
    # Not in the middle: the cook saw at the time that it did not boil.
    seen = epoch_text(reader.read_house(conn).runs["r1"].started_s + story.demo.heat_off_s - 120.0)
    append_entry(
        conn,
        "mark",
        {"kind": "boil_not_seen"},
        run_id="r1",
        happened_utc=seen,
        reason="late",
        time=story.clock,
    )
    now = judge(reader.load_run(conn, "r1"))
    assert now.verdict != "held"
    (row,) = reader.list_runs(conn)
    assert row.verdict is None and row.proven_s is None and reader.verdict_of(conn, "r1") is None
    main(["runs", "--data", str(data)])
    assert now.verdict is not None and f" {now.verdict}" in capsys.readouterr().out
    seal_due(conn, time=story.clock)
    report = verify_store(conn, "here")
    assert report.problems == []
    assert any("more was said" in line for line in report.remarks)

    story.clock.advance(1.0)
    second = fed(story.clock)
    wait(lambda: second.clock.advance(0.3) or last_verdict(stored)["verdict"] == now.verdict)
    wait(lambda: second.clock.advance(0.3) or revisions(stored))
    (row,) = reader.list_runs(conn)
    assert row.verdict == now.verdict and reader.verdict_of(conn, "r1") is not None
    conn.close()


def test_a_mark_that_is_withdrawn_with_no_collector_on_is_judged_by_the_next(
    fed: Callable[..., Any], story: Story, stored: Any, data: Path, wait: Any
) -> None:
    """What remains of the run was all said before: the withdrawal itself is what is new."""
    play_held(fed, story, stored, wait)
    story.clock.advance(60.0)
    with closing(open_writer(data)) as conn:
        (jars_in,) = [one for one in read_entries(conn, "r1", ("mark",)) if one.body["kind"] == "jars_in"]
        append_entry(
            conn, "correction", {"withdrawn": True}, run_id="r1", corrects=jars_in.id, time=story.clock
        )
        assert reader.verdict_of(conn, "r1") is None
    story.clock.advance(1.0)
    second = fed(story.clock)
    wait(lambda: second.clock.advance(0.3) or last_verdict(stored)["verdict"] == "unproven")


def test_raw_and_corrected_readings_are_both_kept_with_the_verdict(
    fed: Callable[..., Any], story: Story, stored: Any, wait: Any
) -> None:
    """A correction that is changed afterwards gives another verdict; the old one keeps its readings."""
    collector = fed(story.clock)
    story.play(collector)
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored))
    calibration = header_to_json(story.demo.header)["probe"]["calibration"]
    offset_K = calibration["offset_K"]
    (first,) = stored.ask("SELECT verdict_id FROM verdicts")
    before = stored.ask(
        "SELECT seq, raw_C, corrected_C FROM readings WHERE verdict_id = ? ORDER BY seq", *first
    )
    assert len(before) == len(story.rest)
    said = {pack.seq: pack.water_C for _, pack in story.rest}
    for seq, raw_C, corrected_C in before:
        assert raw_C == pytest.approx(said[seq], abs=1e-4)
        assert corrected_C == pytest.approx(raw_C + offset_K)
    story._enter(
        "header_changed", {"probe": {"calibration": calibration | {"offset_K": offset_K + 0.2}}}, "r1"
    )
    wait(lambda: collector.clock.advance(0.3) or len(verdicts(stored)) == 2, what="for it to be judged again")
    again = "SELECT seq, raw_C, corrected_C FROM readings WHERE verdict_id = ? ORDER BY seq"
    assert stored.ask(again, *first) == before
    (second,) = stored.ask("SELECT max(verdict_id) FROM verdicts")
    for _, raw_C, corrected_C in stored.ask(again, *second):
        assert corrected_C == pytest.approx(raw_C + offset_K + 0.2)


def test_a_mark_withdrawn_when_the_run_is_over_revises_its_verdict(
    fed: Callable[..., Any], story: Story, stored: Any, data: Path, wait: Any
) -> None:
    """An entry takes effect when it is appended: without jars in, boiling water proves nothing."""
    story.rest, story.gap = sorted(story.rest + story.gap, key=lambda one: one[0]), []
    collector = fed(story.clock)
    story.play(collector)
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored))
    assert last_verdict(stored)["verdict"] == "held"
    with closing(open_writer(data)) as conn:
        jars_in = [entry for entry in read_entries(conn, "r1", ["mark"]) if entry.body["kind"] == "jars_in"]
        for entry in jars_in:
            append_entry(
                conn, "correction", {"withdrawn": True}, run_id="r1", corrects=entry.id, time=story.clock
            )
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored)["verdict"] != "held")
    wait(lambda: collector.clock.advance(0.3) or revisions(stored))
    assert "instead of held" in revisions(stored)[0]
    # In minutes, as everything else that is told: "held (10 min 12 s)".
    assert re.search(r"\(0 s proven\) instead of held \(\d+ min \d\d s\)\.$", revisions(stored)[0])


def test_a_run_that_ended_while_nobody_collected_is_judged_and_not_called_revised(
    fed: Callable[..., Any], story: Story, stored: Any, wait: Any
) -> None:
    first = fed(story.clock)
    first.say(story.rest[:300])
    first.pass_time(1.0)
    first.end()
    append_entry(story.data, "run_ended", {}, run_id="r1", time=story.clock)
    assert any_unjudged(stored.connection(), reader.read_house(stored.connection())), "so house time is kept"
    second = fed(story.clock)
    wait(lambda: second.clock.advance(0.3) or last_verdict(stored))
    assert not any_unjudged(stored.connection(), reader.read_house(stored.connection()))
    assert stored.ask("SELECT count(DISTINCT offset_s) FROM clocks") == [(1,)]
    assert revisions(stored) == []
    assert stored.live() == {}


def test_the_end_of_a_run_is_said_once_however_many_samples_come_afterwards(
    fed: Callable[..., Any], story: Story, stored: Any, wait: Any
) -> None:
    """What a node kept comes in pieces, and the run is judged again after each; only a changed answer is news."""
    collector = fed(story.clock)
    story.play(collector)
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored))
    pieces = [story.gap[at : at + 10] for at in range(0, len(story.gap), 10)]
    for piece in pieces:
        judged = len(verdicts(stored))
        collector.say([(story.clock.monotonic_s(), pack) for _, pack in piece])
        wait(lambda judged=judged: collector.clock.advance(0.3) or len(verdicts(stored)) > judged)
    assert len(verdicts(stored)) > len(pieces) >= 5
    assert len([line for line in collector.said if "is over" in line]) == 1


# --- what rings for the jars of a run that is over ----------------------------------------------------------


def started(fed: Callable[..., Any], story: Story, wait: Any) -> Any:
    """A collector that has looked for the first time."""
    collector = fed(story.clock)
    wait(lambda: collector.clock.advance(0.3) or collector.source.looks)
    return collector


def rung(stored: Any, kind: str) -> list[tuple[str, str]]:
    """The alarms of a kind that were raised: their id and the state that each is in now."""
    rows = stored.ask("SELECT alarm_id, state FROM alarms WHERE kind = ? ORDER BY id", kind)
    return list(dict(rows).items())


def let_pass(collector: Any, hours: float) -> None:
    for _ in range(round(hours * 6)):
        collector.pass_time(600.0)


def correct_time(story: Story, minutes: int) -> None:
    body = {"required": {"minutes": minutes, "source": "an invented time"}}
    append_entry(story.data, "header_changed", body, run_id="r1", by="Ann", reason="slip", time=story.clock)


def test_the_two_hours_ring_for_jars_whose_hold_was_found_broken_when_the_run_was_over(
    fed: Callable[..., Any], story: Story, stored: Any, wait: Any
) -> None:
    """And once, however often it is judged again, and whoever starts the collector anew."""
    story.rest = sorted([*story.rest, *story.gap])
    collector = started(fed, story, wait)
    story.play(collector)
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored))
    collector.pass_time(600.0)
    correct_time(story, 10)
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored)["verdict"] == "broken")
    assert rung(stored, "reprocess_window_closing") == []
    let_pass(collector, 2.0)
    ((alarm_id, state),) = rung(stored, "reprocess_window_closing")
    assert state == "active_unacknowledged"
    append_entry(story.data, "alarm_acknowledged", {"alarm_id": alarm_id}, by="Ann", time=story.clock)
    collector.pass_time(1.0)
    correct_time(story, 11)
    collector.pass_time(10.0)
    collector.end()
    second = started(fed, story, wait)
    second.pass_time(30.0)
    assert rung(stored, "reprocess_window_closing") == [(alarm_id, "active_acknowledged")]


def test_the_two_hours_do_not_ring_for_jars_whose_hold_was_found_to_be_proven(
    fed: Callable[..., Any], story: Story, stored: Any, wait: Any
) -> None:
    """By the samples that came when the run was over; the seals are due at their time all the same."""
    collector = started(fed, story, wait)
    story.play(collector)
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored))
    assert last_verdict(stored)["verdict"] == "unproven"
    collector.pass_time(600.0)
    collector.say([(story.clock.monotonic_s(), pack) for _, pack in story.gap])
    wait(lambda: collector.clock.advance(0.3) or last_verdict(stored)["verdict"] == "held")
    let_pass(collector, 13.0)
    assert rung(stored, "reprocess_window_closing") == []
    assert len(rung(stored, "seal_check_due")) == 1


def lost_and_collector_gone(fed: Callable[..., Any], story: Story, stored: Any, wait: Any) -> None:
    """The boil is lost and rings; the collector ends."""
    collector = started(fed, story, wait)
    upto_s = 1000.0 + story.demo.power_back_s - 60.0
    for mark in story.demo.marks:
        if 1000.0 + mark.t_s < upto_s:
            collector.say(
                [one for one in story.rest if story.clock.monotonic_s() < one[0] <= 1000.0 + mark.t_s]
            )
            story._enter("mark", {"kind": mark.kind}, "r1")
    collector.say([one for one in story.rest if story.clock.monotonic_s() < one[0] <= upto_s])
    collector.pass_time(1.0)
    collector.end()
    assert [state for _, state in rung(stored, "boil_lost")] == ["active_unacknowledged"]
    assert rung(stored, "hold_not_held") == []


@pytest.mark.parametrize("ended", [True, False])
def test_what_ended_while_nobody_collected_rings_as_if_somebody_had(
    fed: Callable[..., Any], story: Story, stored: Any, wait: Any, ended: bool
) -> None:
    lost_and_collector_gone(fed, story, stored, wait)
    for kind in ("heat_off", "jars_lifted"):
        story.clock.advance(60.0)
        story._enter("mark", {"kind": kind}, "r1")
    if ended:
        story._enter("run_ended", {}, "r1")
    story.clock.advance(60.0)
    for _ in range(2):
        collector = started(fed, story, wait)
        collector.pass_time(10.0)
        collector.pass_time(10.0)
        assert [state for _, state in rung(stored, "boil_lost")] == ["returned_unacknowledged"]
        ((alarm_id, state),) = rung(stored, "hold_not_held")
        said = [word for line in collector.said for word in ("r1 is over", "r1 is sealed") if word in line]
        assert said in ([], ["r1 is over", "r1 is sealed"]), "judged first"
        assert not [line for line in collector.said if "Turn the heat to its highest" in line]
        collector.end()
    assert state == "active_unacknowledged"
    append_entry(story.data, "alarm_acknowledged", {"alarm_id": alarm_id}, by="Ann", time=story.clock)
    for _ in range(2):
        collector = started(fed, story, wait)
        collector.pass_time(10.0)
        collector.end()
    assert rung(stored, "hold_not_held") == [(alarm_id, "active_acknowledged")]


def failed_and_acknowledged(fed: Callable[..., Any], story: Story, stored: Any, wait: Any) -> tuple[Any, str]:
    """The heat goes off before the time was over; the alarm about it rang and was answered. The alarm's id."""
    lost_and_collector_gone(fed, story, stored, wait)
    collector = started(fed, story, wait)
    story._enter("mark", {"kind": "heat_off"}, "r1")
    collector.pass_time(2.0)
    ((alarm_id, _),) = rung(stored, "hold_not_held")
    append_entry(story.data, "alarm_acknowledged", {"alarm_id": alarm_id}, by="Ann", time=story.clock)
    return collector, alarm_id


def test_what_rang_before_the_collector_was_gone_rings_no_second_time_at_the_end(
    fed: Callable[..., Any], story: Story, stored: Any, wait: Any
) -> None:
    collector, alarm_id = failed_and_acknowledged(fed, story, stored, wait)
    collector.pass_time(2.0)
    collector.end()
    story.clock.advance(60.0)
    story._enter("run_ended", {}, "r1")
    second = started(fed, story, wait)
    second.pass_time(10.0)
    second.pass_time(10.0)
    assert last_verdict(stored)["verdict"] == "broken"
    assert rung(stored, "hold_not_held") == [(alarm_id, "active_acknowledged")]


def test_the_lifting_after_the_heat_is_off_rings_no_second_time(
    fed: Callable[..., Any], story: Story, stored: Any, wait: Any
) -> None:
    """One hold, one alarm: it was acknowledged while the jars still stood in the canner."""
    collector, alarm_id = failed_and_acknowledged(fed, story, stored, wait)
    collector.pass_time(300.0)
    story._enter("mark", {"kind": "jars_lifted"}, "r1")
    collector.pass_time(3.0)
    assert rung(stored, "hold_not_held") == [(alarm_id, "active_acknowledged")]


def test_jars_that_had_their_places_before_the_collector_came_back_ring_for_nothing(
    fed: Callable[..., Any], story: Story, stored: Any, wait: Any
) -> None:
    lost_and_collector_gone(fed, story, stored, wait)
    story._enter("mark", {"kind": "heat_off"}, "r1")
    story._enter("mark", {"kind": "jars_lifted"}, "r1")
    story._enter("run_ended", {}, "r1")
    for jar in range(1, story.demo.header.batch.jars + 1):
        append_entry(
            story.data,
            "jar_disposition",
            {"jar": jar, "to": "refrigerate"},
            run_id="r1",
            by="Ann",
            time=story.clock,
        )
    collector = started(fed, story, wait)
    collector.pass_time(10.0)
    collector.pass_time(10.0)
    assert last_verdict(stored)["verdict"] == "broken"
    assert rung(stored, "hold_not_held") == []
