"""The collector as a process, over a real broker: what is stored, said, and shown."""

from __future__ import annotations

import itertools
import json
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.store import reader
from monitor.store.entries import append_entry
from monitor.store.identity import store_id
from monitor.store.stamp import SYSTEM_TIME

Collect = Callable[..., Any]
MakeNode = Callable[..., Any]
Wait = Callable[..., None]
Boilwitness = Callable[..., subprocess.CompletedProcess[str]]


def test_every_sample_once_and_the_node_told(
    broker: Any, collect: Collect, make_node: MakeNode, stored: Any, wait: Wait
) -> None:
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    node = make_node()
    for _ in range(50):
        node.sample()
        time.sleep(0.01)
    wait(lambda: stored.whole(50) and node.stored == 49)
    assert collector.heard("new node n1: stored; it serves no canner")
    assert collector.stop() == 0
    assert collector.heard("stopped")


def test_one_refused_message_is_one_piece(broker: Any, collect: Collect) -> None:
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    client = paho.Client(CallbackAPIVersion.VERSION2)
    host, port = broker.address.split(":")
    client.connect(host, int(port))
    client.loop_start()
    client.publish("boilwitness/n1/samples", b"garbage", qos=1).wait_for_publish(60.0)
    collector.wait_for("1 piece of input refused, the last: ")
    client.loop_stop()
    client.disconnect()


def test_ctrl_c_ends_it_with_what_was_queued_stored(
    broker: Any, collect: Collect, make_node: MakeNode, stored: Any, wait: Wait
) -> None:
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    node = make_node()
    for _ in range(300):
        node.sample()
    time.sleep(0.3)
    collector.process.send_signal(signal.SIGINT)
    assert collector.process.wait(60.0) == 0
    # What was told is stored; what came too late for that is the broker's and the node's still.
    assert len(stored.seqs()) > node.stored >= -1
    collector.again()
    wait(lambda: stored.whole(300))


def test_a_run_started_marked_and_ended_while_it_listens(
    broker: Any,
    collect: Collect,
    make_node: MakeNode,
    stored: Any,
    wait: Wait,
    boilwitness: Boilwitness,
) -> None:
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    started = boilwitness(
        "runs", "start", "--already-boiling", "--minutes", "10", "--node", "n1", "--altitude-m", "1650"
    )
    assert started.returncode == 0, started.stderr
    collector.wait_for("is on")
    node = make_node()

    def in_come_up() -> bool:
        node.sample()
        time.sleep(0.2)
        return stored.live().get("phase") == "come_up"

    wait(in_come_up)
    assert boilwitness("runs", "mark", "jars_in", "--by", "Ana").returncode == 0
    collector.wait_for("marked: jars_in")
    assert boilwitness("runs", "mark", "heat_off").returncode == 0
    collector.wait_for("verdict: broken")
    wait(lambda: stored.ask("SELECT 1 FROM alarms WHERE kind = 'hold_not_held'"), what="for the alarm")
    assert boilwitness("runs", "end").returncode == 0
    wait(lambda: stored.ask("SELECT 1 FROM verdicts"), what="for the verdict")
    conn = stored.connection()
    (row,) = reader.list_runs(conn)
    assert (row.verdict, row.proven_s) == ("broken", 0.0)
    assert reader.live(conn) == []
    assert [mark.by for mark in reader.load_run(conn, row.run_id).marks] == ["Ana", None]
    conn.close()
    collector.stop()


