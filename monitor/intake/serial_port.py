"""Samples from a serial port: one thread, one port, opened again and again for as long as it takes."""

from __future__ import annotations

import contextlib
import errno
import os
import termios
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

import serial
from serial.tools import list_ports as _tools

from monitor.errors import WireFormatError
from monitor.intake.framing import LineSplitter, frame
from monitor.intake.source import Arrival, LinkThread, put_blocking
from monitor.timesource import TimeSource

DEFAULT_SPEED = 115_200

#: Attempts to open a port that is not there begin and end with these pauses. [s]
RETRY_FIRST_S, RETRY_LAST_S = 0.1, 1.0

#: A quiet port is looked at for the end this often. [s]
_READ_STEP_S = 0.2

#: So many bytes without one readable line look like a wrong speed. [bytes]
_UNREADABLE_BYTES = 1024

#: Where the system keeps names that follow a device through every unplugging.
STABLE_NAMES = Path("/dev/serial/by-id")

# What pyserial and the system raise when a port goes away; the last is no OSError.
_PORT_TROUBLE = (serial.SerialException, OSError, termios.error)


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port that is there now. ``stable`` is the name to put into settings."""

    device: str
    stable: str
    description: str


def list_ports(stable_names: Path = STABLE_NAMES) -> list[Port]:
    """What is plugged in, in the system's order."""
    return [
        Port(port.device, stable_name(port.device, stable_names), port.description or "")
        for port in sorted(_tools.comports())
    ]


def stable_name(device: str, stable_names: Path = STABLE_NAMES) -> str:
    """The name of ``device`` that stays when it is plugged in elsewhere; itself where there is none."""
    target = os.path.realpath(device)
    try:
        links = sorted(stable_names.iterdir())
    except OSError:
        return device
    return next((str(link) for link in links if os.path.realpath(link) == target), device)


class SerialSource(LinkThread):
    """One serial port as a way in (:class:`monitor.intake.source.Source`).

    Parameters
    ----------
    device : str
        As given; where the system knows a stable name for it, a device that comes back under another
        number is found again.
    say : callable, optional
        Told one line whenever the state of the link changes.
    time : TimeSource, optional
        The clock that stamps arrivals.
    speed : int, optional
        [bit/s]
    """

    def __init__(
        self,
        device: str,
        say: Callable[[str], None] | None = None,
        time: TimeSource | None = None,
        *,
        speed: int = DEFAULT_SPEED,
        stable_names: Path = STABLE_NAMES,
    ) -> None:
        super().__init__(f"serial {device}", f"not yet opened: {device}", say, time)
        self._device = device
        self._stable_names = stable_names
        self._speed = speed
        self._port: serial.Serial | None = None
        self._write_lock = Lock()
        self._torn_write = False
        self._connection = 0
        self._splitter = LineSplitter()
        self._unreadable = 0
        self._was_readable = False

    # --- what the collector calls ---

    def close(self) -> None:
        """Close the port and end the thread."""
        self._paused.set()
        self._closing.set()
        self._end(within_s=5.0)

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """A wire has no receipts of its own; the node is told what is stored by :meth:`ask`."""

    def ask(self, node: str, payload: bytes) -> bool:
        """Write a pack as a line; False when the port is gone, or the node does not read. Never waits."""
        try:
            line = frame(payload)
        except WireFormatError:
            return False
        with self._write_lock:
            if self._port is None:
                return False
            if self._torn_write:
                line = b"\n" + line
            try:
                written = os.write(self._port.fileno(), line)
            except BlockingIOError:
                return False
            except _PORT_TROUBLE:
                return False
            self._torn_write = written < len(line)
            return not self._torn_write

    def publish_alarm(self, node: str, payload: bytes) -> bool:
        """A serial wire leads to no other room."""
        return False

    def reaches_out(self) -> bool | None:
        """It leads nowhere else."""
        return None

    # --- the thread ---

    def _run(self) -> None:
        pause_s = RETRY_FIRST_S
        while not self._closing.is_set():
            try:
                port = self._open()
            except _PORT_TROUBLE as trouble:
                self._report(f"{_open_trouble(self._device, trouble)}; trying again")
                self._closing.wait(pause_s)
                pause_s = min(2 * pause_s, RETRY_LAST_S)
                continue
            pause_s = RETRY_FIRST_S
            self._report(f"connected to {self._device}")
            try:
                self._read(port)
            except _PORT_TROUBLE:
                self._report(f"{self._device} was unplugged; waiting for it")
            finally:
                self._shut(port)

    def _open(self) -> serial.Serial:
        # Under its stable name the device is found again when it comes back under another number.
        name = stable_name(self._device, self._stable_names)
        if name != self._device:
            self._device = name
        # Opening throws away what the system still held: whatever is old, the node sends again.
        port = serial.Serial(self._device, self._speed, timeout=_READ_STEP_S, exclusive=True)
        self._splitter.reset()
        self._unreadable = 0
        self._was_readable = False
        with self._write_lock:
            self._port = port
            self._torn_write = False
            self._connection += 1
        return port

    def _shut(self, port: serial.Serial) -> None:
        with self._write_lock:
            self._port = None
        with contextlib.suppress(*_PORT_TROUBLE):
            port.close()

    def _read(self, port: serial.Serial) -> None:
        while not self._closing.is_set():
            # Never byte by byte: what is there, or the first byte that comes.
            piece = port.read(port.in_waiting or 1)
            if piece:
                self._take(piece)

    def _take(self, piece: bytes) -> None:
        arrival_s = self._time.monotonic_s()
        lines = self._splitter.feed(piece)
        self._judge_readability(len(piece), any(not line.why for line in lines))
        if self._paused.is_set():
            return
        arrivals = [
            Arrival(
                self.name,
                None,
                line.body,
                arrival_s,
                self._connection,
                kind="refused" if line.why else "samples",
                why=line.why,
            )
            for line in lines
        ]
        put_blocking(self._queue, arrivals, self._stop)

    def _judge_readability(self, size: int, readable: bool) -> None:
        if readable:
            self._unreadable = 0
            self._was_readable = True
            self._report(f"connected to {self._device}")
            return
        self._unreadable += size
        if self._unreadable <= _UNREADABLE_BYTES:
            return
        if self._was_readable:
            # The speed is right, or nothing could have been read before.
            self._report(
                f"what {self._device} sends now cannot be read, and before it could; look at its cable"
            )
        else:
            self._report(
                f"{self._device} sends, but not one line can be read; is its speed {self._speed} bit/s?"
            )


def _open_trouble(device: str, trouble: BaseException) -> str:
    """One line on why a port does not open."""
    number = getattr(trouble, "errno", None)
    if number == errno.ENOENT:
        return f"there is no {device}; is the node plugged in?"
    if number in (errno.EACCES, errno.EPERM):
        return f"{device} may not be opened by this user; the group that owns it (often dialout) may"
    if number in (errno.EAGAIN, errno.EBUSY):
        return f"{device} is in use by another program"
    if number in (errno.ENOTTY, errno.EISDIR) or "configure port" in str(trouble):
        return f"{device} is not a serial port"
    return f"{device} cannot be opened ({trouble})"
