"""A real broker for the tests, on a port of its own."""

from __future__ import annotations

import getpass
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def wait_until(claim: Callable[[], object], within_s: float = 10.0) -> None:
    """Poll a claim about another thread or process; fail when it does not come true."""
    end = time.monotonic() + within_s
    while not claim():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.01)


class Broker:
    """One mosquitto process."""

    def __init__(self, folder: Path, port: int, settings: str = "allow_anonymous true\n") -> None:
        assert MOSQUITTO, "these tests need Debian's package mosquitto"
        self.port = port
        self._folder = folder
        self._config = folder / f"mosquitto-{port}.conf"
        self._config.write_text(
            f"user {getpass.getuser()}\nlistener {port} 127.0.0.1\nmax_queued_messages 100000\n{settings}"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert MOSQUITTO
        log = (self._folder / "mosquitto.log").open("ab")
        self._process = subprocess.Popen([MOSQUITTO, "-v", "-c", str(self._config)], stdout=log, stderr=log)
        wait_until(self._answers)

    def _answers(self) -> bool:
        assert self._process is not None and self._process.poll() is None, "mosquitto did not start"
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    brokers: list[Broker] = []

    def make(settings: str = "allow_anonymous true\n", port: int | None = None) -> Broker:
        broker = Broker(tmp_path, port or free_port(), settings)
        brokers.append(broker)
        broker.start()
        return broker

    yield make
    for broker in brokers:
        broker.kill()


@pytest.fixture
def broker(make_broker: Callable[..., Broker]) -> Broker:
    return make_broker()


@pytest.fixture
def port() -> int:
    return free_port()


@pytest.fixture
def wait() -> Callable[..., None]:
    return wait_until