def test_silence_is_said_within_five_seconds_and_the_alarm_goes_out(
    data: Path,
    broker: Any,
    collect: Collect,
    make_node: MakeNode,
    stored: Any,
    wait: Wait,
    in_time: Callable[..., None],
    boilwitness: Boilwitness,
) -> None:
    """The node stays connected and says nothing: life is judged by its samples."""
    heard: list[tuple[float, list[dict[str, Any]]]] = []
    ears = paho.Client(CallbackAPIVersion.VERSION2)
    ears.on_message = lambda c, u, m: heard.append((time.monotonic(), json.loads(m.payload)))
    ears.connect("127.0.0.1", broker.port)
    ears.subscribe("boilwitness/+/alarm", 1)
    ears.loop_start()
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    boilwitness("runs", "start", "--already-boiling", "--minutes", "10", "--node", "n1", "--canner", "c1")
    node = make_node()
    states = "SELECT state FROM alarms WHERE kind = 'node_silent' ORDER BY id DESC LIMIT 1"

    def raised_s() -> list[float]:
        said = [(at_s, {record["n"]: record.get("vs") for record in pack}) for at_s, pack in heard]
        wanted = ("node_silent", "active_unacknowledged")
        return [at_s for at_s, one in said if (one["alarm"], one["state"]) == wanted]

    def speaks() -> bool:
        """Once more; whether no silence stands."""
        node.sample()
        time.sleep(0.5)
        return stored.ask(states) in ([], [("returned_unacknowledged",)])

    def silence_s() -> float:
        """From its last word to the alarm in another room."""
        wait(speaks, what="for it to be heard again")
        node.sample()
        last_s, before = time.monotonic(), len(raised_s())
        wait(lambda: len(raised_s()) > before, what="for the alarm")
        return raised_s()[before] - last_s

    for _ in range(5):
        speaks()
    in_time(silence_s, 5.5)  # 5 s, and the tick and the broker
    assert stored.ask(states) == [("active_unacknowledged",)]
    # It speaks again: the alarm returns by itself.
    wait(speaks, what="for the return")
    assert stored.ask(states) == [("returned_unacknowledged",)]
    # A person acknowledges it: it is over.
    (alarm_id,) = stored.ask("SELECT alarm_id FROM alarms WHERE kind = 'node_silent' ORDER BY id DESC")[0]
    append_entry(data, "alarm_acknowledged", {"alarm_id": alarm_id}, by="Ana")
    wait(lambda: stored.ask(states) == [("normal",)])
    ears.disconnect()
    ears.loop_stop()
    collector.stop()


def test_a_backlog_is_late_and_the_run_still_whole(
    broker: Any, collect: Collect, make_node: MakeNode, stored: Any, wait: Wait, boilwitness: Boilwitness
) -> None:
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    boilwitness(
        "runs",
        "start",
        "--already-boiling",
        "--minutes",
        "10",
        "--node",
        "n1",
        "--canner",
        "c1",
        "--run-id",
        "r1",
    )
    node = make_node()
    for _ in range(20):
        node.sample()
        time.sleep(0.1)
    wait(lambda: stored.whole(20))
    collector.kill()
    for _ in range(80):
        node.sample()
        time.sleep(0.1)
    ((offset_s,),) = stored.ask("SELECT offset_s FROM clocks")
    again_s = SYSTEM_TIME.monotonic_s() + offset_s
    collector.again()
    wait(lambda: stored.whole(100))

    def longest_off_s() -> float:
        placed = stored.ask("SELECT at_s - uptime_s FROM samples ORDER BY seq")
        return max(abs(after[0] - before[0]) for before, after in itertools.pairwise(placed))

    # Placed where they were taken, not where they came in.
    wait(lambda: longest_off_s() < 0.2, what="for the node's own steps")
    rows = stored.ask("SELECT seq, late, at_s, arrival_s - at_s FROM samples ORDER BY seq")
    late_ones = [seq for seq, late, *_ in rows if late]
    # Those of the first seconds of the absence: the delay is over 5 s, and a collector that had not begun yet cannot
    # have caused it by standing still.
    assert late_ones == list(range(20, 20 + len(late_ones)))
    assert all(age_s > 5.0 for _, late, _, age_s in rows if late)
    assert {seq for seq, _, at_s, _ in rows if seq >= 20 and at_s < again_s - 5.0} <= set(late_ones) != set()
    node.sample()
    wait(lambda: stored.whole(101))
    assert stored.ask("SELECT late FROM samples WHERE seq = 100") == [(0,)]
    conn = stored.connection()
    assert len(reader.load_run(conn, "r1").samples) == 101
    conn.close()
    collector.stop()


def test_retained_and_hostile_input_is_shown_and_stops_nothing(
    broker: Any, collect: Collect, make_node: MakeNode, stored: Any, wait: Wait
) -> None:
    node = make_node()
    node.send_raw(
        b'[{"bn":"n1:","n":"boot","v":7},{"n":"seq","v":900},{"n":"water","u":"Cel","v":99}]', retain=True
    )
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    hostile = [
        b"",
        b"\x00" * 1000,
        b"[" * 8000,
        b"<script>alert(1)</script>",
        b'[{"bn":"n1:","n":"boot","v":7},{"n":"seq","v":5},{"n":"water","u":"Cel","v":NaN}]',
        b'[{"bn":"n1:","n":"boot","v":7},{"n":"seq","v":5},{"n":"water","u":"degF","v":210}]',
        b'[{"bn":"n1:","bt":1e12,"n":"boot","v":7},{"n":"seq","v":5}]',
        b"x" * 1_000_000,
    ]
    for payload in hostile:
        node.send_raw(payload)
        node.sample()
    wait(lambda: stored.whole(len(hostile)) and len(stored.ask("SELECT 1 FROM refusals")) == len(hostile))
    assert stored.ask("SELECT max(size), max(length(payload)) FROM refusals") == [(1_000_000, 2048)]
    collector.wait_for("refused")
    assert not any("\x00" in line or "\x1b" in line for line in collector.said)
    collector.stop()


