"""A disk that takes no more: loud, nothing acknowledged, nothing broken, and on it goes when there is room.

The kernel's own limit on the size of a file (setrlimit(2), RLIMIT_FSIZE) makes the collector's writes fail in
the middle of its work, and is lifted again from outside; no privilege is needed. What SQLite says of a full
disk is in tests/store.
"""

from __future__ import annotations

import json
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

Collect = Callable[..., Any]

NO_LIMIT = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)


def test_the_disk_takes_no_more_for_a_while(
    broker: Any, collect: Collect, make_node: Any, stored: Any, data: Path, wait: Any, boilwitness: Any
) -> None:
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    boilwitness("runs", "start", "--minutes", "10", "--node", "n1", "--already-boiling")
    node = make_node()
    for _ in range(20):
        node.sample()
        time.sleep(0.02)
    wait(lambda: node.stored == 19)
    used = max(path.stat().st_size for path in data.iterdir())
    resource.prlimit(collector.process.pid, resource.RLIMIT_FSIZE, (used + 8192, resource.RLIM_INFINITY))
    for _ in range(300):
        node.sample()
        time.sleep(0.01)
    collector.wait_for("ALARM: the store cannot be written")
    time.sleep(1.0)
    assert node.stored < len(stored.seqs()) < 320
    assert collector.process.poll() is None
    resource.prlimit(collector.process.pid, resource.RLIMIT_FSIZE, NO_LIMIT)
    wait(lambda: stored.whole(320))
    wait(lambda: node.stored == 319)
    collector.wait_for("can be written again")
    assert stored.ask("PRAGMA integrity_check") == [("ok",)]
    assert collector.stop() == 0


def test_it_can_be_stopped_while_the_disk_refuses(
    broker: Any, collect: Collect, make_node: Any, stored: Any, data: Path, wait: Any
) -> None:
    """What was not stored was not acknowledged: the next collector gets it from the broker or the node."""
    collector = collect("--mqtt", broker.address)
    collector.wait_for("connected")
    node = make_node()
    node.sample()
    wait(lambda: node.stored == 0)
    resource.prlimit(collector.process.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
    for _ in range(50):
        node.sample()
    collector.wait_for("ALARM")
    assert collector.stop() == 0
    assert len(stored.seqs()) < 51
    collector.again()
    wait(lambda: stored.whole(51))
    collector.stop()


def test_its_own_log_on_the_full_disk_ends_nothing(
    broker: Any, data: Path, make_node: Any, stored: Any, wait: Any, boilwitness: Any
) -> None:
    """``collect >> collect.log 2>&1`` beside the store: what it says then is lost, and what it does is not."""
    data.mkdir()
    log = data / "collect.log"
    log.write_bytes(b"#" * 4_000_000 + b"\n")
    command = [sys.executable, "-m", "monitor", "collect", "--mqtt", broker.address, "--data", str(data)]
    with log.open("ab") as out:
        process = subprocess.Popen(command, stdout=out, stderr=out)
    try:
        wait(lambda: b"connected to" in log.read_bytes(), what="for the link")
        node = make_node()
        boilwitness("runs", "start", "--minutes", "10", "--node", "n1", "--already-boiling")
        for _ in range(20):
            node.sample()
            time.sleep(0.02)
        wait(lambda: node.stored == 19)
        used = max(path.stat().st_size for path in data.iterdir() if path != log)
        size = log.stat().st_size
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (used + 8192, resource.RLIM_INFINITY))
        for _ in range(300):
            node.sample()
            time.sleep(0.01)
        time.sleep(3.0)
        assert process.poll() is None
        assert log.stat().st_size == size, "the log took nothing"
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, NO_LIMIT)
        wait(lambda: stored.whole(320) and node.stored == 319)
        wait(lambda: b"can be written again" in log.read_bytes())
        lost = (
            "SELECT state FROM alarms WHERE alarm_id LIKE 'collector what the collector prints:%' ORDER BY id"
        )
        wait(lambda: stored.ask(lost) == [("active_unacknowledged",), ("returned_unacknowledged",)])
        assert not stored.ask("SELECT text FROM journal WHERE kind = 'run_unwatched'")
        process.send_signal(signal.SIGTERM)
        assert process.wait(60.0) == 0
    finally:
        process.kill()


def test_a_log_that_takes_nothing_from_the_first_line_on(
    broker: Any, data: Path, make_node: Any, wait: Any, tmp_path: Path
) -> None:
    """/dev/full refuses every byte. The lines come out as errors, and the broker is told."""
    heard: list[tuple[str, str]] = []
    ears = paho.Client(CallbackAPIVersion.VERSION2)
    ears.on_message = lambda c, u, m: heard.append((m.topic, json.loads(m.payload)[0]["vs"]))
    ears.connect("127.0.0.1", broker.port)
    ears.subscribe("boilwitness/collector/alarm", 1)
    ears.loop_start()
    errors = tmp_path / "errors"
    command = [sys.executable, "-m", "monitor", "collect", "--mqtt", broker.address, "--data", str(data)]
    with Path("/dev/full").open("wb") as full, errors.open("wb") as err:
        process = subprocess.Popen(command, stdout=full, stderr=err)
    try:
        wait(lambda: "connected to" in errors.read_text("utf-8"), what="for the link")
        node = make_node()
        node.sample()
        wait(lambda: node.stored == 0)
        wait(lambda: ("boilwitness/collector/alarm", "remote_path_lost") in heard, what="for the broker")
        process.send_signal(signal.SIGTERM)
        assert process.wait(60.0) == 0
        assert "Traceback" not in errors.read_text("utf-8")
    finally:
        process.kill()
        ears.disconnect()
        ears.loop_stop()
