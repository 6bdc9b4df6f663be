"""The demonstration's node: plays an invented batch over a real wire, at its own pace.

It keeps what it sent until it is told ``stored`` and sends again what is asked for, as any node must.
"""

from __future__ import annotations

import os
import select
import threading
import tty
from collections import deque
from collections.abc import Callable
from typing import Protocol

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.errors import WireFormatError
from monitor.intake.framing import LineSplitter, frame
from monitor.intake.wire import Pack, decode_pack, encode_pack
from monitor.record import Sample
from monitor.simulate.node import NODE_NAME

#: Samples kept until they are known to be stored; the contract asks for at least 600.
RING = 1200

#: A wire that takes nothing for so long has nobody at its end. [s]
TAKEN_S = 0.2


class Link(Protocol):
    """One way to the collector. ``said`` is called with every payload that the collector sends back."""

    #: The option of ``collect`` by which it is reached.
    collect_option: tuple[str, str]

    def open(self, said: Callable[[bytes], None]) -> None: ...

    def send(self, payload: bytes, *, patiently: bool = False) -> bool:
        """Put one pack on the wire; False when it does not take any now, or patiently: within a moment."""

    def close(self) -> None: ...


class PtyLink:
    """A pseudo-terminal pair: the collector reads the far end as a serial port."""

    def __init__(self) -> None:
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.collect_option = ("--serial", os.ttyname(self._far))
        self._closing = threading.Event()
        self._one_at_a_time = threading.Lock()
        self._thread: threading.Thread | None = None

    def open(self, said: Callable[[bytes], None]) -> None:
        self._thread = threading.Thread(target=self._listen, args=(said,), name="demo node", daemon=True)
        self._thread.start()

    def _listen(self, said: Callable[[bytes], None]) -> None:
        splitter = LineSplitter()
        while not self._closing.is_set():
            ready, _, _ = select.select([self._near], [], [], 0.2)
            if not ready:
                continue
            for line in splitter.feed(os.read(self._near, 4096)):
                if not line.why:
                    said(line.body)

    def send(self, payload: bytes, *, patiently: bool = False) -> bool:
        line = frame(payload)
        with self._one_at_a_time:
            if not select.select([], [self._near], [], TAKEN_S if patiently else 0.0)[1]:
                # Nobody reads: the ring keeps the sample, as a node's would.
                return False
            try:
                return os.write(self._near, line) == len(line)
            except BlockingIOError:
                return False

    def close(self) -> None:
        self._closing.set()
        if self._thread is not None:
            self._thread.join()
        os.close(self._near)
        os.close(self._far)


class BrokerLink:
    """A broker on this machine: the node publishes, the collector subscribes."""

    def __init__(self, port: int) -> None:
        self._port = port
        self.collect_option = ("--mqtt", f"127.0.0.1:{port}")
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=NODE_NAME)

    def open(self, said: Callable[[bytes], None]) -> None:
        ask = f"boilwitness/{NODE_NAME}/ask"
        self._client.on_connect = lambda client, *rest: client.subscribe(ask, qos=1)
        self._client.on_message = lambda client, data, message: said(bytes(message.payload))
        self._client.will_set(f"boilwitness/{NODE_NAME}/presence", "offline", qos=1, retain=True)
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        self._client.publish(f"boilwitness/{NODE_NAME}/presence", "online", qos=1, retain=True)

    def send(self, payload: bytes, *, patiently: bool = False) -> bool:
        return self._client.publish(f"boilwitness/{NODE_NAME}/samples", payload, qos=1).rc == 0

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class DemoNode:
    """A node with a ring: says samples, forgets what is stored, sends again what is asked for."""

    def __init__(self, link: Link, keep: int = RING) -> None:
        self.link = link
        self._ring: deque[Pack] = deque(maxlen=keep)
        #: What the wire has not taken yet: a cable whose far end is not read fills up.
        self._unsent: deque[Pack] = deque(maxlen=keep)
        self._lock = threading.Lock()

    def open(self) -> None:
        self.link.open(self._said)

    def say(self, sample: Sample) -> None:
        """Send a sample as it falls due, after those that the wire did not take before."""
        pack = pack_of(sample)
        with self._lock:
            self._ring.append(pack)
        self._unsent.append(pack)
        while self._unsent and self.link.send(encode_pack(self._unsent[0])):
            self._unsent.popleft()

    def close(self) -> None:
        self.link.close()

    def _said(self, payload: bytes) -> None:
        try:
            told = decode_pack(payload)
        except WireFormatError:
            # Not for a node; a real one has nobody to complain to either.
            return
        with self._lock:
            if told.stored is not None:
                while self._ring and (self._ring[0].seq or 0) <= told.stored:
                    self._ring.popleft()
            again = [
                pack for pack in self._ring if told.resend is not None and (pack.seq or 0) >= told.resend
            ]
        for pack in again:
            if not self.link.send(encode_pack(pack), patiently=True):
                # The rest will be asked for again.
                return


def pack_of(sample: Sample) -> Pack:
    """A sample as the node says it."""
    return Pack(
        NODE_NAME,
        boot=sample.boot,
        seq=sample.seq,
        uptime_s=sample.uptime_s,
        water_C=sample.water_C,
        water_fault=sample.water_fault,
        room_C=sample.room_C,
        pressure_kPa=sample.pressure_kPa,
        heater_W=sample.heater_W,
        mains=sample.mains,
        chip_C=sample.chip_C,
        water_2_C=sample.water_2_C,
        jars=sample.jars,
        lids=sample.lids,
    )
