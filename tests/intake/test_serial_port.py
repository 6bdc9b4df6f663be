"""The serial source against pseudo-terminals: real ports of the system, without a cable."""

from __future__ import annotations

import os
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from queue import Empty, Queue
from threading import Event
from typing import Any

import pytest
import serial

from monitor.intake.framing import frame
from monitor.intake.serial_port import SerialSource, list_ports, stable_name
from monitor.intake.source import Arrival
from monitor.intake.wire import encode_ask


class Cable:
    """A pseudo-terminal behind a name that stays, as the system's links for USB devices do."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.node_end = -1
        self._port_end = -1
        self.plug()

    def plug(self) -> None:
        self.node_end, self._port_end = os.openpty()
        tty.setraw(self._port_end)
        os.set_blocking(self.node_end, False)
        self.device = os.ttyname(self._port_end)
        self.link.symlink_to(self.device)

    def pull(self) -> None:
        if self.node_end >= 0:
            self.link.unlink()
            os.close(self.node_end)
            os.close(self._port_end)
            self.node_end = -1

    def say(self, data: bytes) -> None:
        while data:
            try:
                data = data[os.write(self.node_end, data) :]
            except BlockingIOError:
                continue

    def hear(self) -> bytes:
        try:
            return os.read(self.node_end, 65536)
        except BlockingIOError:
            return b""


class Reading:
    """A source with its queue, as the collector holds them."""

    def __init__(self, device: str, **options: Any) -> None:
        self.queue: Queue[Arrival] = Queue(5000)
        self.stop = Event()
        self.said: list[str] = []
        self.source = SerialSource(device, self.said.append, **options)
        self.source.start(self.queue, self.stop)

    def connected(self) -> bool:
        return self.source.status().startswith("connected")

    def next(self, within_s: float = 90.0) -> Arrival:
        return self.queue.get(timeout=within_s)

    def nothing(self) -> bool:
        try:
            self.queue.get(timeout=0.3)
        except Empty:
            return True
        return False


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    cable = Cable(tmp_path / "usb-node")
    yield cable
    cable.pull()


@pytest.fixture
def read(wait: Callable[..., None]) -> Iterator[Callable[..., Reading]]:
    started: list[Reading] = []

    def start(device: Path | str, *, connected: bool = True, **options: Any) -> Reading:
        reading = Reading(str(device), **options)
        started.append(reading)
        if connected:
            wait(reading.connected)
        return reading

    yield start
    for reading in started:
        reading.source.close()


def test_a_line_arrives_as_its_checked_body(cable: Cable, read: Any) -> None:
    reading = read(cable.link)
    cable.say(frame(b'[{"n":"k:seq","v":1}]'))
    arrival = reading.next()
    assert (arrival.kind, arrival.payload) == ("samples", b'[{"n":"k:seq","v":1}]')
    assert arrival.source == f"serial {cable.link}"
    assert arrival.node_hint is None


def test_a_torn_line_is_refused_and_the_next_is_read(cable: Cable, read: Any) -> None:
    reading = read(cable.link)
    cable.say(frame(b"[1]")[4:] + frame(b"[2]"))
    assert [reading.next().kind for _ in range(2)] == ["refused", "samples"]


def test_what_the_port_held_from_before_is_not_taken(cable: Cable, read: Any) -> None:
    """Nobody knows how old it is; the node sends again what nobody stored."""
    cable.say(frame(b"[1]"))
    reading = read(cable.link)
    cable.say(frame(b"[2]") + frame(b"[3]"))
    assert [reading.next().payload for _ in range(2)] == [b"[2]", b"[3]"]


def test_a_megabyte_of_noise_is_one_refusal_a_hint_and_no_harm(cable: Cable, read: Any, wait: Any) -> None:
    reading = read(cable.link)
    for _ in range(256):
        cable.say(b"\xff" * 4096)
    wait(lambda: "is its speed 115200 bit/s?" in reading.source.status())
    cable.say(b"\n" + frame(b"[2]"))
    first, second = reading.next(), reading.next()
    assert (first.kind, first.why, len(first.payload)) == ("refused", "longer than 512 bytes", 200)
    assert second.payload == b"[2]"
    assert reading.connected()


def test_noise_after_good_lines_is_no_wrong_speed(cable: Cable, read: Any, wait: Any) -> None:
    """At a wrong speed no line before could have been read: RFC 8428 packs with their CRC were."""
    reading = read(cable.link)
    cable.say(frame(b"[1]"))
    assert reading.next().payload == b"[1]"
    cable.say(b"\xff" * 2048)
    wait(lambda: "cannot be read, and before it could; look at its cable" in reading.source.status())
    assert "speed" not in reading.source.status()
    cable.say(b"\n" + frame(b"[2]"))
    wait(reading.connected)


def test_unplugged_and_plugged_in_again(cable: Cable, read: Any, wait: Any) -> None:
    reading = read(cable.link)
    cable.say(frame(b"[1]"))
    before = reading.next()
    cable.pull()
    wait(lambda: not reading.connected())
    wait(lambda: "is the node plugged in?" in reading.source.status())
    cable.plug()
    wait(reading.connected)
    cable.say(frame(b"[2]"))
    after = reading.next()
    assert after.payload == b"[2]"
    assert after.connection > before.connection
    assert any("was unplugged" in line for line in reading.said)


def test_a_device_that_comes_back_under_another_number_is_found(cable: Cable, read: Any, wait: Any) -> None:
    """Opened by its number, it is followed by the stable name that the system keeps for it."""
    reading = read(cable.device, stable_names=cable.link.parent)
    old = cable.device
    holder = os.open("/dev/ptmx", os.O_RDWR | os.O_NOCTTY)  # keeps the old number from being the next one
    cable.pull()
    spare = os.openpty()
    cable.plug()
    try:
        assert cable.device != old
        wait(lambda: any("was unplugged" in line for line in reading.said))
        wait(reading.connected)
        cable.say(frame(b"[2]"))
        assert reading.next().payload == b"[2]"
    finally:
        os.close(holder)
        for end in spare:
            os.close(end)


def test_a_port_that_is_not_there_yet(tmp_path: Path, read: Any, wait: Any) -> None:
    reading = read(tmp_path / "later", connected=False)
    wait(lambda: "there is no" in reading.source.status())
    assert reading.source.status() == (
        f"there is no {tmp_path / 'later'}; is the node plugged in?; trying again"
    )
    assert not reading.source.ask("k", b"[]")
    cable = Cable(tmp_path / "later")
    try:
        wait(reading.connected)
    finally:
        cable.pull()


def test_what_is_no_serial_port_is_said(tmp_path: Path, read: Any, wait: Any) -> None:
    plain = tmp_path / "plain"
    plain.write_text("no port")
    reading = read(plain, connected=False)
    wait(lambda: "is not a serial port" in reading.source.status())


def test_a_port_in_use_is_said(cable: Cable, read: Any, wait: Any) -> None:
    with serial.Serial(str(cable.link), exclusive=True):
        reading = read(cable.link, connected=False)
        wait(lambda: "is in use by another program" in reading.source.status())
    wait(reading.connected)


class TestAsking:
    def test_an_ask_is_a_line_too(self, cable: Cable, read: Any, wait: Any) -> None:
        reading = read(cable.link)
        ask = encode_ask("k", 1, stored=5)
        assert reading.source.ask("k", ask)
        heard = b""

        def line_heard() -> bool:
            nonlocal heard
            heard += cable.hear()
            return heard.endswith(b"\n")

        wait(line_heard)
        assert heard == frame(ask)

    def test_a_node_that_does_not_read_never_holds_the_collector_up(
        self, cable: Cable, read: Any, wait: Any
    ) -> None:
        reading = read(cable.link)
        ask = encode_ask("k", 1, stored=5)
        while reading.source.ask("k", ask):
            pass
        assert not reading.source.ask("k", ask)
        while cable.hear():
            pass
        wait(lambda: reading.source.ask("k", ask))
        heard = b""

        def whole_line_heard() -> bool:
            nonlocal heard
            heard += cable.hear()
            return heard.endswith(frame(ask))

        wait(whole_line_heard)

    def test_an_ask_longer_than_a_line_is_not_said(self, cable: Cable, read: Any) -> None:
        assert not read(cable.link).source.ask("k", b"x" * 600)


def test_a_full_queue_holds_the_reader_and_loses_nothing(cable: Cable, read: Any, wait: Any) -> None:
    source = SerialSource(str(cable.link))
    queue: Queue[Arrival] = Queue(5)
    source.start(queue, Event())
    try:
        wait(lambda: source.status().startswith("connected"))
        cable.say(b"".join(frame(b"[%d]" % n) for n in range(100)))
        wait(queue.full)
        assert [queue.get(timeout=90).payload for _ in range(100)] == [b"[%d]" % n for n in range(100)]
    finally:
        source.close()


def test_after_stop_nothing_is_queued(cable: Cable, read: Any) -> None:
    reading = read(cable.link)
    reading.source.stop()
    cable.say(frame(b"[1]"))
    assert reading.nothing()


def test_ports_are_listed_with_their_stable_name(tmp_path: Path) -> None:
    for port in list_ports():
        assert port.device.startswith("/dev/")
        assert port.stable
    target = tmp_path / "ttyX0"
    target.touch()
    links = tmp_path / "by-id"
    links.mkdir()
    (links / "usb-node").symlink_to(target)
    assert stable_name(str(target), links) == str(links / "usb-node")
    assert stable_name("/dev/other", links) == "/dev/other"
    assert stable_name("/dev/other", tmp_path / "nowhere") == "/dev/other"


def test_trouble_that_nobody_thought_of_is_said_and_the_port_is_tried_again(wait: Any) -> None:
    """A speed that the library refuses outright: the thread goes on, and says why it hears nothing."""
    said: list[str] = []
    source = SerialSource("/dev/null", said.append, speed=-9)
    source.start(Queue(), Event())
    wait(lambda: said, 10.0, "for a line")
    assert "trying again" in said[0]
    assert source._thread is not None and source._thread.is_alive()
    source.close()
    assert not source._thread.is_alive()
