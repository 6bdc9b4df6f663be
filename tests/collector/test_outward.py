"""The ways out of the house: what is sent, and that the loss of a way is noticed."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from queue import Queue
from threading import Event as Flag
from typing import Any

from monitor.alarms import AlarmMachine, Context, Message, Moment, RunWatch
from monitor.alarms.channels import PATH_GRACE_S
from monitor.collector.outward import Ways
from monitor.judge import Event

BEGAN = datetime(2026, 8, 14, 15, 0, tzinfo=UTC)


@dataclass
class Link:
    """A broker as far as a way out is concerned."""

    up: bool = True
    name: str = "mqtt broker.lan:1883"
    heard: list[tuple[str, list[dict[str, Any]]]] = field(default_factory=list)

    def start(self, queue: Queue[Any], stop: Flag) -> None: ...
    def stop(self) -> None: ...
    def close(self) -> None: ...

    def ask(self, node: str, payload: bytes) -> bool:
        return self.up

    def publish_alarm(self, node: str, payload: bytes) -> bool:
        self.heard.append((node, json.loads(payload)))
        return self.up

    def overhear(self, wanted: bool) -> None:
        return

    def reaches_out(self) -> bool | None:
        return self.up

    def status(self) -> str:
        return ""


@dataclass
class Service:
    """A push service that is there, or not."""

    works: bool = True
    got: list[Message] = field(default_factory=list)

    def send(self, message: Message) -> bool:
        self.got.append(message)
        return self.works


def at(seconds_s: float) -> Moment:
    return Moment(1000.0 + seconds_s, BEGAN + timedelta(seconds=seconds_s))


def lost_boil(machine: AlarmMachine) -> list[Any]:
    watch = RunWatch(machine, Context("r1", canner="canner/1", started_at=BEGAN))
    events = [
        Event("boil_reached", 100.0, 120.0, "The boil began."),
        Event("boil_lost", 300.0, 310.0, "It fell."),
    ]
    return watch.events(events, at(310.0))


def test_an_alarm_goes_to_every_broker_and_to_the_phone() -> None:
    link, service, machine = Link(), Service(), AlarmMachine()
    ways = Ways([link], service, lambda run_id: "America/Denver", 1000.0)
    ways.tell(lost_boil(machine), machine, at(310.0))
    ways.close()
    (level, pack) = link.heard[-1]
    assert level == "canner-1", "one level of a topic, whatever a canner is called"
    assert pack[0]["vs"] == "boil_lost"
    (message,) = service.got
    assert message.urgent
    assert "boil" in message.title.lower()
    assert "11:05" in message.text, "two hours after the onset, in the kitchen's own time"


def test_a_broker_that_is_gone_is_an_alarm_itself_and_returns() -> None:
    link, machine = Link(), AlarmMachine()
    ways = Ways([link], None, lambda run_id: None, 1000.0)
    assert ways.watch(machine, at(0.0)) == []
    link.up = False
    seen = [t for t in range(1, 60) if ways.watch(machine, at(float(t)))]
    assert seen == [1 + int(PATH_GRACE_S)]
    link.up = True
    (row,) = ways.watch(machine, at(70.0))
    assert (row.kind, row.change) == ("remote_path_lost", "returned")


def test_a_push_service_that_refuses_is_an_alarm_at_once(wait: Callable[..., None]) -> None:
    service, machine = Service(works=False), AlarmMachine()
    ways = Ways([], service, lambda run_id: None, 1000.0)
    ways.tell(lost_boil(machine), machine, at(310.0))
    rows: list[Any] = []
    wait(lambda: rows.extend(ways.watch(machine, at(311.0))) or rows, what="for the report")
    assert [row.kind for row in rows] == ["remote_path_lost"]
    assert "push" in rows[0].text
    ways.close()
