"""``boilwitness collect``: listen, store, judge, raise the alarm."""

from __future__ import annotations

import argparse
import contextlib
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.alarms import AppriseChannel
from monitor.cli._data import add_data_argument, data_dir
from monitor.cli._output import lasting_output
from monitor.collector import Collector
from monitor.collector.lock import only_collector
from monitor.collector.settings import CollectSettings, SerialSettings, read_settings
from monitor.errors import UsageError
from monitor.intake.mqtt import MqttSource
from monitor.intake.mqtt_settings import parse_mqtt_address
from monitor.intake.serial_port import SerialSource, list_ports
from monitor.intake.source import Source
from monitor.store.database import open_writer
from monitor.store.identity import store_id
from monitor.store.runs import RunFacts


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--mqtt",
        metavar="ADDRESS",
        action="append",
        default=[],
        help="a broker: HOST:PORT, mqtt://USER@HOST:PORT or mqtts://...; the password comes from "
        "$BOILWITNESS_MQTT_PASSWORD or the settings file; repeatable",
    )
    parser.add_argument(
        "--serial",
        metavar="DEVICE",
        action="append",
        default=[],
        help="a serial port, best under /dev/serial/by-id; repeatable",
    )
    parser.add_argument(
        "--settings", metavar="FILE.toml", type=Path, help="a file with brokers, ports and alarm addresses"
    )
    parser.add_argument("--list-ports", action="store_true", help="show what is plugged in, and end")
    parser.add_argument("--dashboard", action="store_true", help="also serve the pages, on this machine only")
    add_data_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Collect until Ctrl-C or SIGTERM; exit status 0 then."""
    if args.list_ports:
        return _list_ports()
    settings = _settings(args)
    folder = data_dir(args)
    sources: list[Source] = _brokers(settings, folder)
    sources += [SerialSource(one.device, say=_say_if_heard, speed=one.baud) for one in settings.serial]
    names = [source.name for source in sources]
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"{name} is given twice.", "Name each port and broker once.")
    push = AppriseChannel(settings.push) if settings.push else None
    stop = threading.Event()
    with only_collector(folder):
        pass  # said before anything else is
    listening = f"listening to {', '.join(names)}; storing in {folder} (Ctrl-C ends it)"
    with lasting_output():
        with _stopped_by_signals(stop), _pages(folder, wanted=args.dashboard):
            _say_if_heard(f"taking up what is stored in {folder}")
            collector = Collector(
                folder, sources, say=_say, push=push, listening=lambda: _say_if_heard(listening)
            )
            unstored = collector.run(stop)
        if unstored:
            _say_if_heard(
                f"stopped; {unstored} messages could not be stored and were not acknowledged: they will come again"
            )
        else:
            _say_if_heard("stopped; everything that came in is stored")
    return 0


def _brokers(settings: CollectSettings, folder: Path) -> list[Source]:
    """Each under a client id that this store alone has."""
    if not settings.mqtt:
        return []
    with contextlib.closing(open_writer(folder)) as conn:
        name = store_id(conn)
    return [MqttSource(one.for_store(name), say=_say_if_heard) for one in settings.mqtt]


def _settings(args: argparse.Namespace) -> CollectSettings:
    from_file = read_settings(args.settings) if args.settings else CollectSettings()
    mqtt = (*from_file.mqtt, *(parse_mqtt_address(text) for text in args.mqtt))
    serial = (*from_file.serial, *(SerialSettings(device) for device in args.serial))
    if not mqtt and not serial:
        raise UsageError(
            "nothing to listen to.",
            "Give --mqtt HOST:PORT, --serial DEVICE or --settings FILE; --list-ports shows what is plugged in.",
        )
    return CollectSettings(mqtt, serial, from_file.push)


def _list_ports() -> int:
    ports = list_ports()
    for port in ports:
        print("  ".join(part for part in (port.stable, port.description) if part and part != "n/a"))
    if not ports:
        print("no serial port is plugged in")
    return 0


@contextlib.contextmanager
def _stopped_by_signals(stop: threading.Event) -> Iterator[None]:
    before = {
        number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def _pages(folder: Path, *, wanted: bool) -> Iterator[None]:
    """The dashboard as a process of its own beside the collector; it ends with it."""
    if not wanted:
        yield
        return
    command = [sys.executable, "-m", "monitor", "dashboard", "--data", str(folder)]
    # A session of its own: Ctrl-C comes to the collector, which then ends the pages.
    pages = subprocess.Popen(command, start_new_session=True)
    try:
        yield
    finally:
        pages.terminate()
        try:
            pages.wait(timeout=10.0)
        except subprocess.TimeoutExpired:
            pages.kill()
            pages.wait()


def _say_if_heard(line: str) -> None:
    """Of the sources' own threads: one that ended by what it says would listen no more."""
    with contextlib.suppress(OSError):
        _say(None, line)


def _say(facts: RunFacts | None, line: str) -> None:
    """One line on the terminal: the time at the run's site, or this machine's, its offset, and what it is about.

    Where a full disk refuses it, it is said as an error, and OSError raised all the same.
    """
    now = datetime.now(UTC).astimezone(_zone(facts))
    about = f"{facts.canner or facts.run_id}: " if facts else ""
    invented = "[simulated] " if facts and facts.simulated else ""
    words = f"{now:%H:%M:%S %z}  {invented}{about}{line}"
    try:
        print(words, flush=True)
    except OSError:
        with contextlib.suppress(OSError):
            print(words, file=sys.stderr, flush=True)
        raise


def _zone(facts: RunFacts | None) -> ZoneInfo | None:
    name = facts.header.get("zone") if facts else None
    if not isinstance(name, str):
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return None
