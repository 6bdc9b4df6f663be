"""The ways out of the house: what is sent, and that the loss of a way is noticed."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from queue import Queue
from threading import Event as Flag
from typing import Any

from monitor.alarms import AlarmMachine, Context, Message, Moment, RunWatch
from monitor.alarms.channels import PATH_GRACE_S
from monitor.collector.outward import NOBODYS, Ways, Whose
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


# --- where an alarm is said -----------------------------------------------------------------------------


def served_by(*nodes: str) -> Callable[[str], Whose]:
    return lambda scope: Whose("canner/1", nodes) if scope == "r1" else NOBODYS


def said(link: Link, kind: str) -> list[tuple[str, str]]:
    """Where an alarm was said, and its state."""
    return [(level, pack[2]["vs"]) for level, pack in link.heard if pack[0]["vs"] == kind]


def test_an_alarm_is_said_once_for_each_node_of_its_run_and_so_is_its_end() -> None:
    link, machine, nodes = Link(), AlarmMachine(), ["k1"]
    ways = Ways([link], None, lambda run_id: None, 1000.0, whose=lambda scope: Whose("c1", nodes))
    ways.watch(machine, at(309.0))
    ways.tell(lost_boil(machine), machine, at(310.0))
    nodes[:] = ["k2", "k3"]
    (alarm,) = machine.board(at(311.0))
    ways.tell(machine.triggers("r1", ["boil_back"], at(311.0)), machine, at(311.0))
    ways.tell(machine.acknowledge(alarm["alarm_id"], "Ana", at(312.0)), machine, at(312.0))
    assert said(link, "boil_lost") == [
        ("k1", "active_unacknowledged"),
        *((node, "returned_unacknowledged") for node in ("k1", "k2", "k3")),
        *((node, "normal") for node in ("k1", "k2", "k3")),
    ], "where it rang its end is heard too, whatever was assigned anew"
    assert {pack[0]["bn"] for _, pack in link.heard} == {"canner/1:", "c1:"}


def test_an_alarm_of_the_house_is_the_collectors_own() -> None:
    link, gone, machine = Link(), Link(up=False, name="mqtt other:1883"), AlarmMachine()
    ways = Ways([link, gone], None, lambda run_id: None, 1000.0, whose=served_by("k1"))
    for second in (1.0, 40.0):
        ways.tell(ways.watch(machine, at(second)), machine, at(second))
    assert said(link, "remote_path_lost") == [("collector", "active_unacknowledged")]
    gone.up = True
    ways.tell(ways.watch(machine, at(41.0)), machine, at(41.0))
    assert said(link, "remote_path_lost")[1:] == [("collector", "normal")], (
        "it asks nothing once it works again"
    )
    assert [row["state"] for row in machine.board(at(42.0))] == ["returned_unacknowledged"], (
        "the pages keep it"
    )


def test_a_sound_that_was_put_off_comes_back_where_it_rings() -> None:
    """Two minutes at most (DESIGN): what rings elsewhere goes by the ``sound`` that it is told."""
    link, machine = Link(), AlarmMachine()
    ways = Ways([link], None, lambda run_id: None, 1000.0, whose=served_by("k1"))
    ways.watch(machine, at(305.0))
    ways.tell(lost_boil(machine), machine, at(310.0))
    ways.tell(machine.silence("Ana", at(320.0)), machine, at(320.0))
    for second in range(321, 600):
        ways.tell(ways.watch(machine, at(float(second))), machine, at(float(second)))
        sounds = [pack[4]["vb"] for _, pack in link.heard]
        assert sounds == ([True, False] if second < 440 else [True, False, True]), second


# --- a link that was away -------------------------------------------------------------------------------


def test_what_was_raised_while_a_link_was_away_is_said_when_it_is_back() -> None:
    link, machine = Link(), AlarmMachine()
    ways = Ways([link], None, lambda run_id: None, 1000.0, whose=served_by("k1"))
    ways.watch(machine, at(305.0))
    link.up = False
    ways.watch(machine, at(308.0))
    ways.tell(lost_boil(machine), machine, at(310.0))
    link.heard.clear()
    link.up = True
    for second in range(316, 400):
        ways.tell(ways.watch(machine, at(float(second))), machine, at(float(second)))
    assert said(link, "boil_lost") == [("k1", "active_unacknowledged")]


def test_what_a_link_took_is_said_again_when_it_is_back_while_nobody_has_seen_it() -> None:
    """What rings may have been without power too, as the broker was."""
    link, machine = Link(), AlarmMachine()
    ways = Ways([link], None, lambda run_id: None, 1000.0, whose=served_by("k1"))
    ways.watch(machine, at(305.0))
    ways.tell(lost_boil(machine), machine, at(310.0))
    (alarm,) = machine.board(at(310.0))
    for up in (False, True):
        link.up = up
        ways.tell(ways.watch(machine, at(320.0)), machine, at(320.0))
    assert said(link, "boil_lost") == 2 * [("k1", "active_unacknowledged")]
    link.up = False
    ways.watch(machine, at(330.0))
    ways.tell(machine.acknowledge(alarm["alarm_id"], "Ana", at(331.0)), machine, at(331.0))
    link.up = True
    ways.tell(ways.watch(machine, at(332.0)), machine, at(332.0))
    assert said(link, "boil_lost")[2:] == [("k1", "active_acknowledged")], "its quiet was missed too"
    for up in (False, True):
        link.up = up
        ways.tell(ways.watch(machine, at(340.0)), machine, at(340.0))
    assert len(said(link, "boil_lost")) == 3


def test_a_collector_that_starts_says_what_stands() -> None:
    machine, after, link = AlarmMachine(), AlarmMachine(), Link(up=False)
    after.restore([row.as_json() for row in lost_boil(machine)], at(400.0))
    ways = Ways([link], None, lambda run_id: None, at(400.0).at_s, whose=served_by("k1"))
    for second in range(400, 420):
        link.up = second > 405
        ways.tell(ways.watch(after, at(float(second))), after, at(float(second)))
    assert said(link, "boil_lost") == [("k1", "active_unacknowledged")]


# --- a push that does not arrive ------------------------------------------------------------------------


@dataclass
class Unsteady:
    """A push service that refuses the first few messages of each alarm."""

    refuses: int = 0
    tried: list[str] = field(default_factory=list)
    got: list[Message] = field(default_factory=list)

    def send(self, message: Message) -> bool:
        self.tried.append(message.alarm_id)
        if self.tried.count(message.alarm_id) <= self.refuses:
            return False
        self.got.append(message)
        return True


@dataclass
class House:
    """The ways of one life of a collector, with what the store keeps of them."""

    service: Any
    machine: AlarmMachine = field(default_factory=AlarmMachine)
    kept: list[str] = field(default_factory=list)
    journal: list[Any] = field(default_factory=list)
    links: list[Link] = field(default_factory=list)

    def __post_init__(self) -> None:
        pushed = json.loads(self.kept[-1]) if self.kept else []
        self.ways = Ways(
            self.links, self.service, lambda run_id: None, 1000.0, pushed=pushed, remember=self.kept.append
        )

    def tell(self, rows: list[Any], second: float) -> None:
        self.journal += rows
        self.ways.tell(rows, self.machine, at(second))

    def pass_time(self, begin: int, end: int) -> list[Any]:
        """Each second, with a moment for the thread of the pushes; what the watch on the ways rang."""
        rang = []
        for second in range(begin, end):
            rows = self.ways.watch(self.machine, at(float(second)))
            rang += rows
            self.tell(rows, float(second))
            time.sleep(0.003)
        return rang

    def again(self, service: Any, second: float) -> House:
        """The next life."""
        machine = AlarmMachine()
        machine.restore([row.as_json() for row in self.journal], at(second))
        return House(service, machine, self.kept, list(self.journal), self.links)


def test_a_push_that_fails_is_tried_again_each_time_later_and_never_after_it_arrived() -> None:
    house = House(Unsteady(refuses=3))
    house.tell(lost_boil(house.machine), 310.0)
    house.pass_time(311, 320)
    assert house.service.got == []
    house.pass_time(320, 460)
    (message,) = house.service.got
    assert message.title == "The boil is lost (canner/1)"
    assert len(house.service.tried) == 4
    house.pass_time(460, 800)
    assert len(house.service.tried) == 4
    house.ways.close()


def test_a_push_that_never_arrives_is_not_tried_without_end() -> None:
    house = House(Unsteady(refuses=10**6))
    house.tell(lost_boil(house.machine), 310.0)
    house.pass_time(311, 3000)
    assert 6 <= len(house.service.tried) <= 12
    (alarm, _) = sorted(house.machine.board(at(3000.0)), key=lambda row: row["kind"])
    house.tell(house.machine.acknowledge(alarm["alarm_id"], "Ana", at(3000.0)), 3000.0)
    tried = len(house.service.tried)
    house.pass_time(3001, 4000)
    assert len(house.service.tried) == tried, "somebody has seen it"
    house.ways.close()


def test_what_is_over_when_it_can_be_told_is_told_as_over() -> None:
    house = House(Unsteady(refuses=1))
    house.tell(lost_boil(house.machine), 310.0)
    house.pass_time(311, 315)
    house.tell(house.machine.triggers("r1", ["boil_back"], at(315.0)), 315.0)
    house.pass_time(315, 340)
    (message,) = house.service.got
    assert message.title == "Over by now: The boil is lost (canner/1)"
    assert "heat to its highest" not in message.text and "By " not in message.text
    house.ways.close()


def test_the_next_life_pushes_what_stands_and_did_not_arrive_and_nothing_twice() -> None:
    first = House(Unsteady(refuses=10**6))
    first.tell(lost_boil(first.machine), 310.0)
    first.pass_time(311, 315)
    second = first.again(Unsteady(), 400.0)
    second.pass_time(400, 410)
    assert [message.title for message in second.service.got] == ["The boil is lost (canner/1)"]
    third = second.again(Unsteady(), 500.0)
    third.pass_time(500, 520)
    assert third.service.tried == []
    for house in (first, second, third):
        house.ways.close()


def test_a_way_that_was_lost_before_a_restart_is_back_once_it_is_seen_to_work() -> None:
    first = House(Unsteady(refuses=10**6))
    first.tell(lost_boil(first.machine), 310.0)
    first.pass_time(311, 315)
    assert first.machine.state_of("collector the push service", "remote_path_lost") == "active_unacknowledged"
    second = first.again(Unsteady(), 400.0)
    second.pass_time(400, 410)
    assert (
        second.machine.state_of("collector the push service", "remote_path_lost") == "returned_unacknowledged"
    )
    for house in (first, second):
        house.ways.close()


def test_a_way_that_was_never_tried_since_is_not_back() -> None:
    first = House(Unsteady(refuses=10**6))
    first.tell(lost_boil(first.machine), 310.0)
    first.pass_time(311, 315)
    (alarm, _) = sorted(first.machine.board(at(315.0)), key=lambda row: row["kind"])
    first.tell(first.machine.acknowledge(alarm["alarm_id"], "Ana", at(315.0)), 315.0)
    second = first.again(Unsteady(), 400.0)
    second.pass_time(400, 410)
    assert (
        second.machine.state_of("collector the push service", "remote_path_lost") == "active_unacknowledged"
    )
    for house in (first, second):
        house.ways.close()


def test_the_alarm_of_a_broker_that_left_the_settings_is_over() -> None:
    first = House(None, links=[Link(up=False, name="mqtt old:1883")])
    first.pass_time(0, 40)
    second = first.again(None, 50.0)
    second.links[:] = [Link(name="mqtt new:1883")]
    second = House(None, second.machine, links=second.links)
    second.pass_time(50, 52)
    (row,) = second.machine.board(at(52.0))
    assert row["state"] == "returned_unacknowledged"


def test_a_push_that_hangs_is_noticed_though_another_was_confirmed() -> None:
    go = Flag()

    class Hangs(Unsteady):
        def send(self, message: Message) -> bool:
            if self.got:
                go.wait(60.0)
            return super().send(message)

    house = House(Hangs())
    house.tell(lost_boil(house.machine), 310.0)
    other = RunWatch(house.machine, Context("r2", canner="c2", started_at=BEGAN))
    house.tell(
        other.events([Event("boil_reached", 1.0, 2.0, "b"), Event("boil_lost", 3.0, 4.0, "x")], at(310.0)),
        310.0,
    )
    rang = house.pass_time(311, 380)
    assert [(row.kind, row.change) for row in rang] == [("remote_path_lost", "raised")]
    go.set()
    house.ways.close()
