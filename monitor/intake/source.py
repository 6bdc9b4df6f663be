"""What every way in (serial port, MQTT broker, simulated node) promises the collector.

A source runs its own thread. That thread does one thing: put an :class:`Arrival` on the collector's bounded
queue for every message, whole and undecoded, blocking in short steps while the queue is full. It never
decodes, never drops, never touches the store. What is wrong with the bytes is found, kept and counted by
the collector's writer; what is wrong with the link is said through :meth:`Source.status` and the ``say``
line the source was built with.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from queue import Full, Queue
from threading import Event, Thread
from typing import NamedTuple, Protocol

from monitor.timesource import SystemTime, TimeSource

#: Capacity of the collector's queue; a full queue blocks the source, never drops.
QUEUE_CAPACITY = 5000

#: A blocked put looks at the stop flag this often. [s]
PUT_STEP_S = 0.5

#: After trouble that nobody thought of, a source begins anew so much later. [s]
AGAIN_S = 1.0
_UNFORESEEN = (ArithmeticError, AttributeError, LookupError, OSError, RuntimeError, TypeError, ValueError)


class Arrival(NamedTuple):
    """One message as it came in.

    ``payload`` is one SenML pack in JSON (for serial: the line's body, its checksum already verified) when
    ``kind`` is ``samples``; for ``presence`` the words ``online`` or ``offline``; for ``refused`` the bytes
    the source itself could not accept (a damaged line, a retained sample), with ``why``. ``kind`` ``value``
    is a bare number on a topic that the settings map to ``channel`` of ``node_hint``, in ``unit``.
    """

    #: Which source, in words fit for a person: ``serial /dev/ttyACM0``, ``mqtt broker.lan:1883``.
    source: str
    #: The node that the topic names, or None where only the payload can say (serial).
    node_hint: str | None
    payload: bytes
    #: Collector's own steady clock (:class:`monitor.timesource.TimeSource`) at reception. [s]
    arrival_s: float
    #: Counts the source's connections; an acknowledgement is void on any other.
    connection: int = 0
    #: By this number the source acknowledges it; 0 where nobody waits for that.
    receipt: int = 0
    kind: str = "samples"
    #: For ``refused``: one short phrase. Otherwise empty.
    why: str = ""
    #: For ``value``: the channel (``water``, ``room``, ``pressure`` ...) the number is meant for.
    channel: str | None = None
    #: For ``value``: the unit it comes in (:data:`monitor.intake.channels.NUMBER_UNITS`); None: the wire's own.
    unit: str | None = None


class Source(Protocol):
    """A running way in."""

    #: As :attr:`Arrival.source`.
    name: str

    def start(self, queue: Queue[Arrival], stop: Event) -> None:
        """Begin to listen in a thread of its own; returns at once, keeps trying when nothing is there."""

    def stop(self) -> None:
        """Take in nothing more, but keep the link so that acknowledgements can still go out."""

    def close(self) -> None:
        """Let what was acknowledged leave, then drop the link and end the thread."""

    def acknowledge(self, arrivals: Sequence[Arrival]) -> None:
        """These of its arrivals are stored. Those of a connection that has gone are left alone. Never raises."""

    def ask(self, node: str, payload: bytes) -> bool:
        """Say something to a node (a SenML pack on ``ask``); False when there is no link. Never raises."""

    def publish_alarm(self, node: str, payload: bytes) -> bool:
        """Put an alarm where other rooms can hear it (topic ``alarm``); False when the link has no such
        place or is down. Never raises."""

    def overhear(self, wanted: bool) -> None:
        """Whether to go on hearing though nothing is acknowledged for a while (a disk that refuses). Never raises,
        never waits, may be said again and again."""

    def reaches_out(self) -> bool | None:
        """Whether an alarm would be heard through it now; None where it leads to no other room."""

    def status(self) -> str:
        """One line for a person: connected, or what is wrong and what is being tried."""


class LinkThread:
    """What the real ways in share: a thread, its flags, and the one line on how the link is.

    Parameters
    ----------
    name : str
        As :attr:`Arrival.source`.
    status : str
        The first status.
    say : callable, optional
        Told one line whenever the status changes.
    time : TimeSource, optional
        The clock that stamps arrivals.
    """

    def __init__(
        self, name: str, status: str, say: Callable[[str], None] | None, time: TimeSource | None
    ) -> None:
        self.name = name
        self._status = status
        self._say = say or (lambda line: None)
        self._time = time or SystemTime()
        self._queue: Queue[Arrival] = Queue()
        self._stop = Event()
        self._paused = Event()
        self._closing = Event()
        self._thread: Thread | None = None

    def start(self, queue: Queue[Arrival], stop: Event) -> None:
        """Work in a thread of its own, for ever trying. ``stop`` is the collector's own flag."""
        self._queue, self._stop = queue, stop
        self._thread = Thread(target=self._keep_running, name=self.name, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Queue nothing more; what still comes stays unacknowledged, and will be sent again."""
        self._paused.set()

    def overhear(self, wanted: bool) -> None:
        """Nothing to do where nobody waits for an acknowledgement."""

    def status(self) -> str:
        """One line: connected, or what is wrong."""
        return self._status

    def _keep_running(self) -> None:
        """Nothing ends the listening without a word: what nobody thought of is said, and it is tried again."""
        while not self._closing.is_set():
            try:
                self._run()
                return
            except _UNFORESEEN as trouble:
                self._report(f"{self.name}: {type(trouble).__name__}: {trouble}; trying again")
                self._closing.wait(AGAIN_S)

    def _run(self) -> None:
        """The thread's work, until ``_closing`` is set."""
        raise NotImplementedError

    def _end(self, within_s: float) -> None:
        if self._thread is not None:
            self._thread.join(timeout=within_s)

    def _report(self, line: str) -> None:
        if line != self._status:
            self._status = line
            self._say(line)


def put_blocking(queue: Queue[Arrival], arrivals: Sequence[Arrival], stop: Event) -> bool:
    """Put all ``arrivals`` on the queue, waiting while it is full; False only when ``stop`` was set meanwhile."""
    # The usual case, without what Queue.put does for the others.
    with queue.mutex:
        if len(queue.queue) + len(arrivals) <= queue.maxsize:
            queue.queue.extend(arrivals)
            queue.not_empty.notify()
            return True
    return all(_put_one(queue, arrival, stop) for arrival in arrivals)


def _put_one(queue: Queue[Arrival], arrival: Arrival, stop: Event) -> bool:
    while not stop.is_set():
        try:
            queue.put(arrival, timeout=PUT_STEP_S)
        except Full:
            continue
        return True
    return False


def take_waiting(queue: Queue[Arrival], into: list[Arrival], limit: int) -> None:
    """Move what waits on the queue to the end of ``into``, at one go, until that holds ``limit``."""
    with queue.mutex:
        waiting = queue.queue
        for _ in range(min(len(waiting), limit - len(into))):
            into.append(waiting.popleft())
        queue.not_full.notify_all()
