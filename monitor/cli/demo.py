"""``boilwitness demo``: a simulated canner, the collector and the pages, faster than life."""

from __future__ import annotations

import argparse
import signal
import tempfile
import threading
import webbrowser
from pathlib import Path

from monitor.errors import UsageError

#: Faster, and a person sees nothing of it; the collector judges as much, whatever the pace.
SPEED = 20.0
FASTEST = 30.0
MINUTES = 10.0
#: The power goes 4 min into the hold, which must not be over by then.
LEAST_MINUTES = 5.0
MOST_MINUTES = 60.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--speed",
        type=float,
        default=SPEED,
        help=f"times as fast as life, 1 to {FASTEST:g} (default {SPEED:g})",
    )
    parser.add_argument(
        "--port", type=int, default=None, help="the pages' port (default: the first free from 8517)"
    )
    parser.add_argument(
        "--minutes",
        type=float,
        default=MINUTES,
        help=f"processing time of the batch shown, {LEAST_MINUTES:g} to {MOST_MINUTES:g} (default {MINUTES:g})",
    )
    parser.add_argument("--no-browser", action="store_true", help="only print the address")
    parser.add_argument(
        "--through",
        choices=("pty", "broker"),
        default="pty",
        help="how the node reaches the collector: a serial line (default) or an MQTT broker",
    )
    parser.add_argument(
        "--data",
        metavar="DIR",
        type=Path,
        default=None,
        help="keep the store here (default: a temporary one)",
    )


def run(args: argparse.Namespace) -> int:
    """Play one batch and stay until Ctrl-C."""
    if not 1.0 <= args.speed <= FASTEST:
        raise UsageError(f"--speed {args.speed:g} is not between 1 and {FASTEST:g}.")
    if not LEAST_MINUTES <= args.minutes <= MOST_MINUTES:
        raise UsageError(f"--minutes {args.minutes:g} is not between {LEAST_MINUTES:g} and {MOST_MINUTES:g}.")
    from dashboard import launch

    port = launch.free_port(args.port)
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda *_: stop.set())
    if args.data is not None:
        from monitor.store.database import open_writer

        # What is wrong with the store is told here in a line, before anything is started.
        open_writer(args.data).close()
        return _show(args, args.data, port, stop)
    with tempfile.TemporaryDirectory(prefix="boilwitness-demo-") as folder:
        return _show(args, Path(folder), port, stop)


def _show(args: argparse.Namespace, folder: Path, port: int, stop: threading.Event) -> int:
    from monitor.cli._demo_house import DemoHouse

    house = DemoHouse(folder, port, args.speed, args.through)
    try:
        house.start()
        if not args.no_browser:
            threading.Thread(target=webbrowser.open, args=(house.url,), daemon=True).start()
        if house.play(stop, lambda line: print(line, flush=True), minutes=args.minutes) is not None:
            stop.wait()
    finally:
        house.end()
    print("Everything has ended.", flush=True)
    return 0
