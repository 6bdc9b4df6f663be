"""One process of the demonstration: ``broker``, ``collector`` or ``dashboard``. It ends when its parent does.

The parent holds the other end of standard input and never writes to it: its end is the parent's end, even
when the parent was killed and could not say so.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

from monitor.errors import MonitorError


def main(words: list[str]) -> int:
    """``broker DATA PROGRAM``, ``collector DATA RATE --serial|--mqtt WHERE`` or ``dashboard DATA PORT``."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    role, folder, *rest = words
    if role == "broker":
        return _broker(Path(folder), *rest)
    return _collector(Path(folder), *rest) if role == "collector" else _dashboard(Path(folder), int(rest[0]))


def _end_with_parent() -> None:
    while os.read(0, 1):
        pass
    os.kill(os.getpid(), signal.SIGTERM)


def _broker(folder: Path, program: str) -> int:
    """A broker cannot know that its parent is gone; this process can, and ends it."""
    broker = subprocess.Popen([program, "-c", str(folder / "broker.conf")], stderr=subprocess.DEVNULL)
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: broker.terminate())
    broker.wait()
    return 0


def _collector(folder: Path, rate: str, option: str, where: str) -> int:
    from monitor.collector import Collector
    from monitor.intake.mqtt import MqttSource
    from monitor.intake.mqtt_settings import parse_mqtt_address
    from monitor.intake.serial_port import SerialSource
    from monitor.intake.source import Source
    from monitor.timesource import ScaledTime

    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    time = ScaledTime(float(rate))
    source: Source
    if option == "--serial":
        source = SerialSource(where, time=time)
    else:
        source = MqttSource(parse_mqtt_address(where).for_store("demo"), time=time)
    Collector(folder, [source], say=lambda facts, line: print(f"  {line}", flush=True), time=time).run(stop)
    return 0


def _dashboard(folder: Path, port: int) -> int:
    from dashboard import launch, settings

    address = launch.loopback_address(port)
    with launch.listen(address) as listener:
        launch.serve(listener, address, settings.Settings(folder, base_url=address.url))
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except MonitorError as trouble:
        sys.exit(f"boilwitness: {trouble}")