def test_two_collectors_cannot_write_one_store(broker: Any, collect: Collect) -> None:
    first = collect("--mqtt", broker.address)
    first.wait_for("connected")
    second = collect("--mqtt", broker.address)
    assert second.process.wait(60.0) == 2
    second.wait_for("another collector")
    assert not second.heard("listening")
    assert first.process.poll() is None
    first.stop()


def test_two_stores_at_one_broker_leave_each_other_alone(
    broker: Any, collect: Collect, make_node: MakeNode, data: Path, wait: Wait
) -> None:
    """Each has a client id of its own, made once and kept in its store."""
    other = data.parent / "other"
    both = [collect("--mqtt", broker.address), collect("--mqtt", broker.address, at=other)]
    for collector in both:
        collector.wait_for("connected")
    node = make_node()
    for _ in range(20):
        node.sample()

    def seqs(at: Path) -> int:
        with sqlite3.connect(f"file:{at}/boilwitness.sqlite?mode=ro", uri=True) as conn:
            return int(conn.execute("SELECT count(*) FROM samples").fetchone()[0])

    wait(lambda: seqs(data) == seqs(other) == 20)
    for collector in both:
        assert not collector.heard("client id")
        assert collector.stop() == 0
    # What a broker says that drops a link for a newer one of the same id (MQTT 5.0, section 3.1.4).
    assert "already connected" not in broker.said()
    with (
        sqlite3.connect(data / "boilwitness.sqlite") as one,
        sqlite3.connect(other / "boilwitness.sqlite") as two,
    ):
        assert store_id(one) != store_id(two)
        assert store_id(one) == store_id(one)
    again = collect("--mqtt", broker.address)
    again.wait_for("the broker kept our session")
    again.stop()


def test_the_clock_of_a_run_is_the_one_that_people_read(
    broker: Any, collect: Collect, make_node: MakeNode, stored: Any, wait: Wait
) -> None:
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    node, began_s = make_node(), datetime.now().timestamp()
    node.sample()
    wait(lambda: stored.seqs() == [0])
    ((at_s,),) = stored.ask("SELECT at_s FROM samples")
    assert began_s - 2.0 < at_s < datetime.now().timestamp() + 2.0
    collector.stop()


def test_what_rings_on_the_topic_of_the_node_hears_the_alarm_also_when_the_broker_was_away(
    broker: Any,
    collect: Collect,
    make_node: MakeNode,
    stored: Any,
    wait: Wait,
    boilwitness: Boilwitness,
) -> None:
    """The contract's topic, to the letter; a power dip takes the broker and the node, and the broker comes back."""
    heard: list[dict[str, Any]] = []
    ears = paho.Client(CallbackAPIVersion.VERSION2)
    ears.on_message = lambda c, u, m: heard.append(
        {record["n"]: record.get("vs") for record in json.loads(m.payload)} | {"topic": m.topic}
    )
    ears.on_connect = lambda client, *_: client.subscribe("boilwitness/n1/alarm", 1)
    ears.reconnect_delay_set(1, 1)
    ears.connect("127.0.0.1", broker.port)
    ears.loop_start()

    def silences() -> list[str]:
        return [one["state"] for one in heard if one["alarm"] == "node_silent"]

    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    boilwitness("runs", "start", "--already-boiling", "--minutes", "10", "--node", "n1", "--canner", "c1")
    node = make_node()
    for _ in range(6):
        node.sample()
        time.sleep(0.5)
    wait(lambda: "active_unacknowledged" in silences(), what="for the silence on the topic of the node")
    node.sample()
    states = "SELECT state FROM alarms WHERE kind = 'node_silent' ORDER BY id DESC LIMIT 1"

    def speaks() -> bool:
        node.sample()
        time.sleep(0.5)
        return stored.ask(states) == [("returned_unacknowledged",)]

    wait(speaks, what="for the return")
    node.close()
    broker.kill()
    wait(lambda: stored.ask(states) == [("active_unacknowledged",)], what="for the next silence")
    heard.clear()
    broker.start()
    wait(lambda: silences()[-1:] == ["active_unacknowledged"], what="for what nobody could hear")
    assert {one["topic"] for one in heard} == {"boilwitness/n1/alarm"}
    ears.disconnect()
    ears.loop_stop()
    collector.stop()
