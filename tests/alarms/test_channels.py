"""Alarms leaving the house: the MQTT pack against RFC 8428, a real push through the library, a lost path."""

from __future__ import annotations

import json
import queue
import re
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from monitor.alarms import (
    AlarmMachine,
    AppriseChannel,
    Context,
    Message,
    Moment,
    PathWatch,
    PushQueue,
    Stage,
    alarm_for,
    alarm_topic,
    message_for,
    mqtt_pack,
)
from monitor.errors import ConfigError
from monitor.judge.verdict import Event

START = datetime(2026, 8, 14, 15, 12, tzinfo=UTC)


def board_row(canner: str = "canner-1") -> dict[str, object]:
    context = Context("run-1", canner=canner, stage=Stage.HOLD, started_at=START)
    machine = AlarmMachine()
    alarm = alarm_for(Event("boil_lost", 700.0, 712.0, "The water is falling, 0.5 K a minute."), context)
    assert alarm is not None
    now = Moment(712.0, START)
    machine.raise_alarm(alarm, now)
    return machine.board(now)[0]


@pytest.mark.parametrize("canner", ["canner-1", "<b>Übel</b>", "-", "a b"])
def test_the_pack_is_senml(canner: str) -> None:
    """RFC 8428: a JSON array of records; names of section 4.5.1; one value field a record (section 4.2)."""
    pack = json.loads(mqtt_pack(board_row(canner)))
    base = pack[0]["bn"]
    for record in pack:
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", base + record["n"])
        assert len({"v", "vs", "vb", "vd"} & set(record)) == 1
    assert pack[0]["bt"] == START.timestamp()
    values = {record["n"]: record.get("vs", record.get("vb")) for record in pack}
    assert values["alarm"] == "boil_lost"
    assert values["sound"] is True
    assert values["by"] == "2026-08-14T17:23:40+00:00"
    assert alarm_topic("boilwitness", "hill-node") == "boilwitness/hill-node/alarm"


def test_a_message_says_what_happened_what_to_do_and_by_when() -> None:
    message = message_for(board_row(), lambda at: at.strftime("%H:%M"))
    assert message.title == "The boil is lost (canner-1)"
    assert message.text.startswith("The water is falling")
    assert "from zero" in message.text
    assert message.text.endswith("By 17:23.")
    assert message.urgent


@pytest.fixture
def house_service() -> Iterator[tuple[int, queue.Queue[dict[str, str]]]]:
    """A web service on this machine that takes pushes."""
    got: queue.Queue[dict[str, str]] = queue.Queue()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.put(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None: ...

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server.server_address[1], got
    server.shutdown()
    thread.join()
    server.server_close()


def test_a_push_arrives_through_the_real_library(
    house_service: tuple[int, queue.Queue[dict[str, str]]],
) -> None:
    port, got = house_service
    reports: queue.Queue[tuple[bool, str]] = queue.Queue()
    pushes = PushQueue(AppriseChannel([f"json://127.0.0.1:{port}/"]), lambda ok, why: reports.put((ok, why)))
    pushes.put(Message("The boil is lost", "Bring it back.", urgent=True))
    assert reports.get(timeout=90) == (True, "")
    pushes.close()
    arrived = got.get(timeout=90)
    assert arrived["title"] == "The boil is lost"
    assert arrived["message"] == "Bring it back."
    assert arrived["type"] == "failure"


def test_a_push_that_cannot_be_delivered_is_reported() -> None:
    """Nothing listens on port 9 of this machine (discard, not run here)."""
    reports: queue.Queue[tuple[bool, str]] = queue.Queue()
    pushes = PushQueue(AppriseChannel(["json://127.0.0.1:9/"]), lambda ok, why: reports.put((ok, why)))
    pushes.put(Message("x", "y", urgent=False))
    ok, why = reports.get(timeout=90)
    pushes.close()
    assert not ok and why


def test_a_message_tried_again_goes_only_where_it_has_not_arrived(
    house_service: tuple[int, queue.Queue[dict[str, str]]],
) -> None:
    """One address of two is dead (port 9 of this machine): the other phone must not ring at each try."""
    port, got = house_service
    channel = AppriseChannel([f"json://127.0.0.1:{port}/", "json://127.0.0.1:9/"])
    first, second = (
        Message("The boil is lost", "x", urgent=True, alarm_id=f"r1:boil_lost:{n}") for n in (1, 2)
    )
    assert [channel.send(one) for one in (first, first, second, first)] == 4 * [False]
    assert got.qsize() == 2


def test_a_service_whose_code_fails_stops_no_later_message() -> None:
    reports: queue.Queue[tuple[bool, str]] = queue.Queue()

    class Fails:
        def send(self, message: Message) -> bool:
            if message.title == "first":
                raise KeyError("token")
            return True

    pushes = PushQueue(Fails(), lambda ok, why: reports.put((ok, why)))
    for title in ("first", "second"):
        pushes.put(Message(title, "", urgent=True))
    assert [reports.get(timeout=90)[0] for _ in range(2)] == [False, True]
    pushes.close()


def test_a_misspelt_push_address_is_named_by_its_place_not_printed() -> None:
    with pytest.raises(ConfigError, match=r"push address 2 is not understood") as trouble:
        AppriseChannel(["json://127.0.0.1/", "secret-token"])
    assert "secret-token" not in str(trouble.value)


def test_a_lost_link_is_said_within_a_minute_and_its_return_too() -> None:
    watch = PathWatch("broker", 0.0)
    watch.link(True, 1.0)
    watch.link(False, 100.0)
    lost_s = next(now_s for now_s in range(100, 200) if watch.tick(now_s) == "remote_path_lost")
    assert lost_s - 100 <= 60
    assert "no connection" in watch.why(lost_s)
    watch.link(True, 140.0)
    assert watch.tick(141.0) == "remote_path_back"
    assert watch.tick(142.0) is None


def test_an_unconfirmed_or_failed_message_is_a_lost_path() -> None:
    watch = PathWatch("push")
    assert watch.tick(500.0) is None
    watch.sent(500.0)
    watch.sent(520.0)
    assert watch.tick(531.0) == "remote_path_lost"
    watch.confirmed(532.0)
    assert watch.tick(533.0) == "remote_path_back"
    watch.failed("refused")
    assert watch.tick(534.0) == "remote_path_lost"
    assert "refused" in watch.why(534.0)
